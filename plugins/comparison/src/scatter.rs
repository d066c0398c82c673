//! Scatter of one impression from the next, cell by cell, and the test of a
//! difference against it.
//!
//! A few impressions tell a cell's scatter badly. It is drawn towards what
//! cells like it scatter (Smyth 2004, Statistical Applications in Genetics and
//! Molecular Biology 3, article 3: moderated t): like in how steep the print is
//! there, for what a cell near an edge scatters is mostly where the edge lies.

use restrike_ops::quantiles::{normal_upper, student_t, student_t_tail};
use restrike_ops::stats::{mad_sigma, quantile};

use crate::consensus::{Level, cost};

/// Degrees of freedom given to what cells like it scatter.
const PRIOR: f64 = 6.0;
/// Kinds of cells told apart by steepness or darkness.
const BINS: usize = 10;
/// Share of the cells of a kind that hold no difference, at least: their tail
/// says how wide the kind scatters.
const BULK: f64 = 0.98;
/// Least scatter, linear light.
const LEAST: f64 = 0.002;
/// Tail of the test from which a cell may belong to a region.
const ENTRY: f64 = 2e-4;

/// Two levels compared.
pub(crate) struct Tested {
    /// The greatest of the channels' test values, signed: positive where the
    /// second is lighter; in entry thresholds, so that 1 is the threshold.
    pub(crate) score: Vec<f32>,
    /// Standard error of the difference, middle channel.
    pub(crate) error: Vec<f32>,
    /// Degrees of freedom.
    pub(crate) dof: f64,
    threshold: f64,
    /// Cells that were tested.
    pub(crate) cells: usize,
    /// Median standard error of the difference, middle channel.
    pub(crate) median_error: f64,
}

impl Tested {
    /// The threshold a cell has to pass, in standard errors.
    pub(crate) fn threshold(&self) -> f64 {
        self.threshold
    }

    /// Probability of a peak as high or higher, given that it is over the
    /// threshold (Chumbley et al. 2010, NeuroImage 49, 3057-3064).
    pub(crate) fn peak(&self, score: f64) -> f64 {
        let tail = |t: f64| student_t_tail(t, self.dof).unwrap_or(1.0);
        (tail(score.abs() * self.threshold) / tail(self.threshold)).min(1.0)
    }

    /// The test value in standard deviations of a normal distribution.
    pub(crate) fn normal(&self, score: f64) -> f64 {
        let tail = student_t_tail(score.abs() * self.threshold, self.dof).unwrap_or(0.5);
        normal_upper(tail.max(1e-300)).unwrap_or(0.0)
    }
}

/// Steepness of a level's light about each cell, by channel.
fn steepness(a: &Level, b: &Level) -> Vec<[f32; 3]> {
    let (w, h) = (a.width, a.height);
    let mean = |at: usize, c: usize| 0.5 * (a.light[at][c] + b.light[at][c]);
    let mut out = vec![[0.0; 3]; w * h];
    for y in 1..h.saturating_sub(1) {
        for x in 1..w.saturating_sub(1) {
            let at = y * w + x;
            for c in 0..3 {
                let dx = mean(at + 1, c) - mean(at - 1, c);
                let dy = mean(at + w, c) - mean(at - w, c);
                // A line's ridge is flat; its sides are not.
                let bend = (mean(at + 1, c) + mean(at - 1, c) - 2.0 * mean(at, c)).abs()
                    + (mean(at + w, c) + mean(at - w, c) - 2.0 * mean(at, c)).abs();
                out[at][c] = (dx * dx + dy * dy).sqrt() + bend;
            }
        }
    }
    out
}

