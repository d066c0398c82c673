//! Similarity or rigid motion between two sets of paired points, least squares.
//!
//! Source: Umeyama, "Least-squares estimation of transformation parameters
//! between two point patterns", IEEE PAMI 13(4):376-380, 1991 (a proper
//! rotation even where a mirrored one would fit better; scale; weights enter as
//! in any weighted mean). In the plane the singular value decomposition of its
//! equations (40)-(42) comes down to one angle: with centred points x, y the
//! trace of R' S is a cos(t) + b sin(t), a = sum w x.y, b = sum w x cross y,
//! largest at t = atan2(b, a), and the scale is |(a, b)| / sum w |x|^2.

use restrike_model::{Affine, Point};
use thiserror::Error;

/// A point and where it is found again.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PointPair {
    /// The point.
    pub from: Point,
    /// Its image, same unit.
    pub to: Point,
    /// How much it counts: 1 over the variance of `to`, up to a factor.
    pub weight: f64,
}

/// Whether the scale is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Rigid: the scale is 1.
    One,
    /// Similarity: the scale is free.
    Free,
}

/// Why no motion was fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum SimilarityError {
    /// A coordinate is not finite, or a weight is not finite or negative.
    #[error("coordinates have to be finite and weights finite and not negative")]
    NotFinite,
    /// Fewer than two points with weight.
    #[error("{0} points with weight are too few for a rotation (2 are needed)")]
    TooFew(usize),
    /// All points of one set lie in one place.
    #[error("the points lie in one place: no rotation can be told")]
    OnePlace,
    /// The second set is as good as the first one's mirror image: every
    /// rotation fits equally badly.
    #[error("every rotation fits equally badly: the sets are mirror images or unrelated")]
    NoRotation,
}

/// `y = scale R(angle) x + shift`, with standard errors.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Similarity {
    /// Rotation that takes +x towards +y, radians, -pi to pi.
    pub angle: f64,
    /// Scale; 1 in a rigid fit.
    pub scale: f64,
    /// Shift of the origin, the points' unit.
    pub shift: Point,
    /// Weighted mean of the squared residual distances (Umeyama's e^2), the unit squared.
    pub mean_square: f64,
    /// Weighted mean of the `from` points: there the shift and the rotation are independent.
    pub centre: Point,
    /// Standard errors; `None` when no more pairs than needed were given.
    pub errors: Option<SimilarityErrors>,
}

/// Standard errors from the residuals, taken as independent, equal along both axes and in
/// `to` alone; to first order in the residuals over the extent of the points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimilarityErrors {
    /// Standard deviation of one coordinate of a pair with weight 1, the points' unit.
    pub sigma: f64,
    /// Of the image of [`Similarity::centre`], along each axis.
    pub centre: f64,
    /// Of the angle, radians.
    pub angle: f64,
    /// Of the scale; 0 in a rigid fit.
    pub scale: f64,
}

impl Similarity {
    /// The image of a point.
    pub fn apply(&self, p: Point) -> Point {
        self.to_affine().apply(p)
    }

    /// The same as an affine map.
    pub fn to_affine(&self) -> Affine {
        Affine::rotation(self.angle)
            .then(&Affine::scale(self.scale, self.scale))
            .then(&Affine::translation(self.shift.x, self.shift.y))
    }
}

