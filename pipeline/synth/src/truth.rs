//! What is known about a rendered sheet, as JSON beside each scan.

use serde::{Deserialize, Serialize};

use crate::design::{Contact, Design};
use crate::render::Frame;
use crate::shapes::P;
use crate::sheet::{Damage, Recut, SheetKind, SheetSpec, Void};
use crate::stroke::Ragged;
use crate::transform::{Affine, Motion, Warp};

/// Version of the truth file.
pub const TRUTH_VERSION: u32 = 1;

/// Corners of a quadrilateral in scan px. Named for the print (face up, top
/// up): on an upside-down sheet the upper left corner lies lower right.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Corners {
    /// Upper left.
    pub upper_left: P,
    /// Upper right.
    pub upper_right: P,
    /// Lower right.
    pub lower_right: P,
    /// Lower left.
    pub lower_left: P,
}

impl Corners {
    fn map(c: [P; 4], f: impl Fn(P) -> P) -> Self {
        Self {
            upper_left: f(c[0]),
            upper_right: f(c[1]),
            lower_right: f(c[2]),
            lower_left: f(c[3]),
        }
    }

    /// In order: upper left, upper right, lower right, lower left.
    pub fn to_array(&self) -> [P; 4] {
        [
            self.upper_left,
            self.upper_right,
            self.lower_right,
            self.lower_left,
        ]
    }
}

/// Truth of one image of the sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ImageTruth {
    /// `whole`, `left` or `right`.
    pub name: String,
    /// Whether a border line is printed.
    pub border: bool,
    /// Outer corners of the border as printed by the key, wear and retreat
    /// included (of the image area, without a border), scan px.
    pub outer_px: Corners,
    /// The same for the nominal outline, without wear.
    pub nominal_px: Corners,
    /// Nominal width and height, mm.
    pub size_mm: P,
    /// Nominal centre, mm.
    pub centre_mm: P,
}

/// Truth of one block.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlockTruth {
    /// Name.
    pub name: String,
    /// Whether it printed on this sheet.
    pub printed: bool,
    /// Motion in print mm.
    pub motion: Motion,
    /// Amount of ink.
    pub strength: f64,
    /// Absorption of the ink at strength 1.
    pub absorption: [f64; 3],
    /// Retreat of printing edges by image, mm.
    pub retreat_mm: Vec<f64>,
    /// Growth of printing edges by image, mm.
    pub widen_mm: Vec<f64>,
    /// Warp field: explicit waves in design mm.
    pub warp: Warp,
    /// Raggedness planted on the edges.
    pub ragged: Option<Ragged>,
    /// A new block's deviations.
    pub recut: Option<Recut>,
    /// Block mm (after the warp) -> scan px.
    pub block_to_scan: Affine,
}

/// Damage as it shows on this sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DamageTruth {
    /// The damage.
    #[serde(flatten)]
    pub damage: Damage,
    /// Length on this sheet, mm.
    pub length_now_mm: f64,
    /// Where its centre is, scan px.
    pub at_px: P,
}

/// Everything known about one scan.
///
/// Scan coordinates: origin at the top left corner, x right, y down, pixel
/// (i, j) has its centre at (i + 0.5, j + 0.5). Print coordinates: face up,
/// origin at the sheet centre, x right, y up, mm. Affines are
/// `[a, b, c, d, e, f]`: x' = a x + b y + c, y' = d x + e y + f.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Version of this file's layout.
    pub version: u32,
    /// Name of the sheet.
    pub name: String,
    /// Impression.
    pub impression: String,
    /// Title of the design it was printed from.
    pub design: String,
    /// What it is.
    pub kind: SheetKind,
    /// Edition.
    pub edition: String,
    /// Year.
    pub year: Option<i32>,
    /// Position in the stack.
    pub position: u32,
    /// Role.
    pub role: String,
    /// Scan width, px.
    pub width_px: u32,
    /// Scan height, px.
    pub height_px: u32,
    /// True resolution.
    pub dpi: f64,
    /// Resolution written to the file.
    pub dpi_tag: Option<f64>,
    /// Turn as seen, degrees counter-clockwise (180 more when upside down), before
    /// the corners are displaced: hold a measurement against `sheet_px` instead.
    pub rotation_deg: f64,
    /// Nominal sheet size, mm.
    pub sheet_mm: P,
    /// True sheet size, mm, before the corners are displaced: hold a measurement
    /// against `sheet_px` instead.
    pub sheet_true_mm: P,
    /// Nominal sheet corners (deckle edges wander about them), scan px.
    pub sheet_px: Corners,
    /// Print mm -> scan px.
    pub print_to_scan: Affine,
    /// Images.
    pub images: Vec<ImageTruth>,
    /// Blocks in order of printing.
    pub blocks: Vec<BlockTruth>,
    /// Damage that shows.
    pub damage: Vec<DamageTruth>,
    /// Transient voids.
    pub voids: Vec<Void>,
    /// Registration mark contacts, print mm.
    pub marks: Vec<Contact>,
    /// Impressions taken before this one.
    pub age: f64,
    /// SD of the Gaussian blur, px.
    pub psf_sigma_px: f64,
    /// Dark noise, linear.
    pub noise_read: f64,
    /// Noise at reflectance 1, linear.
    pub noise_shot: f64,
    /// Linear reflectance of the paper.
    pub paper: [f64; 3],
    /// Number of dust particles.
    pub dust: usize,
}