/// Compares two levels. `borrowed` gives the scatter where neither has any.
/// `smooth` is what changes smoothly, taken away; `crossing` says where two blocks' edges lie
/// beside each other, which makes kinds of their own. None when there is no scatter to test against.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn test(
    a: &Level,
    b: &Level,
    borrowed: &[&Level],
    smooth: Option<&[[f32; 3]]>,
    crossing: Option<&[bool]>,
) -> Option<Tested> {
    let n = a.light.len();
    let mut groups: Vec<&Level> = vec![a, b];
    if most(a) < 2.0 && most(b) < 2.0 {
        groups = borrowed.to_vec();
    }
    let whole: f64 = groups.iter().map(|l| (most(l) - 1.0).max(0.0)).sum();
    if whole < 1.0 {
        return None;
    }
    let steep = if a.side == 1 {
        steepness(a, b)
    } else {
        (0..n)
            .map(|at| [0, 1, 2].map(|c| 2.0 - a.light[at][c] - b.light[at][c]))
            .collect()
    };
    let dof = whole + PRIOR;
    let threshold = student_t(1.0 - ENTRY / 3.0, dof)?;
    // More than half of the impressions must tell of a cell: one that tells alone
    // is not told from a fault of its own.
    let of_all = [most(a), most(b)];
    let strict = crossing.is_some() || a.side > 1;
    let share_told = if strict { 0.5 } else { 0.0 };
    let seen: Vec<usize> = (0..n)
        .filter(|at| {
            let told = |l: &Level, most: f64| f64::from(l.count[*at]) > share_told * most;
            told(a, of_all[0]) && told(b, of_all[1])
        })
        .collect();
    let bulk = student_t(0.5 + 0.5 * BULK, dof)?;
    let crosses = |at: usize| crossing.is_some_and(|c| c[at]);
    let kinds = if crossing.is_some() { 2 * BINS } else { BINS };
    let mut best = vec![0.0_f32; n];
    let mut error = vec![f32::NAN; n];
    for c in 0..3 {
        let variance = |at: usize| -> Option<(f64, f64)> {
            let (mut sum, mut free) = (0.0, 0.0);
            for l in &groups {
                let f = (f64::from(l.count[at]) - 1.0).max(0.0);
                let s = f64::from(l.scatter[at][c]);
                sum += f * s * s;
                free += f;
            }
            (free > 0.0).then(|| (sum / free, free))
        };
        let cuts = [false, true].map(|which| -> Vec<f64> {
            let sample: Vec<f64> = seen
                .iter()
                .filter(|at| crosses(**at) == which)
                .step_by(7)
                .map(|at| f64::from(steep[*at][c]))
                .collect();
            (1..BINS)
                .filter_map(|k| quantile(&sample, k as f64 / BINS as f64))
                .collect()
        });
        let bin = |at: usize| {
            let s = f64::from(steep[at][c]);
            let which = usize::from(crosses(at));
            which * BINS + cuts[which].iter().filter(|q| s > **q).count()
        };
        let mut values: Vec<Vec<f64>> = vec![Vec::new(); kinds];
        for at in seen.iter().step_by(3) {
            if let Some((v, free)) = variance(*at)
                && free >= 0.6 * whole
            {
                values[bin(*at)].push(v);
            }
        }
        // Median of chi squared over its degrees of freedom (Wilson and Hilferty 1931).
        let middle = {
            let t = 1.0 - 2.0 / (9.0 * whole);
            t * t * t
        };
        let prior: Vec<f64> = values
            .iter()
            .map(|v| {
                quantile(v, 0.5)
                    .map_or(0.0, |m| m / middle)
                    .max(LEAST * LEAST)
            })
            .collect();
        let mut z = vec![f64::NAN; n];
        let mut spread: Vec<Vec<f64>> = vec![Vec::new(); kinds];
        for (k, at) in seen.iter().enumerate() {
            let at = *at;
            let (v, free) = variance(at).unwrap_or((0.0, 0.0));
            let v = (PRIOR * prior[bin(at)] + free * v) / (PRIOR + free);
            let (m, o) = (f64::from(a.count[at]), f64::from(b.count[at]));
            let se = (v.max(LEAST * LEAST) * (cost(m) / m + cost(o) / o)).sqrt();
            let d = f64::from(b.light[at][c])
                - f64::from(a.light[at][c])
                - smooth.map_or(0.0, |s| f64::from(s[at][c]));
            z[at] = d / se;
            if c == 1 {
                error[at] = se as f32;
            }
            if k % 3 == 0 {
                spread[bin(at)].push(z[at]);
            }
        }
        // Where the bulk of the cells scatters more than the impressions of an
        // edition do, editions differ as a whole there, or the scatter is not
        // what the kind's middle has: that is the measure.
        let wide: Vec<f64> = spread
            .iter()
            .map(|z| {
                let size: Vec<f64> = z.iter().map(|z| z.abs()).collect();
                let tail = if strict {
                    quantile(&size, BULK).map_or(1.0, |q| q / bulk)
                } else {
                    1.0
                };
                mad_sigma(z).unwrap_or(1.0).max(tail).max(1.0)
            })
            .collect();
        for at in &seen {
            let w = wide[bin(*at)];
            let score = z[*at] / w / threshold;
            if score.abs() > f64::from(best[*at].abs()) {
                best[*at] = score as f32;
            }
            if c == 1 {
                error[*at] *= w as f32;
            }
        }
    }
    let errors: Vec<f64> = seen
        .iter()
        .step_by(11)
        .map(|at| f64::from(error[*at]))
        .collect();
    Some(Tested {
        score: best,
        error,
        dof,
        threshold,
        cells: seen.len(),
        median_error: quantile(&errors, 0.5).unwrap_or(f64::NAN),
    })
}

/// Most impressions of a cell.
pub(crate) fn most(level: &Level) -> f64 {
    level.count.iter().max().map_or(0.0, |n| f64::from(*n))
}
