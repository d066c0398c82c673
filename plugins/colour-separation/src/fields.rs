//! Paper and strengths finer than registration has them: smooth corrections
//! from the pieces' mean colours.
//!
//! In logarithms the layered model is linear, so each cell solves for the
//! paper's three channels and each block's strength from its own pieces and,
//! with less weight, its neighbours', held to no correction where they say nothing.

use nalgebra::{DMatrix, DVector};
use restrike_ops::grid::Grid;
use restrike_stage::Point;

use crate::pieces::Pieces;
use crate::sheet::Sheet;

/// How far the paper may be off, in logarithm.
const PAPER_SD: f64 = 0.02;
/// How far a strength may be off, relative; a gradation's.
const STRENGTH_SD: f64 = 0.1;
const FADE_SD: f64 = 0.5;
/// A piece's mean colour is known so well at best, and one pixel's.
const PIECE_SD: f64 = 0.006;
const PIXEL_SD: f64 = 0.06;

/// Corrections over the sheet.
pub(crate) struct Fields {
    grid: Grid,
    /// By cell: paper's logarithm, then each block's relative strength.
    values: Vec<Vec<f64>>,
}

impl Fields {
    /// Fits the corrections.
    #[allow(clippy::cast_possible_wrap, clippy::cast_sign_loss)]
    pub(crate) fn fit(sheet: &Sheet<'_>, pieces: &Pieces) -> Self {
        let grid = pieces.grid;
        let size = 3 + sheet.blocks.len();
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
            let weight = 1.0 / variance / (1.0 + off / (0.2 * 0.2));
            for c in 0..3 {
                let mut row = vec![(c, -1.0)];
                for (n, b) in sheet.blocks.iter().enumerate() {
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
        let inverse = |sd: f64| 1.0 / (sd * sd);
        let values = (0..cells)
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
                    m[(i, i)] += inverse(match i.checked_sub(3) {
                        None => PAPER_SD,
                        Some(n) if sheet.blocks[n].fade => FADE_SD,
                        Some(_) => STRENGTH_SD,
                    });
                }
                m.cholesky().map_or_else(
                    || vec![0.0; size],
                    |c| c.solve(&b).iter().copied().collect(),
                )
            })
            .collect();
        Self { grid, values }
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
