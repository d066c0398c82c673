//! What differs from piece to piece of the sheet besides motion: the paper's
//! tone and the strength of each ink. Both are fitted in every piece together
//! with the motion and taken out of its equations (Schur complement), so that
//! a piece whose paper is a shade darker does not pull an edge.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};

use crate::layers::{Layer, Pixel};
use crate::state::State;

/// How far the paper's tone may differ in a piece, in logarithm.
const PAPER_SD: f64 = 0.03;
/// How far an ink's strength may, relative.
const INK_SD: f64 = 0.1;
/// The same for a block printed with a gradation.
const FADE_SD: f64 = 0.3;

/// Sums of one piece.
pub(crate) struct Tile {
    /// Pull on the parameters of the sheet.
    pub(crate) pull: DVector<f64>,
    /// By layer: what its edges tell.
    pub(crate) told: Vec<f64>,
    own: DMatrix<f64>,
    cross: DMatrix<f64>,
    own_pull: DVector<f64>,
}

/// The levels found in each piece.
pub(crate) type Levels = BTreeMap<u32, Vec<f64>>;

/// Change of a pixel with its piece's levels: index, by channel.
pub(crate) fn changes(state: &State, pixel: &Pixel, out: &mut Vec<(usize, [f64; 3])>) {
    out.clear();
    for c in 0..3 {
        let mut by = [0.0; 3];
        by[c] = pixel.value[c];
        out.push((c, by));
    }
    for (n, by) in pixel.by_strength.iter().enumerate() {
        if *by != [0.0; 3] {
            out.push((3 + n, by.map(|v| v * state.strength[n])));
        }
    }
}

impl Tile {
    /// Nothing yet, of so many parameters and layers.
    pub(crate) fn new(parameters: usize, layers: usize) -> Self {
        Self {
            pull: DVector::zeros(parameters),
            told: vec![0.0; layers],
            own: DMatrix::zeros(3 + layers, 3 + layers),
            cross: DMatrix::zeros(3 + layers, parameters),
            own_pull: DVector::zeros(3 + layers),
        }
    }

    /// Adds a pixel: changes with the levels and with the parameters, weight
    /// by channel, residual.
    pub(crate) fn add(
        &mut self,
        levels: &[(usize, [f64; 3])],
        entries: &[(usize, [f64; 3])],
        weight: [f64; 3],
        residual: [f64; 3],
    ) {
        for (a, ja) in levels {
            let wa = [0, 1, 2].map(|c| weight[c] * ja[c]);
            self.own_pull[*a] += (0..3).map(|c| wa[c] * residual[c]).sum::<f64>();
            for (b, jb) in levels {
                self.own[(*a, *b)] += wa[0] * jb[0] + wa[1] * jb[1] + wa[2] * jb[2];
            }
            for (i, ji) in entries {
                self.cross[(*a, *i)] += wa[0] * ji[0] + wa[1] * ji[1] + wa[2] * ji[2];
            }
        }
    }

    /// Takes the piece's levels out of its own pull and of the normal
    /// equations, and gives what they come to with the parameters as they are.
    pub(crate) fn reduce(&mut self, layers: &[Layer], normal: &mut DMatrix<f64>) -> Vec<f64> {
        let n = self.pull.len();
        let size = self.own.nrows();
        for a in 0..size {
            let sd = match a.checked_sub(3) {
                None => PAPER_SD,
                Some(l) if layers[l].fade => FADE_SD,
                Some(_) => INK_SD,
            };
            self.own[(a, a)] += 1.0 / (sd * sd);
        }
        let Some(solver) = self.own.clone().cholesky() else {
            return vec![0.0; size];
        };
        let levels = solver.solve(&self.own_pull);
        // Few parameters have to do with one piece.
        let used: Vec<usize> = (0..n)
            .filter(|i| self.cross.column(*i).iter().any(|v| *v != 0.0))
            .collect();
        for i in &used {
            let column = self.cross.column(*i);
            self.pull[*i] -= column.iter().zip(&levels).map(|(c, l)| c * l).sum::<f64>();
            let solved = solver.solve(&column.clone_owned());
            for j in &used {
                let by = self.cross.column(*j);
                normal[(*j, *i)] -= by.iter().zip(&solved).map(|(a, b)| a * b).sum::<f64>();
            }
        }
        levels.iter().copied().collect()
    }
}
