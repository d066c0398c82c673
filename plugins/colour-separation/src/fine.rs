//! Lines of a dark block too fine for its record.
//!
//! A record draws a block's edges where half of the ink beside them is; a line
//! thinner than a pixel and a half shows less than a third of its ink, and where hatching lies
//! alone there is nothing darker beside it, so it is left out. Registration does well without. For planes such
//! lines are most of a hatched key's outline. They are read off the block's own
//! proof here: what absorbs more than a part of the solid, apart from the
//! shapes the record has, and hangs together far enough to be a line.
//! The map is a part of the record: `fine-NN.png` (NN as of the block's edges), 16-bit grey, signed
//! distance in micrometres + 32768 to where [`LEVEL`] of the solid's step is seen,
//! on the grid of the block's edges.

use std::collections::BTreeMap;
use std::sync::Arc;

use restrike_ops::block_record::BlockShape;
use restrike_ops::contour::Inside;
use restrike_ops::edge_distance::level_distance;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_ops::png16::{self, Samples};
use restrike_ops::regions::regions;
use restrike_ops::resample::resample;
use restrike_ops::stats::{median, quantile};
use restrike_stage::{Affine, ImageView, Raster, StageError};

use crate::sheet::MOST;

/// Share of the solid's step in light at which a fine line's outline is drawn.
pub(crate) const LEVEL: f64 = 0.3;
/// Paper at least so much quieter than that, standard deviations.
const QUIET: f64 = 8.0;
/// So far from the record's edges a line is one of its own, in the record's samples.
const APART: f64 = 1.4;
/// Fewest samples that make a line.
const FEWEST: usize = 14;
/// Side of the cells the paper is taken from, mm, how far from ink, and which share of
/// such samples is lighter than hatching between lines leaves the paper.
const CELL_MM: f64 = 4.0;
const BARE_MM: f64 = 0.3;
const BARE: f64 = 0.75;
/// Distances are kept up to this, mm.
const KEPT_MM: f32 = 0.6;

/// Names of all parts.
pub(crate) fn names() -> Vec<String> {
    (1..=MOST).map(name).collect()
}

fn name(n: usize) -> String {
    format!("fine-{n:02}")
}

/// The fine lines of a block by its proof, none where there are none or the paper is too uneven for them.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn fine_lines(proof: ImageView<'_, u16>, shape: &BlockShape) -> Option<EdgeMap> {
    let known = &shape.edges;
    let grid = Grid {
        origin: known.origin,
        pitch: known.pitch,
        width: known.distance.width(),
        height: known.distance.height(),
    };
    if shape.part.bokashi || proof.channels() < 3 {
        return None;
    }
    let sheet = resample(proof, &Affine(shape.part.source.scan_to_mm), grid)?;
    let paper = paper(&sheet, known, grid)?;
    let a = shape.part.absorption;
    let cells = grid.coarser(cell(grid));
    let mut cover = Raster::<f32>::new(grid.width, grid.height, 1);
    for j in 0..grid.height {
        for i in 0..grid.width {
            let v = &sheet.row(j)[3 * i..3 * i + 3];
            if v[0] < 0.0 {
                continue;
            }
            let mut base = [0.0; 3];
            for (n, w) in cells.nodes(grid.place(i, j)) {
                if let Some(p) = paper.get(n) {
                    for (b, p) in base.iter_mut().zip(p) {
                        *b += w * p;
                    }
                }
            }
            let (mut top, mut low) = (0.0, 0.0);
            for c in 0..3 {
                let step = base[c] * (1.0 - libm::exp(-a[c]));
                top += a[c] * (base[c] - f64::from(v[c])) * step;
                low += a[c] * step * step;
            }
            if low > 0.0 {
                cover.set(i, j, 0, (top / low) as f32);
            }
        }
    }
    let bare: Vec<f64> = cover
        .data()
        .iter()
        .zip(known.distance.data())
        .step_by(5)
        .filter(|(_, d)| f64::from(**d) > BARE_MM)
        .map(|(c, _)| f64::from(c.abs()))
        .collect();
    if QUIET * 1.4826 * median(&bare)? > LEVEL {
        return None;
    }
    let lines = lines(&cover, known)?;
    Some(level_distance(
        &lines,
        LEVEL as f32,
        Inside::Above,
        grid.origin,
        grid.pitch,
    ))
}

/// Samples to a side of a cell.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn cell(grid: Grid) -> usize {
    (CELL_MM / grid.pitch).round().max(1.0) as usize
}

