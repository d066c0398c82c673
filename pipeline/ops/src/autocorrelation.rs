//! Correlation of neighbours in a series, and the short autoregressive model
//! that carries it on to long lags.
//!
//! Sources: Box, Jenkins and Reinsel, "Time series analysis", 3rd ed. 1994
//! (autocorrelation function, Durbin-Levinson recursion); Marriott and Pope,
//! "Bias in the estimation of autocorrelations", and Kendall, "Note on bias in
//! the estimation of autocorrelation", both Biometrika 41, 1954 (the estimate
//! lies low by about (1 + 3 rho) / n, by (2 + 4 rho) / n about a fitted line);
//! Akaike, "A new look at the statistical model identification", IEEE
//! Transactions on Automatic Control 19, 1974 (order by AIC). From differences: Chakar, Lebarbier, Levy-Leduc and
//! Robin, "A robust approach for estimating change-points in the mean of an
//! AR(1) process", Bernoulli 23, 2017.

use crate::stats::{mad_sigma, median};

/// Autocorrelation at lags 1 to `most`, with the divisor n of lag 0. Empty for
/// a constant series.
#[allow(clippy::cast_precision_loss)]
pub fn autocorrelation(values: &[f64], most: usize) -> Vec<f64> {
    let n = values.len();
    let mean = values.iter().sum::<f64>() / n.max(1) as f64;
    let power: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    if power <= 0.0 {
        return Vec::new();
    }
    (1..=most.min(n.saturating_sub(1)))
        .map(|k| {
            let sum: f64 = values[k..]
                .iter()
                .zip(values)
                .map(|(a, b)| (a - mean) * (b - mean))
                .sum();
            sum / power
        })
        .collect()
}

/// Ranks from 1, equal values sharing their mean rank.
#[allow(clippy::cast_precision_loss)]
pub fn ranks(values: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_unstable_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut done = 0;
    for tied in order.chunk_by(|a, b| values[*a] == values[*b]) {
        let rank = done as f64 + 0.5 * (tied.len() as f64 + 1.0);
        tied.iter().for_each(|i| ranks[*i] = rank);
        done += tied.len();
    }
    ranks
}

/// Takes off the downward bias of an autocorrelation at any short lag after a
/// fit of `terms` terms (1: a mean, 2: a line), and keeps it within 0.9.
#[allow(clippy::cast_precision_loss)]
pub fn unbiased(r: f64, n: usize, terms: u32) -> f64 {
    let (n, terms) = (n as f64, f64::from(terms));
    let slope = terms + 2.0;
    if n <= 2.0 * slope {
        return r;
    }
    ((n * r + terms) / (n - slope)).clamp(-0.9, 0.9)
}

/// Coefficients of the autoregressive model of order 0 to `acf.len()` with the
/// least AIC for a series of `n` values with that autocorrelation.
#[allow(clippy::cast_precision_loss)]
pub fn autoregression(acf: &[f64], n: usize) -> Vec<f64> {
    let m = n as f64;
    let mut best = (0.0, Vec::new());
    let mut phi: Vec<f64> = Vec::new();
    let mut left = 1.0_f64;
    for (k, r) in acf.iter().enumerate() {
        let known: f64 = phi
            .iter()
            .zip(acf[..k].iter().rev())
            .map(|(p, a)| p * a)
            .sum();
        let partial = ((r - known) / left).clamp(-0.97, 0.97);
        let mut next: Vec<f64> = phi
            .iter()
            .zip(phi.iter().rev())
            .map(|(a, b)| a - partial * b)
            .collect();
        next.push(partial);
        phi = next;
        left *= 1.0 - partial * partial;
        let aic = m * libm::log(left) + 2.0 * (k + 1) as f64;
        if aic < best.0 {
            best = (aic, phi.clone());
        }
    }
    best.1
}

/// Autocorrelation of an autoregressive model at lags 1, 2, ..., as far as it
/// matters or to lag `most`. `acf` holds the first lags, one for each coefficient.
pub fn carried_on(phi: &[f64], acf: &[f64], most: usize) -> Vec<f64> {
    let p = phi.len();
    let mut all: Vec<f64> = acf[..p.min(acf.len())].to_vec();
    if p == 0 || all.len() < p {
        return Vec::new();
    }
    while all.len() < most {
        let end = all.len();
        let next: f64 = phi
            .iter()
            .zip(all[end - p..].iter().rev())
            .map(|(f, a)| f * a)
            .sum();
        all.push(next);
        if all[all.len() - p..].iter().all(|a| a.abs() < 1e-6) {
            break;
        }
    }
    all.truncate(most);
    all
}

/// Scatter of a series about a mean that may jump or creep, and the
/// correlation of its neighbours.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Standard deviation.
    pub sigma: f64,
    /// Correlation of neighbours, 0 to 0.9.
    pub rho: f64,
    /// Standard deviation of that correlation for independent values.
    pub rho_se: f64,
}

impl Noise {
    /// The same with neighbours taken as independent unless their correlation
    /// is clear of chance (one-sided 5 %).
    #[must_use]
    pub fn clear_of_chance(self) -> Self {
        if self.rho > 1.645 * self.rho_se {
            return self;
        }
        Self {
            sigma: self.sigma * (1.0 - self.rho).sqrt(),
            rho: 0.0,
            ..self
        }
    }

