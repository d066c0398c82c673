//! Local paper and ink strength: smooth fields from pixels well inside the
//! areas of one or several inks.
//!
//! In logarithms the layered model is linear: ln R = ln P - sum of s_b a_b over
//! the blocks that print there, and what their inks' bodies give back, which is
//! taken from the strengths so far. Each node of a coarse grid solves for paper
//! and strengths from the pixels about it, held to the sheet's own mean where
//! it has none.

use nalgebra::{DMatrix, DVector};
use restrike_stage::{Point, Rect};

use crate::joint::VEIL_SD;
use crate::layers::{BODY, Layer, beyond};
use crate::level::Level;
use crate::paper::Paper;
use crate::state::State;
use restrike_ops::grid::Grid;
use restrike_ops::placement::Field;

/// Distance of the nodes, mm.
const NODE_MM: f64 = 10.0;
/// Ink near an edge is another than inside: pixels nearer are left out, mm.
const RIM_MM: f64 = 0.12;
/// How far the paper may differ from the envelope, in logarithm.
const PAPER_SD: f64 = 0.05;
/// How far strength may differ from the sheet's mean, relative.
const STRENGTH_SD: f64 = 0.15;
/// The same for a block printed with a gradation.
const FADE_SD: f64 = 0.5;

/// Fields over the sheet.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Local {
    grid: Grid,
    /// By node: logarithm of the paper's reflectance.
    paper: Vec<[f64; 3]>,
    /// By layer and node: strength over the sheet's mean.
    strength: Vec<Vec<f64>>,
}

impl Local {
    /// The envelope's paper and even strength.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub(crate) fn even(paper: &Paper, sheet: Rect, layers: usize) -> Self {
        let grid = Grid {
            origin: Point::new(sheet.min.x, sheet.max.y),
            pitch: NODE_MM,
            width: (sheet.width() / NODE_MM).ceil() as usize + 1,
            height: (sheet.height() / NODE_MM).ceil() as usize + 1,
        };
        let n = grid.width * grid.height;
        Self {
            grid,
            paper: (0..n)
                .map(|i| paper.at(grid.place(i % grid.width, i / grid.width)))
                .collect(),
            strength: vec![vec![1.0; n]; layers],
        }
    }

    /// Logarithm of the paper's reflectance.
    pub(crate) fn paper(&self, p: Point) -> [f64; 3] {
        let mut out = [0.0; 3];
        for (n, w) in self.grid.nodes(p) {
            for c in 0..3 {
                out[c] += w * self.paper[n][c];
            }
        }
        out
    }

    /// A layer's strength over the sheet's mean.
    pub(crate) fn strength(&self, layer: usize, p: Point) -> f64 {
        let f = &self.strength[layer];
        self.grid.nodes(p).iter().map(|(n, w)| w * f[*n]).sum()
    }

    /// The paper's fields by channel, as a placement holds them.
    pub(crate) fn paper_fields(&self) -> [Field; 3] {
        [0, 1, 2].map(|c| self.field(self.paper.iter().map(|v| v[c])))
    }

    /// A layer's field of strength over the sheet's mean.
    pub(crate) fn strength_field(&self, layer: usize) -> Field {
        self.field(self.strength[layer].iter().copied())
    }

    fn field(&self, values: impl Iterator<Item = f64>) -> Field {
        Field {
            origin: self.grid.origin,
            pitch: self.grid.pitch,
            width: self.grid.width,
            height: self.grid.height,
            // Six digits are far below what the field is known to.
            values: values.map(|v| (v * 1e6).round() / 1e6).collect(),
        }
    }

    /// The fields refitted to a level's pixels with every block where `state`
    /// has it; every `stride`-th pixel is looked at.
    pub(crate) fn refit(
        &self,
        level: &Level<'_>,
        layers: &[Layer],
        state: &State,
        envelope: &Paper,
        area: Rect,
        stride: usize,
    ) -> Self {
        let size = 3 + layers.len();
        let nodes = self.paper.len();
        let mut normal = vec![DMatrix::<f64>::zeros(size, size); nodes];
        let mut right = vec![DVector::<f64>::zeros(size); nodes];
        let edge = RIM_MM.max(1.6 * level.pixel);
        let (w, h) = level.size();
        let mut ink = vec![0.0; layers.len()];
        let mut laid = ink.clone();
        for y in (0..h).step_by(stride) {
            for x in (0..w).step_by(stride) {
                let p = level.place(x, y);
                if !area.contains(p) {
                    continue;
                }
                if !inside(layers, state, p, edge, &mut ink) || veiled(state, &ink) {
                    continue;
                }
                for (n, laid) in laid.iter_mut().enumerate() {
                    *laid = ink[n] * self.strength(n, p) * state.strength[n];
                }
                let more = beyond(layers, state, &laid);
                let value = level.pixel(x, y);
                let logs = [0, 1, 2].map(|c| libm::log(value[c].max(1e-3)) + more[c]);
                // The mean strength so far is the model to depart from.
                let now = self.paper(p);
                let mut residual = [0.0; 3];
                for c in 0..3 {
                    let dark: f64 = (layers.iter().zip(&laid))
                        .map(|(l, s)| s * l.absorption[c])
                        .sum();
                    residual[c] = logs[c] - (now[c] - dark);
                }
                // Dust and voids count little; darker pixels are noisier in logarithm.
                let size2 = residual.iter().map(|r| r * r).sum::<f64>();
                let robust = 1.0 / (1.0 + size2 / (0.25 * 0.25));
                for (node, weight) in self.grid.nodes(p) {
                    if weight < 0.02 {
                        continue;
                    }
                    let (m, b) = (&mut normal[node], &mut right[node]);
                    for c in 0..3 {
                        let noise = 0.03 + 0.004 / value[c].max(0.01) + VEIL_SD * more[c].abs();
                        let k = weight * robust / (noise * noise);
                        m[(c, c)] += k;
                        b[c] += k * logs[c];
                        for n in 0..layers.len() {
                            if ink[n] <= 0.0 {
                                continue;
                            }
                            let j = -ink[n] * layers[n].absorption[c] * state.strength[n];
                            b[3 + n] += k * j * logs[c];
                            m[(c, 3 + n)] += k * j;
                            m[(3 + n, c)] += k * j;
                            for o in 0..layers.len() {
                                if ink[o] > 0.0 {
                                    let i = -ink[o] * layers[o].absorption[c] * state.strength[o];
                                    m[(3 + n, 3 + o)] += k * j * i;
                                }
                            }
                        }
                    }
                }
            }
        }
        let mut out = self.clone();
        // Neighbouring pixels share their mottle: a node's pixels say less than their number.
        let share = (stride as f64 * level.pixel / 0.7).clamp(0.02, 1.0).powi(2);
        for node in 0..nodes {
            let p = self
                .grid
                .place(node % self.grid.width, node / self.grid.width);
            let base = envelope.at(p);
            let (mut m, mut b) = (&normal[node] * share, &right[node] * share);
            for c in 0..3 {
                let k = 1.0 / (PAPER_SD * PAPER_SD);
                m[(c, c)] += k;
                b[c] += k * base[c];
            }
            for n in 0..layers.len() {
                let sd = if layers[n].fade { FADE_SD } else { STRENGTH_SD };
                let k = 1.0 / (sd * sd);
                m[(3 + n, 3 + n)] += k;
                b[3 + n] += k;
            }
            if let Some(solved) = m.cholesky().map(|c| c.solve(&b)) {
                for c in 0..3 {
                    out.paper[node][c] = solved[c];
                }
                for n in 0..layers.len() {
                    out.strength[n][node] = solved[3 + n].clamp(0.05, 3.0);
                }
            }
        }
        out
    }
}

