//! Designs: what the blocks of a set print, as vector shapes in millimetres.
//!
//! Design coordinates are print coordinates of an ideal impression: face up,
//! origin at the sheet centre, x right, y up, millimetres.

mod figure;
mod heron;
mod landscape;
mod lettering;
mod pattern;
mod pen;

use serde::{Deserialize, Serialize};

use crate::rng::Rng;
use crate::shapes::P;
use pen::Pen;

/// Style family of a generated design. Families differ in kind, so that one
/// can be tuned on and another reported on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Family {
    /// Ridges, water, reeds, a sun; bokashi sky.
    Landscape,
    /// A robed figure, large closed contours, black solids.
    Figure,
    /// A repeating lattice with a medallion.
    Pattern,
    /// Columns of lettering in red and black.
    Lettering,
    /// The fixed sample design 'Heron at the salt pans' (the seed is ignored).
    Heron,
}

/// What to draw.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct DesignSpec {
    /// Design seed.
    pub seed: u64,
    /// Style family.
    pub family: Family,
    /// Sheet width and height, mm.
    pub sheet_mm: P,
    /// Margin between sheet edge and image, mm.
    pub margin_mm: f64,
    /// Whether a printed border line runs round each image.
    pub frame: bool,
    /// Two copies side by side on one block and sheet.
    pub two_up: bool,
    /// Number of colour blocks, 5 to 8.
    pub colours: usize,
}

impl Default for DesignSpec {
    fn default() -> Self {
        Self {
            seed: 1,
            family: Family::Landscape,
            sheet_mm: [180.0, 120.0],
            margin_mm: 9.0,
            frame: true,
            two_up: false,
            colours: 6,
        }
    }
}

impl DesignSpec {
    /// The sample scenario's design: a two-up card of 180 x 120 mm.
    pub fn heron() -> Self {
        Self {
            family: Family::Heron,
            two_up: true,
            ..Self::default()
        }
    }
}

/// What a key line depicts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Role {
    /// Border line of the image.
    Frame,
    /// Contour of a shape.
    Contour,
    /// Parallel shading line.
    Hatch,
    /// Stroke of a lettering-like mark.
    Lettering,
}

/// A printed line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Number of the line, the same in every copy of the image.
    pub id: u32,
    /// Image it belongs to: `whole`, `left` or `right`.
    pub image: String,
    /// What it depicts.
    pub role: Role,
    /// Nominal width where it is widest, mm.
    pub width_mm: f64,
    /// Share of its length over which each end narrows to a quarter of the
    /// width, 0 for a line of constant width.
    pub taper: f64,
    /// First and last point coincide.
    pub closed: bool,
    /// Centre line, mm.
    pub points: Vec<P>,
}

/// A printed area (outer ring and holes), or one cleared from the areas before it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Area {
    /// Number of the area within its block.
    pub id: u32,
    /// Image it belongs to.
    pub image: String,
    /// Cleared wood: nothing of the block's earlier areas prints here.
    #[serde(default)]
    pub cleared: bool,
    /// Rings, mm; the first is the outer one.
    pub rings: Vec<Vec<P>>,
}

/// Smooth gradation wiped into a block: the strength falls from 1 at `from` to
/// 0 at `to` (smoothstep along the joining line), constant beyond.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Bokashi {
    /// Full strength here and beyond, mm.
    pub from: P,
    /// No ink here and beyond, mm.
    pub to: P,
}

/// A block of the set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Block {
    /// Name.
    pub name: String,
    /// Place in the order of printing, from 1.
    pub order: u32,
    /// Whether it is the key block.
    pub key: bool,
    /// Absorption of linear red, green and blue at strength 1:
    /// transmittance = exp(-strength * absorption).
    pub absorption: [f64; 3],
    /// Lines.
    pub lines: Vec<Line>,
    /// Areas, printed and cleared, applied one after the other.
    pub areas: Vec<Area>,
    /// Gradation, one for each image it applies to.
    pub bokashi: Vec<Bokashi>,
}