impl Truth {
    pub(crate) fn new(design: &Design, sheet: &SheetSpec, frame: &Frame) -> Self {
        let key = design.key().map(|k| k.name.as_str()).unwrap_or_default();
        let state = sheet.state(key);
        let key_map = state.motion.affine().then(&frame.to_scan);
        let place = |p: P| {
            let p = state.recut.as_ref().map_or(p, |r| r.course.apply(p));
            key_map.apply(state.warp.apply(p))
        };
        let images = design
            .images
            .iter()
            .enumerate()
            .map(|(i, im)| {
                let rect = |e: f64| {
                    let (a, b) = (im.size_mm[0] / 2.0 + e, im.size_mm[1] / 2.0 + e);
                    [[-a, b], [a, b], [a, -b], [-a, -b]].map(|p| crate::shapes::add(p, im.centre))
                };
                ImageTruth {
                    name: im.name.clone(),
                    border: design.frame_width_mm > 0.0,
                    outer_px: Corners::map(rect(sheet.growth(&state, i)), place),
                    nominal_px: Corners::map(rect(0.0), place),
                    size_mm: im.size_mm,
                    centre_mm: im.centre,
                }
            })
            .collect();
        let blocks = design
            .blocks
            .iter()
            .map(|b| {
                let s = sheet.state(&b.name);
                let wear = |v: f64| -> Vec<f64> {
                    (0..design.images.len())
                        .map(|i| v * sheet.image_wear.get(i).copied().unwrap_or(1.0))
                        .collect()
                };
                BlockTruth {
                    name: b.name.clone(),
                    printed: sheet.prints(&b.name),
                    motion: s.motion,
                    strength: s.strength,
                    absorption: s.absorption.unwrap_or(b.absorption),
                    retreat_mm: wear(s.retreat_mm),
                    widen_mm: wear(s.widen_mm),
                    block_to_scan: s.motion.affine().then(&frame.to_scan),
                    warp: s.warp,
                    ragged: s.ragged,
                    recut: s.recut,
                }
            })
            .collect();
        let damage = sheet
            .damage
            .iter()
            .filter(|d| sheet.prints(&d.block))
            .filter_map(|d| {
                let length = d.length_at(sheet.age)?;
                let s = sheet.state(&d.block);
                let map = s.motion.affine().then(&frame.to_scan);
                Some(DamageTruth {
                    at_px: map.apply(s.warp.apply(d.at)),
                    damage: d.clone(),
                    length_now_mm: length,
                })
            })
            .collect();
        Self {
            version: TRUTH_VERSION,
            name: sheet.name.clone(),
            impression: sheet.impression.clone(),
            design: design.title.clone(),
            kind: sheet.kind.clone(),
            edition: sheet.edition.clone(),
            year: sheet.year,
            position: sheet.position,
            role: sheet.role.clone(),
            width_px: frame.width as u32,
            height_px: frame.height as u32,
            dpi: sheet.scan.dpi,
            dpi_tag: match sheet.scan.dpi_tag {
                None => Some(sheet.scan.dpi),
                Some(0.0) => None,
                tag => tag,
            },
            rotation_deg: sheet.scan.degrees
                + if sheet.kind == SheetKind::UpsideDown {
                    180.0
                } else {
                    0.0
                },
            sheet_mm: design.sheet_mm,
            sheet_true_mm: crate::shapes::add(design.sheet_mm, sheet.paper.size_error_mm),
            sheet_px: Corners::map(frame.corners, |p| frame.to_scan.apply(p)),
            print_to_scan: frame.to_scan,
            images,
            blocks,
            damage,
            voids: sheet.voids.clone(),
            marks: design.marks.clone(),
            age: sheet.age,
            psf_sigma_px: sheet.scan.psf_sigma_px,
            noise_read: sheet.scan.noise_read,
            noise_shot: sheet.scan.noise_shot,
            paper: sheet.paper.colour,
            dust: sheet.scan.dust.len(),
        }
    }
}