/// Whether the key lies under body here: what little of its light is left says nothing of its
/// ink.
fn veiled(state: &State, ink: &[f64]) -> bool {
    ink[state.key_at] > 0.0
        && ink
            .iter()
            .zip(&state.veil)
            .any(|(i, v)| *i > 0.0 && v.abs() >= BODY)
}

/// Absorptions of the blocks' inks on this sheet: an edition may be printed in
/// other inks than the proofs, and inks fade. Channel by channel the logarithms
/// of pixels well inside are linear in them; they are held to the record's.
pub(crate) fn absorptions(
    local: &Local,
    level: &Level<'_>,
    layers: &[Layer],
    state: &State,
    area: Rect,
    stride: usize,
) -> Vec<[f64; 3]> {
    let n = layers.len();
    let mut normal = [0, 1, 2].map(|_| DMatrix::<f64>::zeros(n, n));
    let mut right = [0, 1, 2].map(|_| DVector::<f64>::zeros(n));
    let edge = RIM_MM.max(1.6 * level.pixel);
    let (w, h) = level.size();
    let mut ink = vec![0.0; n];
    let share = (stride as f64 * level.pixel / 0.7).clamp(0.02, 1.0).powi(2);
    for y in (0..h).step_by(stride) {
        for x in (0..w).step_by(stride) {
            let p = level.place(x, y);
            if !area.contains(p) || !inside(layers, state, p, edge, &mut ink) || veiled(state, &ink)
            {
                continue;
            }
            if ink.iter().all(|i| *i <= 0.0) {
                continue;
            }
            for (i, v) in ink.iter_mut().enumerate() {
                *v *= state.strength[i];
            }
            let more = beyond(layers, state, &ink);
            let value = level.pixel(x, y);
            let base = local.paper(p);
            for c in 0..3 {
                let noise = 0.05 + 0.004 / value[c].max(0.01) + VEIL_SD * more[c].abs();
                let dark = base[c] - more[c] - libm::log(value[c].max(1e-3));
                let laid: f64 = (0..n).map(|i| ink[i] * layers[i].absorption[c]).sum();
                let off = (dark - laid) / 0.4;
                let k = share / (noise * noise) / (1.0 + off * off);
                for i in 0..n {
                    if ink[i] <= 0.0 {
                        continue;
                    }
                    right[c][i] += k * ink[i] * dark;
                    for j in 0..n {
                        normal[c][(i, j)] += k * ink[i] * ink[j];
                    }
                }
            }
        }
    }
    let mut out: Vec<[f64; 3]> = layers.iter().map(|l| l.absorption).collect();
    for c in 0..3 {
        let (mut m, mut b) = (normal[c].clone(), right[c].clone());
        for i in 0..n {
            let most = layers[i].absorption.iter().copied().fold(0.0, f64::max);
            let sd = 0.3 * layers[i].absorption[c].abs() + 0.1 * most + 1e-3;
            m[(i, i)] += 1.0 / (sd * sd);
            b[i] += layers[i].absorption[c] / (sd * sd);
        }
        if let Some(solved) = m.cholesky().map(|c| c.solve(&b)) {
            for i in 0..n {
                out[i][c] = solved[i].max(0.0);
            }
        }
    }
    out
}

/// Whether a place is away from all edges, with each layer's relative ink there.
fn inside(layers: &[Layer], state: &State, p: Point, edge: f64, ink: &mut [f64]) -> bool {
    let k = state.record_place(p);
    for (n, layer) in layers.iter().enumerate() {
        let b = state.block_place(n, k);
        let d = layer.distance(b, edge + state.retreat[n].abs()) + state.retreat[n];
        if d.abs() < edge {
            return false;
        }
        ink[n] = if d < 0.0 { layer.ink_at(b) } else { 0.0 };
    }
    true
}
