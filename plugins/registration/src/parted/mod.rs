//! The blocks' shapes from an impression of all blocks, where there are no
//! proofs: the visible parts of each.
//!
//! The colours that the block list gives tell which blocks printed where; the
//! edges are then placed within the pixel by how much of each neighbour's
//! light a pixel has. Edges that lie under the key are not seen: the shape is
//! closed in the middle of the key's line there, and the fit leaves them out.
//! A shape from an impression carries that impression's own misregister.

mod labels;

use restrike_ops::grid::Grid;
use restrike_stage::{BlockInfo, Raster, Rect};

use crate::paper::{Paper, STIFF_MM};
use crate::shape::{INK_CELL_MM, Shape};
use labels::{Inks, Set, inside, large, nearest};

/// Margin of the sheet that is not looked at, mm.
const EDGE_MM: f64 = 2.0;
/// Ink is looked for this far beyond an image, mm.
const OUTSIDE_MM: f64 = 3.0;
/// Share of a pixel under the key from which on nothing else is seen there.
const COVERED: f64 = 0.3;
/// Least reflectance between two colours for an edge between them to be placed.
const CONTRAST: f64 = 0.03;
/// Least area that is taken for a colour, mm2.
const LEAST_AREA_MM2: f64 = 1.0;
/// Fewest samples of a shape.
const LEAST: usize = 400;

/// The shapes of all blocks that are seen on a sheet laid out on a grid, or
/// why one is not, in the order of `blocks`.
///
/// # Errors
/// In words, when nothing can be learned from the sheet.
pub(crate) fn shapes(
    laid: &Raster<f32>,
    grid: Grid,
    area: Rect,
    images: &[Rect],
    blocks: &[BlockInfo],
) -> Result<Vec<Result<Shape, String>>, String> {
    let key = blocks
        .iter()
        .position(|b| b.key)
        .ok_or("the block list names no key block")?;
    let w = grid.width;
    let inner = area.grown(-EDGE_MM);
    let looked: Vec<bool> = (0..w * grid.height)
        .map(|k| {
            let p = grid.place(k % w, k / w);
            inner.contains(p)
                && laid.data()[3 * k] >= 0.0
                && (images.is_empty() || images.iter().any(|i| i.grown(OUTSIDE_MM).contains(p)))
        })
        .collect();
    let paper =
        Paper::fit(laid, grid, None, images, STIFF_MM).ok_or("too little of the sheet is seen")?;
    let sheet = Seen::new(laid, grid, &paper, &looked);
    let said = colours(blocks, sheet.paper_colour())?;
    let mut inks = Inks {
        absorption: said,
        key,
        fade: blocks.iter().map(|b| b.bokashi).collect(),
    };
    let mut labels = inks.label(&sheet.absorbed, &looked, w);
    for _ in 0..2 {
        inks = inks.refined(&sheet.absorbed, &labels, &inside(&labels, w));
        labels = inks.label(&sheet.absorbed, &looked, w);
    }
    let ground = Ground::new(&labels, &looked, key, grid);
    let covered = sheet.key_coverage(&inks, &ground, &looked);
    Ok((0..blocks.len())
        .map(|b| {
            let coverage = if b == key {
                covered.clone()
            } else {
                sheet.coverage(&inks, &ground, &covered, &looked, b)
            };
            let printed = coverage.iter().filter(|v| **v > 0.5).count();
            if printed < LEAST {
                return Err(format!(
                    "hardly anything of block {} is told apart on the reference impression",
                    blocks[b].name
                ));
            }
            let (ink, ink_grid) = sheet.ink(&inks, &ground, &coverage, b);
            Ok(Shape {
                coverage: Raster::from_vec(w, grid.height, 1, coverage)
                    .map_err(|e| e.to_string())?,
                grid,
                absorption: inks.absorption[b],
                ink,
                ink_grid,
            })
        })
        .collect())
}

/// Absorptions by the colours in the block list, seen on paper of this reflectance.
fn colours(blocks: &[BlockInfo], paper: [f64; 3]) -> Result<Vec<[f64; 3]>, String> {
    blocks
        .iter()
        .map(|b| {
            let text = b.colour.as_deref().ok_or_else(|| {
                format!(
                    "the block list gives no colour of block {}: without proofs the blocks are told apart by their colours (column `colour`)",
                    b.name
                )
            })?;
            let linear = light(text)
                .ok_or_else(|| format!("the colour of block {} is not `#rrggbb`", b.name))?;
            Ok(absorbed(linear, paper))
        })
        .collect()
}

/// Linear light of a colour `#rrggbb`.
fn light(text: &str) -> Option<[f64; 3]> {
    let coded: palette::Srgb<u8> = text.parse().ok()?;
    let linear = coded.into_format::<f64>().into_linear();
    Some([linear.red, linear.green, linear.blue])
}