/// Where an image lies on the sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ImagePlace {
    /// `whole`, `left` or `right`.
    pub name: String,
    /// Centre, mm.
    pub centre: P,
    /// Width and height to the outside of the border line (or of the printed
    /// area, without a border), mm.
    pub size_mm: P,
}

/// A contact point of a registration mark with the paper edge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Contact {
    /// `corner-long`, `corner-short` or `straight`.
    pub name: String,
    /// Place, mm.
    pub at: P,
    /// Inward normal of the face (towards the sheet).
    pub normal: P,
}

/// A complete design.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Design {
    /// Title.
    pub title: String,
    /// How it was made.
    pub spec: DesignSpec,
    /// Sheet width and height, mm.
    pub sheet_mm: P,
    /// Images on the sheet.
    pub images: Vec<ImagePlace>,
    /// Width of the border line, mm; 0 without one.
    pub frame_width_mm: f64,
    /// Blocks in order of printing.
    pub blocks: Vec<Block>,
    /// Registration marks: corner mark and straight mark along one long side.
    /// They are cut in the block outside the sheet and never print.
    pub marks: Vec<Contact>,
}

impl Design {
    /// Draws the design of a spec.
    pub fn generate(spec: &DesignSpec) -> Self {
        let [w, h] = spec.sheet_mm;
        let m = spec.margin_mm.clamp(0.0, 0.4 * w.min(h));
        let gap = m * 0.9;
        let size = if spec.two_up {
            [(w - 2.0 * m - gap) / 2.0, h - 2.0 * m]
        } else {
            [w - 2.0 * m, h - 2.0 * m]
        };
        let heron = spec.family == Family::Heron;
        let seed = if heron { 1961 } else { spec.seed };
        let rng = Rng::new(seed, "design");
        let colours = if heron { 6 } else { spec.colours.clamp(5, 8) };
        let mut pen = Pen::new(rng, size, spec.frame, colours);
        let title = match spec.family {
            Family::Landscape => landscape::draw(&mut pen),
            Family::Figure => figure::draw(&mut pen),
            Family::Pattern => pattern::draw(&mut pen),
            Family::Lettering => lettering::draw(&mut pen),
            Family::Heron => heron::draw(&mut pen),
        };
        let images = if spec.two_up {
            let c = (size[0] + gap) / 2.0;
            vec![("left", [-c, 0.0]), ("right", [c, 0.0])]
        } else {
            vec![("whole", [0.0, 0.0])]
        }
        .into_iter()
        .map(|(name, centre)| ImagePlace {
            name: name.to_owned(),
            centre,
            size_mm: size,
        })
        .collect::<Vec<_>>();
        let frame_width_mm = if spec.frame { pen.frame_width } else { 0.0 };
        let blocks = pen.finish(&images);
        Self {
            title,
            spec: spec.clone(),
            sheet_mm: spec.sheet_mm,
            images,
            frame_width_mm,
            blocks,
            marks: marks(spec.sheet_mm),
        }
    }

    /// The block of that name.
    pub fn block(&self, name: &str) -> Option<&Block> {
        self.blocks.iter().find(|b| b.name == name)
    }

    /// The key block.
    pub fn key(&self) -> Option<&Block> {
        self.blocks.iter().find(|b| b.key)
    }
}

/// Corner mark at the lower left and straight mark towards the right of the
/// lower long side (turned a quarter for upright sheets). Positions are common
/// practice, no source.
fn marks(sheet: P) -> Vec<Contact> {
    let (a, b) = (sheet[0] / 2.0, sheet[1] / 2.0);
    let contact = |name: &str, at: P, normal: P| Contact {
        name: name.to_owned(),
        at,
        normal,
    };
    if a >= b {
        vec![
            contact("corner-long", [-a + 12.0, -b], [0.0, 1.0]),
            contact("corner-short", [-a, -b + 8.0], [1.0, 0.0]),
            contact("straight", [a * 0.4, -b], [0.0, 1.0]),
        ]
    } else {
        vec![
            contact("corner-long", [-a, b - 12.0], [1.0, 0.0]),
            contact("corner-short", [-a + 8.0, b], [0.0, -1.0]),
            contact("straight", [-a, -b * 0.4], [1.0, 0.0]),
        ]
    }
}
