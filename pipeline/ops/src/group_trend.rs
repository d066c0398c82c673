//! Trend over groups that each hold one or more values of one time, such as
//! impressions of several editions: a line with a scatter between groups and
//! one within them, so that many values of one group do not count as many times.
//!
//! Sources: DerSimonian and Kacker, "Random-effects model for meta-analysis of
//! clinical trials: an update", Contemporary Clinical Trials 28, 2007, after
//! Paule and Mandel 1982 (scatter between groups from the weighted residuals);
//! Knapp and Hartung, "Improved tests for a random effects meta-regression with
//! a single covariate", Statistics in Medicine 22, 2003 (interval with Student's
//! t, groups less two degrees of freedom). With groups of one size it is plain
//! regression on the group means.

use crate::quantiles;

/// Values of one time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Group {
    /// The time.
    pub at: f64,
    /// Mean of the values.
    pub mean: f64,
    /// How many there are.
    pub count: usize,
    /// Sum of squares about the mean.
    pub squares: f64,
}

impl Group {
    /// A group of values. `None` without any.
    #[allow(clippy::cast_precision_loss)]
    pub fn of(at: f64, values: &[f64]) -> Option<Self> {
        if values.is_empty() {
            return None;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        Some(Self {
            at,
            mean,
            count: values.len(),
            squares: values.iter().map(|v| (v - mean) * (v - mean)).sum(),
        })
    }
}

/// A line through groups.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GroupTrend {
    /// Change for a unit of time.
    pub slope: f64,
    /// Its standard error.
    pub se: f64,
    /// Lower end of its interval.
    pub low: f64,
    /// Upper end of its interval.
    pub high: f64,
    /// The line at time 0.
    pub intercept: f64,
    /// Two-sided probability of as large a slope without a trend.
    pub p: f64,
    /// Standard deviation from group to group about the line.
    pub between: f64,
    /// Standard deviation within a group; `None` if every group has one value.
    pub within: Option<f64>,
}