fn absorbed(linear: [f64; 3], paper: [f64; 3]) -> [f64; 3] {
    [0, 1, 2].map(|c| -libm::log((linear[c] / paper[c]).clamp(5e-3, 1.0)))
}

/// Absorption of a solid by its colour in the block list, on a paper as prints
/// usually have; none without a colour.
pub(crate) fn absorption(colour: &str) -> Option<[f64; 3]> {
    const PAPER: [f64; 3] = [0.80, 0.77, 0.70];
    Some(absorbed(light(colour)?, PAPER))
}

/// A sheet as it is seen.
struct Seen<'a> {
    laid: &'a Raster<f32>,
    grid: Grid,
    /// Absorption of each sample.
    absorbed: Vec<[f32; 3]>,
    /// Reflectance of the bare paper at each sample.
    bare: Vec<[f32; 3]>,
}

/// What lies beside the key at each sample: the nearest area that is seen for certain.
struct Ground {
    /// The blocks there.
    set: Vec<Set>,
    /// Samples that are seen for certain.
    sure: Vec<bool>,
}

impl Ground {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn new(labels: &[Set], looked: &[bool], key: usize, grid: Grid) -> Self {
        let w = grid.width;
        let core: Vec<bool> = labels
            .iter()
            .zip(inside(labels, w))
            .map(|(l, c)| c && l >> key & 1 == 0)
            .collect();
        // Specks beside the key's lines are its blur, not colours.
        let least = (LEAST_AREA_MM2 / (grid.pitch * grid.pitch)).ceil() as usize;
        let sure = large(labels, &core, w, least);
        let from = nearest(&sure, looked, w);
        let set = from
            .iter()
            .map(|k| labels.get(*k).copied().unwrap_or(u32::MAX))
            .collect();
        Self { set, sure }
    }
}

impl<'a> Seen<'a> {
    #[allow(clippy::cast_possible_truncation)]
    fn new(laid: &'a Raster<f32>, grid: Grid, paper: &Paper, looked: &[bool]) -> Self {
        let w = grid.width;
        let mut absorbed = vec![[0.0_f32; 3]; looked.len()];
        let mut bare = vec![[0.0_f32; 3]; looked.len()];
        for k in (0..looked.len()).filter(|k| looked[*k]) {
            let log = paper.at(grid.place(k % w, k / w));
            for c in 0..3 {
                let v = laid.data()[3 * k + c].max(2e-3);
                absorbed[k][c] = log[c] as f32 - libm::logf(v);
                bare[k][c] = libm::exp(log[c]) as f32;
            }
        }
        Self {
            laid,
            grid,
            absorbed,
            bare,
        }
    }

    fn paper_colour(&self) -> [f64; 3] {
        [0, 1, 2].map(|c| {
            let mut v: Vec<f32> = self
                .bare
                .iter()
                .step_by(97)
                .map(|b| b[c])
                .filter(|v| *v > 0.0)
                .collect();
            v.sort_by(f32::total_cmp);
            v.get(v.len() / 2).map_or(1.0, |v| f64::from(*v)).max(0.05)
        })
    }

    /// Strength of a block's ink in a sample where the blocks of `set` printed.
    fn strength(&self, inks: &Inks, set: Set, k: usize, block: usize) -> f64 {
        let a = inks.absorption[block];
        let mut rest = self.absorbed[k].map(f64::from);
        for (b, other) in inks.absorption.iter().enumerate() {
            if b != block && set >> b & 1 == 1 {
                for c in 0..3 {
                    rest[c] -= other[c];
                }
            }
        }
        let square: f64 = a.iter().map(|v| v * v).sum();
        (0..3).map(|c| rest[c] * a[c]).sum::<f64>() / square.max(1e-6)
    }

    /// Reflectance of a set of blocks at a sample; a gradation's ink as strong as given.
    fn colour(&self, inks: &Inks, set: Set, k: usize, fading: f64) -> [f64; 3] {
        [0, 1, 2].map(|c| {
            let mut a = 0.0;
            for (b, ink) in inks.absorption.iter().enumerate() {
                if set >> b & 1 == 1 {
                    a += ink[c] * if inks.fade[b] { fading } else { 1.0 };
                }
            }
            f64::from(self.bare[k][c]) * libm::exp(-a)
        })
    }

