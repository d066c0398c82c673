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
    /// Standard error of the difference by steepness alone, middle channel, as
    /// the edges' moves are weighted with.
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

/// What is known of a level's cells besides their light.
#[derive(Default)]
pub(crate) struct Known<'a> {
    /// What changes smoothly, to be taken away.
    pub(crate) smooth: Option<&'a [[f32; 3]]>,
    /// Where two blocks' edges lie beside each other, which makes kinds of their own.
    pub(crate) crossing: Option<&'a [bool]>,
    /// Standard error that the impressions of an edition have in common, which
    /// their scatter does not tell of.
    pub(crate) common: Option<&'a [[f32; 3]]>,
}

/// Two levels with what their test needs.
struct Cells<'a> {
    a: &'a Level,
    b: &'a Level,
    /// The levels that give the scatter, and their degrees of freedom.
    groups: Vec<&'a Level>,
    whole: f64,
    steep: Vec<[f32; 3]>,
    dof: f64,
    known: Known<'a>,
}

/// Test values of a channel by cell, not-a-number where there is none, and
/// their standard errors.
struct Values {
    z: Vec<f64>,
    error: Vec<f64>,
}

impl Cells<'_> {
    /// Cells that more than a share of either edition's impressions tell of.
    fn told(&self, share: f64) -> Vec<usize> {
        let least = [self.a, self.b].map(|l| share * most(l));
        let enough = |l: &Level, at: usize, least: f64| f64::from(l.count[at]) > least;
        (0..self.a.light.len())
            .filter(|at| enough(self.a, *at, least[0]) && enough(self.b, *at, least[1]))
            .collect()
    }

    /// Variance of one impression and its degrees of freedom.
    fn variance(&self, at: usize, c: usize) -> Option<(f64, f64)> {
        let (mut sum, mut free) = (0.0, 0.0);
        for l in &self.groups {
            let f = (f64::from(l.count[at]) - 1.0).max(0.0);
            let s = f64::from(l.scatter[at][c]);
            sum += f * s * s;
            free += f;
        }
        (free > 0.0).then(|| (sum / free, free))
    }

    /// Tests a channel in some cells; `crossing` as in [`Known`]. With `tail`
    /// the tail of a kind may say how wide it scatters, not its middle alone.
    #[allow(clippy::cast_precision_loss)]
    fn values(&self, c: usize, seen: &[usize], crossing: Option<&[bool]>, tail: bool) -> Values {
        let n = self.a.light.len();
        let crosses = |at: usize| crossing.is_some_and(|c| c[at]);
        let kinds = if crossing.is_some() { 2 * BINS } else { BINS };
        let cuts = [false, true].map(|which| -> Vec<f64> {
            let sample: Vec<f64> = seen
                .iter()
                .filter(|at| crosses(**at) == which)
                .step_by(7)
                .map(|at| f64::from(self.steep[*at][c]))
                .collect();
            (1..BINS)
                .filter_map(|k| quantile(&sample, k as f64 / BINS as f64))
                .collect()
        });
        let bin = |at: usize| {
            let s = f64::from(self.steep[at][c]);
            let which = usize::from(crosses(at));
            which * BINS + cuts[which].iter().filter(|q| s > **q).count()
        };
        let mut values: Vec<Vec<f64>> = vec![Vec::new(); kinds];
        for at in seen.iter().step_by(3) {
            if let Some((v, free)) = self.variance(*at, c)
                && free >= 0.6 * self.whole
            {
                values[bin(*at)].push(v);
            }
        }
        // Median of chi squared over its degrees of freedom (Wilson and Hilferty 1931).
        let middle = {
            let t = 1.0 - 2.0 / (9.0 * self.whole);
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
        let mut out = Values {
            z: vec![f64::NAN; n],
            error: vec![f64::NAN; n],
        };
        let mut spread: Vec<Vec<f64>> = vec![Vec::new(); kinds];
        for (k, at) in seen.iter().enumerate() {
            let at = *at;
            let (v, free) = self.variance(at, c).unwrap_or((0.0, 0.0));
            let v = (PRIOR * prior[bin(at)] + free * v) / (PRIOR + free);
            let (m, o) = (f64::from(self.a.count[at]), f64::from(self.b.count[at]));
            let common = self.known.common.map_or(0.0, |s| f64::from(s[at][c]));
            let se = (v.max(LEAST * LEAST) * (cost(m) / m + cost(o) / o) + common * common).sqrt();
            let d = f64::from(self.b.light[at][c])
                - f64::from(self.a.light[at][c])
                - self.known.smooth.map_or(0.0, |s| f64::from(s[at][c]));
            out.z[at] = d / se;
            out.error[at] = se;
            if k % 3 == 0 {
                spread[bin(at)].push(out.z[at]);
            }
        }
        // Where the bulk of the cells scatters more than the impressions of an
        // edition do, editions differ as a whole there, or the scatter is not
        // what the kind's middle has: that is the measure.
        let bulk = student_t(0.5 + 0.5 * BULK, self.dof).unwrap_or(f64::INFINITY);
        let wide: Vec<f64> = spread
            .iter()
            .map(|z| {
                let size: Vec<f64> = z.iter().map(|z| z.abs()).collect();
                let tail = if tail {
                    quantile(&size, BULK).map_or(1.0, |q| q / bulk)
                } else {
                    1.0
                };
                mad_sigma(z).unwrap_or(1.0).max(tail).max(1.0)
            })
            .collect();
        for at in seen {
            let w = wide[bin(*at)];
            out.z[*at] /= w;
            out.error[*at] *= w;
        }
        out
    }
}

/// Compares two levels. `borrowed` gives the scatter where neither has any.
/// None when there is no scatter to test against.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn test(a: &Level, b: &Level, borrowed: &[&Level], known: Known<'_>) -> Option<Tested> {
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
    let crossing = known.crossing;
    let strict = crossing.is_some() || a.side > 1;
    let cells = Cells {
        a,
        b,
        groups,
        whole,
        steep,
        dof,
        known,
    };
    // More than half of the impressions must tell of a cell: one that tells alone
    // is not told from a fault of its own.
    let seen = cells.told(if strict { 0.5 } else { 0.0 });
    let mut best = vec![0.0_f32; n];
    let mut errors = Vec::new();
    for c in 0..3 {
        let of = cells.values(c, &seen, crossing, strict);
        for at in &seen {
            let score = of.z[*at] / threshold;
            if score.abs() > f64::from(best[*at].abs()) {
                best[*at] = score as f32;
            }
        }
        if c == 1 {
            errors = of.error;
        }
    }
    let sample: Vec<f64> = seen.iter().step_by(11).map(|at| errors[*at]).collect();
    let error = if crossing.is_some() {
        cells.values(1, &cells.told(0.0), None, false).error
    } else {
        errors
    };
    Some(Tested {
        score: best,
        error: error.iter().map(|e| *e as f32).collect(),
        dof,
        threshold,
        cells: seen.len(),
        median_error: quantile(&sample, 0.5).unwrap_or(f64::NAN),
    })
}

/// Most impressions of a cell.
pub(crate) fn most(level: &Level) -> f64 {
    level.count.iter().max().map_or(0.0, |n| f64::from(*n))
}
