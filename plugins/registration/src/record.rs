//! The registration's part of the block record: a JSON index and, for each
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
//! `restrike_ops::atlas` for the layout).

use std::collections::BTreeMap;
use std::sync::Arc;

use restrike_stage::{Affine, Point, Raster, StageError};
use serde::{Deserialize, Serialize};

use crate::layers::{Layer, rough};
use crate::learned::moments;
use crate::resample::Grid;
use crate::state::{RIDE, Ride};
use restrike_ops::centre_lines::{LineLimits, centre_lines};
use restrike_ops::edge_map::EdgeMap;

/// Name of the index.
pub(crate) const INDEX: &str = "registration";
/// Name of the key's lines.
pub(crate) const LINES: &str = "key-lines";
/// Most blocks a record holds.
pub(crate) const MOST: usize = 24;
/// What the index says it is.
const FORMAT: &str = "restrike registration record";
/// Version of the layout this writes; older ones are read.
const VERSION: u32 = 1;

/// Where a picture lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub(crate) struct Frame {
    x_mm: f64,
    y_mm: f64,
    pitch_mm: f64,
}

/// What a shape was learned from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Source {
    /// The scan, as the sheet list spells it.
    pub(crate) file: String,
    /// Its SHA-256.
    pub(crate) sha256: String,
    /// `proof`: an impression of this block alone.
    pub(crate) kind: String,
    /// From the scan's pixels to the shape's coordinates, mm.
    pub(crate) scan_to_mm: [f64; 6],
}

/// Where a block should lie, against where its shape stands in the record.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct ZeroPart {
    /// `key lines`, `reference` or `proof`.
    pub(crate) basis: String,
    /// How it was found, or why it was not, in words.
    pub(crate) words: String,
    /// Move to the true place: dx, dy in mm, turn, stretch and shear at `radius_mm`, in mm.
    pub(crate) by_mm: [f64; RIDE],
    /// Covariance of the move, mm^2.
    pub(crate) covariance_mm2: [[f64; RIDE]; RIDE],
}

impl ZeroPart {
    /// Whether it is against the key.
    pub(crate) fn absolute(&self) -> bool {
        self.basis == "key lines"
    }
}

/// A block in the index.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct BlockPart {
    /// Its name.
    pub(crate) name: String,
    /// Place in the order of printing.
    pub(crate) order: u32,
    /// Whether it is the key.
    pub(crate) key: bool,
    /// Whether it is printed with a gradation.
    pub(crate) bokashi: bool,
    /// Absorption of its solid, red, green and blue: -ln of transmitted linear light.
    pub(crate) absorption: [f64; 3],
    /// Centroid of the printed shape, mm.
    pub(crate) centre_mm: [f64; 2],
    /// Root mean square distance from the centroid, mm.
    pub(crate) radius_mm: f64,
    /// Printed area, mm2.
    pub(crate) area_mm2: f64,
    edges: Frame,
    ink: Frame,
    /// What it was learned from.
    pub(crate) source: Source,
    /// Where it should lie.
    pub(crate) zero: ZeroPart,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Index {
    format: String,
    version: u32,
    design: String,
    blocks: Vec<BlockPart>,
}

/// A block with its shape and its zero.
#[derive(Debug, Clone)]
pub(crate) struct Known {
    /// Shape and ink.
    pub(crate) layer: Layer,
    /// What the index says of it.
    pub(crate) part: BlockPart,
}

impl Known {
    /// A block from its shape; its zero is not known yet.
    pub(crate) fn new(layer: Layer, order: u32, source: Source) -> Self {
        let part = BlockPart {
            name: layer.name.clone(),
            order,
            key: layer.key,
            bokashi: layer.fade,
            absorption: layer.absorption,
            centre_mm: [layer.centre.x, layer.centre.y],
            radius_mm: layer.radius,
            area_mm2: area(&layer.edges),
            edges: Frame {
                x_mm: layer.edges.origin.x,
                y_mm: layer.edges.origin.y,
                pitch_mm: layer.edges.pitch,
            },
            ink: Frame {
                x_mm: layer.ink_grid.origin.x,
                y_mm: layer.ink_grid.origin.y,
                pitch_mm: layer.ink_grid.pitch,
            },
            source,
            zero: ZeroPart {
                basis: "proof".to_owned(),
                words: "where it should lie is not known: as its proof was laid".to_owned(),
                by_mm: [0.0; RIDE],
                covariance_mm2: [[0.0; RIDE]; RIDE],
            },
        };
        Self { layer, part }
    }

    /// The move to the true place.
    pub(crate) fn zero_ride(&self) -> Ride {
        Ride {
            by: self.part.zero.by_mm,
            ..Ride::still(self.layer.centre, self.layer.radius)
        }
    }
}

#[allow(clippy::cast_precision_loss)]
fn area(edges: &EdgeMap) -> f64 {
    let n = edges.distance.data().iter().filter(|d| **d < 0.0).count();
    n as f64 * edges.pitch * edges.pitch
}

