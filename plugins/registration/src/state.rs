//! Where every block lies on a sheet: the parameters of the joint fit.
//!
//! A place p of the sheet (print mm of the scan's own frame) is the record's
//! place k = p - u(p) as the key's print tells it, u quadratic in p; a colour
//! block rides on the key and has its own place b = k - e(k), e linear about
//! the block's centroid: shift, turn, stretch and shear. All parameters are in mm.

use restrike_ops::placement::quadratic;
use restrike_stage::Point;

use crate::layers::Layer;

pub(crate) use restrike_ops::placement::{KEY, RIDE, Ride};

/// Most of a veil that is fitted: an ink with so much body or more covers what lies under it.
pub(crate) const MOST_VEIL: f64 = 0.3;

/// All parameters.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct State {
    /// Displacement of the key: six for x, six for y, mm.
    pub(crate) key: [f64; KEY],
    /// Length that the key's places are divided by, mm.
    pub(crate) half: f64,
    /// Index of the key among the layers.
    pub(crate) key_at: usize,
    /// Motion of each layer (the key's is not used).
    pub(crate) rides: Vec<Ride>,
    /// Retreat of each layer's edges against the record, mm.
    pub(crate) retreat: Vec<f64>,
    /// Strength of each layer's ink.
    pub(crate) strength: Vec<f64>,
    /// Body of a solid of each layer's ink, which lightens what lies under it: the key's and
    /// that of blocks printed before.
    pub(crate) veil: Vec<f64>,
    /// SD of the scan's blur, pixels of the level at hand.
    pub(crate) sigma: f64,
}

/// Where the parameters of a layer stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Slots {
    /// Motion, if it has one of its own.
    pub(crate) ride: Option<usize>,
    /// Retreat.
    pub(crate) retreat: usize,
    /// Strength.
    pub(crate) strength: usize,
    /// Its veil, if it is not the key.
    pub(crate) veil: Option<usize>,
}

/// Parameters of a colour block.
const OWN: usize = RIDE + 3;

impl State {
    /// Every block where the record has it, printed as its proof was.
    pub(crate) fn still(layers: &[Layer], key_at: usize, half: f64, sigma: f64) -> Self {
        Self {
            key: [0.0; KEY],
            half,
            key_at,
            rides: layers
                .iter()
                .map(|l| Ride::still(l.centre, l.radius))
                .collect(),
            retreat: vec![0.0; layers.len()],
            strength: vec![1.0; layers.len()],
            veil: vec![0.0; layers.len()],
            sigma,
        }
    }

    /// Number of parameters.
    pub(crate) fn len(&self) -> usize {
        KEY + 2 + (self.rides.len() - 1) * OWN + 1
    }

    /// Where a layer's parameters stand.
    pub(crate) fn slots(&self, layer: usize) -> Slots {
        if layer == self.key_at {
            return Slots {
                ride: None,
                retreat: KEY,
                strength: KEY + 1,
                veil: None,
            };
        }
        let n = if layer < self.key_at {
            layer
        } else {
            layer - 1
        };
        let at = KEY + 2 + n * OWN;
        Slots {
            ride: Some(at),
            retreat: at + RIDE,
            strength: at + RIDE + 1,
            veil: Some(at + RIDE + 2),
        }
    }

    /// Basis of the key's displacement at a place.
    pub(crate) fn basis(&self, p: Point) -> [f64; 6] {
        quadratic(p, self.half)
    }

    /// Displacement of the key at a place.
    pub(crate) fn key_displacement(&self, p: Point) -> Point {
        restrike_ops::placement::key_displacement(&self.key, self.half, p)
    }

    /// The record's place of a place on the sheet.
    pub(crate) fn record_place(&self, p: Point) -> Point {
        p - self.key_displacement(p)
    }

    /// A layer's own place of a place of the record.
    pub(crate) fn block_place(&self, layer: usize, k: Point) -> Point {
        if layer == self.key_at {
            k
        } else {
            k - self.rides[layer].displacement(k)
        }
    }

    /// Adds a step.
    pub(crate) fn step(&mut self, by: &[f64]) {
        for (k, v) in self.key.iter_mut().zip(by) {
            *k += v;
        }
        for layer in 0..self.rides.len() {
            let s = self.slots(layer);
            if let Some(at) = s.ride {
                for (r, v) in self.rides[layer].by.iter_mut().zip(&by[at..]) {
                    *r += v;
                }
            }
            self.retreat[layer] += by[s.retreat];
            self.strength[layer] = (self.strength[layer] + by[s.strength]).clamp(0.02, 4.0);
            if let Some(at) = s.veil {
                self.veil[layer] = (self.veil[layer] + by[at]).clamp(-0.03, MOST_VEIL);
            }
        }
        self.sigma = (self.sigma + by[self.len() - 1]).clamp(0.3, 3.0);
    }

    /// All parameters in a row.
    pub(crate) fn values(&self) -> Vec<f64> {
        let mut out = vec![0.0; self.len()];
        out[..KEY].copy_from_slice(&self.key);
        for layer in 0..self.rides.len() {
            let s = self.slots(layer);
            if let Some(at) = s.ride {
                out[at..at + RIDE].copy_from_slice(&self.rides[layer].by);
            }
            out[s.retreat] = self.retreat[layer];
            out[s.strength] = self.strength[layer];
            if let Some(at) = s.veil {
                out[at] = self.veil[layer];
            }
        }
        let last = out.len() - 1;
        out[last] = self.sigma;
        out
    }
}
