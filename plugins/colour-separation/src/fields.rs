//! Paper and strengths finer than registration has them: smooth corrections
//! from the pieces' mean colours.
//!
//! In logarithms the layered model is linear, so each cell solves for the
//! paper's three channels and each block's strength from its own pieces and,
//! with less weight, its neighbours', held to no correction where they say nothing.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use restrike_ops::grid::Grid;
use restrike_ops::overprints::Subset;
use restrike_stage::Point;

use crate::gaussian::dot;
use crate::pieces::Pieces;
use crate::sheet::Block;

/// How far the paper may be off, in logarithm.
pub(crate) const PAPER_SD: f64 = 0.02;
/// How far a strength may be off, relative; a gradation's.
pub(crate) const STRENGTH_SD: f64 = 0.1;
pub(crate) const FADE_SD: f64 = 0.5;
/// How far a strength may be off the sheet's own where contrasts tell that, relative.
const EVEN_SD: f64 = 0.05;
/// A block's mean over all it covers may be off the mean where contrasts are, relative.
const LEVEL_SD: f64 = 0.01;
/// Passes that bring the mean of a block to what contrasts tell.
const PASSES: usize = 6;
/// A contrast within a cell is known so well, in logarithm: paper and ink are
/// not the same on both sides.
const CONTRAST_SD: f64 = 0.012;
/// Fewest cells that tell a strength by contrast.
const CELLS: usize = 8;
/// The same for an ink whose strength is from where it lies alone.
const BARE: usize = 3;
/// A piece's mean colour is known so well at best, and one pixel's.
const PIECE_SD: f64 = 0.006;
const PIXEL_SD: f64 = 0.06;

/// Corrections over the sheet.
pub(crate) struct Fields {
    grid: Grid,
    /// By cell: paper's logarithm, then each block's relative strength.
    values: Vec<Vec<f64>>,
    /// By block: standard error of its mean strength from contrasts, relative.
    contrasts: Vec<Option<f64>>,
}

