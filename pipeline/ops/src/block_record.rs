//! The blocks' shapes as a block record holds them: a JSON index and, for each
//! block, its edges and its ink as pictures.
//!
//! `registration.json` says what each block is and where its shape is from.
//! `edges-NN.png` (NN: place in the order of the index, from 01) is 16-bit
//! grey: signed distance to the printed edge, mm = (value - 32768) / 1000,
//! negative where the block prints. `ink-NN.png` is 16-bit grey: strength of
//! the ink relative to the solid = value / 16384. Sample (i, j) of a picture
//! lies at x = x_mm + i pitch_mm, y = y_mm - j pitch_mm of the index.
//!
//! `key-lines.json` is the key's lines, each with a number, its centre line and
//! half width by arc length, and the outlines of its solids (see
//! [`crate::atlas`] for the layout).

use std::collections::BTreeMap;
use std::sync::Arc;

use restrike_model::{Affine, Point, Raster};
use serde::{Deserialize, Serialize};

use crate::atlas::Atlas;
use crate::centre_lines::{LineLimits, centre_lines};
use crate::edge_map::EdgeMap;
use crate::grid::Grid;
use crate::placement::{RIDE, Ride};
use crate::png16::{self, Samples};

/// Kind of source of a shape: an impression of this block alone.
pub const PROOF: &str = "proof";
/// The same: an impression of all blocks.
pub const REFERENCE: &str = "reference";

/// Name of the index.
pub const INDEX: &str = "registration";
/// Name of the key's lines.
pub const LINES: &str = "key-lines";
/// Most blocks a record holds.
pub const MOST: usize = 24;
/// What the index says it is.
const FORMAT: &str = "restrike registration record";
/// Version of the layout this writes; older ones are read.
const VERSION: u32 = 1;

/// Where a picture lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Frame {
    x_mm: f64,
    y_mm: f64,
    pitch_mm: f64,
}

/// What a shape was learned from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Source {
    /// The scan, as the sheet list spells it.
    pub file: String,
    /// Its SHA-256.
    pub sha256: String,
    /// `proof`: an impression of this block alone; `reference`: the visible
    /// parts of an impression of all blocks.
    pub kind: String,
    /// From the scan's pixels to the shape's coordinates, mm.
    pub scan_to_mm: [f64; 6],
}

/// Where a block should lie, against where its shape stands in the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZeroPart {
    /// `key lines`, `reference` or `proof`.
    pub basis: String,
    /// How it was found, or why it was not, in words.
    pub words: String,
    /// Move to the true place: dx, dy in mm, turn, stretch and shear at `radius_mm`, in mm.
    pub by_mm: [f64; RIDE],
    /// Covariance of the move, mm^2.
    pub covariance_mm2: [[f64; RIDE]; RIDE],
}

impl ZeroPart {
    /// Whether it is against the key.
    pub fn absolute(&self) -> bool {
        self.basis == "key lines"
    }
}

/// A block in the index.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlockPart {
    /// Its name.
    pub name: String,
    /// Place in the order of printing.
    pub order: u32,
    /// Whether it is the key.
    pub key: bool,
    /// Whether it is printed with a gradation.
    pub bokashi: bool,
    /// Absorption of its solid, red, green and blue: -ln of transmitted linear light.
    pub absorption: [f64; 3],
    /// Centroid of the printed shape, mm.
    pub centre_mm: [f64; 2],
    /// Root mean square distance from the centroid, mm.
    pub radius_mm: f64,
    /// Printed area, mm2.
    pub area_mm2: f64,
    edges: Frame,
    ink: Frame,
    /// What it was learned from.
    pub source: Source,
    /// Where it should lie.
    pub zero: ZeroPart,
    /// Of a shape from an impression of all blocks: places of its edge at which that
    /// impression shows the edge free and in the block's own colour, mm; empty if that was not looked at.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub free_mm: Vec<[f64; 2]>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Index {
    format: String,
    version: u32,
    design: String,
    blocks: Vec<BlockPart>,
}

/// A block's shape and what the index says of it.
#[derive(Debug, Clone)]
pub struct BlockShape {
    /// What the index says of it.
    pub part: BlockPart,
    /// Its printed edges.
    pub edges: Arc<EdgeMap>,
    /// Strength of its ink relative to the solid.
    pub ink: Arc<Raster<f32>>,
    /// Where the samples of `ink` lie.
    pub ink_grid: Grid,
}

