//! The chain of maps from a block's design to the scan.
//!
//! design mm -> local warp -> block motion -> print mm -> scanner -> scan px.
//!
//! * warp: q' = q + sum of sine waves (smooth, explicit parameters);
//! * motion: p = d + S R(theta) q', S = diag(1 + eps_x, 1 + eps_y), theta
//!   counter-clockwise about the sheet centre, d = (dx, dy) mm;
//! * scanner: rotation counter-clockwise as seen on the screen, then mm to
//!   pixels with y downwards and the origin at the top left corner of the
//!   scan. Pixel (i, j) covers [i, i+1) x [j, j+1): its centre is (i+.5, j+.5).

use serde::{Deserialize, Serialize};

use crate::shapes::P;

/// Affine map `[x', y'] = [a x + b y + c, d x + e y + f]`, stored
/// `[a, b, c, d, e, f]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Affine(pub [f64; 6]);

impl Affine {
    /// The map that changes nothing.
    pub const IDENTITY: Self = Self([1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);

    /// Maps a point.
    pub fn apply(&self, p: P) -> P {
        let m = &self.0;
        [
            m[0] * p[0] + m[1] * p[1] + m[2],
            m[3] * p[0] + m[4] * p[1] + m[5],
        ]
    }

    /// First `self`, then `next`.
    #[must_use]
    pub fn then(&self, next: &Self) -> Self {
        let (a, b) = (&self.0, &next.0);
        Self([
            b[0] * a[0] + b[1] * a[3],
            b[0] * a[1] + b[1] * a[4],
            b[0] * a[2] + b[1] * a[5] + b[2],
            b[3] * a[0] + b[4] * a[3],
            b[3] * a[1] + b[4] * a[4],
            b[3] * a[2] + b[4] * a[5] + b[5],
        ])
    }

    /// The inverse; `None` for a map without one.
    pub fn inverse(&self) -> Option<Self> {
        let m = &self.0;
        let det = m[0] * m[4] - m[1] * m[3];
        if det == 0.0 || !det.is_finite() {
            return None;
        }
        let (a, b, d, e) = (m[4] / det, -m[1] / det, -m[3] / det, m[0] / det);
        Some(Self([
            a,
            b,
            -(a * m[2] + b * m[5]),
            d,
            e,
            -(d * m[2] + e * m[5]),
        ]))
    }
}

/// One wave of a warp field: q += amplitude * sin(k . q + phase).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Wave {
    /// Wave vector, radians per mm.
    pub k: P,
    /// Phase, radians.
    pub phase: f64,
    /// Amplitude by axis, mm.
    pub amplitude: P,
}

/// Smooth local deformation of a block.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Warp(pub Vec<Wave>);

impl Warp {
    /// Moves a design point.
    pub fn apply(&self, q: P) -> P {
        let mut p = q;
        for w in &self.0 {
            let s = libm::sin(w.k[0] * q[0] + w.k[1] * q[1] + w.phase);
            p[0] += w.amplitude[0] * s;
            p[1] += w.amplitude[1] * s;
        }
        p
    }
}

/// Motion of a block on one sheet.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Motion {
    /// Shift to the right, mm.
    pub dx: f64,
    /// Shift upwards, mm.
    pub dy: f64,
    /// Turn about the sheet centre, radians, counter-clockwise.
    pub theta: f64,
    /// Stretch along x (0.001 = 0.1 %).
    pub eps_x: f64,
    /// Stretch along y.
    pub eps_y: f64,
}

impl Motion {
    /// The map block mm -> print mm, without the warp.
    pub fn affine(&self) -> Affine {
        let (s, c) = libm::sincos(self.theta);
        let (x, y) = (1.0 + self.eps_x, 1.0 + self.eps_y);
        Affine([x * c, -x * s, self.dx, y * s, y * c, self.dy])
    }
}

/// The map print mm -> scan px: `dpi`, turn in degrees counter-clockwise as
/// seen, and where the sheet centre comes to lie, px.
pub fn scan_affine(dpi: f64, degrees: f64, centre: P) -> Affine {
    let (s, c) = libm::sincos(degrees.to_radians());
    let k = dpi / 25.4;
    // Counter-clockwise as seen with y up, then y flipped.
    Affine([k * c, -k * s, centre[0], -k * s, -k * c, centre[1]])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_undoes() {
        let m = Motion {
            dx: 1.0,
            dy: -2.0,
            theta: 0.3,
            eps_x: 0.01,
            eps_y: -0.02,
        }
        .affine()
        .then(&scan_affine(300.0, 2.0, [100.0, 50.0]));
        let p = m.then(&m.inverse().unwrap()).apply([3.0, 4.0]);
        assert!((p[0] - 3.0).abs() < 1e-9 && (p[1] - 4.0).abs() < 1e-9);
    }

    #[test]
    fn positive_turn_lifts_the_right_side() {
        let m = scan_affine(254.0, 1.0, [0.0, 0.0]);
        let p = m.apply([10.0, 0.0]);
        assert!((p[0] - 100.0 * libm::cos(1f64.to_radians())).abs() < 1e-9);
        // Up on the screen is a smaller y.
        assert!(p[1] < 0.0);
    }
}
