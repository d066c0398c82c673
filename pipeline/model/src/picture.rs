//! Pictures for people, as data: which image, which part of it, and what is
//! drawn over it. `report` turns them into files.

use serde::{Deserialize, Serialize};

use crate::chart::Chart;
use crate::geometry::{Affine, Point};

/// A picture to be rendered.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Picture {
    /// Its name, unique within the stage (`overlay`).
    pub name: String,
    /// What a person sees, in a sentence.
    pub caption: String,
    /// Image it is drawn on: `scan`, or the name of an image the stage gave;
    /// `chart` for a picture that is a chart, `drawing` for one that is a drawing.
    pub base: String,
    /// The part of the base that is shown, and how it is turned; all of it without one.
    #[serde(default)]
    pub frame: Option<Frame>,
    /// What is drawn over it, in order.
    #[serde(default)]
    pub marks: Vec<Mark>,
}

impl Picture {
    /// The base of a picture that is a chart.
    pub const CHART: &'static str = "chart";

    /// A picture that is a chart.
    pub fn of_chart(name: &str, caption: &str, chart: Chart) -> Self {
        Self {
            name: name.to_owned(),
            caption: caption.to_owned(),
            base: Self::CHART.to_owned(),
            frame: None,
            marks: vec![Mark::Chart { chart }],
        }
    }

    /// The base of a picture that is a drawing true to size.
    pub const DRAWING: &'static str = "drawing";

    /// A drawing true to size: `marks` in millimetres from the upper left corner
    /// of an area of the size given, x to the right, y down.
    pub fn of_drawing(name: &str, caption: &str, size_mm: [f64; 2], marks: Vec<Mark>) -> Self {
        Self {
            name: name.to_owned(),
            caption: caption.to_owned(),
            base: Self::DRAWING.to_owned(),
            frame: Some(Frame {
                width: size_mm[0],
                height: size_mm[1],
                to_base: Affine::IDENTITY,
            }),
            marks,
        }
    }

    /// The size of a drawing, mm; none of other pictures.
    pub fn drawing(&self) -> Option<[f64; 2]> {
        let frame = self.frame.filter(|_| self.base == Self::DRAWING)?;
        Some([frame.width, frame.height])
    }

    /// A picture that is the base itself, sample by sample: 16-bit grey,
    /// `full_scale` and more as 65535, without anything drawn over it.
    pub fn of_samples(name: &str, caption: &str, base: &str, full_scale: f64) -> Self {
        Self {
            name: name.to_owned(),
            caption: caption.to_owned(),
            base: base.to_owned(),
            frame: None,
            marks: vec![Mark::Samples { full_scale }],
        }
    }

    /// The value written as 65535, of a picture that is its base's samples.
    pub fn samples(&self) -> Option<f64> {
        match self.marks.as_slice() {
            [Mark::Samples { full_scale }] => Some(*full_scale),
            _ => None,
        }
    }

    /// The chart, of a picture that is one.
    pub fn chart(&self) -> Option<&Chart> {
        match self.marks.as_slice() {
            [Mark::Chart { chart }] if self.base == Self::CHART => Some(chart),
            _ => None,
        }
    }
}

/// A window on the base image.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Frame {
    /// Width of the picture at full size, in pixels.
    pub width: f64,
    /// Height of the picture at full size, in pixels.
    pub height: f64,
    /// From picture pixels (at full size) to base pixels.
    pub to_base: Affine,
}

/// What a drawn thing means; the renderer picks the colours, which are safe
/// for colour-blind readers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Tone {
    /// What was measured.
    Measured,
    /// What was expected.
    Expected,
    /// Something is wrong here.
    Fault,
    /// Worth a look.
    Notice,
    /// Beside the point: scale bars, guides.
    Guide,
    /// One of several of a kind, such as the blocks of a set, by its place among
    /// them: 14 looks, then the first again. A [`Mark::Key`] says which it is.
    Item(u8),
}

/// Colours of [`Tone::Item`], sRGB: searched for the greatest least CIEDE2000 among
/// them over all kinds of dichromatic vision, at a contrast of 3 to 12 on white.
pub const ITEM_COLOURS: [[u8; 3]; 7] = [
    [0x77, 0x11, 0xff],
    [0xbb, 0x88, 0x11],
    [0x11, 0x33, 0x77],
    [0x99, 0x33, 0x00],
    [0x66, 0x99, 0xbb],
    [0x44, 0x33, 0x33],
    [0x88, 0x88, 0x77],
];

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Stroke {
    /// Unbroken.
    #[default]
    Solid,
    /// Dashed.
    Dashed,
}

/// One drawn thing; coordinates in picture pixels at full size.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "draw", rename_all = "kebab-case")]
pub enum Mark {
    /// A line through points.
    Line {
        /// The points.
        points: Vec<Point>,
        /// Whether the last is joined to the first.
        #[serde(default)]
        closed: bool,
        /// Its meaning.
        tone: Tone,
        /// How it is drawn.
        #[serde(default)]
        stroke: Stroke,
    },
    /// An arrow.
    Arrow {
        /// Where it starts.
        from: Point,
        /// Where its head is.
        to: Point,
        /// Its meaning.
        tone: Tone,
    },
    /// A small cross.
    Cross {
        /// Where.
        at: Point,
        /// Its meaning.
        tone: Tone,
    },
    /// A circle.
    Circle {
        /// Centre.
        at: Point,
        /// Radius in picture pixels at full size.
        radius: f64,
        /// Its meaning.
        tone: Tone,
    },
    /// A chart: all there is to the picture, whose base is [`Picture::CHART`].
    Chart {
        /// The chart.
        chart: Chart,
    },
    /// The base's samples as they are: all there is to the picture.
    Samples {
        /// Value that is written as 65535.
        full_scale: f64,
    },
    /// Words in the strip below the picture, after a stroke of their tone, in place of
    /// the tone's usual word.
    Key {
        /// The words.
        text: String,
        /// What the stroke means.
        tone: Tone,
    },
    /// Words beside a point.
    Text {
        /// Left end of the baseline.
        at: Point,
        /// The words.
        text: String,
        /// Their meaning.
        tone: Tone,
    },
}