/// Names of all parts a record may hold.
pub(crate) fn names() -> Vec<String> {
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
pub(crate) fn write(design: &str, blocks: &[Known]) -> Result<Vec<(String, Vec<u8>)>, StageError> {
    let index = Index {
        format: FORMAT.to_owned(),
        version: VERSION,
        design: design.to_owned(),
        blocks: blocks.iter().map(|b| b.part.clone()).collect(),
    };
    let error = |e: &dyn std::fmt::Display| StageError::new(format!("the record: {e}"));
    let mut out = vec![(
        INDEX.to_owned(),
        serde_json::to_vec_pretty(&index).map_err(|e| error(&e))?,
    )];
    if let Some(key) = blocks.iter().find(|b| b.part.key) {
        let atlas = centre_lines(&key.layer.edges, LineLimits::default());
        out.push((
            LINES.to_owned(),
            serde_json::to_vec(&atlas).map_err(|e| error(&e))?,
        ));
    }
    for (n, b) in blocks.iter().enumerate() {
        let edges: Vec<u16> = b
            .layer
            .edges
            .distance
            .data()
            .iter()
            .map(|d| edge_value(*d))
            .collect();
        let d = &b.layer.edges.distance;
        out.push((
            format!("edges-{:02}", n + 1),
            encode(d.width(), d.height(), &edges).map_err(|e| error(&e))?,
        ));
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let ink: Vec<u16> = b
            .layer
            .ink
            .data()
            .iter()
            .map(|v| (v * 16384.0).round().clamp(0.0, 65535.0) as u16)
            .collect();
        out.push((
            format!("ink-{:02}", n + 1),
            encode(b.layer.ink.width(), b.layer.ink.height(), &ink).map_err(|e| error(&e))?,
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

fn encode(width: usize, height: usize, values: &[u16]) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let size = |v: usize| u32::try_from(v).unwrap_or(u32::MAX);
    let mut e = png::Encoder::new(&mut out, size(width), size(height));
    e.set_color(png::ColorType::Grayscale);
    e.set_depth(png::BitDepth::Sixteen);
    e.set_compression(png::Compression::Fast);
    let mut w = e.write_header()?;
    let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_be_bytes()).collect();
    w.write_image_data(&bytes)?;
    w.finish()?;
    Ok(out)
}

fn decode(bytes: &[u8]) -> Result<(usize, usize, Vec<u16>), String> {
    let mut d = png::Decoder::new(std::io::Cursor::new(bytes));
    d.set_limits(png::Limits {
        bytes: 512 * 1024 * 1024,
    });
    let mut reader = d.read_info().map_err(|e| e.to_string())?;
    let info = reader.info();
    if info.color_type != png::ColorType::Grayscale || info.bit_depth != png::BitDepth::Sixteen {
        return Err("is no 16-bit grey picture".to_owned());
    }
    let (w, h) = (info.width as usize, info.height as usize);
    let size = reader.output_buffer_size().ok_or("is too large")?;
    let mut buffer = vec![0; size];
    reader.next_frame(&mut buffer).map_err(|e| e.to_string())?;
    let values = buffer
        .chunks_exact(2)
        .map(|b| u16::from_be_bytes([b[0], b[1]]))
        .collect();
    Ok((w, h, values))
}

/// Reads a record's parts; none when there is no index.
///
/// # Errors
/// When a part is missing or is not what it should be.
pub(crate) fn read(parts: &BTreeMap<String, Vec<u8>>) -> Result<Option<Vec<Known>>, StageError> {
    let Some(bytes) = parts.get(INDEX) else {
        return Ok(None);
    };
    let refuse = |what: String| StageError::new(format!("record part `{INDEX}` {what}"));
    let index: Index =
        serde_json::from_slice(bytes).map_err(|e| refuse(format!("cannot be read: {e}")))?;
    if index.format != FORMAT {
        return Err(refuse(format!("is a `{}`", index.format)));
    }
    if index.version > VERSION {
        return Err(refuse(format!(
            "is of version {}; this stage reads up to {VERSION}",
            index.version
        )));
    }
    let mut out = Vec::new();
    for (n, part) in index.blocks.into_iter().enumerate() {
        let picture = |name: String| -> Result<(usize, usize, Vec<u16>), StageError> {
            let bytes = parts
                .get(&name)
                .ok_or_else(|| StageError::new(format!("record part `{name}` is missing")))?;
            decode(bytes).map_err(|e| StageError::new(format!("record part `{name}` {e}")))
        };
        let (w, h, values) = picture(format!("edges-{:02}", n + 1))?;
        let distance = values
            .iter()
            .map(|v| (f32::from(*v) - 32768.0) / 1000.0)
            .collect();
        let shape = |e: restrike_stage::ShapeError| StageError::new(e.to_string());
        let edges = EdgeMap {
            origin: Point::new(part.edges.x_mm, part.edges.y_mm),
            pitch: part.edges.pitch_mm,
            distance: Raster::from_vec(w, h, 1, distance).map_err(shape)?,
        };
        let (w, h, values) = picture(format!("ink-{:02}", n + 1))?;
        let ink = values.iter().map(|v| f32::from(*v) / 16384.0).collect();
        let ink_grid = Grid {
            origin: Point::new(part.ink.x_mm, part.ink.y_mm),
            pitch: part.ink.pitch_mm,
            width: w,
            height: h,
        };
        if !(edges.pitch > 0.0 && ink_grid.pitch > 0.0) {
            return Err(refuse(format!("gives block {} no pitch", part.name)));
        }
        let (_, _, extent) = moments(&edges);
        let layer = Layer {
            name: part.name.clone(),
            rough: rough(&edges),
            edges: Arc::new(edges),
            ink: Arc::new(Raster::from_vec(w, h, 1, ink).map_err(shape)?),
            ink_grid,
            absorption: part.absorption,
            key: part.key,
            fade: part.bokashi,
            centre: Point::new(part.centre_mm[0], part.centre_mm[1]),
            radius: part.radius_mm,
            extent,
        };
        out.push(Known { layer, part });
    }
    Ok(Some(out))
}

/// A map as six numbers.
pub(crate) fn numbers(map: &Affine) -> [f64; 6] {
    map.0
}
