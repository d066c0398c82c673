//! Charts for people, as data: what is plotted along which axes. `report`
//! draws them.

use serde::{Deserialize, Serialize};

use crate::geometry::Point;
use crate::picture::{Stroke, Tone};

/// Panels one above the other, over one horizontal axis.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Chart {
    /// What stands above it.
    pub title: String,
    /// Name and unit of the horizontal axis.
    pub x_label: String,
    /// The panels, from the top.
    pub panels: Vec<Panel>,
}

/// One panel of a chart.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Panel {
    /// Name and unit of the vertical axis.
    pub y_label: String,
    /// What is plotted, in order.
    pub plots: Vec<Plot>,
}

/// One plotted thing. Coordinates are values of the axes, y upwards; a thing
/// without a name is not in the legend.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "plot", rename_all = "kebab-case")]
pub enum Plot {
    /// Dots.
    Dots {
        /// Name in the legend.
        name: String,
        /// Where.
        points: Vec<Point>,
        /// Their meaning.
        tone: Tone,
    },
    /// Rings, larger than dots.
    Rings {
        /// Name in the legend.
        name: String,
        /// Where.
        points: Vec<Point>,
        /// Their meaning.
        tone: Tone,
    },
    /// A line through points.
    Line {
        /// Name in the legend.
        name: String,
        /// The points.
        points: Vec<Point>,
        /// Its meaning.
        tone: Tone,
        /// How it is drawn.
        #[serde(default)]
        stroke: Stroke,
    },
    /// A line across the whole panel.
    Level {
        /// Name in the legend.
        name: String,
        /// Where.
        y: f64,
        /// Its meaning.
        tone: Tone,
        /// How it is drawn.
        #[serde(default)]
        stroke: Stroke,
    },
    /// Cells of a named row, each a stretch of the horizontal axis. A panel with
    /// cells has its rows, from the top, in place of a vertical axis, and shows
    /// nothing but cells and bands.
    Cells {
        /// Name in the legend.
        name: String,
        /// The row's name.
        row: String,
        /// Where each starts and ends.
        spans: Vec<[f64; 2]>,
        /// Their meaning.
        tone: Tone,
        /// How they are filled, so that meanings can be told without colour.
        fill: Fill,
    },
    /// A shaded stretch of the horizontal axis.
    Band {
        /// Name in the legend.
        name: String,
        /// Where it starts.
        from: f64,
        /// Where it ends.
        to: f64,
        /// Its meaning.
        tone: Tone,
    },
}

/// How a cell is filled.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fill {
    /// All of it.
    Full,
    /// Its lower half.
    Half,
    /// A thin stroke at its foot.
    Foot,
    /// Its outline.
    Outline,
}
