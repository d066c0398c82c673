//! What changes smoothly over the sheet is no difference between editions: at
//! edges a local shift (paper, damp), growth of all lines, sharpness of the
//! scans, and the key's strength. In windows of some millimetres the difference
//! of light at a block's edges is fitted by these, robustly (Cauchy weights:
//! Holland and Welsch 1977, Communications in Statistics A6, 813-827), and what
//! they explain is taken away. A part of a block that was moved by itself, as on
//! new wood, is not taken away with it.

use std::collections::BTreeMap;

use nalgebra::{SMatrix, SVector};
use restrike_ops::stats::mad_sigma;

use crate::consensus::Level;
use crate::ground::{EDGE_MM, Ground};

/// Side of a window, mm.
const WINDOW_MM: f64 = 10.0;
/// Least cells of a window of its own; smaller ones are fitted together.
const LEAST: usize = 150;
/// What moves the edges of a window by more than this, root mean square along
/// their normals, is no damp paper: a part of the block lies elsewhere. (Windows
/// of well-placed blocks of equal editions mostly come to less than 0.09 mm.)
const MOST_MM: f64 = 0.1;
/// Edges that hardly show tell of no move: it does this much to their light at
/// least, root mean square, of the paper's.
const LEAST_LIGHT: f64 = 0.03;
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
        let rows: [Vec<Row>; 3] = std::array::from_fn(|c| {
            let row = |at: &usize| {
                let (terms, difference) = terms(ground, a, b, *at, c)?;
                Some(Row {
                    at: *at,
                    terms,
                    difference,
                })
            };
            cells.iter().filter_map(row).collect()
        });
        if rows[0].len() < 4 * TERMS {
            continue;
        }
        let (mm, light) = moved(&rows, &rows.each_ref().map(|r| fit(r, &EDGES)));
        if mm > MOST_MM && light > LEAST_LIGHT {
            continue;
        }
        let fits = rows.each_ref().map(|r| fit(r, &ALL));
        for (c, (rows, fit)) in rows.iter().zip(fits).enumerate() {
            for row in rows {
                out[row.at][c] = row.terms.dot(&fit) as f32;
            }
        }
    }
    out
}

/// A cell's terms and difference.
struct Row {
    at: usize,
    terms: Terms,
    difference: f64,
}

/// All terms, and those alone that move edges: a straight edge that lies
/// elsewhere looks like paler ink along it as well.
const ALL: [bool; TERMS] = [true; TERMS];
const EDGES: [bool; TERMS] = [true, true, true, false, false];

/// The sizes of some of the terms that explain a window's difference in a channel.
fn fit(rows: &[Row], with: &[bool; TERMS]) -> Terms {
    let mut fit = Terms::zeros();
    for _ in 0..5 {
        let left: Vec<f64> = rows
            .iter()
            .map(|r| r.difference - r.terms.dot(&fit))
            .collect();
        let scale = mad_sigma(&left).unwrap_or(0.0).max(1e-4) * CAUCHY;
        let mut normal = SMatrix::<f64, TERMS, TERMS>::identity() * 1e-4;
        let mut right = Terms::zeros();
        for (r, l) in rows.iter().zip(&left) {
            let weight = 1.0 / (1.0 + (l / scale) * (l / scale));
            let terms = Terms::from_fn(|i, _| if with[i] { r.terms[i] } else { 0.0 });
            normal += weight * terms * terms.transpose();
            right += weight * r.difference * terms;
        }
        let Some(inverse) = normal.try_inverse() else {
            break;
        };
        fit = inverse * right;
    }
    fit
}

/// By how much a fit moves a window's edges along their normals, mm, shift and
/// growth together, over the channels by how steep the edges are in each; and what
/// that does to their light, root mean square.
#[allow(clippy::cast_precision_loss)]
fn moved(rows: &[Vec<Row>; 3], fits: &[Terms; 3]) -> (f64, f64) {
    let (mut sum, mut steep, mut n) = (0.0, 0.0, 0.0);
    for (rows, fit) in rows.iter().zip(fits) {
        for r in rows {
            let by = r.terms[0] * fit[0] + r.terms[1] * fit[1] + r.terms[2] * fit[2];
            sum += by * by;
            steep += r.terms[2] * r.terms[2];
        }
        n += rows.len() as f64;
    }
    let rms = |of: f64| (sum / f64::max(of, 1e-12)).sqrt();
    (rms(steep), rms(n))
}