/// Light of the paper by cell.
fn paper(sheet: &Raster<f32>, known: &EdgeMap, grid: Grid) -> Option<Vec<[f64; 3]>> {
    let side = cell(grid);
    let (w, h) = (grid.width.div_ceil(side), grid.height.div_ceil(side));
    let mut found = vec![None; w * h];
    let mut all = Vec::new();
    for (n, f) in found.iter_mut().enumerate() {
        let (x, y) = (n % w * side, n / w * side);
        let mut bare: [Vec<f64>; 3] = Default::default();
        for j in y..(y + side).min(grid.height) {
            for i in x..(x + side).min(grid.width) {
                let v = &sheet.row(j)[3 * i..3 * i + 3];
                if v[0] >= 0.0 && f64::from(known.distance.get(i, j, 0)) > BARE_MM {
                    for (b, v) in bare.iter_mut().zip(v) {
                        b.push(f64::from(*v));
                    }
                }
            }
        }
        if bare[0].len() < 60 {
            continue;
        }
        let mut light = [0.0; 3];
        for (l, b) in light.iter_mut().zip(&bare) {
            *l = quantile(b, BARE)?;
        }
        *f = Some(light);
        all.push(light);
    }
    let mut usual = [0.0; 3];
    for (c, u) in usual.iter_mut().enumerate() {
        *u = median(&all.iter().map(|l| l[c]).collect::<Vec<f64>>())?;
    }
    Some(found.into_iter().map(|f| f.unwrap_or(usual)).collect())
}

/// The cover of fine lines alone; none without any.
#[allow(clippy::cast_possible_truncation)]
fn lines(cover: &Raster<f32>, known: &EdgeMap) -> Option<Raster<f32>> {
    let (w, h) = (cover.width(), cover.height());
    let apart = (APART * known.pitch) as f32;
    let level = LEVEL as f32;
    let mask: Vec<bool> = cover
        .data()
        .iter()
        .zip(known.distance.data())
        .map(|(c, d)| *c > level && *d > apart)
        .collect();
    let mut out = Raster::new(w, h, 1);
    let mut any = false;
    for r in regions(&mask, w) {
        if r.pixels.len() < FEWEST {
            continue;
        }
        any = true;
        for (x, y) in r.pixels {
            // With the samples about, so that the outline is not cut off.
            for v in y.saturating_sub(2)..(y + 3).min(h) {
                for u in x.saturating_sub(2)..(x + 3).min(w) {
                    out.set(u, v, 0, cover.get(u, v, 0));
                }
            }
        }
    }
    any.then_some(out)
}

/// A map as a part of the record, for block `n` from 0.
///
/// # Errors
/// When it cannot be encoded.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn part(n: usize, map: &EdgeMap) -> Result<(String, Vec<u8>), StageError> {
    let d = &map.distance;
    let values = d.data().iter().map(|d| {
        let um = (d.clamp(-KEPT_MM, KEPT_MM) * 1000.0).round();
        (32768.0 + um) as u16
    });
    let bytes = png16::encode(d.width(), d.height(), Samples::Grey, values)
        .map_err(|e| StageError::new(e.to_string()))?;
    Ok((name(n + 1), bytes))
}

/// Reads the maps of a record, by block.
///
/// # Errors
/// When a part is not what it should be.
pub(crate) fn read(
    records: &BTreeMap<String, Vec<u8>>,
    shapes: &[BlockShape],
) -> Result<Vec<Option<Arc<EdgeMap>>>, StageError> {
    let read = |n: usize, shape: &BlockShape| {
        let Some(bytes) = records.get(&name(n + 1)) else {
            return Ok(None);
        };
        let refuse = |e: String| StageError::new(format!("record part `{}` {e}", name(n + 1)));
        let (w, h, values) = png16::decode(bytes, Samples::Grey).map_err(refuse)?;
        let of = &shape.edges;
        if (w, h) != (of.distance.width(), of.distance.height()) {
            return Err(refuse("is not of the block's edges".to_owned()));
        }
        let data = values
            .iter()
            .map(|v| (f32::from(*v) - 32768.0) / 1000.0)
            .collect();
        Ok(Some(Arc::new(EdgeMap {
            origin: of.origin,
            pitch: of.pitch,
            distance: Raster::from_vec(w, h, 1, data).map_err(|e| refuse(e.to_string()))?,
        })))
    };
    shapes.iter().enumerate().map(|(n, s)| read(n, s)).collect()
}
