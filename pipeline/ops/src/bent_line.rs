//! A line with one bend: two straight stretches that meet, by least squares.
//!
//! Source: Hudson, "Fitting segmented curves whose join points have to be
//! estimated", Journal of the American Statistical Association 61, 1966. The bend
//! is looked for at the values' own places.

use nalgebra::{Matrix3, Vector3};

/// A line with a bend.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BentLine {
    /// Where it bends.
    pub knot: f64,
    /// Value at the bend.
    pub value: f64,
    /// Slopes before and after.
    pub slopes: [f64; 2],
    /// Sum of squares that is left.
    pub left: f64,
}

impl BentLine {
    /// Its value at a place.
    pub fn at(&self, x: f64) -> f64 {
        let d = x - self.knot;
        self.value + self.slopes[usize::from(d > 0.0)] * d
    }
}

/// The best bend with at least `shortest` places before it and after it. `at` runs
/// upwards. `None` where there are too few, or too few different ones.
#[allow(clippy::cast_precision_loss)]
pub fn bent_line(at: &[f64], values: &[f64], shortest: usize) -> Option<BentLine> {
    let (n, m) = (at.len().min(values.len()), shortest.max(2));
    if n < 2 * m {
        return None;
    }
    let (first, last) = (at[0], at[n - 1]);
    let (middle, scale) = (0.5 * (first + last), 0.5 * (last - first));
    if scale.is_nan() || scale <= 0.0 {
        return None;
    }
    let mean = values[..n].iter().sum::<f64>() / n as f64;
    let point = |i: usize| ((at[i] - middle) / scale, values[i] - mean);
    let mut all = Sums::default();
    for i in 0..n {
        all.add(point(i));
    }
    let mut after = Sums::default();
    let mut best: Option<(f64, usize, Vector3<f64>)> = None;
    for i in (0..n).rev() {
        let k = point(i).0;
        // With all values at places beyond the bend taken in, and none at it.
        if i + 1 < n && point(i + 1).0 > k && n - 1 - i >= m && i >= m {
            let beyond = after.beyond(k);
            let normal = Matrix3::new(
                all.one, all.x, beyond[0], all.x, all.xx, beyond[1], beyond[0], beyond[1],
                beyond[2],
            );
            let right = Vector3::new(all.y, all.xy, beyond[3]);
            if let Some(c) = normal.cholesky() {
                let c = c.solve(&right);
                let left = all.yy - c.dot(&right);
                if best.is_none_or(|b| left < b.0) {
                    best = Some((left, i, c));
                }
            }
        }
        after.add(point(i));
    }
    let (left, knot, c) = best?;
    Some(BentLine {
        knot: at[knot],
        value: mean + c[0] + c[1] * point(knot).0,
        slopes: [c[1] / scale, (c[1] + c[2]) / scale],
        left: left.max(0.0),
    })
}

/// Sums over some of the values.
#[derive(Default)]
struct Sums {
    one: f64,
    x: f64,
    xx: f64,
    y: f64,
    xy: f64,
    yy: f64,
}

impl Sums {
    fn add(&mut self, (x, y): (f64, f64)) {
        self.one += 1.0;
        self.x += x;
        self.xx += x * x;
        self.y += y;
        self.xy += x * y;
        self.yy += y * y;
    }

    /// Of what lies beyond a bend by h = x - k: the sums of h, x h, h h and h y.
    fn beyond(&self, k: f64) -> [f64; 4] {
        [
            self.x - k * self.one,
            self.xx - k * self.x,
            self.xx - 2.0 * k * self.x + k * k * self.one,
            self.xy - k * self.y,
        ]
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn two_stretches_that_meet_are_found_to_the_digit() {
        let at: Vec<f64> = (0..40).map(|i| 1900.0 + f64::from(i * i) * 0.1).collect();
        let knot = at[17];
        let y: Vec<f64> = at
            .iter()
            .map(|x| 3.0 - 0.2 * (x - knot) + if *x > knot { 0.5 * (x - knot) } else { 0.0 })
            .collect();
        let found = bent_line(&at, &y, 3).unwrap();
        assert!((found.knot - knot).abs() < 1e-9, "{found:?}");
        assert!((found.value - 3.0).abs() < 1e-9);
        assert!((found.slopes[0] + 0.2).abs() < 1e-9 && (found.slopes[1] - 0.3).abs() < 1e-9);
        for (x, y) in at.iter().zip(&y) {
            assert!((found.at(*x) - y).abs() < 1e-9);
        }
        assert!(found.left < 1e-8, "{}", found.left);
    }

    #[test]
    fn too_few_places_have_no_bend() {
        assert_eq!(bent_line(&[0.0, 1.0, 2.0], &[0.0; 3], 2), None);
        assert_eq!(bent_line(&[1.0; 9], &[0.0; 9], 2), None);
        assert_eq!(bent_line(&[], &[], 0), None);
    }

    proptest! {
        /// No bend at any of the places leaves less, each fitted by itself.
        #[test]
        fn no_other_bend_leaves_less(
            values in prop::collection::vec(-5.0..5.0_f64, 8..30),
            gaps in prop::collection::vec(0.1..3.0_f64, 30),
        ) {
            let n = values.len();
            let mut x = 0.0;
            let at: Vec<f64> = gaps[..n].iter().map(|g| { x += g; x }).collect();
            let found = bent_line(&at, &values, 2).unwrap();
            let left: f64 = at.iter().zip(&values).map(|(x, y)| (y - found.at(*x)).powi(2)).sum();
            prop_assert!((left - found.left).abs() < 1e-8 * (1.0 + left));
            for k in 2..n - 2 {
                let m = nalgebra::DMatrix::from_fn(n, 3, |r, c| match c {
                    0 => 1.0,
                    1 => at[r],
                    _ => (at[r] - at[k]).max(0.0),
                });
                let v = nalgebra::DVector::from_row_slice(&values);
                let c = m.clone().svd(true, true).solve(&v, 1e-12).unwrap();
                let here = (m * c - v).norm_squared();
                prop_assert!(found.left <= here + 1e-8 * (1.0 + here), "{} {}", found.left, here);
            }
        }
    }
}
