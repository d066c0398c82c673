//! The course of a series: a constant, a line, or stretches of constant level,
//! and which of them the numbers speak for.

use restrike_ops::autocorrelation::Noise;
use restrike_ops::change_points::change_points;
use restrike_ops::stats::median;
use restrike_ops::step_scan::{best_step, score_of_t, step_probability, stretch_probability};
use restrike_ops::theil_sen::TheilSen;

/// How far, in standard deviations, a sheet may lie from those around it before
/// it is drawn in for the question of levels.
const FAR: f64 = 4.0;

/// Penalty of a change of level over the logarithm of the number of
/// independent sheets (Zhang and Siegmund, Biometrics 63, 2007: a place and a
/// level cost about three times log n / 2 in log likelihood).
const PENALTY: f64 = 3.0;

/// The course that fits best.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Course {
    Constant,
    Line,
    /// A line with one bend: a creep that begins, ends or changes on the way.
    Bent,
    Step,
    Stretches,
}

/// What is known of a series' levels.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Levels {
    /// The values, sheets far from those around them drawn in.
    pub(crate) values: Vec<f64>,
    /// Where a new level begins, over the whole series.
    pub(crate) changes: Vec<usize>,
    /// Where the best single step begins.
    pub(crate) step: usize,
    /// BIC of line, step and stretches less that of a constant.
    pub(crate) bic_line: f64,
    pub(crate) bic_step: f64,
    pub(crate) bic_stretches: f64,
    /// Probability that chance makes such levels.
    pub(crate) p: f64,
    /// Independent sheets the series is worth.
    pub(crate) worth: f64,
    /// Variance of a mean of many values, times their number.
    pub(crate) long_variance: f64,
}

impl Levels {
    /// The course with the least BIC.
    pub(crate) fn course(&self) -> Course {
        let mut best = (0.0, Course::Constant);
        for (bic, course) in [
            (self.bic_line, Course::Line),
            (self.bic_step, Course::Step),
            (self.bic_stretches, Course::Stretches),
        ] {
            if bic < best.0 {
                best = (bic, course);
            }
        }
        best.1
    }

    /// The better of the two courses with levels: where they begin.
    pub(crate) fn starts(&self) -> Vec<usize> {
        if self.bic_stretches < self.bic_step {
            self.changes.clone()
        } else {
            vec![self.step]
        }
    }

    /// The sum of squares that the better of the two leaves, and how many terms it takes.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn left(&self) -> (f64, f64) {
        let starts = self.starts();
        let terms = 1.0 + 2.0 * starts.len() as f64;
        (squares(&self.values, &starts), terms)
    }

    /// The BIC of the better of the two courses with levels.
    pub(crate) fn bic_levels(&self) -> f64 {
        self.bic_step.min(self.bic_stretches)
    }
}

/// Looks for levels in a series. `None` with too few values for two stretches.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn levels(
    at: &[f64],
    values: &[f64],
    line: &TheilSen,
    noise: Noise,
    shortest: usize,
) -> Option<Levels> {
    let n = values.len();
    let values = drawn_in(values, FAR * noise.sigma);
    let factor = noise.factor();
    let worth = (n as f64 / factor).max(4.0);
    let long_variance = noise.sigma * noise.sigma * factor;
    let step = best_step(&values, shortest)?;
    let penalty = penalty(worth) * long_variance;
    let changes = change_points(&values, penalty, shortest);

    let of_line: f64 = at
        .iter()
        .zip(&values)
        .map(|(x, y)| y - line.slope * x - line.intercept)
        .map(|r| r * r)
        .sum();
    let of_stretches = squares(&values, &changes);
    let bic = |left: f64, terms: f64| {
        // Equal values leave nothing; then any course fits.
        let left = left.max(1e-12 * (step.whole + f64::MIN_POSITIVE));
        worth * log(left / n as f64) + terms * log(worth)
    };
    let constant = bic(step.whole, 1.0);
    Some(Levels {
        p: chance(&values, &step, &changes, noise, shortest, worth),
        bic_line: bic(of_line, 2.0) - constant,
        bic_step: bic(step.left, 3.0) - constant,
        bic_stretches: if changes.is_empty() {
            0.0
        } else {
            bic(of_stretches, 1.0 + 2.0 * changes.len() as f64) - constant
        },
        step: step.at,
        values,
        changes,
        worth,
        long_variance,
    })
}

