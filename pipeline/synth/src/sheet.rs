//! Everything that is particular to one sheet: the state of the blocks, the
//! paper, the ink, the scanner. All of it can be written and read as JSON.

use serde::{Deserialize, Serialize};

use crate::design::DesignSpec;
use crate::shapes::P;
use crate::stroke::Ragged;
use crate::transform::{Motion, Warp};

/// What lies on the scanner.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SheetKind {
    /// An impression, face up, top up.
    #[default]
    Good,
    /// Paper without an impression.
    Blank,
    /// The back: mirror-image, faint show-through.
    Verso,
    /// Turned by 180 degrees.
    UpsideDown,
    /// An impression from another block set.
    OtherDesign,
    /// The same impression as another file, laid down and scanned again.
    Duplicate {
        /// Name of the other sheet.
        of: String,
    },
    /// The same scan as another file, encoded again.
    Reencoded {
        /// Name of the other sheet.
        of: String,
    },
    /// Part of the sheet lies outside the scan.
    Crop,
}

/// A block that has been cut anew after the old one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Recut {
    /// How the new lines deviate from the old ones (fine-scale).
    pub course: Warp,
    /// Change of line width, mm.
    pub width_mm: f64,
}

/// State of one block on one sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct BlockState {
    /// Name of the block.
    pub block: String,
    /// Where it printed.
    pub motion: Motion,
    /// Amount of ink; 1 is nominal.
    pub strength: f64,
    /// Retreat of every printing edge by wear, mm (times the image's wear).
    pub retreat_mm: f64,
    /// Outward growth of every edge, by soft worn wood or over-inking, mm
    /// (times the image's wear). A line widens by twice this.
    pub widen_mm: f64,
    /// Smooth local deformation of the block.
    pub warp: Warp,
    /// Raggedness of the edges.
    pub ragged: Option<Ragged>,
    /// Set when the block is a new one.
    pub recut: Option<Recut>,
    /// Other ink than the design's: absorption by channel.
    pub absorption: Option<[f64; 3]>,
    /// Body of the ink: scattering power of its solid (Kubelka and Munk's S X), about the share
    /// of the light that a pale ink gives back over black. On paper its colour is the same with and without.
    pub body: f64,
}

impl Default for BlockState {
    fn default() -> Self {
        Self {
            block: String::new(),
            motion: Motion::default(),
            strength: 1.0,
            retreat_mm: 0.0,
            widen_mm: 0.0,
            warp: Warp::default(),
            ragged: None,
            recut: None,
            absorption: None,
            body: 0.0,
        }
    }
}

/// Kind of lasting damage to a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DamageKind {
    /// A gap through a line.
    Break,
    /// A bite from one edge of a line.
    Nick,
    /// A round gap where an insect has bored.
    WormHole,
    /// New wood let in and re-cut (umeki): within the circle, earlier damage is
    /// gone and the lines run slightly otherwise.
    Plug,
    /// Ink beside a line where the wood should stand back: clogged with dried ink,
    /// or pressed down.
    FillIn,
}

/// Damage that stays once it has appeared.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Damage {
    /// Number within the run.
    pub id: u32,
    /// Kind.
    pub kind: DamageKind,
    /// Block.
    pub block: String,
    /// Image.
    pub image: String,
    /// Line, for breaks and nicks.
    pub line: Option<u32>,
    /// Arc length of the centre along the line, mm.
    pub arc_mm: f64,
    /// Length along the line (diameter for worm holes and plugs) at birth, mm.
    pub length_mm: f64,
    /// Growth of the length, mm per 1000 impressions.
    pub growth_mm: f64,
    /// Side of a nick: 1 left of the line's direction, -1 right.
    pub side: f64,
    /// Displacement of the lines inside a plug, mm.
    #[serde(default)]
    pub shift_mm: P,
    /// Centre in design coordinates, mm.
    pub at: P,
    /// Age of the block set, in impressions, from which it is there.
    pub birth_age: f64,
    /// Age from which it is repaired.
    pub healed_age: Option<f64>,
    /// First sheet of the run (position) that shows it.
    pub birth_sheet: Option<u32>,
}

