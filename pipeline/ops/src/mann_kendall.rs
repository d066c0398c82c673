//! Mann-Kendall test for a monotonic trend, with ties and with the variance
//! of correlated neighbours.
//!
//! Sources: Mann, "Nonparametric tests against trend", Econometrica 13, 1945;
//! Kendall, "Rank correlation methods", 4th ed., Griffin 1970 (ties, exact
//! distribution for few points); Hamed and Rao, "A modified Mann-Kendall trend
//! test for autocorrelated data", Journal of Hydrology 204, 1998 (variance with
//! autocorrelation). Kendall's statistic is counted in O(n log n) after Knight
//! 1966.

use crate::inversions;

/// Up to this many points the exact distribution is used, where nothing is
/// tied and neighbours are taken as independent.
const EXACT: usize = 40;

/// The test's result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Kendall's S: rising pairs less falling pairs.
    pub s: f64,
    /// Variance of S under no trend, for independent neighbours, ties reckoned in.
    pub variance: f64,
    /// Standard score with continuity correction, from the inflated variance.
    pub z: f64,
    /// Two-sided probability of as large an S without a trend.
    pub p: f64,
}

/// The test of `y` against `x`. `inflation` multiplies the variance, see
/// [`inflation`] (1: independent neighbours). Points with a value that is not
/// finite are left out. `None` with fewer than three points.
#[allow(clippy::cast_precision_loss)]
pub fn mann_kendall(x: &[f64], y: &[f64], inflation: f64) -> Option<MannKendall> {
    let mut points: Vec<(f64, f64)> = x
        .iter()
        .copied()
        .zip(y.iter().copied())
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .collect();
    let n = points.len();
    if n < 3 {
        return None;
    }
    points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let x_ties = Ties::of(points.chunk_by(|a, b| a.0 == b.0).map(<[_]>::len));
    let both = Ties::of(points.chunk_by(|a, b| a == b).map(<[_]>::len));
    let mut keys: Vec<f64> = points.iter().map(|p| p.1).collect();
    let falling = inversions::count(&mut keys, &mut Vec::new()) as f64;
    let y_ties = Ties::of(keys.chunk_by(|a, b| a == b).map(<[_]>::len));

    let m = n as f64;
    let all = m * (m - 1.0) / 2.0;
    let rising = all - x_ties.pairs - y_ties.pairs + both.pairs - falling;
    let s = rising - falling;
    let variance = (m * (m - 1.0) * (2.0 * m + 5.0) - x_ties.fives - y_ties.fives) / 18.0
        + 2.0 * x_ties.pairs * y_ties.pairs / (m * (m - 1.0))
        + x_ties.triples * y_ties.triples / (9.0 * m * (m - 1.0) * (m - 2.0));
    let sd = (variance * inflation.max(0.0)).sqrt();
    let z = if s == 0.0 || sd <= 0.0 {
        0.0
    } else {
        (s.abs() - 1.0).max(0.0).copysign(s) / sd
    };
    let untied = x_ties.pairs + y_ties.pairs == 0.0;
    let p = if untied && inflation == 1.0 && n <= EXACT {
        exact(n, s.abs())
    } else {
        libm::erfc(z.abs() / std::f64::consts::SQRT_2)
    };
    Some(MannKendall { s, variance, z, p })
}

/// Sums over groups of equal values of t(t-1)/2, t(t-1)(t-2) and t(t-1)(2t+5).
struct Ties {
    pairs: f64,
    triples: f64,
    fives: f64,
}

impl Ties {
    #[allow(clippy::cast_precision_loss)]
    fn of(lengths: impl Iterator<Item = usize>) -> Self {
        let mut sums = Self {
            pairs: 0.0,
            triples: 0.0,
            fives: 0.0,
        };
        for t in lengths {
            let t = t as f64;
            sums.pairs += t * (t - 1.0) / 2.0;
            sums.triples += t * (t - 1.0) * (t - 2.0);
            sums.fives += t * (t - 1.0) * (2.0 * t + 5.0);
        }
        sums
    }
}

