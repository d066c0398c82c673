//! The small rigid motion that makes the largest displacement left over
//! anywhere as small as can be.
//!
//! Displacements e_j at points p_j are to be met by (dx - theta y, dy + theta
//! x) so that max_j w_j |e_j - motion(p_j)| is least. That is a linear
//! Chebyshev approximation with values in the plane; it is solved by repeated
//! least squares whose weights grow where the residual is large (Lawson,
//! thesis, UCLA 1961; for values in the plane: Ellacott and Williams, "Linear
//! Chebyshev approximation in the complex plane using Lawson's algorithm",
//! Math. Comp. 30, 1976). With weights that sum to one, the weighted root mean
//! square is a lower bound of the largest residual, so that the result comes
//! with a proof of how good it is.

use nalgebra::{Matrix3, Vector3};
use restrike_model::Point;

use crate::mark_contacts::RigidMotion;

/// Steps at most.
const STEPS: usize = 4000;
/// Distance to the optimum at which the search ends, relative.
const CLOSE: f64 = 1e-6;

/// A displacement at a point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Displaced {
    /// Where, mm.
    pub at: Point,
    /// The displacement, mm.
    pub by: Point,
    /// How much it counts, over 0.
    pub weight: f64,
}

/// The best motion and what it leaves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Minimax {
    /// The motion.
    pub motion: RigidMotion,
    /// Largest weighted residual it leaves, mm.
    pub largest: f64,
    /// No motion leaves less than this, mm.
    pub bound: f64,
}

/// The motion that leaves the smallest largest residual; `None` for fewer than
/// two different points or values that are not finite.
pub fn minimax_rigid(points: &[Displaced]) -> Option<Minimax> {
    let fine = |p: &Displaced| {
        [p.at.x, p.at.y, p.by.x, p.by.y]
            .iter()
            .all(|v| v.is_finite())
            && p.weight > 0.0
            && p.weight.is_finite()
    };
    if !points.iter().all(fine) {
        return None;
    }
    #[allow(clippy::cast_precision_loss)]
    let mut lawson = vec![1.0 / points.len() as f64; points.len()];
    let mut best: Option<Minimax> = None;
    for _ in 0..STEPS {
        let motion = weighted_rigid(points, &lawson)?;
        let residual: Vec<f64> = points
            .iter()
            .map(|p| p.weight * (p.by - motion.at(p.at)).norm())
            .collect();
        let largest = residual.iter().copied().fold(0.0, f64::max);
        let square: f64 = residual.iter().zip(&lawson).map(|(r, l)| l * r * r).sum();
        let bound = square.sqrt();
        let kept = best.map_or(f64::INFINITY, |b| b.largest);
        let bound = best.map_or(bound, |b| bound.max(b.bound));
        let motion = match best {
            Some(b) if b.largest <= largest => b.motion,
            _ => motion,
        };
        let found = Minimax {
            motion,
            largest: largest.min(kept),
            bound,
        };
        best = Some(found);
        if found.largest - found.bound <= CLOSE * found.largest + 1e-12 {
            break;
        }
        let sum: f64 = residual.iter().zip(&lawson).map(|(r, l)| l * r).sum();
        for (l, r) in lawson.iter_mut().zip(&residual) {
            // A weight that fell to nothing would never come back.
            *l = (*l * r / sum).max(1e-12);
        }
        let total: f64 = lawson.iter().sum();
        for l in &mut lawson {
            *l /= total;
        }
    }
    best
}

/// The motion that leaves the smallest weighted sum of squares; `None` for
/// fewer than two different points.
pub fn least_squares_rigid(points: &[Displaced]) -> Option<RigidMotion> {
    weighted_rigid(points, &vec![1.0; points.len()])
}

