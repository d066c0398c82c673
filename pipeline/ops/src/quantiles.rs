//! Quantiles of Student's t, chi-squared, F, beta and the normal distribution,
//! for intervals from few measurements.
//!
//! The distributions are those of `statrs`. Results are rounded to ten
//! significant digits, so that the last bits of a platform's maths library
//! decide nothing.

use statrs::distribution::{Beta, ChiSquared, ContinuousCDF, FisherSnedecor, Normal, StudentsT};

/// Degrees of freedom from which Student's t is taken as normal: they differ
/// by less than 1 part in 10^5 there.
const AS_NORMAL: f64 = 2e5;

/// The `p` quantile (0 < p < 1) of Student's t with `dof` degrees of freedom
/// (not necessarily whole; infinite: normal). `None` outside those ranges.
pub fn student_t(p: f64, dof: f64) -> Option<f64> {
    if dof.is_nan() || dof <= 0.0 {
        return None;
    }
    if dof > AS_NORMAL {
        return normal(p);
    }
    inside(p)?;
    // At the median the inverse of the incomplete beta function is singular.
    if p == 0.5 {
        return Some(0.0);
    }
    rounded(StudentsT::new(0.0, 1.0, dof).ok()?.inverse_cdf(p))
}

/// The `p` quantile (0 < p < 1) of the standard normal distribution.
pub fn normal(p: f64) -> Option<f64> {
    inside(p)?;
    rounded(Normal::new(0.0, 1.0).ok()?.inverse_cdf(p))
}

/// The `p` quantile (0 < p < 1) of chi-squared with `dof` degrees of freedom.
pub fn chi_squared(p: f64, dof: f64) -> Option<f64> {
    inside(p)?;
    rounded(ChiSquared::new(dof).ok()?.inverse_cdf(p))
}

/// The `p` quantile (0 < p < 1) of F with `dof` and `dof_below` degrees of freedom.
pub fn fisher_f(p: f64, dof: f64, dof_below: f64) -> Option<f64> {
    inside(p)?;
    rounded(FisherSnedecor::new(dof, dof_below).ok()?.inverse_cdf(p))
}

/// The `p` quantile (0 < p < 1) of the beta distribution with parameters `a` and `b`.
pub fn beta(p: f64, a: f64, b: f64) -> Option<f64> {
    inside(p)?;
    rounded(Beta::new(a, b).ok()?.inverse_cdf(p))
}

/// Interval of confidence `level` for a standard deviation estimated as `sd`
/// with `dof` degrees of freedom, from chi-squared: (low, high).
pub fn sd_interval(sd: f64, dof: f64, level: f64) -> Option<(f64, f64)> {
    let tail = (1.0 - level) / 2.0;
    let low = chi_squared(1.0 - tail, dof)?;
    let high = chi_squared(tail, dof)?;
    (high > 0.0).then(|| (sd * (dof / low).sqrt(), sd * (dof / high).sqrt()))
}

/// The standard normal distribution's share below `z`: not rounded, for models that
/// are evaluated pixel by pixel.
pub fn normal_below(z: f64) -> f64 {
    0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}

/// Upper tail of Student's t: the probability of `t` or more.
pub fn student_t_tail(t: f64, dof: f64) -> Option<f64> {
    if dof.is_nan() || dof <= 0.0 || t.is_nan() {
        return None;
    }
    if dof > AS_NORMAL {
        return Some(normal_below(-t));
    }
    let tail = StudentsT::new(0.0, 1.0, dof).ok()?.sf(t);
    if tail == 0.0 {
        Some(0.0)
    } else {
        rounded(tail)
    }
}

/// The standard normal value with `tail` above it: accurate where the tail is
/// so small that 1 - tail is 1.
pub fn normal_upper(tail: f64) -> Option<f64> {
    inside(tail)?;
    if tail > 1e-8 {
        return normal(1.0 - tail);
    }
    // Newton's method on the logarithm of the tail, from the leading term.
    let wanted = libm::log(tail);
    let mut z = (-2.0 * wanted).sqrt();
    for _ in 0..50 {
        let here = 0.5 * libm::erfc(z / std::f64::consts::SQRT_2);
        if here <= 0.0 {
            z *= 0.98;
            continue;
        }
        let density = 0.398_942_280_401_432_7 * libm::exp(-0.5 * z * z);
        let step = (libm::log(here) - wanted) * here / density;
        z += step;
        if step.abs() < 1e-12 * z {
            break;
        }
    }
    rounded(z)
}

fn inside(p: f64) -> Option<()> {
    (p > 0.0 && p < 1.0).then_some(())
}