impl Damage {
    /// Length at an age, mm; `None` when not (yet, or no longer) there.
    pub fn length_at(&self, age: f64) -> Option<f64> {
        if age < self.birth_age || self.healed_age.is_some_and(|h| age >= h) {
            return None;
        }
        Some(self.length_mm + self.growth_mm * (age - self.birth_age) / 1000.0)
    }
}

/// A patch that took too little ink on this sheet only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Void {
    /// Block.
    pub block: String,
    /// Centre, block mm.
    pub at: P,
    /// Radii, mm.
    pub radii: P,
    /// Share of the ink missing at the centre (falls off smoothly).
    pub depth: f64,
}

/// The paper of a sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Paper {
    /// Linear reflectance by channel.
    pub colour: [f64; 3],
    /// SD of the fibre texture, relative.
    pub fibre: f64,
    /// Yellowing: absorption of blue at the edges of an old sheet.
    pub toning: f64,
    /// SD of the deckle edge about its nominal line, mm; 0 is cut straight.
    pub deckle_mm: f64,
    /// Difference of the sheet's true size from nominal, by axis, mm.
    pub size_error_mm: P,
    /// Displacement of the upper left, upper right, lower right and lower left
    /// corner: a sheet is not quite a rectangle.
    pub corner_error_mm: [P; 4],
}

impl Default for Paper {
    fn default() -> Self {
        Self {
            colour: [0.80, 0.76, 0.66],
            fibre: 0.02,
            toning: 0.0,
            deckle_mm: 0.0,
            size_error_mm: [0.0; 2],
            corner_error_mm: [[0.0; 2]; 4],
        }
    }
}

/// How the ink lies.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Ink {
    /// Mottle that comes with the sheet (paper takes ink unevenly), SD.
    pub sheet_mottle: f64,
    /// Mottle that comes with the block (grain, wear), SD.
    pub block_mottle: f64,
    /// Depth of the baren's marks in colour areas.
    pub baren: f64,
    /// Extra ink in the rim along printing edges.
    pub squash: f64,
    /// Width of that rim, mm.
    pub rim_mm: f64,
}

/// Dust on the scanner: on this scan only.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Dust {
    /// Places it passes, scan px (one for a speck, several for a hair).
    pub points: Vec<P>,
    /// Radius of a speck or half width of a hair, px.
    pub radius: f64,
    /// Its linear reflectance.
    pub reflectance: f64,
}

/// Sample depth and file format.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// TIFF, LZW with horizontal predictor.
    TiffLzw,
    /// TIFF, deflate with horizontal predictor.
    TiffDeflate,
    /// TIFF, uncompressed.
    TiffPlain,
    /// PNG.
    Png,
    /// JPEG (8 bit only).
    Jpeg,
}

impl Format {
    /// File name extension.
    pub fn extension(self) -> &'static str {
        match self {
            Self::TiffLzw | Self::TiffDeflate | Self::TiffPlain => "tif",
            Self::Png => "png",
            Self::Jpeg => "jpg",
        }
    }
}

/// The scanner.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Scan {
    /// Scan seed: noise.
    pub seed: u64,
    /// Resolution.
    pub dpi: f64,
    /// Turn of the sheet as seen, degrees, counter-clockwise.
    pub degrees: f64,
    /// Bed visible left, top, right and bottom of the sheet, mm; negative cuts
    /// into the sheet.
    pub margin_mm: [f64; 4],
    /// Linear reflectance of the bed.
    pub bed: [f64; 3],
    /// Depth of the sheet's shadow on the bed.
    pub shadow: f64,
    /// Length of the shadow, mm.
    pub shadow_mm: f64,
    /// Loss of light from the centre to the corners.
    pub falloff: f64,
    /// Change of light across the scan, by axis.
    pub tilt: P,
    /// Blur: SD of the Gaussian, px (besides the pixel's own square).
    pub psf_sigma_px: f64,
    /// Noise in the dark, linear.
    pub noise_read: f64,
    /// Noise at reflectance 1 (variance grows with the signal), linear.
    pub noise_shot: f64,
    /// Dust.
    pub dust: Vec<Dust>,
    /// 8 or 16 bits.
    pub bits: u8,
    /// File format.
    pub format: Format,
    /// JPEG quality.
    pub quality: u8,
    /// Resolution written to the file: as scanned unless given; 0 writes none.
    pub dpi_tag: Option<f64>,
    /// Sub-pixels by axis within which layers are composed.
    pub supersample: usize,
}

