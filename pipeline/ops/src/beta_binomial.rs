//! How many good ones will come of so many more trials, and how many trials it
//! takes for a wanted number of good ones.
//!
//! With a known share the count is binomial. With a share known from a pilot
//! the posterior is a beta distribution and the count beta-binomial: Skellam,
//! "A probability distribution derived from the binomial distribution by
//! regarding the probability of success as variable between the sets of trials",
//! Journal of the Royal Statistical Society B 10, 1948; Jeffreys' prior is
//! Beta(1/2, 1/2). The tail is a sum over neighbouring terms' ratios, from the
//! mean outwards, so that neither factorials nor their logarithms are needed.

/// What the next trials rest on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Chance {
    /// Every trial is good with this probability (0 to 1).
    Known(f64),
    /// The probability follows Beta(alpha, beta), both above 0.
    Beta {
        /// Good ones so far and the prior's.
        alpha: f64,
        /// Others so far and the prior's.
        beta: f64,
    },
}

impl Chance {
    /// After a pilot, from Jeffreys' prior; parts of one are those counted by
    /// their chances.
    pub fn after_pilot(good: f64, bad: f64) -> Self {
        Self::Beta {
            alpha: good + 0.5,
            beta: bad + 0.5,
        }
    }

    /// Expected share of good ones.
    pub fn mean(&self) -> f64 {
        match self {
            Self::Known(p) => *p,
            Self::Beta { alpha, beta } => alpha / (alpha + beta),
        }
    }

    fn is_sound(&self) -> bool {
        match self {
            Self::Known(p) => (0.0..=1.0).contains(p),
            Self::Beta { alpha, beta } => {
                alpha.is_finite() && beta.is_finite() && *alpha > 0.0 && *beta > 0.0
            }
        }
    }

    /// Term k + 1 over term k of `n` trials.
    fn ratio(&self, n: f64, k: f64) -> f64 {
        match self {
            Self::Known(p) => (n - k) / (k + 1.0) * p / (1.0 - p),
            Self::Beta { alpha, beta } => (n - k) / (k + 1.0) * (k + alpha) / (n - k - 1.0 + beta),
        }
    }

    /// Probabilities of 0 to `n` good ones of `n` trials. `None` when the
    /// parameters make no sense.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub fn distribution(&self, n: usize) -> Option<Vec<f64>> {
        if !self.is_sound() {
            return None;
        }
        let mut terms = vec![0.0; n + 1];
        if let Self::Known(p) = self
            && (*p == 0.0 || *p == 1.0)
        {
            terms[if *p == 0.0 { 0 } else { n }] = 1.0;
            return Some(terms);
        }
        let all = n as f64;
        let start = ((all * self.mean()).floor() as usize).min(n);
        terms[start] = 1.0;
        for k in start..n {
            terms[k + 1] = terms[k] * self.ratio(all, k as f64);
        }
        for k in (0..start).rev() {
            terms[k] = terms[k + 1] / self.ratio(all, k as f64);
        }
        let total: f64 = terms.iter().sum();
        terms.iter_mut().for_each(|t| *t /= total);
        Some(terms)
    }

    /// Probability of `need` good ones or more in `n` trials.
    pub fn at_least(&self, n: usize, need: usize) -> Option<f64> {
        if need > n {
            return self.is_sound().then_some(0.0);
        }
        let terms = self.distribution(n)?;
        // The shorter side, so that a certain outcome is 1 to the last bits.
        Some(if 2 * need > n {
            terms[need..].iter().sum()
        } else {
            1.0 - terms[..need].iter().sum::<f64>()
        })
    }
}

/// Least number of trials in which `need` good ones come up with the given
/// confidence (0 to 1). `None` when it takes more than `most`, or the
/// parameters make no sense.
pub fn least_trials(chance: &Chance, need: usize, confidence: f64, most: usize) -> Option<usize> {
    least(need, most, confidence, |n| chance.at_least(n, need))
}