/// Fits the line, with an interval of confidence `level`. `None` with fewer
/// than three groups or all at one time.
#[allow(clippy::cast_precision_loss)]
pub fn group_trend(groups: &[Group], level: f64) -> Option<GroupTrend> {
    let k = groups.len();
    if k < 3 {
        return None;
    }
    let spare: usize = groups.iter().map(|g| g.count - 1).sum();
    let squares: f64 = groups.iter().map(|g| g.squares).sum();
    let within = (spare > 0).then(|| squares / spare as f64);
    let dof = (k - 2) as f64;
    let variance = within.unwrap_or(0.0);
    let fit = |between: f64| Fit::new(groups, |g| between + variance / g.count as f64);
    // The least scatter between groups that leaves weighted residuals no larger
    // than their degrees of freedom.
    let between = if variance > 0.0 {
        let mut low = 0.0;
        let mut high = Fit::new(groups, |_| 1.0)?.residual.max(variance * 1e-9);
        if fit(0.0)?.residual <= dof {
            0.0
        } else {
            for _ in 0..200 {
                let middle = 0.5 * (low + high);
                if fit(middle)?.residual > dof {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            high
        }
    } else {
        // Only the means are known to scatter: equal weights.
        Fit::new(groups, |_| 1.0)?.residual / dof
    };
    let line = if between + variance > 0.0 {
        fit(between)?
    } else {
        Fit::new(groups, |_| 1.0)?
    };
    let factor = (line.residual / dof).max(if variance > 0.0 && between == 0.0 {
        1.0
    } else {
        0.0
    });
    let se = (factor * line.variance).sqrt();
    let t = quantiles::student_t(0.5 + level / 2.0, dof)?;
    let p = if se > 0.0 {
        2.0 * quantiles::student_t_tail((line.slope / se).abs(), dof)?
    } else if line.slope == 0.0 {
        1.0
    } else {
        0.0
    };
    Some(GroupTrend {
        slope: line.slope,
        se,
        low: line.slope - t * se,
        high: line.slope + t * se,
        intercept: line.intercept,
        p,
        between: between.sqrt(),
        within: within.map(f64::sqrt),
    })
}

struct Fit {
    slope: f64,
    intercept: f64,
    /// Variance of the slope if the weights are right.
    variance: f64,
    /// Weighted sum of squared residuals.
    residual: f64,
}

impl Fit {
    fn new(groups: &[Group], variance: impl Fn(&Group) -> f64) -> Option<Self> {
        let weights: Vec<f64> = groups.iter().map(|g| 1.0 / variance(g)).collect();
        let pairs = || groups.iter().zip(&weights);
        let sum: f64 = weights.iter().sum();
        let x0 = pairs().map(|(g, w)| w * g.at).sum::<f64>() / sum;
        let y0 = pairs().map(|(g, w)| w * g.mean).sum::<f64>() / sum;
        let sxx: f64 = pairs().map(|(g, w)| w * (g.at - x0) * (g.at - x0)).sum();
        let sxy: f64 = pairs().map(|(g, w)| w * (g.at - x0) * (g.mean - y0)).sum();
        if sxx.is_nan() || sxx <= 0.0 || !sum.is_finite() {
            return None;
        }
        let slope = sxy / sxx;
        let residual = pairs()
            .map(|(g, w)| {
                let r = g.mean - y0 - slope * (g.at - x0);
                w * r * r
            })
            .sum();
        Some(Self {
            slope,
            intercept: y0 - slope * x0,
            variance: 1.0 / sxx,
            residual,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn groups_of_one_size_give_regression_on_their_means(
            means in prop::collection::vec(-5.0..5.0_f64, 4..9),
        ) {
            // A small scatter within, so that the scatter between is never 0.
            let groups: Vec<Group> = means
                .iter()
                .enumerate()
                .map(|(i, m)| Group::of(10.0 * i as f64, &[m - 1e-4, m + 1e-4]).unwrap())
                .collect();
            let plain: Vec<Group> = groups.iter().map(|g| Group { count: 1, squares: 0.0, ..*g }).collect();
            let (a, b) = (group_trend(&groups, 0.95).unwrap(), group_trend(&plain, 0.95).unwrap());
            prop_assert!((a.slope - b.slope).abs() < 1e-9);
            prop_assert!((a.se - b.se).abs() < 1e-6 * (1.0 + b.se));
        }
    }

    #[test]
    fn ten_scans_of_an_edition_are_not_ten_editions() {
        // Editions scatter by far more than the scans within them.
        let level = [0.0, 3.0, -2.0, 1.0];
        let one: Vec<Group> = level
            .iter()
            .zip([0.0, 1.0, 2.0, 3.0])
            .map(|(m, t)| Group::of(t, &[*m]).unwrap())
            .collect();
        let many: Vec<Group> = level
            .iter()
            .zip([0.0, 1.0, 2.0, 3.0])
            .map(|(m, t)| {
                let v: Vec<f64> = (0..10).map(|i| m + 0.01 * (f64::from(i) - 4.5)).collect();
                Group::of(t, &v).unwrap()
            })
            .collect();
        let (a, b) = (
            group_trend(&one, 0.95).unwrap(),
            group_trend(&many, 0.95).unwrap(),
        );
        assert!((a.se - b.se).abs() < 0.01 * a.se);
        assert!(b.between > 1.0 && b.within.unwrap() < 0.05);
    }

    #[test]
    fn too_little_to_tell_is_said() {
        let g = |t: f64| Group::of(t, &[1.0, 2.0]).unwrap();
        assert_eq!(group_trend(&[g(0.0), g(1.0)], 0.95), None);
        assert_eq!(group_trend(&[g(1.0), g(1.0), g(1.0)], 0.95), None);
        assert_eq!(Group::of(0.0, &[]), None);
        let flat = group_trend(&[g(0.0), g(1.0), g(2.0)], 0.95).unwrap();
        assert!(flat.low < 0.0 && flat.high > 0.0);
    }
}