fn rounded(v: f64) -> Option<f64> {
    if !v.is_finite() {
        return None;
    }
    if v == 0.0 {
        return Some(0.0);
    }
    let digits = 9.0 - libm::floor(libm::log10(v.abs()));
    let unit = libm::pow(10.0, digits);
    Some((v * unit).round() / unit)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2, "Critical
    /// Values of the Student's t Distribution" (rows entered from memory; the
    /// last figure of the first row is printed there as 318.313).
    #[test]
    fn student_t_is_that_of_the_handbook() {
        let p = [0.90, 0.95, 0.975, 0.99, 0.995, 0.999];
        let table: [(f64, [f64; 6]); 7] = [
            (1.0, [3.078, 6.314, 12.706, 31.821, 63.657, 318.309]),
            (2.0, [1.886, 2.920, 4.303, 6.965, 9.925, 22.327]),
            (3.0, [1.638, 2.353, 3.182, 4.541, 5.841, 10.215]),
            (5.0, [1.476, 2.015, 2.571, 3.365, 4.032, 5.893]),
            (10.0, [1.372, 1.812, 2.228, 2.764, 3.169, 4.144]),
            (30.0, [1.310, 1.697, 2.042, 2.457, 2.750, 3.385]),
            (f64::INFINITY, [1.282, 1.645, 1.960, 2.326, 2.576, 3.090]),
        ];
        for (dof, row) in table {
            for (p, want) in p.into_iter().zip(row) {
                let got = student_t(p, dof).unwrap();
                assert!((got - want).abs() < 6e-4, "{dof} {p}: {got} {want}");
                assert!((student_t(1.0 - p, dof).unwrap() + want).abs() < 6e-4);
            }
        }
    }

    /// The same handbook, 1.3.6.7.4 (chi-squared) and 1.3.6.7.3 (F, 5 %),
    /// from memory.
    #[test]
    fn chi_squared_and_f_are_those_of_the_handbook() {
        for (p, dof, want) in [
            (0.95, 5.0, 11.070),
            (0.975, 10.0, 20.483),
            (0.025, 10.0, 3.247),
            (0.05, 5.0, 1.145),
        ] {
            assert!((chi_squared(p, dof).unwrap() - want).abs() < 6e-4);
        }
        for (a, b, want) in [(5.0, 5.0, 5.050), (2.0, 10.0, 4.103), (1.0, 4.0, 7.709)] {
            assert!((fisher_f(0.95, a, b).unwrap() - want).abs() < 6e-4);
        }
    }

    #[test]
    fn few_degrees_of_freedom_need_not_be_whole() {
        let (a, b) = (student_t(0.975, 2.0), student_t(0.975, 3.0));
        let between = student_t(0.975, 2.5).unwrap();
        assert!(between < a.unwrap() && between > b.unwrap());
        // Where the normal takes over there is no step to see.
        let below = student_t(0.975, AS_NORMAL * 0.999).unwrap();
        assert!((below - normal(0.975).unwrap()).abs() < 3e-5);
    }

    #[test]
    fn tails_undo_quantiles() {
        for (p, dof) in [(0.975, 4.0), (0.999, 17.0), (0.6, 3e5)] {
            let t = student_t(p, dof).unwrap();
            assert!((student_t_tail(t, dof).unwrap() - (1.0 - p)).abs() < 1e-9);
        }
        // 0.5 erfc(-z / sqrt 2) by the erfc of the Python standard library (3.11).
        for (z, below) in [
            (-1.96, 0.024_997_895_148_220_435),
            (0.5, 0.691_462_461_274_013),
        ] {
            assert!((normal_below(z) - below).abs() < 1e-14, "{z}");
        }
        // scipy.stats.norm.isf([1e-3, 1e-12, 1e-100]).
        for (tail, z) in [
            (1e-3, 3.090_232_306_167_813),
            (1e-12, 7.034_483_825_301_45),
            (1e-100, 21.273_453_560_9),
        ] {
            assert!((normal_upper(tail).unwrap() - z).abs() < 1e-6, "{tail}");
        }
    }

    #[test]
    fn what_makes_no_sense_is_refused() {
        assert_eq!(student_t(0.0, 3.0), None);
        assert_eq!(student_t(0.5, 0.0), None);
        assert_eq!(student_t(f64::NAN, 3.0), None);
        assert_eq!(chi_squared(0.5, -1.0), None);
        assert_eq!(student_t(0.5, 3.0), Some(0.0));
    }

    #[test]
    fn an_interval_for_a_spread_holds_the_spread() {
        // s * sqrt(9 / 19.023), s * sqrt(9 / 2.700): the handbook's table at 9.
        let (low, high) = sd_interval(1.0, 9.0, 0.95).unwrap();
        assert!((low - 0.688).abs() < 1e-3 && (high - 1.826).abs() < 1e-3);
    }
}