impl Fields {
    /// Fits the corrections.
    #[allow(clippy::cast_possible_wrap, clippy::cast_sign_loss)]
    pub(crate) fn fit(blocks: &[Block], pieces: &Pieces) -> Self {
        let grid = pieces.grid;
        let size = 3 + blocks.len();
        let cells = grid.width * grid.height;
        let mut normal = vec![DMatrix::<f64>::zeros(size, size); cells];
        let mut right = vec![DVector::<f64>::zeros(size); cells];
        for p in pieces.map.values() {
            if p.label != p.shapes {
                continue;
            }
            let variance = PIECE_SD * PIECE_SD + PIXEL_SD * PIXEL_SD / p.count;
            // A few pieces off by much are something else.
            let off = p.beyond.iter().map(|v| v * v).sum::<f64>();
            let robust = 1.0 / (1.0 + off / (0.2 * 0.2));
            for c in 0..3 {
                // In the dark flare and an ink's own light pass for strength.
                let dark = p.dark(c);
                let weight = robust / (variance + dark * dark);
                let mut row = vec![(c, -1.0)];
                for (n, b) in blocks.iter().enumerate() {
                    if p.shapes.has(n) {
                        row.push((3 + n, p.strength[n] * b.absorption[c]));
                    }
                }
                for (i, vi) in &row {
                    right[p.cell][*i] += weight * vi * p.beyond[c];
                    for (j, vj) in &row {
                        normal[p.cell][(*i, *j)] += weight * vi * vj;
                    }
                }
            }
        }
        let even: Vec<Option<(f64, f64)>> = (0..blocks.len())
            .map(|n| contrast(blocks, pieces, n))
            .collect();
        let usual = usual(blocks, pieces);
        let inverse = |sd: f64| 1.0 / (sd * sd);
        let sds: Vec<f64> = (0..blocks.len())
            .map(|n| match (blocks[n].fade, even[n]) {
                (true, _) => FADE_SD,
                (false, None) => STRENGTH_SD,
                (false, Some((_, se))) => (EVEN_SD * EVEN_SD + se * se).sqrt(),
            })
            .collect();
        let systems: Vec<_> = (0..cells)
            .map(|cell| {
                let mut m = DMatrix::<f64>::zeros(size, size);
                let mut b = DVector::<f64>::zeros(size);
                let (x, y) = ((cell % grid.width) as isize, (cell / grid.width) as isize);
                for (dx, dy) in (-1..=1).flat_map(|dy| (-1..=1).map(move |dx| (dx, dy))) {
                    let (u, v) = (x + dx, y + dy);
                    if u < 0 || v < 0 || u as usize >= grid.width || v as usize >= grid.height {
                        continue;
                    }
                    let k = match dx * dx + dy * dy {
                        0 => 1.0,
                        1 => 0.35,
                        _ => 0.15,
                    };
                    let at = v as usize * grid.width + u as usize;
                    m += &normal[at] * k;
                    b += &right[at] * k;
                }
                for i in 0..size {
                    m[(i, i)] += inverse(i.checked_sub(3).map_or(PAPER_SD, |n| sds[n]));
                }
                (m.cholesky(), b)
            })
            .collect();
        let solve = |levels: &[Option<f64>]| -> Vec<Vec<f64>> {
            systems
                .iter()
                .enumerate()
                .map(|(cell, (of, b))| {
                    let mut b = b.clone();
                    for (n, level) in levels.iter().enumerate() {
                        if let Some(level) = level {
                            let here = usual[n].get(&cell).copied().unwrap_or(*level);
                            b[3 + n] += inverse(sds[n]) * (level / here - 1.0);
                        }
                    }
                    of.as_ref().map_or_else(
                        || vec![0.0; size],
                        |c| c.solve(&b).iter().copied().collect(),
                    )
                })
                .collect()
        };
        let mut levels: Vec<Option<f64>> = (0..blocks.len())
            .map(|n| even[n].filter(|_| !blocks[n].fade).map(|e| e.0))
            .collect();
        let mut values = solve(&levels);
        for _ in 0..PASSES {
            for (n, level) in levels.iter_mut().enumerate() {
                if let (Some(level), Some(even)) = (level, even[n]) {
                    let found = mean(pieces, &values, n);
                    // No farther than strengths vary: where cells are held by what they show
                    // the level would run away, and take those along that show little.
                    let room = EVEN_SD * even.0;
                    *level = (*level + between(even, found, blocks[n].absorption) - found)
                        .clamp(even.0 - room, even.0 + room);
                }
            }
            values = solve(&levels);
        }
        let contrasts = even
            .iter()
            .zip(blocks)
            .map(|(e, b)| e.filter(|_| !b.fade).map(|e| libm::hypot(e.1, LEVEL_SD)))
            .collect();
        Self {
            grid,
            values,
            contrasts,
        }
    }

    /// Standard error of a block's mean strength as contrasts tell it, relative; none where they
    /// do not.
    pub(crate) fn by_contrast(&self, n: usize) -> Option<f64> {
        self.contrasts[n]
    }

    /// The corrections of a cell.
    pub(crate) fn of_cell(&self, cell: usize) -> &[f64] {
        &self.values[cell]
    }

    /// The corrections at a place: paper's logarithm, then each block's
    /// relative strength, into `out`.
    pub(crate) fn at(&self, p: Point, out: &mut [f64]) {
        out.fill(0.0);
        for (n, w) in self.grid.nodes(p) {
            if let Some(v) = self.values.get(n) {
                for (o, v) in out.iter_mut().zip(v) {
                    *o += w * v;
                }
            }
        }
    }
}

/// A block's mean strength as corrected.
fn mean(pieces: &Pieces, values: &[Vec<f64>], n: usize) -> f64 {
    let (mut sum, mut count) = (0.0, 0.0);
    for p in pieces.map.values().filter(|p| p.shapes.has(n)) {
        sum += p.count * p.strength[n] * (1.0 + values[p.cell][3 + n]);
        count += p.count;
    }
    sum / f64::max(count, 1e-9)
}

