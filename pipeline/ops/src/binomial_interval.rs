//! Interval for a share: so many good ones of so many looked at.
//!
//! Sources: Brown, Cai and DasGupta, "Interval estimation for a binomial
//! proportion", Statistical Science 16(2), 2001 (Jeffreys' interval: equal tails
//! of the posterior under Beta(1/2, 1/2), its lower end 0 when none is good and
//! its upper end 1 when all are); Clopper and Pearson, "The use of confidence or
//! fiducial limits illustrated in the case of the binomial", Biometrika 26, 1934
//! (the exact interval: never covers less than it says, mostly more).

use crate::quantiles::beta;

/// Ends of an interval for a share, 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareInterval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

const NOTHING_KNOWN: ShareInterval = ShareInterval {
    low: 0.0,
    high: 1.0,
};

/// Jeffreys' interval of confidence `level` (0 to 1). `None` when more are good
/// than there are or the level makes no sense.
pub fn jeffreys(good: u64, of: u64, level: f64) -> Option<ShareInterval> {
    let tail = tail(good, of, level)?;
    if of == 0 {
        return Some(NOTHING_KNOWN);
    }
    let (a, b) = (count(good) + 0.5, count(of - good) + 0.5);
    Some(ShareInterval {
        low: if good == 0 { 0.0 } else { beta(tail, a, b)? },
        high: if good == of {
            1.0
        } else {
            beta(1.0 - tail, a, b)?
        },
    })
}

/// Clopper and Pearson's exact interval of confidence `level`. `None` as in [`jeffreys`].
pub fn exact(good: u64, of: u64, level: f64) -> Option<ShareInterval> {
    let tail = tail(good, of, level)?;
    Some(ShareInterval {
        low: exact_low(good, of, tail)?,
        high: 1.0 - exact_low(of - good, of, tail)?,
    })
}

/// The share below which `good` or more of `of` would come up with a
/// probability of at most `tail`: the lower end of a one-sided exact interval.
fn exact_low(good: u64, of: u64, tail: f64) -> Option<f64> {
    if good == 0 {
        return Some(0.0);
    }
    beta(tail, count(good), count(of - good) + 1.0)
}

fn tail(good: u64, of: u64, level: f64) -> Option<f64> {
    (good <= of && level > 0.0 && level < 1.0).then_some((1.0 - level) / 2.0)
}

#[allow(clippy::cast_precision_loss)]
fn count(n: u64) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn all_good_or_none_reach_the_end() {
        for f in [jeffreys, exact] {
            assert_eq!(f(0, 12, 0.95).unwrap().low, 0.0);
            assert_eq!(f(12, 12, 0.95).unwrap().high, 1.0);
            assert_eq!(f(0, 0, 0.95), Some(NOTHING_KNOWN));
            assert_eq!(f(3, 2, 0.95), None);
            assert_eq!(f(1, 2, 1.0), None);
        }
    }

    #[test]
    fn good_and_bad_are_mirror_images() {
        for f in [jeffreys, exact] {
            let (a, b) = (f(3, 20, 0.9).unwrap(), f(17, 20, 0.9).unwrap());
            assert!((a.low - (1.0 - b.high)).abs() < 1e-9);
            assert!((a.high - (1.0 - b.low)).abs() < 1e-9);
        }
    }
}
