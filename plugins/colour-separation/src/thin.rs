//! Fine lines as the record has them, put right.
//!
//! A record reads a block's ink off its proof. A line a few pixels wide never
//! gets as dark as the solid: the scan's blur mixes paper in, and in absorption
//! a little light weighs much. So the record has fine lines with too little
//! ink, and their edges, drawn at half of that, too far out. Here the ink of
//! such places is taken from solids about them, and the edge is put where a
//! line with that ink, blurred as the scan is, would have crossed the record's
//! level.

use std::sync::{Arc, Mutex, PoisonError};

use restrike_ops::bisect::bisect;
use restrike_ops::block_record::BlockShape;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::placement::Placement;
use restrike_ops::quantiles::normal_below;
use restrike_ops::stats::median;
use restrike_stage::{Point, Raster};

use crate::fine::LEVEL;
use crate::sheet;

/// So many standard deviations of the blur from its edge ink is seen as it is.
const DEEP: f64 = 2.6;
/// Share of a cell's ink that has to be that deep for the cell's level to stand.
const ENOUGH: f64 = 0.25;
/// Fewest samples that are.
const FEWEST: f64 = 6.0;
/// Solids so far away tell a fine line's ink, mm: standard deviation of the weights.
const ABOUT_MM: f64 = 4.0;
/// Levels that differ by less are left as they are.
const CHANGED: f64 = 1.03;
/// Samples within so many standard deviations of the blur of an edge are moved with it.
const BAND: f64 = 4.0;
/// Widest half line that is looked for, in standard deviations.
const WIDE: f64 = 5.0;

/// Blurs are told apart by this share: an edge moves by a hundredth of a pixel or two within it.
const BLUR_STEP: f64 = 0.06;
/// Blurs whose shapes are kept.
const KEPT: usize = 1;

/// Shapes put right, kept for the next sheet: scans of one scanner are blurred alike, and all threads share them.
#[derive(Debug, Default)]
pub(crate) struct Mended {
    /// Lines too fine for the record's shapes, by block.
    fine: Vec<Option<Arc<EdgeMap>>>,
    kept: Mutex<Vec<(i32, Arc<Vec<BlockShape>>)>>,
}

impl Mended {
    /// With these fine lines (see [`crate::fine`]).
    pub(crate) fn new(fine: Vec<Option<Arc<EdgeMap>>>) -> Self {
        Self {
            fine,
            kept: Mutex::default(),
        }
    }

    /// The shapes for a scan's blur. What comes out depends on that alone, not on what is kept.
    #[allow(clippy::cast_possible_truncation)]
    pub(crate) fn of(&self, shapes: &[BlockShape], placement: &Placement) -> Arc<Vec<BlockShape>> {
        let step = (libm::log(sheet::blur(placement).max(1e-6)) / BLUR_STEP).round() as i32;
        let mut kept = self.kept.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(at) = kept.iter().position(|k| k.0 == step) {
            let found = kept.remove(at);
            kept.push(found);
        } else {
            let blur = libm::exp(f64::from(step) * BLUR_STEP);
            let made = shapes
                .iter()
                .enumerate()
                .map(|(n, s)| {
                    let fine = self.fine.get(n).and_then(Option::as_ref);
                    let whole = fine.map_or_else(|| s.clone(), |f| with_fine(s, f, blur));
                    mended(&whole, blur).unwrap_or(whole)
                })
                .collect();
            if kept.len() == KEPT {
                kept.remove(0);
            }
            kept.push((step, Arc::new(made)));
        }
        kept.last().map_or_else(Arc::default, |k| k.1.clone())
    }
}

/// A block with its fine lines put right, for a blur of this standard deviation,
/// mm; none when there is nothing to be put right, or no solid to tell by.
pub(crate) fn mended(shape: &BlockShape, blur: f64) -> Option<BlockShape> {
    if shape.part.bokashi {
        return None;
    }
    let (ink, ratio) = levels(shape, blur)?;
    let edges = moved(shape, &ratio, &ink, blur);
    Some(BlockShape {
        part: shape.part.clone(),
        edges: Arc::new(edges),
        ink: Arc::new(ink),
        ink_grid: shape.ink_grid,
    })
}