/// Least n from `from` to `most` at which a probability that grows with n
/// reaches the confidence.
pub(crate) fn least(
    from: usize,
    most: usize,
    confidence: f64,
    probability: impl Fn(usize) -> Option<f64>,
) -> Option<usize> {
    if !(confidence > 0.0 && confidence < 1.0) {
        return None;
    }
    let reaches = |n: usize| probability(n).map(|p| p >= confidence);
    if from > most {
        return None;
    }
    if reaches(from)? {
        return Some(from);
    }
    let (mut below, mut step) = (from, 1);
    let mut above = loop {
        let next = below.saturating_add(step).min(most);
        if reaches(next)? {
            break next;
        }
        if next == most {
            return None;
        }
        below = next;
        step *= 2;
    };
    while above - below > 1 {
        let middle = below + (above - below) / 2;
        if reaches(middle)? {
            above = middle;
        } else {
            below = middle;
        }
    }
    Some(above)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_flat_posterior_makes_all_counts_alike() {
        let flat = Chance::Beta {
            alpha: 1.0,
            beta: 1.0,
        };
        for p in flat.distribution(9).unwrap() {
            assert!((p - 0.1).abs() < 1e-15);
        }
    }

    #[test]
    fn certain_shares_need_no_more_than_the_wanted() {
        assert_eq!(least_trials(&Chance::Known(1.0), 7, 0.95, 100), Some(7));
        assert_eq!(least_trials(&Chance::Known(0.0), 7, 0.95, 100), None);
        assert_eq!(least_trials(&Chance::Known(0.0), 0, 0.95, 100), Some(0));
        assert_eq!(least_trials(&Chance::Known(1.5), 7, 0.95, 100), None);
        assert_eq!(least_trials(&Chance::Known(0.5), 7, 1.0, 100), None);
        let unsound = Chance::Beta {
            alpha: 0.0,
            beta: 1.0,
        };
        assert_eq!(unsound.at_least(3, 2), None);
    }

    /// A pilot that tells nearly everything is as good as a known share.
    #[test]
    fn a_large_pilot_is_a_known_share() {
        let pilot = Chance::Beta {
            alpha: 0.9e9,
            beta: 0.1e9,
        };
        for (n, k) in [(25, 20), (117, 100), (231, 200)] {
            let (a, b) = (pilot.at_least(n, k), Chance::Known(0.9).at_least(n, k));
            assert!((a.unwrap() - b.unwrap()).abs() < 1e-6);
        }
    }

    proptest! {
        /// Mean and spread are the textbook's: n p and n p q (n + s) / (s + 1), s = alpha + beta.
        #[test]
        fn mean_and_variance_are_right(
            alpha in 0.5..200.0_f64,
            beta in 0.5..200.0_f64,
            n in 1_usize..400,
        ) {
            let terms = Chance::Beta { alpha, beta }.distribution(n).unwrap();
            let s = alpha + beta;
            let (p, all) = (alpha / s, n as f64);
            let mean: f64 = terms.iter().enumerate().map(|(k, t)| k as f64 * t).sum();
            let square: f64 = terms.iter().enumerate().map(|(k, t)| {
                let d = k as f64 - all * p;
                d * d * t
            }).sum();
            prop_assert!((mean - all * p).abs() < 1e-9 * all);
            let want = all * p * (1.0 - p) * (all + s) / (s + 1.0);
            prop_assert!((square - want).abs() < 1e-8 * (1.0 + want), "{square} {want}");
        }

        #[test]
        fn one_trial_fewer_is_not_enough(
            good in 0_u64..60,
            bad in 0_u64..10,
            need in 1_usize..60,
        ) {
            let chance = Chance::after_pilot(good as f64, bad as f64);
            if let Some(n) = least_trials(&chance, need, 0.95, 5000) {
                prop_assert!(chance.at_least(n, need).unwrap() >= 0.95);
                prop_assert!(n == need || chance.at_least(n - 1, need).unwrap() < 0.95);
            }
        }
    }
}