/// What the index needs to be told of a block; the rest follows from its shape.
#[derive(Debug, Clone, PartialEq)]
pub struct About {
    /// Its name.
    pub name: String,
    /// Place in the order of printing.
    pub order: u32,
    /// Whether it is the key.
    pub key: bool,
    /// Whether it is printed with a gradation.
    pub bokashi: bool,
    /// Absorption of its solid, red, green and blue.
    pub absorption: [f64; 3],
    /// Centroid of the printed shape, mm.
    pub centre: Point,
    /// Root mean square distance from the centroid, mm.
    pub radius: f64,
    /// What it was learned from.
    pub source: Source,
}

impl BlockPart {
    /// Whether its shape was read off an impression of all blocks, for want of a proof.
    pub fn from_reference(&self) -> bool {
        self.source.kind == REFERENCE
    }

    /// The move to the true place.
    pub fn zero_ride(&self) -> Ride {
        let [x, y] = self.centre_mm;
        Ride {
            by: self.zero.by_mm,
            ..Ride::still(Point::new(x, y), self.radius_mm)
        }
    }
}

impl BlockShape {
    /// A block from its shape; its zero is not known yet.
    pub fn new(about: About, edges: Arc<EdgeMap>, ink: Arc<Raster<f32>>, ink_grid: Grid) -> Self {
        let part = BlockPart {
            name: about.name,
            order: about.order,
            key: about.key,
            bokashi: about.bokashi,
            absorption: about.absorption,
            centre_mm: [about.centre.x, about.centre.y],
            radius_mm: about.radius,
            area_mm2: area(&edges),
            edges: Frame {
                x_mm: edges.origin.x,
                y_mm: edges.origin.y,
                pitch_mm: edges.pitch,
            },
            ink: Frame {
                x_mm: ink_grid.origin.x,
                y_mm: ink_grid.origin.y,
                pitch_mm: ink_grid.pitch,
            },
            source: about.source,
            zero: ZeroPart {
                basis: "proof".to_owned(),
                words: "where it should lie is not known: as its proof was laid".to_owned(),
                by_mm: [0.0; RIDE],
                covariance_mm2: [[0.0; RIDE]; RIDE],
            },
            free_mm: Vec::new(),
        };
        Self {
            part,
            edges,
            ink,
            ink_grid,
        }
    }

    /// Strength of the ink relative to the solid at the block's own place.
    pub fn ink_at(&self, b: Point) -> f64 {
        let data = self.ink.data();
        self.ink_grid
            .nodes(b)
            .iter()
            .map(|(n, w)| w * f64::from(data.get(*n).copied().unwrap_or(0.0)))
            .sum()
    }
}

/// What is wrong with a record.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum RecordError {
    /// A part is not what it should be.
    #[error("record part `{0}` {1}")]
    Part(String, String),
    /// A part is not there.
    #[error("record part `{0}` is missing")]
    Missing(String),
    /// A picture could not be encoded.
    #[error("the record: {0}")]
    Encode(String),
}

#[allow(clippy::cast_precision_loss)]
fn area(edges: &EdgeMap) -> f64 {
    let n = edges.distance.data().iter().filter(|d| **d < 0.0).count();
    n as f64 * edges.pitch * edges.pitch
}

/// Names of all parts a record may hold.
pub fn names() -> Vec<String> {
    let mut out = vec![INDEX.to_owned(), LINES.to_owned()];
    for n in 1..=MOST {
        out.push(format!("edges-{n:02}"));
        out.push(format!("ink-{n:02}"));
    }
    out
}

/// The parts of a record.
///
/// # Errors
/// When a picture cannot be encoded, which does not happen with memory at hand.
pub fn write(design: &str, blocks: &[BlockShape]) -> Result<Vec<(String, Vec<u8>)>, RecordError> {
    let index = Index {
        format: FORMAT.to_owned(),
        version: VERSION,
        design: design.to_owned(),
        blocks: blocks.iter().map(|b| b.part.clone()).collect(),
    };
    let error = |e: &dyn std::fmt::Display| RecordError::Encode(e.to_string());
    let mut out = vec![(
        INDEX.to_owned(),
        serde_json::to_vec_pretty(&index).map_err(|e| error(&e))?,
    )];
    if let Some(key) = blocks.iter().find(|b| b.part.key) {
        let atlas = centre_lines(&key.edges, LineLimits::default());
        out.push((
            LINES.to_owned(),
            serde_json::to_vec(&atlas).map_err(|e| error(&e))?,
        ));
    }
    for (n, b) in blocks.iter().enumerate() {
        let d = &b.edges.distance;
        let edges: Vec<u16> = d.data().iter().map(|d| edge_value(*d)).collect();
        out.push((
            format!("edges-{:02}", n + 1),
            png16::encode(d.width(), d.height(), Samples::Grey, edges).map_err(|e| error(&e))?,
        ));
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let ink: Vec<u16> = b
            .ink
            .data()
            .iter()
            .map(|v| (v * 16384.0).round().clamp(0.0, 65535.0) as u16)
            .collect();
        out.push((
            format!("ink-{:02}", n + 1),
            png16::encode(b.ink.width(), b.ink.height(), Samples::Grey, ink)
                .map_err(|e| error(&e))?,
        ));
    }
    Ok(out)
}