/// A block's mean strength from what contrasts and what all its pieces tell. Where no bare
/// paper is near, a pale ink and the paper's tone look alike in every cell, and the cells'
/// common part is as likely the paper's: only contrasts tell it.
fn between((strength, se): (f64, f64), found: f64, absorption: [f64; 3]) -> f64 {
    let by_contrast = 1.0 / (strength * strength * (se * se + LEVEL_SD * LEVEL_SD));
    let by_pieces = dot(absorption, absorption) / (PAPER_SD * PAPER_SD);
    (strength * by_contrast + found * by_pieces) / (by_contrast + by_pieces)
}

/// Mean strength expected of each block in each cell.
fn usual(blocks: &[Block], pieces: &Pieces) -> Vec<BTreeMap<usize, f64>> {
    let mut sums = vec![BTreeMap::<usize, (f64, f64)>::new(); blocks.len()];
    for p in pieces.map.values() {
        for (n, of) in sums.iter_mut().enumerate() {
            if p.shapes.has(n) {
                let s = of.entry(p.cell).or_default();
                s.0 += p.count * p.strength[n];
                s.1 += p.count;
            }
        }
    }
    sums.into_iter()
        .map(|of| {
            of.into_iter()
                .map(|(c, s)| (c, (s.0 / s.1).max(0.05)))
                .collect()
        })
        .collect()
}

/// A block's mean strength and its relative standard error from the contrast
/// within cells between what it covers and what else is the same: there the
/// paper's colour cancels. None for too few cells.
fn contrast(blocks: &[Block], pieces: &Pieces, n: usize) -> Option<(f64, f64)> {
    let a = blocks[n].absorption;
    let aa = dot(a, a).max(1e-9);
    let mut found: Vec<(f64, f64)> = Vec::new();
    for p in pieces.map.values() {
        if !p.shapes.has(n) || p.label != p.shapes {
            continue;
        }
        let without = p.shapes.flipped(n);
        // Where layers do not add up only bare paper tells.
        if pieces.anchored.has(n) && without != Subset(0) {
            continue;
        }
        let Some(q) = pieces.map.get(&(p.cell, without.0)) else {
            continue;
        };
        if q.label != q.shapes {
            continue;
        }
        let mut more = [0.0; 3];
        for c in 0..3 {
            more[c] = p.beyond[c] - q.beyond[c] + p.strength[n] * a[c];
        }
        let pixels = PIXEL_SD * PIXEL_SD * (1.0 / p.count + 1.0 / q.count);
        let others = f64::from(without.count()) * 0.03;
        let variance = CONTRAST_SD * CONTRAST_SD + pixels + others * others;
        found.push((dot(more, a) / aa, aa / variance));
    }
    if found.len() < if pieces.anchored.has(n) { BARE } else { CELLS } {
        return None;
    }
    // A weighted mean, twice without what lies far off.
    let mut middle = {
        let mut v: Vec<f64> = found.iter().map(|f| f.0).collect();
        let mid = v.len() / 2;
        *v.select_nth_unstable_by(mid, f64::total_cmp).1
    };
    let mut se = 0.0;
    for _ in 0..4 {
        let (mut sum, mut weight, mut square) = (0.0, 0.0, 0.0);
        for (s, w) in &found {
            let off = (s - middle) / 0.15;
            let k = w / (1.0 + w * 0.02 * 0.02) / (1.0 + off * off);
            sum += k * s;
            weight += k;
            square += k * k * (s - middle) * (s - middle);
        }
        middle = sum / weight.max(1e-12);
        se = square.sqrt() / weight.max(1e-12);
    }
    (middle > 0.1).then(|| (middle, se / middle))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_pale_ink_has_its_level_from_contrasts_and_a_dark_one_from_both() {
        let pale = between((1.0, 0.005), 0.9, [0.17, 0.12, 0.08]);
        assert!(pale > 0.985, "{pale}");
        let dark = between((1.0, 0.005), 0.9, [2.7, 2.6, 2.5]);
        assert!(dark > 0.91 && dark < 0.95, "{dark}");
        // Nothing to share out where both agree.
        assert!((between((0.8, 0.01), 0.8, [1.0; 3]) - 0.8).abs() < 1e-12);
    }
}