/// Least squares with the given weights (times the points' own, squared).
fn weighted_rigid(points: &[Displaced], weights: &[f64]) -> Option<RigidMotion> {
    // About the middle of the points the system is well conditioned.
    #[allow(clippy::cast_precision_loss)]
    let middle =
        points.iter().fold(Point::default(), |s, p| s + p.at) * (1.0 / points.len() as f64);
    let mut a = Matrix3::zeros();
    let mut b = Vector3::zeros();
    let mut reach: f64 = 0.0;
    for (p, l) in points.iter().zip(weights) {
        let w = l * p.weight * p.weight;
        let q = p.at - middle;
        reach = reach.max(q.norm());
        let (gx, gy) = (Vector3::new(1.0, 0.0, -q.y), Vector3::new(0.0, 1.0, q.x));
        a += (gx * gx.transpose() + gy * gy.transpose()) * w;
        b += (gx * p.by.x + gy * p.by.y) * w;
    }
    if reach <= 1e-9 {
        return None;
    }
    let v = a.cholesky()?.solve(&b);
    Some(RigidMotion {
        dx: v[0] + v[2] * middle.y,
        dy: v[1] - v[2] * middle.x,
        theta: v[2],
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn displaced(points: &[Point], e: impl Fn(Point) -> Point) -> Vec<Displaced> {
        points
            .iter()
            .map(|p| Displaced {
                at: *p,
                by: e(*p),
                weight: 1.0,
            })
            .collect()
    }

    fn corners(x: f64, y: f64, w: f64, h: f64) -> [Point; 4] {
        [(-w, -h), (w, -h), (w, h), (-w, h)].map(|(a, b)| Point::new(x + a / 2.0, y + b / 2.0))
    }

    #[test]
    fn a_rigid_motion_is_met_to_the_last_digit() {
        let m = RigidMotion {
            dx: 0.3,
            dy: -0.2,
            theta: 0.001,
        };
        let found =
            minimax_rigid(&displaced(&corners(40.0, -7.0, 200.0, 90.0), |p| m.at(p))).unwrap();
        assert!((found.motion.dx - m.dx).abs() < 1e-12);
        assert!((found.motion.theta - m.theta).abs() < 1e-15);
        assert!(found.largest < 1e-12);
    }

    /// Stretch about a rectangle's centre: by symmetry nothing but the shift at
    /// the centre can be taken away, and half a diagonal's stretch stays.
    #[test]
    fn a_stretched_rectangle_keeps_its_corners_share() {
        let (sx, sy, x, y) = (0.002, 0.0005, 30.0, 10.0);
        let found = minimax_rigid(&displaced(&corners(x, y, 360.0, 240.0), |p| {
            Point::new(sx * p.x, sy * p.y)
        }))
        .unwrap();
        let left = Point::new(sx * 180.0, sy * 120.0).norm();
        assert!((found.largest - left).abs() < 1e-6, "{found:?}");
        assert!((found.motion.dx - sx * x).abs() < 1e-6 && (found.motion.dy - sy * y).abs() < 1e-6);
        assert!(found.motion.theta.abs() < 1e-9);
    }

    /// Two halves shifted apart: nothing helps but the middle, and each half
    /// keeps half the difference. A turn would help one end and harm the other.
    #[test]
    fn two_halves_share_what_cannot_be_mended() {
        let mut points = displaced(&corners(-100.0, 0.0, 180.0, 240.0), |_| {
            Point::new(-0.1, 0.0)
        });
        points.extend(displaced(&corners(100.0, 0.0, 180.0, 240.0), |_| {
            Point::new(0.3, 0.0)
        }));
        let found = minimax_rigid(&points).unwrap();
        assert!((found.motion.dx - 0.1).abs() < 1e-5, "{found:?}");
        assert!((found.largest - 0.2).abs() < 1e-5);
        assert!(found.largest - found.bound <= 1e-5 * found.largest);
    }

    #[test]
    fn one_point_or_nonsense_is_refused() {
        assert!(minimax_rigid(&[]).is_none());
        assert!(minimax_rigid(&displaced(&[Point::default()], |p| p)).is_none());
        assert!(
            minimax_rigid(&displaced(&corners(0.0, 0.0, 1.0, 1.0), |_| Point::new(
                f64::NAN,
                0.0
            )))
            .is_none()
        );
    }
}
