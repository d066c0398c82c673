//! How many good halves will come of so many more two-up sheets.
//!
//! The halves of a sheet share its paper, its laying and its inking, so they
//! are not good or bad independently. The shares of sheets with no, one and two
//! good halves follow a Dirichlet distribution after a pilot (Jeffreys' prior:
//! 1/2 each), the counts of the next sheets the Dirichlet-multinomial: Mosimann,
//! "On the compound multinomial distribution, the multivariate beta-distribution,
//! and correlations among proportions", Biometrika 49, 1962. It is summed as two
//! beta-binomials, sheets with two good halves and then those with one.

use crate::beta_binomial::{Chance, least};

/// Shares of two-up sheets with no, one and two good halves, as a Dirichlet
/// distribution's parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HalvesGood(pub [f64; 3]);

impl HalvesGood {
    /// After a pilot of so many sheets with no, one and two good halves, from
    /// Jeffreys' prior; parts of a sheet are those counted by their chances.
    pub fn after_pilot(sheets: [f64; 3]) -> Self {
        Self(sheets.map(|n| n + 0.5))
    }

    /// Expected good halves of a sheet.
    pub fn mean(&self) -> f64 {
        let [none, one, two] = self.0;
        (one + 2.0 * two) / (none + one + two)
    }

    /// Probability of `need` good halves or more from `n` sheets. `None` when
    /// the parameters make no sense.
    pub fn at_least(&self, n: usize, need: usize) -> Option<f64> {
        let [none, one, two] = self.0;
        let twos = Chance::Beta {
            alpha: two,
            beta: none + one,
        };
        let ones = Chance::Beta {
            alpha: one,
            beta: none,
        };
        ones.at_least(0, 0)?;
        let mut total = 0.0;
        for (k, p) in twos.distribution(n)?.into_iter().enumerate() {
            // What is left out is below the last bits of the sum.
            if p > 1e-19 {
                total += p * ones.at_least(n - k, need.saturating_sub(2 * k))?;
            }
        }
        Some(total)
    }
}

/// Least number of two-up sheets that give `need` good halves with the given
/// confidence (0 to 1). `None` when it takes more than `most`, or the
/// parameters make no sense.
pub fn least_sheets(
    halves: &HalvesGood,
    need: usize,
    confidence: f64,
    most: usize,
) -> Option<usize> {
    least(need.div_ceil(2), most, confidence, |n| {
        halves.at_least(n, need)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All outcomes of a few sheets, by the urn: each sheet drawn adds its like.
    fn by_urn(weights: [f64; 3], n: usize, need: usize) -> f64 {
        if need == 0 {
            return 1.0;
        }
        if n == 0 {
            return 0.0;
        }
        let total: f64 = weights.iter().sum();
        (0..3)
            .map(|k| {
                let mut next = weights;
                next[k] += 1.0;
                weights[k] / total * by_urn(next, n - 1, need.saturating_sub(k))
            })
            .sum()
    }

    #[test]
    fn sums_are_those_of_polyas_urn() {
        for weights in [[0.5, 0.5, 0.5], [1.5, 4.5, 20.5], [7.5, 0.5, 2.5]] {
            let halves = HalvesGood(weights);
            for n in 0..=7 {
                for need in 0..=15 {
                    let want = by_urn(weights, n, need);
                    let got = halves.at_least(n, need).unwrap();
                    assert!(
                        (got - want).abs() < 1e-12,
                        "{weights:?} {n} {need}: {got} {want}"
                    );
                }
            }
        }
    }

    #[test]
    fn halves_that_go_together_ask_for_more_sheets_than_halves_that_do_not() {
        // Nine halves in ten good either way.
        let together = HalvesGood::after_pilot([10.0, 0.0, 90.0]);
        let apart = HalvesGood::after_pilot([1.0, 18.0, 81.0]);
        assert!((together.mean() - apart.mean()).abs() < 0.01);
        let (a, b) = (
            least_sheets(&together, 200, 0.95, 1000).unwrap(),
            least_sheets(&apart, 200, 0.95, 1000).unwrap(),
        );
        assert!(a > b, "{a} {b}");
        assert_eq!(
            least_sheets(&HalvesGood([0.0, 1.0, 1.0]), 4, 0.95, 100),
            None
        );
    }
}