/// The motion with the least weighted sum of squared distances.
///
/// # Errors
/// When the input is not finite or does not determine a rotation.
pub fn fit_similarity(pairs: &[PointPair], scale: Scale) -> Result<Similarity, SimilarityError> {
    let sound = |p: &PointPair| {
        [p.from.x, p.from.y, p.to.x, p.to.y, p.weight]
            .iter()
            .all(|v| v.is_finite())
            && p.weight >= 0.0
    };
    if !pairs.iter().all(sound) {
        return Err(SimilarityError::NotFinite);
    }
    let used: Vec<&PointPair> = pairs.iter().filter(|p| p.weight > 0.0).collect();
    if used.len() < 2 {
        return Err(SimilarityError::TooFew(used.len()));
    }
    let total: f64 = used.iter().map(|p| p.weight).sum();
    let mean = |of: fn(&PointPair) -> Point| {
        used.iter()
            .fold(Point::default(), |s, p| s + of(p) * (p.weight / total))
    };
    let (centre, target) = (mean(|p| p.from), mean(|p| p.to));
    let (mut a, mut b, mut from, mut to, mut size) = (0.0, 0.0, 0.0, 0.0, 0.0_f64);
    for p in &used {
        let (x, y, w) = (p.from - centre, p.to - target, p.weight / total);
        a += w * x.dot(y);
        b += w * (x.x * y.y - x.y * y.x);
        from += w * x.dot(x);
        to += w * y.dot(y);
        size = size.max(p.from.norm()).max(p.to.norm());
    }
    if !(total.is_finite() && from.is_finite() && to.is_finite()) {
        return Err(SimilarityError::NotFinite);
    }
    // What rounding leaves of the spread of points in one place.
    let nothing = (size * 1e-14) * (size * 1e-14);
    if from <= nothing || to <= nothing {
        return Err(SimilarityError::OnePlace);
    }
    let length = (a * a + b * b).sqrt();
    if length <= 1e-12 * (from * to).sqrt() {
        return Err(SimilarityError::NoRotation);
    }
    let angle = libm::atan2(b, a);
    let factor = match scale {
        Scale::One => 1.0,
        Scale::Free => length / from,
    };
    let turned = Affine::rotation(angle).apply(centre) * factor;
    let mut found = Similarity {
        angle,
        scale: factor,
        shift: target - turned,
        mean_square: 0.0,
        centre,
        errors: None,
    };
    let map = found.to_affine();
    let squares: f64 = used
        .iter()
        .map(|p| {
            let e = p.to - map.apply(p.from);
            p.weight * e.dot(e)
        })
        .sum();
    found.mean_square = squares / total;
    let free = 2 * used.len() - if scale == Scale::Free { 4 } else { 3 };
    if free > 0 {
        #[allow(clippy::cast_precision_loss)]
        let sigma = (squares / free as f64).sqrt();
        let spread = sigma / (total * from).sqrt();
        found.errors = Some(SimilarityErrors {
            sigma,
            centre: sigma / total.sqrt(),
            angle: spread / factor,
            scale: if scale == Scale::Free { spread } else { 0.0 },
        });
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn pairs(points: &[(f64, f64)], map: impl Fn(Point) -> Point) -> Vec<PointPair> {
        points
            .iter()
            .map(|&(x, y)| PointPair {
                from: Point::new(x, y),
                to: map(Point::new(x, y)),
                weight: 1.0,
            })
            .collect()
    }

    #[test]
    fn what_gives_no_rotation_is_refused() {
        let one = pairs(&[(3.0, 4.0)], |p| p);
        assert_eq!(
            fit_similarity(&one, Scale::One),
            Err(SimilarityError::TooFew(1))
        );
        let same = pairs(&[(0.1, 0.7); 5], |p| p);
        assert_eq!(
            fit_similarity(&same, Scale::Free),
            Err(SimilarityError::OnePlace)
        );
        let square = [(1.0, 1.0), (-1.0, 1.0), (-1.0, -1.0), (1.0, -1.0)];
        let mirrored = pairs(&square, |p| Point::new(-p.x, p.y));
        assert_eq!(
            fit_similarity(&mirrored, Scale::Free),
            Err(SimilarityError::NoRotation)
        );
        let mut bad = pairs(&square, |p| p);
        bad[2].weight = -1.0;
        assert_eq!(
            fit_similarity(&bad, Scale::One),
            Err(SimilarityError::NotFinite)
        );
        bad[2].weight = 1.0;
        bad[1].to.y = f64::NAN;
        assert_eq!(
            fit_similarity(&bad, Scale::One),
            Err(SimilarityError::NotFinite)
        );
    }

    #[test]
    fn a_pair_of_weight_two_counts_as_two_and_one_of_none_not_at_all() {
        let points = [(0.0, 0.0), (10.0, 1.0), (3.0, 8.0), (-4.0, 2.0)];
        let mut heavy = pairs(&points, |p| Point::new(p.x + 0.1 * p.y, p.y - 0.3));
        let mut double = heavy.clone();
        double.push(heavy[1]);
        heavy[1].weight = 2.0;
        heavy.push(PointPair {
            from: Point::new(90.0, 0.0),
            to: Point::new(0.0, 70.0),
            weight: 0.0,
        });
        let a = fit_similarity(&heavy, Scale::Free).unwrap();
        let b = fit_similarity(&double, Scale::Free).unwrap();
        assert!((a.angle - b.angle).abs() < 1e-14 && (a.scale - b.scale).abs() < 1e-14);
        assert!(a.shift.distance(b.shift) < 1e-13);
        assert!((a.mean_square - b.mean_square).abs() < 1e-14);
    }

    proptest! {
        /// Any motion, from points as far from the origin as a sheet is wide.
        #[test]
        fn a_planted_motion_is_found(
            points in prop::collection::vec((-300.0..300.0_f64, -300.0..300.0_f64), 3..30),
            angle in -3.1..3.1_f64,
            scale in 0.2..4.0_f64,
            shift in (-500.0..500.0_f64, -500.0..500.0_f64),
            rigid in any::<bool>(),
        ) {
            let scale = if rigid { 1.0 } else { scale };
            let map = Affine::rotation(angle)
                .then(&Affine::scale(scale, scale))
                .then(&Affine::translation(shift.0, shift.1));
            let spread = points.iter().fold(0.0, |s: f64, p| s.max((p.0 - points[0].0).abs()));
            prop_assume!(spread > 1.0);
            let kind = if rigid { Scale::One } else { Scale::Free };
            let found = fit_similarity(&pairs(&points, |p| map.apply(p)), kind).unwrap();
            prop_assert!((found.angle - angle).abs() < 1e-10, "{found:?}");
            prop_assert!((found.scale - scale).abs() < 1e-10, "{found:?}");
            for &(x, y) in &points {
                let p = Point::new(x, y);
                prop_assert!(found.apply(p).distance(map.apply(p)) < 1e-9);
            }
        }

        /// The fit is a minimum: nothing near it leaves less.
        #[test]
        fn no_motion_near_by_leaves_less(
            ends in prop::collection::vec(
                ((-9.0..9.0_f64, -9.0..9.0_f64), (-9.0..9.0_f64, -9.0..9.0_f64), 0.1..3.0_f64),
                3..12,
            ),
            step in (-1e-3..1e-3_f64, -1e-3..1e-3_f64, -1e-3..1e-3_f64, -1e-3..1e-3_f64),
        ) {
            let pairs: Vec<PointPair> = ends
                .iter()
                .map(|&((a, b), (c, d), weight)| PointPair {
                    from: Point::new(a, b),
                    to: Point::new(c, d),
                    weight,
                })
                .collect();
            let left = |s: &Similarity| -> f64 {
                pairs.iter().map(|p| {
                    let e = p.to - s.apply(p.from);
                    p.weight * e.dot(e)
                }).sum()
            };
            for kind in [Scale::One, Scale::Free] {
                if let Ok(best) = fit_similarity(&pairs, kind) {
                    let mut near = best;
                    near.shift = near.shift + Point::new(step.0, step.1);
                    near.angle += step.2;
                    if kind == Scale::Free {
                        near.scale += step.3;
                    }
                    prop_assert!(left(&near) >= left(&best) - 1e-9);
                }
            }
        }
    }
}