/// Micrometres about 32768; far from the edge in coarser steps, which pack better.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn edge_value(mm: f32) -> u16 {
    let um = mm * 1000.0;
    let step = if um.abs() < 400.0 { 1.0 } else { 32.0 };
    let rounded = (um / step).round() * step;
    // Rounding must not move a sample to the other side of the edge.
    let rounded = if mm < 0.0 { rounded.min(-1.0) } else { rounded };
    (32768.0 + rounded).clamp(0.0, 65535.0) as u16
}

/// Reads the blocks' shapes from a record's parts; none when there is no index.
///
/// # Errors
/// When a part is missing or is not what it should be.
pub fn read_blocks(
    parts: &BTreeMap<String, Vec<u8>>,
) -> Result<Option<Vec<BlockShape>>, RecordError> {
    let Some(bytes) = parts.get(INDEX) else {
        return Ok(None);
    };
    let refuse = |what: String| RecordError::Part(INDEX.to_owned(), what);
    let index: Index =
        serde_json::from_slice(bytes).map_err(|e| refuse(format!("cannot be read: {e}")))?;
    if index.format != FORMAT {
        return Err(refuse(format!("is a `{}`", index.format)));
    }
    if index.version > VERSION {
        return Err(refuse(format!(
            "is of version {}; this version of restrike reads up to {VERSION}",
            index.version
        )));
    }
    let mut out = Vec::new();
    for (n, part) in index.blocks.into_iter().enumerate() {
        let picture = |name: String| -> Result<(usize, usize, Vec<u16>), RecordError> {
            let bytes = parts
                .get(&name)
                .ok_or_else(|| RecordError::Missing(name.clone()))?;
            png16::decode(bytes, Samples::Grey).map_err(|e| RecordError::Part(name, e))
        };
        if !(part.edges.pitch_mm > 0.0 && part.ink.pitch_mm > 0.0) {
            return Err(refuse(format!("gives block {} no pitch", part.name)));
        }
        let (w, h, values) = picture(format!("edges-{:02}", n + 1))?;
        let distance = values
            .iter()
            .map(|v| (f32::from(*v) - 32768.0) / 1000.0)
            .collect();
        let raster =
            |w, h, data| Raster::from_vec(w, h, 1, data).map_err(|e| refuse(e.to_string()));
        let edges = EdgeMap {
            origin: Point::new(part.edges.x_mm, part.edges.y_mm),
            pitch: part.edges.pitch_mm,
            distance: raster(w, h, distance)?,
        };
        let (w, h, values) = picture(format!("ink-{:02}", n + 1))?;
        let ink = values.iter().map(|v| f32::from(*v) / 16384.0).collect();
        let ink_grid = Grid {
            origin: Point::new(part.ink.x_mm, part.ink.y_mm),
            pitch: part.ink.pitch_mm,
            width: w,
            height: h,
        };
        out.push(BlockShape {
            edges: Arc::new(edges),
            ink: Arc::new(raster(w, h, ink)?),
            ink_grid,
            part,
        });
    }
    Ok(Some(out))
}

/// Reads the key's lines; none when the record has none.
///
/// # Errors
/// When the part is not what it should be.
pub fn read_atlas(parts: &BTreeMap<String, Vec<u8>>) -> Result<Option<Atlas>, RecordError> {
    let Some(bytes) = parts.get(LINES) else {
        return Ok(None);
    };
    let refuse = |what: String| RecordError::Part(LINES.to_owned(), what);
    let atlas: Atlas =
        serde_json::from_slice(bytes).map_err(|e| refuse(format!("cannot be read: {e}")))?;
    if atlas.version > crate::atlas::ATLAS_VERSION {
        return Err(refuse(format!("is of version {}", atlas.version)));
    }
    Ok(Some(atlas))
}

/// A map as six numbers.
pub fn numbers(map: &Affine) -> [f64; 6] {
    map.0
}
