//! What a run is about: the sheet, its images, the blocks and their marks,
//! and the impression at hand.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::geometry::{Point, Rect};
use crate::units::Dpi;

/// Size in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Size {
    /// Along x, millimetres.
    pub width_mm: f64,
    /// Along y, millimetres.
    pub height_mm: f64,
}

/// Where an image lies on the sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ImageArea {
    /// `whole`, or `left` and `right` (`upper` and `lower`) of a two-up sheet.
    pub name: String,
    /// Centre of the printed image in print coordinates, x, millimetres.
    pub x_mm: f64,
    /// Centre of the printed image in print coordinates, y, millimetres.
    pub y_mm: f64,
    /// Width to the outside of the border line, millimetres.
    pub width_mm: f64,
    /// Height to the outside of the border line, millimetres.
    pub height_mm: f64,
    /// Whether a printed border line runs round it.
    #[serde(default = "yes")]
    pub border: bool,
}

fn yes() -> bool {
    true
}

impl ImageArea {
    /// The area in print millimetres.
    pub fn rect(&self) -> Rect {
        let half = Point::new(self.width_mm / 2.0, self.height_mm / 2.0);
        let c = Point::new(self.x_mm, self.y_mm);
        Rect::new(c - half, c + half)
    }
}

/// A block of the set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct BlockInfo {
    /// Its name.
    pub name: String,
    /// Place in the order of printing, from 1.
    pub order: u32,
    /// Whether it is the key block.
    #[serde(default)]
    pub key: bool,
    /// Whether it is printed with a gradation.
    #[serde(default)]
    pub bokashi: bool,
    /// Colour of its solid on this paper, sRGB as `#rrggbb`, if known.
    #[serde(default)]
    pub colour: Option<String>,
}

/// Which face of which mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum MarkKind {
    /// Corner mark (kagi), the face along the sheet's long edge.
    CornerLong,
    /// Corner mark (kagi), the face along the sheet's short edge.
    CornerShort,
    /// Straight mark (hikitsuke).
    Straight,
}

/// Where the sheet touches a registration mark.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct MarkInfo {
    /// Which face.
    pub face: MarkKind,
    /// Contact point in print coordinates, x, millimetres.
    pub x_mm: f64,
    /// Contact point in print coordinates, y, millimetres.
    pub y_mm: f64,
}

/// The part of a config that stages see.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Project {
    /// Name of the design.
    pub design: String,
    /// Size of the untrimmed sheet, if known.
    pub sheet: Option<Size>,
    /// Images on the sheet; empty means one, of unknown place.
    pub images: Vec<ImageArea>,
    /// The block set.
    pub blocks: Vec<BlockInfo>,
    /// Contact points of the registration marks.
    pub marks: Vec<MarkInfo>,
    /// Tolerances, by name, in the unit the name ends with.
    pub tolerances: std::collections::BTreeMap<String, f64>,
}

/// What an impression is in the run.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// A good impression to learn from.
    Reference,
    /// A proof of a single block.
    Proof(String),
    /// One of the sheets to be measured.
    Run,
}

impl std::fmt::Display for Role {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Reference => f.write_str("reference"),
            Self::Proof(block) => write!(f, "proof:{block}"),
            Self::Run => f.write_str("run"),
        }
    }
}

/// One line of the sheet list.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Impression {
    /// Place in the sheet list, from 1.
    pub sheet: usize,
    /// The scan's file, as the list spells it.
    pub file: String,
    /// The impression's own name or number.
    pub impression: String,
    /// Edition it belongs to, empty if not said.
    pub edition: String,
    /// Year of printing.
    pub year: Option<i32>,
    /// Place in the stack, from 1.
    pub position: Option<i64>,
    /// What it is in the run.
    pub role: Role,
}

/// What is known of a scan beside its pixels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScanInfo {
    /// Pixels across, after the orientation tag is honoured.
    pub width: usize,
    /// Pixels down, after the orientation tag is honoured.
    pub height: usize,
    /// Channels as decoded: 1 or 3.
    pub channels: usize,
    /// Bits a sample in the file.
    pub bits: u8,
    /// Resolution in force.
    pub dpi: Dpi,
    /// Where the resolution is from: a tag's name, `sheet list` or `config`.
    pub dpi_source: String,
    /// Colour space the samples were converted from (`sRGB (untagged)`, a profile's name).
    pub colour: String,
    /// File format and compression.
    pub format: String,
    /// Pixels to a side that share one colour in the file: 2 where a JPEG keeps its colours at half
    /// the resolution of its lightness.
    #[serde(default = "one", skip_serializing_if = "is_one")]
    pub colour_step: usize,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
}

fn one() -> usize {
    1
}

#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_one(n: &usize) -> bool {
    *n == 1
}