/// Two-sided probability of |S| or more among all orders of n values: the
/// number of inversions of a random order, term by term.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn exact(n: usize, s: f64) -> f64 {
    let most = n * (n - 1) / 2;
    let mut share = vec![0.0; most + 1];
    share[0] = 1.0;
    let mut reach = 0;
    for k in 2..=n {
        // The k-th value adds 0 to k-1 inversions, each as likely.
        let mut next = vec![0.0; most + 1];
        let mut sum = 0.0;
        for (i, slot) in next.iter_mut().enumerate().take(reach + k) {
            sum += share[i];
            if i >= k {
                sum -= share[i - k];
            }
            *slot = sum / k as f64;
        }
        reach += k - 1;
        share = next;
    }
    let few = ((most as f64 - s) / 2.0) as usize;
    (2.0 * share[..=few.min(most)].iter().sum::<f64>()).min(1.0)
}

/// Factor by which autocorrelation (of the ranks; lags 1, 2, ... in `acf`)
/// enlarges the variance of S of `n` values: Hamed and Rao's equation 14. May
/// be below 1, even below 0 for a short sum of negative terms.
#[allow(clippy::cast_precision_loss)]
pub fn inflation(n: usize, acf: &[f64]) -> f64 {
    if n < 3 {
        return 1.0;
    }
    let m = n as f64;
    let sum: f64 = acf
        .iter()
        .take(n - 1)
        .zip(1_u32..)
        .map(|(r, lag)| {
            let k = m - f64::from(lag);
            k * (k - 1.0) * (k - 2.0) * r
        })
        .sum();
    1.0 + 2.0 * sum / (m * (m - 1.0) * (m - 2.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn s_is_the_sum_over_all_pairs(
            points in prop::collection::vec((0..9_u8, 0..9_u8), 3..80),
        ) {
            let x: Vec<f64> = points.iter().map(|p| f64::from(p.0)).collect();
            let y: Vec<f64> = points.iter().map(|p| f64::from(p.1)).collect();
            let mut s = 0.0;
            for j in 0..x.len() {
                for i in 0..j {
                    let d = (x[j] - x[i]) * (y[j] - y[i]);
                    s += if d == 0.0 { 0.0 } else { d.signum() };
                }
            }
            prop_assert_eq!(mann_kendall(&x, &y, 1.0).unwrap().s, s);
        }
    }

    /// Kendall, "Rank correlation methods": of the 24 orders of four values
    /// one has S = 6, of the 120 of five values one has S = 10 and four S = 8
    /// (counted by hand).
    #[test]
    fn few_values_have_their_exact_distribution() {
        assert!((exact(4, 6.0) - 2.0 / 24.0).abs() < 1e-15);
        assert!((exact(5, 10.0) - 2.0 / 120.0).abs() < 1e-15);
        assert!((exact(5, 8.0) - 10.0 / 120.0).abs() < 1e-15);
        assert_eq!(exact(5, 0.0), 1.0);
    }

    #[test]
    fn constant_values_show_no_trend() {
        let x = [1.0, 2.0, 3.0, 4.0];
        let r = mann_kendall(&x, &[5.0; 4], 1.0).unwrap();
        assert_eq!((r.s, r.z, r.p), (0.0, 0.0, 1.0));
        assert_eq!(mann_kendall(&x[..2], &[1.0, 2.0], 1.0), None);
    }

    #[test]
    fn correlation_enlarges_the_variance() {
        assert_eq!(inflation(50, &[]), 1.0);
        // A first-order process of 0.5 without end: (1 + 0.5) / (1 - 0.5) for many values.
        let acf: Vec<f64> = (1..60).map(|k| libm::pow(0.5, f64::from(k))).collect();
        assert!((inflation(100_000, &acf) - 3.0).abs() < 1e-3);
    }
}