    /// Factor by which correlation enlarges the variance of a mean of many values.
    pub fn factor(self) -> f64 {
        (1.0 + self.rho) / (1.0 - self.rho)
    }
}

/// Noise from differences of neighbours and of next neighbours, which a few
/// jumps or a slow trend hardly touch: for a first-order process their
/// variances are 2 sigma^2 (1 - rho) and 2 sigma^2 (1 - rho^2). Differences
/// across a value that begins a new level (`breaks`, ascending) are left out. A
/// negative correlation counts as none. `None` with fewer than 8 values or for a
/// constant series.
#[allow(clippy::cast_precision_loss)]
pub fn noise_from_differences(values: &[f64], breaks: &[usize]) -> Option<Noise> {
    let n = values.len();
    if n < 8 {
        return None;
    }
    let differences = |k: usize| -> Vec<f64> {
        let mut next = breaks.iter().copied().peekable();
        (k..n)
            .filter(|i| {
                // The first break beyond the earlier of the two values.
                while next.next_if(|b| *b + k <= *i).is_some() {}
                next.peek().is_none_or(|b| b > i)
            })
            .map(|i| values[i] - values[i - k])
            .collect()
    };
    let one = clipped_sd(&differences(1))?;
    let two = clipped_sd(&differences(2))?;
    if one <= 0.0 {
        return None;
    }
    let ratio = (two / one) * (two / one);
    let rho = (ratio - 1.0).clamp(0.0, 0.9);
    Some(Noise {
        sigma: one / (2.0 * (1.0 - rho)).sqrt(),
        rho,
        // Of the ratio for white noise.
        rho_se: 1.0 / (n as f64).sqrt(),
    })
}

/// Share of the variance of a normal distribution that is left when values are
/// clipped at three standard deviations.
const CLIPPED: f64 = 0.995_01;

/// Standard deviation about the median with values beyond three robust
/// standard deviations drawn in to them; the plain one where most values are equal.
#[allow(clippy::cast_precision_loss)]
pub fn clipped_sd(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let reach = match mad_sigma(values)? {
        s if s > 0.0 => 3.0 * s,
        _ => f64::INFINITY,
    };
    let n = values.len() as f64;
    let drawn = || values.iter().map(|v| (v - centre).clamp(-reach, reach));
    let mean = drawn().sum::<f64>() / n;
    let variance = drawn().map(|d| (d - mean) * (d - mean)).sum::<f64>() / n;
    let share = if reach.is_finite() { CLIPPED } else { 1.0 };
    Some((variance / share).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sequence of normal-like numbers that is the same everywhere.
    fn white(n: usize, seed: u64) -> Vec<f64> {
        let mut s = seed;
        (0..n)
            .map(|_| {
                (0..12)
                    .map(|_| {
                        s = s.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                        (s >> 11) as f64 / (1_u64 << 53) as f64
                    })
                    .sum::<f64>()
                    - 6.0
            })
            .collect()
    }

    fn first_order(n: usize, rho: f64, seed: u64) -> Vec<f64> {
        let mut last = 0.0;
        white(n, seed)
            .into_iter()
            .map(|e| {
                last = rho * last + e * (1.0 - rho * rho).sqrt();
                last
            })
            .collect()
    }

    #[test]
    fn order_and_course_of_a_first_order_process_are_found() {
        let v = first_order(4000, 0.5, 3);
        let acf = autocorrelation(&v, 3);
        let phi = autoregression(&acf, v.len());
        assert_eq!(phi.len(), 1);
        assert!((phi[0] - 0.5).abs() < 0.05);
        let course = carried_on(&phi, &acf, 100);
        assert!((course[4] - libm::pow(phi[0], 5.0)).abs() < 1e-12);
        assert!(autoregression(&autocorrelation(&white(4000, 5), 3), 4000).is_empty());
    }

    #[test]
    fn jumps_do_not_pass_for_correlation() {
        for rho in [0.0, 0.4] {
            let mut v = first_order(3000, rho, 11);
            v[1000..].iter_mut().for_each(|v| *v += 5.0);
            v[2000..].iter_mut().for_each(|v| *v -= 9.0);
            let noise = noise_from_differences(&v, &[]).unwrap();
            assert!((noise.rho - rho).abs() < 0.07, "{noise:?}");
            assert!((noise.sigma - 1.0).abs() < 0.06, "{noise:?}");
        }
    }

    #[test]
    fn differences_across_a_break_do_not_count() {
        let mut v = first_order(40, 0.0, 7);
        let plain = noise_from_differences(&v, &[20]).unwrap();
        v[20..].iter_mut().for_each(|v| *v += 100.0);
        let broken = noise_from_differences(&v, &[20]).unwrap();
        assert!((plain.sigma - broken.sigma).abs() < 1e-9);
        assert!((plain.rho - broken.rho).abs() < 1e-9);
    }

    #[test]
    fn ranks_share_ties() {
        assert_eq!(ranks(&[3.0, 1.0, 3.0, 2.0]), [3.5, 1.0, 3.5, 2.0]);
    }

    #[test]
    fn a_constant_series_has_no_correlation() {
        assert!(autocorrelation(&[2.0; 9], 3).is_empty());
        assert_eq!(noise_from_differences(&[2.0; 9], &[]), None);
        assert!(carried_on(&[], &[], 5).is_empty());
    }
}
