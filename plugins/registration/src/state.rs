//! Where every block lies on a sheet: the parameters of the joint fit.
//!
//! A place p of the sheet (print mm of the scan's own frame) is the record's
//! place k = p - u(p) as the key's print tells it, u quadratic in p; a colour
//! block rides on the key and has its own place b = k - e(k), e linear about
//! the block's centroid: shift, turn, stretch and shear. All parameters are in mm.

use restrike_stage::{Affine, Point};

/// Parameters of the key's displacement: constant, linear, quadratic by axis.
pub(crate) const KEY: usize = 12;
/// Parameters of a colour block's motion.
pub(crate) const RIDE: usize = 6;

/// Motion of a colour block against the key.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ride {
    /// Centroid of the printed shape, record mm.
    pub(crate) centre: Point,
    /// Root mean square distance of the shape from its centroid, mm.
    pub(crate) radius: f64,
    /// Shift along x and y; turn, stretch along x and y, shear at `radius`, mm.
    pub(crate) by: [f64; RIDE],
}

impl Ride {
    /// At rest.
    pub(crate) fn still(centre: Point, radius: f64) -> Self {
        Self {
            centre,
            radius: radius.max(1.0),
            by: [0.0; RIDE],
        }
    }

    /// Place relative to the centroid, in radii.
    pub(crate) fn relative(&self, k: Point) -> Point {
        (k - self.centre) * (1.0 / self.radius)
    }

    /// Displacement at a place of the record.
    pub(crate) fn displacement(&self, k: Point) -> Point {
        let q = self.relative(k);
        let [dx, dy, turn, ex, ey, shear] = self.by;
        Point::new(
            dx + (shear - turn) * q.y + ex * q.x,
            dy + (shear + turn) * q.x + ey * q.y,
        )
    }

    /// The displacement as parameters about the origin: dx, dy in mm, turn in
    /// radians, stretch along x and y, shear (half the angle lost, radians); and the matrix that leads there.
    pub(crate) fn about_origin(&self) -> ([f64; RIDE], [[f64; RIDE]; RIDE]) {
        let (c, r) = (self.centre, self.radius);
        let mut m = [[0.0; RIDE]; RIDE];
        m[0] = [1.0, 0.0, c.y / r, -c.x / r, 0.0, -c.y / r];
        m[1] = [0.0, 1.0, -c.x / r, 0.0, -c.y / r, -c.x / r];
        for (i, row) in m.iter_mut().enumerate().skip(2) {
            row[i] = 1.0 / r;
        }
        let mut out = [0.0; RIDE];
        for (o, row) in out.iter_mut().zip(&m) {
            *o = row.iter().zip(self.by).map(|(a, b)| a * b).sum();
        }
        (out, m)
    }

    /// From the block's own place to where it prints in the record.
    pub(crate) fn map(&self) -> Option<Affine> {
        let ([dx, dy, t, ex, ey, s], _) = self.about_origin();
        // b = k - e(k)
        Affine([1.0 - ex, t - s, -dx, -t - s, 1.0 - ey, -dy]).inverse()
    }
}

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
}

impl State {
    /// Number of parameters.
    pub(crate) fn len(&self) -> usize {
        KEY + 2 + (self.rides.len() - 1) * (RIDE + 2) + 1
    }

    /// Where a layer's parameters stand.
    pub(crate) fn slots(&self, layer: usize) -> Slots {
        if layer == self.key_at {
            return Slots {
                ride: None,
                retreat: KEY,
                strength: KEY + 1,
            };
        }
        let n = if layer < self.key_at {
            layer
        } else {
            layer - 1
        };
        let at = KEY + 2 + n * (RIDE + 2);
        Slots {
            ride: Some(at),
            retreat: at + RIDE,
            strength: at + RIDE + 1,
        }
    }

    /// Basis of the key's displacement at a place.
    pub(crate) fn basis(&self, p: Point) -> [f64; 6] {
        let (x, y) = (p.x / self.half, p.y / self.half);
        [1.0, x, y, x * x, x * y, y * y]
    }

    /// Displacement of the key at a place.
    pub(crate) fn key_displacement(&self, p: Point) -> Point {
        let f = self.basis(p);
        let dot = |k: &[f64]| k.iter().zip(f).map(|(a, b)| a * b).sum();
        Point::new(dot(&self.key[..6]), dot(&self.key[6..]))
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
        }
        let last = out.len() - 1;
        out[last] = self.sigma;
        out
    }
}
