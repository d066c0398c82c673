//! What changes smoothly over the sheet is no difference between editions: at
//! edges a local shift (paper, damp), growth of all lines, sharpness of the
//! scans, and the key's strength. In windows of some millimetres the difference
//! of light at a block's edges is fitted by these, robustly (Cauchy weights:
//! Holland and Welsch 1977, Communications in Statistics A6, 813-827), and what
//! they explain is taken away.

use std::collections::BTreeMap;

use nalgebra::{SMatrix, SVector};
use restrike_ops::stats::mad_sigma;

use crate::consensus::Level;
use crate::ground::{EDGE_MM, Ground};

/// Side of a window, mm.
const WINDOW_MM: f64 = 10.0;
/// Least cells of a window of its own; smaller ones are fitted together.
const LEAST: usize = 150;
/// Cauchy's constant for 95 % efficiency.
const CAUCHY: f64 = 2.385;
/// Terms: slopes along x and y, growth, sharpness, strength.
const TERMS: usize = 5;

type Terms = SVector<f64, TERMS>;

/// The terms of a cell and a channel; none beside cells that do not tell.
fn terms(ground: &Ground, a: &Level, b: &Level, at: usize, c: usize) -> Option<(Terms, f64)> {
    let w = ground.grid.width;
    let around = [at, at - 1, at + 1, at - w, at + w];
    if around.iter().any(|k| a.count[*k] == 0 || b.count[*k] == 0) {
        return None;
    }
    let m = |k: usize| 0.5 * f64::from(a.light[k][c] + b.light[k][c]);
    let pitch = ground.grid.pitch;
    let gx = (m(at + 1) - m(at - 1)) / (2.0 * pitch);
    let gy = (m(at - w) - m(at + w)) / (2.0 * pitch);
    let bend = (m(at + 1) + m(at - 1) + m(at + w) + m(at - w) - 4.0 * m(at)) / (pitch * pitch);
    let [nx, ny] = ground.normal[at].map(f64::from);
    let strength = if ground.edge[at] < 0.0 { m(at) } else { 0.0 };
    let row = Terms::from([gx, gy, gx * nx + gy * ny, 0.1 * bend, strength]);
    Some((row, f64::from(b.light[at][c] - a.light[at][c])))
}

/// What changes smoothly, by cell and channel: nothing clear of edges.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn smooth(ground: &Ground, a: &Level, b: &Level) -> Vec<[f32; 3]> {
    let (w, h) = (ground.grid.width, ground.grid.height);
    let mut windows: BTreeMap<(u8, i64, i64), Vec<usize>> = BTreeMap::new();
    for at in 0..ground.len() {
        let (x, y) = (at % w, at / w);
        let near = f64::from(ground.edge[at]).abs() < EDGE_MM + 0.1;
        if near && x > 0 && y > 0 && x + 1 < w && y + 1 < h {
            let p = ground.place(at);
            let key = |v: f64| (v / WINDOW_MM).floor() as i64;
            windows
                .entry((ground.owner[at], key(p.x), key(p.y)))
                .or_default()
                .push(at);
        }
    }
    // Windows with little in them go together, block by block.
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut rest: BTreeMap<u8, Vec<usize>> = BTreeMap::new();
    for ((block, _, _), cells) in windows {
        if cells.len() >= LEAST {
            groups.push(cells);
        } else {
            rest.entry(block).or_default().extend(cells);
        }
    }
    groups.extend(rest.into_values());
    let mut out = vec![[0.0_f32; 3]; ground.len()];
    for cells in &groups {
        for c in 0..3 {
            let rows: Vec<(usize, Terms, f64)> = cells
                .iter()
                .filter_map(|at| terms(ground, a, b, *at, c).map(|(r, d)| (*at, r, d)))
                .collect();
            if rows.len() < 4 * TERMS {
                continue;
            }
            let mut fit = Terms::zeros();
            for _ in 0..5 {
                let left: Vec<f64> = rows.iter().map(|(_, r, d)| d - r.dot(&fit)).collect();
                let scale = mad_sigma(&left).unwrap_or(0.0).max(1e-4) * CAUCHY;
                let mut normal = SMatrix::<f64, TERMS, TERMS>::identity() * 1e-4;
                let mut right = Terms::zeros();
                for ((_, r, d), l) in rows.iter().zip(&left) {
                    let weight = 1.0 / (1.0 + (l / scale) * (l / scale));
                    normal += weight * r * r.transpose();
                    right += weight * *d * r;
                }
                let Some(inverse) = normal.try_inverse() else {
                    break;
                };
                fit = inverse * right;
            }
            for (at, r, _) in &rows {
                out[*at][c] = r.dot(&fit) as f32;
            }
        }
    }
    out
}