/// Where levels may change: the best single step, and the changes that pay.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn breaks(values: &[f64], noise: Noise, shortest: usize) -> Vec<usize> {
    let values = drawn_in(values, FAR * noise.sigma);
    let factor = noise.factor();
    let cost = penalty((values.len() as f64 / factor).max(4.0));
    let mut found = change_points(&values, cost * noise.sigma * noise.sigma * factor, shortest);
    found.extend(best_step(&values, shortest).map(|s| s.at));
    found.sort_unstable();
    found.dedup();
    found
}

/// What a change of level must take off the sum of squares, in variances, of a
/// series worth so many independent sheets.
pub(crate) fn penalty(worth: f64) -> f64 {
    PENALTY * log(worth)
}

/// Natural logarithm, the same on every platform.
pub(crate) fn log(v: f64) -> f64 {
    libm::log(v)
}

/// The values with those further than `reach` from the median of the seven about them
/// put where they weigh less. One alone says nothing of levels: it takes that
/// median, for at the edge of `reach` it would still draw a change to itself. Several
/// side by side may be a level: they are drawn in to `reach`.
pub(crate) fn drawn_in(values: &[f64], reach: f64) -> Vec<f64> {
    let n = values.len();
    let centres: Vec<f64> = (0..n)
        .map(|i| {
            let first = i.saturating_sub(3).min(n.saturating_sub(7));
            median(&values[first..n.min(first + 7)]).unwrap_or(values[i])
        })
        .collect();
    let far = |i: usize| match values[i] - centres[i] {
        off if off > reach => 1,
        off if off < -reach => -1,
        _ => 0,
    };
    (0..n)
        .map(|i| {
            let side = far(i);
            let beside = i > 0 && far(i - 1) == side || i + 1 < n && far(i + 1) == side;
            match side {
                0 => values[i],
                _ if beside => values[i].clamp(centres[i] - reach, centres[i] + reach),
                _ => centres[i],
            }
        })
        .collect()
}

/// Sum of squares about the means of the stretches.
#[allow(clippy::cast_precision_loss)]
fn squares(values: &[f64], starts: &[usize]) -> f64 {
    stretches(values.len(), starts)
        .map(|(a, b)| {
            let mean = mean(&values[a..b]);
            values[a..b]
                .iter()
                .map(|v| (v - mean) * (v - mean))
                .sum::<f64>()
        })
        .sum()
}

/// First and end of each stretch.
pub(crate) fn stretches(n: usize, starts: &[usize]) -> impl Iterator<Item = (usize, usize)> + '_ {
    let firsts = std::iter::once(0).chain(starts.iter().copied());
    let ends = starts.iter().copied().chain(std::iter::once(n));
    firsts.zip(ends)
}

#[allow(clippy::cast_precision_loss)]
pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len().max(1) as f64
}

/// A least length in independent sheets, of `count` in all.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn scaled(shortest: usize, factor: f64, count: usize) -> usize {
    ((shortest as f64 / factor).round() as usize).clamp(1, (count / 2).max(1))
}

/// Probability that chance alone gives as clear a step, or as clear a stretch
/// apart from the rest.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn chance(
    values: &[f64],
    step: &restrike_ops::step_scan::Step,
    changes: &[usize],
    noise: Noise,
    shortest: usize,
    worth: f64,
) -> f64 {
    let n = values.len();
    let count = worth.round() as usize;
    let factor = n as f64 / worth;
    let short = scaled(shortest, factor, count);
    let dof = (worth - 2.0).max(1.0);
    let score = |gain: f64, left: f64| {
        let t = (gain / (left / (n as f64 - 2.0)).max(f64::MIN_POSITIVE) / factor).sqrt();
        score_of_t(t, dof).unwrap_or(0.0)
    };
    let one = step_probability(score(step.whole - step.left, step.left), count, short);
    if changes.len() < 2 {
        return one;
    }
    // The scatter about all stretches, not only about this one and the rest.
    let left = squares(values, changes).max(noise.sigma * noise.sigma * 1e-9);
    let overall = mean(values);
    let best = stretches(n, changes)
        .map(|(a, b)| {
            let k = (b - a) as f64;
            let sum = (mean(&values[a..b]) - overall) * k;
            sum * sum * n as f64 / (k * (n as f64 - k))
        })
        .fold(0.0, f64::max);
    let apart = stretch_probability(score(best, left), count, short);
    (2.0 * one.min(apart)).min(1.0)
}