    /// Share of each sample that the key covers: by the channel in which it is
    /// least, since a neighbouring colour may pass for ink in one.
    #[allow(clippy::cast_possible_truncation)]
    fn key_coverage(&self, inks: &Inks, ground: &Ground, looked: &[bool]) -> Vec<f32> {
        let key = inks.absorption[inks.key];
        (0..looked.len())
            .map(|k| {
                if !looked[k] || ground.set[k] == u32::MAX {
                    return 0.0;
                }
                let under = self.colour(inks, ground.set[k], k, 0.5);
                let mut least = f64::INFINITY;
                for c in 0..3 {
                    let ink = f64::from(self.bare[k][c]) * libm::exp(-key[c]);
                    let step = under[c] - ink;
                    if step > 0.12 {
                        let dark = under[c] - f64::from(self.laid.data()[3 * k + c]);
                        least = least.min(dark / step);
                    }
                }
                if least.is_finite() {
                    least.clamp(-0.5, 1.5) as f32
                } else {
                    0.0
                }
            })
            .collect()
    }

    /// Share of each sample that a colour block covers.
    #[allow(clippy::cast_possible_truncation)]
    fn coverage(
        &self,
        inks: &Inks,
        ground: &Ground,
        covered: &[f32],
        looked: &[bool],
        block: usize,
    ) -> Vec<f32> {
        let w = self.grid.width;
        let has = |k: usize| ground.set[k] != u32::MAX && ground.set[k] >> block & 1 == 1;
        let mut out = vec![0.0_f32; looked.len()];
        for k in 0..looked.len() {
            if !looked[k] {
                continue;
            }
            let own = has(k);
            out[k] = f32::from(u8::from(own));
            let (x, y) = (k % w, k / w);
            let edge = x < 3 || y < 3 || x + 3 >= w || y + 3 >= self.grid.height;
            if edge || f64::from(covered[k]) > COVERED {
                continue;
            }
            // The nearest sample within two on the other side of the block's edge.
            let mut other: Option<(usize, usize)> = None;
            for dy in 0..5 {
                for dx in 0..5 {
                    let n = (y + dy - 2) * w + x + dx - 2;
                    let d = (dx.abs_diff(2)).pow(2) + (dy.abs_diff(2)).pow(2);
                    let nearer = other.is_none_or(|(best, _)| d < best);
                    if nearer && ground.set[n] != u32::MAX && has(n) != own {
                        other = Some((d, n));
                    }
                }
            }
            let Some((_, n)) = other else { continue };
            let (with, without) = if own { (k, n) } else { (n, k) };
            // A gradation has the strength here that it has just inside its edge.
            let fading = if inks.fade[block] {
                self.strength(inks, ground.set[with], with, block)
                    .clamp(0.1, 1.2)
            } else {
                0.5
            };
            let inner = self.colour(inks, ground.set[with], k, fading);
            let outer = self.colour(inks, ground.set[without], k, fading);
            let (mut top, mut low) = (0.0, 0.0);
            for c in 0..3 {
                let step = outer[c] - inner[c];
                top += step * (outer[c] - f64::from(self.laid.data()[3 * k + c]));
                low += step * step;
            }
            if low > CONTRAST * CONTRAST {
                out[k] = (top / low).clamp(0.0, 1.0) as f32;
            }
        }
        out
    }

    /// Strength of a block's ink by cells: the mean of what is seen of it, and
    /// of the nearest cells where nothing is.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn ink(
        &self,
        inks: &Inks,
        ground: &Ground,
        coverage: &[f32],
        block: usize,
    ) -> (Raster<f32>, Grid) {
        let (w, h) = (self.grid.width, self.grid.height);
        let step = ((INK_CELL_MM / self.grid.pitch).round() as usize).max(1);
        let (cw, ch) = (w.div_ceil(step), h.div_ceil(step));
        let mut sum = vec![0.0_f64; cw * ch];
        let mut count = vec![0.0_f64; cw * ch];
        let key = block == inks.key;
        for k in 0..w * h {
            let seen = if key {
                coverage[k] > 0.9
            } else {
                ground.sure[k] && ground.set[k] >> block & 1 == 1
            };
            if seen {
                let s = if key {
                    self.strength(inks, 1 << block, k, block)
                } else {
                    self.strength(inks, ground.set[k], k, block)
                };
                let cell = (k / w / step) * cw + (k % w) / step;
                sum[cell] += s.clamp(0.0, 1.5);
                count[cell] += 1.0;
            }
        }
        let seeds: Vec<bool> = count.iter().map(|n| *n > 0.0).collect();
        let from = nearest(&seeds, &vec![true; cw * ch], cw);
        let values = from
            .iter()
            .map(|k| match count.get(*k) {
                Some(n) if *n > 0.0 => (sum[*k] / n) as f32,
                _ => 0.0,
            })
            .collect();
        let cells = self.grid.coarser(step);
        let ink = Raster::from_vec(cw, ch, 1, values).unwrap_or_else(|_| Raster::new(cw, ch, 1));
        (ink, cells)
    }
}