/// The ink everywhere as solids have it, and the node each was taken from before over it.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn levels(shape: &BlockShape, blur: f64) -> Option<(Raster<f32>, Vec<f32>)> {
    let grid = shape.ink_grid;
    let (w, h) = (grid.width, grid.height);
    let mut inked = vec![0.0_f32; w * h];
    let mut deep = vec![0.0_f32; w * h];
    let map = &shape.edges;
    for j in 0..map.distance.height() {
        for (i, d) in map.distance.row(j).iter().enumerate() {
            if *d >= 0.0 {
                continue;
            }
            let p = map.place(i, j);
            let u = ((p.x - grid.origin.x) / grid.pitch).round().max(0.0) as usize;
            let v = ((grid.origin.y - p.y) / grid.pitch).round().max(0.0) as usize;
            let n = v.min(h - 1) * w + u.min(w - 1);
            inked[n] += 1.0;
            deep[n] += f32::from(u8::from(f64::from(*d) < -DEEP * blur));
        }
    }
    let stands = |n: usize| {
        let (deep, inked) = (f64::from(deep[n]), f64::from(inked[n]));
        deep >= FEWEST && deep >= ENOUGH * inked
    };
    let solid: Vec<usize> = (0..w * h).filter(|n| stands(*n)).collect();
    if solid.is_empty() {
        return None;
    }
    let old = shape.ink.data();
    #[allow(clippy::cast_precision_loss)]
    let whole = solid.iter().map(|n| old[*n]).sum::<f32>() / solid.len() as f32;
    let reach = (2.0 * ABOUT_MM / grid.pitch).ceil() as usize;
    let mut ink = (*shape.ink).clone();
    let mut ratio = vec![1.0_f32; w * h];
    let mut any = false;
    for n in 0..w * h {
        if inked[n] == 0.0 && old[n] == 0.0 || stands(n) {
            continue;
        }
        let (i, j) = (n % w, n / w);
        // The whole block's level counts as a solid far away.
        let (mut sum, mut weight) = (0.05 * whole, 0.05);
        for v in j.saturating_sub(reach)..(j + reach + 1).min(h) {
            for u in i.saturating_sub(reach)..(i + reach + 1).min(w) {
                let m = v * w + u;
                if !stands(m) {
                    continue;
                }
                let (x, y) = (u as f64 - i as f64, v as f64 - j as f64);
                let far = (x * x + y * y) * grid.pitch * grid.pitch / (ABOUT_MM * ABOUT_MM);
                let k = libm::expf(-0.5 * far as f32);
                sum += k * old[m];
                weight += k;
            }
        }
        let full = sum / weight;
        if old[n] > 0.0 && f64::from(full / old[n]) > CHANGED {
            ratio[n] = old[n] / full;
            ink.data_mut()[n] = full;
            any = true;
        }
    }
    any.then_some((ink, ratio))
}

/// A block with its fine lines: their outlines put where lines of the solid's ink have them.
#[allow(clippy::cast_possible_truncation)]
fn with_fine(shape: &BlockShape, fine: &EdgeMap, blur: f64) -> BlockShape {
    let table = Shifts::new();
    let mut edges = (*shape.edges).clone();
    for j in 0..edges.distance.height() {
        for i in 0..edges.distance.width() {
            let mut d = f64::from(fine.distance.get(i, j, 0));
            if d < BAND * blur {
                let half = half_width(fine, fine.place(i, j), d, blur);
                d += blur * table.at(half / blur, 2.0 * LEVEL);
                let known = edges.distance.get(i, j, 0);
                edges.distance.set(i, j, 0, known.min(d as f32));
            }
        }
    }
    // Where there was no ink there is the block's usual now.
    let known: Vec<f64> = shape
        .ink
        .data()
        .iter()
        .filter(|v| **v > 0.0)
        .map(|v| f64::from(*v))
        .collect();
    let usual = median(&known).unwrap_or(1.0) as f32;
    let grid = shape.ink_grid;
    let mut ink = (*shape.ink).clone();
    for j in 0..edges.distance.height() {
        for i in 0..edges.distance.width() {
            if fine.distance.get(i, j, 0) > 0.0 {
                continue;
            }
            for (n, _) in grid.nodes(edges.place(i, j)) {
                if let Some(v) = ink.data_mut().get_mut(n)
                    && *v <= 0.0
                {
                    *v = usual;
                }
            }
        }
    }
    BlockShape {
        part: shape.part.clone(),
        edges: Arc::new(edges),
        ink: Arc::new(ink),
        ink_grid: grid,
    }
}

