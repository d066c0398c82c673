//! Order statistics: median, quantiles, median absolute deviation.
//!
//! Sources: Hyndman and Fan, "Sample quantiles in statistical packages", The
//! American Statistician 50(4), 1996 (definition 7, the default of R and
//! NumPy); Hampel, "The influence curve and its role in robust estimation",
//! JASA 69, 1974 (median absolute deviation).

/// Factor from the median absolute deviation to the standard deviation of a
/// normal distribution: 1 / Phi^-1(3/4).
pub const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// Quantile `q` (0 to 1) by linear interpolation; values that are not finite
/// are left out. `None` when nothing is left.
pub fn quantile(values: &[f64], q: f64) -> Option<f64> {
    let mut kept: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    if kept.is_empty() {
        return None;
    }
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    let (at, place) = {
        let place = q.clamp(0.0, 1.0) * (kept.len() - 1) as f64;
        (place.floor() as usize, place)
    };
    let (_, low, above) = kept.select_nth_unstable_by(at, f64::total_cmp);
    let low = *low;
    let high = above.iter().copied().fold(f64::INFINITY, f64::min);
    #[allow(clippy::cast_precision_loss)]
    let part = place - at as f64;
    Some(if part > 0.0 && high.is_finite() {
        low + part * (high - low)
    } else {
        low
    })
}

/// Median of the finite values.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile(values, 0.5)
}

/// Robust standard deviation about the median: 1.4826 times the median
/// absolute deviation.
pub fn mad_sigma(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let deviations: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    Some(median(&deviations)? * MAD_TO_SIGMA)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn quantiles_are_those_of_numpy() {
        // numpy.quantile([15, 20, 35, 40, 50], [.05, .4, .5, .75]), NumPy 2.
        let v = [50.0, 15.0, 40.0, 20.0, 35.0];
        for (q, want) in [(0.05, 16.0), (0.4, 29.0), (0.5, 35.0), (0.75, 40.0)] {
            assert!((quantile(&v, q).unwrap() - want).abs() < 1e-12);
        }
    }

    #[test]
    fn spread_is_that_of_scipy() {
        // scipy.stats.median_abs_deviation([2, 3, 5, 7, 11, 13], scale='normal').
        let v = [2.0, 3.0, 5.0, 7.0, 11.0, 13.0];
        assert!((mad_sigma(&v).unwrap() - 5.189_107_764_769_607).abs() < 1e-12);
    }

    #[test]
    fn values_that_are_not_finite_do_not_count() {
        assert_eq!(median(&[f64::NAN, 1.0, f64::INFINITY, 3.0]), Some(2.0));
        assert_eq!(median(&[f64::NAN]), None);
    }
}