impl Default for Scan {
    fn default() -> Self {
        Self {
            seed: 1,
            dpi: 300.0,
            degrees: 0.0,
            margin_mm: [6.0; 4],
            bed: [0.035, 0.035, 0.04],
            shadow: 0.0,
            shadow_mm: 1.5,
            falloff: 0.0,
            tilt: [0.0; 2],
            psf_sigma_px: 0.7,
            noise_read: 0.0,
            noise_shot: 0.0,
            dust: Vec::new(),
            bits: 8,
            format: Format::TiffLzw,
            quality: 92,
            dpi_tag: None,
            supersample: 2,
        }
    }
}

/// One sheet to render.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct SheetSpec {
    /// File name without extension.
    pub name: String,
    /// Name of the impression (equal for two scans of one).
    pub impression: String,
    /// Edition.
    pub edition: String,
    /// Year of printing.
    pub year: Option<i32>,
    /// Position in the stack, from 1.
    pub position: u32,
    /// `reference`, `proof:BLOCK` or `run`.
    pub role: String,
    /// What it is.
    pub kind: SheetKind,
    /// Only these blocks printed; empty is all.
    pub only_blocks: Vec<String>,
    /// Design that is printed instead of the run's.
    pub other_design: Option<DesignSpec>,
    /// Impressions taken from the block set before this one.
    pub age: f64,
    /// Paper texture and mottle.
    pub impression_seed: u64,
    /// Mottle that belongs to the blocks.
    pub block_seed: u64,
    /// State of each block; a block not named is in its nominal state.
    pub blocks: Vec<BlockState>,
    /// Wear of each image relative to the blocks' figures (1 where not given).
    pub image_wear: Vec<f64>,
    /// Damage of the block set; what has not appeared at `age` is not shown.
    pub damage: Vec<Damage>,
    /// Transient voids.
    pub voids: Vec<Void>,
    /// Paper.
    pub paper: Paper,
    /// Ink.
    pub ink: Ink,
    /// Scanner.
    pub scan: Scan,
}

impl Default for SheetSpec {
    fn default() -> Self {
        Self {
            name: "sheet".to_owned(),
            impression: "sheet".to_owned(),
            edition: String::new(),
            year: None,
            position: 1,
            role: "run".to_owned(),
            kind: SheetKind::Good,
            only_blocks: Vec::new(),
            other_design: None,
            age: 0.0,
            impression_seed: 1,
            block_seed: 1,
            blocks: Vec::new(),
            image_wear: Vec::new(),
            damage: Vec::new(),
            voids: Vec::new(),
            paper: Paper::default(),
            ink: Ink::default(),
            scan: Scan::default(),
        }
    }
}

impl SheetSpec {
    /// State of a block.
    pub fn state(&self, block: &str) -> BlockState {
        self.blocks
            .iter()
            .find(|b| b.block == block)
            .cloned()
            .unwrap_or_else(|| BlockState {
                block: block.to_owned(),
                ..BlockState::default()
            })
    }

    /// Outward movement of an image's printing edges on a block, mm.
    pub(crate) fn growth(&self, state: &BlockState, image: usize) -> f64 {
        let wear = self.image_wear.get(image).copied().unwrap_or(1.0);
        wear * (state.widen_mm - state.retreat_mm)
            + state.recut.as_ref().map_or(0.0, |r| r.width_mm / 2.0)
    }

    /// Whether a block printed on this sheet.
    pub(crate) fn prints(&self, block: &str) -> bool {
        self.kind != SheetKind::Blank
            && (self.only_blocks.is_empty() || self.only_blocks.iter().any(|b| b == block))
    }
}