/// The edges where lines with that ink have them.
#[allow(clippy::cast_possible_truncation)]
fn moved(shape: &BlockShape, ratio: &[f32], ink: &Raster<f32>, blur: f64) -> EdgeMap {
    let map = &shape.edges;
    let grid = shape.ink_grid;
    let table = Shifts::new();
    let mut out = (**map).clone();
    for j in 0..map.distance.height() {
        for i in 0..map.distance.width() {
            let d = f64::from(map.distance.row(j)[i]);
            if d.abs() > BAND * blur {
                continue;
            }
            let p = map.place(i, j);
            let (mut k, mut level) = (0.0, 0.0);
            for (n, w) in grid.nodes(p) {
                k += w * f64::from(ratio.get(n).copied().unwrap_or(1.0));
                level += w * f64::from(ink.data().get(n).copied().unwrap_or(0.0));
            }
            if k > 1.0 / CHANGED || level <= 0.0 {
                continue;
            }
            let q = step(shape.part.absorption, k * level) / step(shape.part.absorption, level);
            let half = half_width(map, p, d, blur);
            let by = blur * table.at(half / blur, q);
            out.distance.set(i, j, 0, (d + by) as f32);
        }
    }
    out
}

/// How much light an ink of this strength takes, over the channels.
fn step(absorption: [f64; 3], strength: f64) -> f64 {
    absorption
        .iter()
        .map(|a| a * (1.0 - libm::exp(-a * strength)))
        .sum()
}

/// Half the width of the line at a place, by the record's edges: the way to
/// its middle.
fn half_width(map: &EdgeMap, from: Point, d: f64, blur: f64) -> f64 {
    let e = map.pitch;
    let slope = Point::new(
        map.at(from + Point::new(e, 0.0)) - map.at(from - Point::new(e, 0.0)),
        map.at(from + Point::new(0.0, e)) - map.at(from - Point::new(0.0, e)),
    );
    let long = slope.norm();
    if long < 1e-6 {
        return d.abs();
    }
    let inward = slope * (-0.5 * e / long);
    let mut deepest = d;
    let mut p = from;
    for _ in 0..((d.max(0.0) + WIDE * blur) / (0.5 * e)) as usize + 1 {
        p = p + inward;
        let here = map.at(p);
        if here > deepest + 0.1 * e {
            break;
        }
        deepest = deepest.min(here);
    }
    // Between samples the middle is a little deeper than any of them.
    (-deepest + 0.15 * e).max(0.2 * blur)
}

/// How far out the record's edge lies, in standard deviations of the blur, by
/// half the width of the line it shows and the share of the ink's step it was drawn by.
struct Shifts(Vec<f64>);

const WIDTHS: usize = 48;
const SHARES: usize = 36;

impl Shifts {
    #[allow(clippy::cast_precision_loss)]
    fn new() -> Self {
        let mut out = Vec::with_capacity(WIDTHS * SHARES);
        for i in 0..WIDTHS {
            for j in 0..SHARES {
                let (half, q) = (0.2 + 0.1 * i as f64, 0.3 + 0.02 * j as f64);
                out.push(half - true_half(half, q));
            }
        }
        Self(out)
    }

    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn at(&self, half: f64, q: f64) -> f64 {
        let x = ((half - 0.2) / 0.1).clamp(0.0, WIDTHS as f64 - 1.001);
        let y = ((q - 0.3) / 0.02).clamp(0.0, SHARES as f64 - 1.001);
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let t = |i: usize, j: usize| self.0[i * SHARES + j];
        (1.0 - u) * ((1.0 - v) * t(i, j) + v * t(i, j + 1))
            + u * ((1.0 - v) * t(i + 1, j) + v * t(i + 1, j + 1))
    }
}

/// Half the width of a line whose blurred profile is at `q` halves of its ink's step
/// at `half` from its middle; the blur's standard deviation is 1.
fn true_half(half: f64, q: f64) -> f64 {
    let profile = |h: f64| normal_below(half + h) - normal_below(half - h);
    bisect(0.02, half + 1.5, 40, |h| profile(h) < 0.5 * q)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wide_edge_at_half_its_step_stays_and_a_paler_one_goes_in() {
        assert!((true_half(4.0, 1.0) - 4.0).abs() < 1e-6);
        // Half of 0.8 of the step lies 0.2533 standard deviations outside (normal quantile of 0.6).
        assert!((4.0 - true_half(4.0, 0.8) - 0.2533).abs() < 1e-3);
    }

    #[test]
    fn the_profile_of_the_line_found_is_at_the_level_asked_for() {
        for (half, q) in [(1.0, 0.7), (1.4, 0.6), (2.0, 0.9)] {
            let h = true_half(half, q);
            let erf = |x: f64| libm::erf(x / std::f64::consts::SQRT_2);
            let got = 0.5 * (erf(half + h) - erf(half - h));
            assert!((got - 0.5 * q).abs() < 1e-6, "{half} {q}");
            let table = Shifts::new().at(half, q);
            assert!((table - (half - h)).abs() < 0.01);
        }
    }
}
