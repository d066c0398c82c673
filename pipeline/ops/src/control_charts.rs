//! Control charts with a memory: EWMA and tabular CUSUM.
//!
//! Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (CUSUM),
//! 6.3.2.4 (EWMA); Lucas and Saccucci,
//! "Exponentially weighted moving average control schemes", Technometrics 32,
//! 1990; Montgomery, "Introduction to statistical quality control" (tabular
//! CUSUM).

/// Exponentially weighted moving average with weight `lambda` of the newest
/// value, started at `target`.
pub fn ewma(values: &[f64], target: f64, lambda: f64) -> Vec<f64> {
    let mut last = target;
    values
        .iter()
        .map(|v| {
            last += lambda * (v - last);
            last
        })
        .collect()
}

/// Standard deviation of the average after `count` values (from 1), in standard
/// deviations of a value.
pub fn ewma_sigma(lambda: f64, count: usize) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let fade = libm::pow(1.0 - lambda, 2.0 * count as f64);
    (lambda / (2.0 - lambda) * (1.0 - fade)).sqrt()
}

/// One-sided sums of a tabular CUSUM chart after a value.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Cusum {
    /// Sum of what lies above target + k.
    pub high: f64,
    /// Sum of what lies below target - k.
    pub low: f64,
}

/// Tabular CUSUM with allowance `k`, both sums started at 0.
pub fn cusum(values: &[f64], target: f64, k: f64) -> Vec<Cusum> {
    let mut last = Cusum::default();
    values
        .iter()
        .map(|v| {
            last = Cusum {
                high: (last.high + v - target - k).max(0.0),
                low: (last.low + target - k - v).max(0.0),
            };
            last
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn constant_values_stay_on_target() {
        assert_eq!(ewma(&[2.0; 4], 2.0, 0.3), [2.0; 4]);
        assert_eq!(cusum(&[2.0; 3], 2.0, 0.1), [Cusum::default(); 3]);
    }

    #[test]
    fn the_average_settles_at_the_shift() {
        let e = ewma(&[1.0; 200], 0.0, 0.1);
        assert!((e[199] - 1.0).abs() < 1e-6);
        assert!((ewma_sigma(0.1, 1) - 0.1).abs() < 1e-12);
        assert!((ewma_sigma(0.1, 1000) - (0.1_f64 / 1.9).sqrt()).abs() < 1e-12);
    }

    #[test]
    fn sums_gather_on_their_own_side() {
        let c = cusum(&[1.0, 1.0, -5.0], 0.0, 0.5);
        assert_eq!((c[1].high, c[1].low), (1.0, 0.0));
        assert_eq!((c[2].high, c[2].low), (0.0, 4.5));
    }
}
