//! Scatter of one impression from the next, cell by cell, and the test of a
//! difference against it.
//!
//! A few impressions tell a cell's scatter badly. It is drawn towards what
//! cells like it scatter (Smyth 2004, Statistical Applications in Genetics and
//! Molecular Biology 3, article 3: moderated t): like in how steep the print is
//! there, for what a cell near an edge scatters is mostly where the edge lies.

use restrike_ops::quantiles::{fisher_f, normal_below, normal_upper, student_t};
use restrike_ops::stats::{mad_sigma, quantile};

use crate::consensus::{Level, cost};

/// Most degrees of freedom given to what cells like it scatter: kinds are never quite alike.
const PRIOR: f64 = 6.0;
/// Least of them: cells of a kind that scatter very unlike each other lend each other little.
const LEAST_PRIOR: f64 = 4.0;
/// Fewest cells that tell how unlike those of their kind are.
const TELLING: usize = 200;
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
    threshold: f64,
    /// Cells that were tested.
    pub(crate) cells: usize,
    /// Median standard error of the difference, middle channel.
    pub(crate) median_error: f64,
}

impl Tested {
    /// The threshold a cell has to pass, in standard errors as if they were well known.
    pub(crate) fn threshold(&self) -> f64 {
        self.threshold
    }

    /// Probability of a peak as high or higher, given that it is over the
    /// threshold (Chumbley et al. 2010, NeuroImage 49, 3057-3064).
    pub(crate) fn peak(&self, score: f64) -> f64 {
        let tail = |z: f64| normal_below(-z);
        (tail(score.abs() * self.threshold) / tail(self.threshold)).min(1.0)
    }

    /// The test value in standard deviations of a normal distribution.
    pub(crate) fn normal(&self, score: f64) -> f64 {
        score.abs() * self.threshold
    }
}

/// The normal deviate whose tail is that of Student's t with `dof` degrees of
/// freedom, within two in a hundred from seven degrees on, and never larger (Wallace
/// 1959, Annals of Mathematical Statistics 30, 1124-1130).
pub(crate) fn as_normal(t: f64, dof: f64) -> f64 {
    let z = (dof * libm::log1p(t * t / dof)).sqrt();
    ((8.0 * dof + 1.0) / (8.0 * dof + 3.0) * z).copysign(t)
}

/// Degrees of freedom that what the cells of a kind scatter is worth for one of
/// them: variances known with `free` degrees of freedom that differ as F's do with
/// so many below (the model of Smyth 2004, fitted to how far the highest tenth lies
/// over the middle: those that scatter more than their kind are what cries wolf).
fn prior_dof(variances: &[f64], free: f64) -> f64 {
    let share = |q: f64| quantile(variances, q).unwrap_or(0.0);
    let (middle, high) = (share(0.5), share(0.9));
    if variances.len() < TELLING || middle <= LEAST * LEAST {
        return PRIOR;
    }
    let wider = |dof: f64| match (fisher_f(0.9, free, dof), fisher_f(0.5, free, dof)) {
        (Some(h), Some(m)) => h / m > high / middle,
        _ => false,
    };
    let (mut few, mut many) = (LEAST_PRIOR, PRIOR);
    if wider(many) {
        return PRIOR;
    }
    for _ in 0..10 {
        let between = (few * many).sqrt();
        if wider(between) {
            few = between;
        } else {
            many = between;
        }
    }
    few
}

/// Steepness of a level's light about each cell, by channel.
fn steepness(of: &Level) -> Vec<[f32; 3]> {
    let (w, h) = (of.width, of.height);
    let mut out = vec![[0.0; 3]; w * h];
    for y in 1..h.saturating_sub(1) {
        for x in 1..w.saturating_sub(1) {
            let at = y * w + x;
            for c in 0..3 {
                let light = |at: usize| of.light[at][c];
                let dx = light(at + 1) - light(at - 1);
                let dy = light(at + w) - light(at - w);
                // A line's ridge is flat; its sides are not.
                let bend = (light(at + 1) + light(at - 1) - 2.0 * light(at)).abs()
                    + (light(at + w) + light(at - w) - 2.0 * light(at)).abs();
                out[at][c] = (dx * dx + dy * dy).sqrt() + bend;
            }
        }
    }
    out
}

/// Steepness of two levels, the lesser of both: an edge that lies a little otherwise is
/// steep in both, and a line that one of them alone has is not to hide among edges.
fn steepness_of_both(a: &Level, b: &Level) -> Vec<[f32; 3]> {
    let pairs = steepness(a).into_iter().zip(steepness(b));
    pairs
        .map(|(a, b)| [0, 1, 2].map(|c| a[c].min(b[c])))
        .collect()
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
    known: Known<'a>,
}

/// Test values of a channel by cell as normal deviates, not-a-number where there is
/// none, and their standard errors.
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
        let dofs: Vec<f64> = values.iter().map(|v| prior_dof(v, self.whole)).collect();
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
        let mut free_of = vec![0.0_f64; n];
        let mut spread: Vec<Vec<f64>> = vec![Vec::new(); kinds];
        for (k, at) in seen.iter().enumerate() {
            let at = *at;
            let (v, free) = self.variance(at, c).unwrap_or((0.0, 0.0));
            let kind = bin(at);
            let v = (dofs[kind] * prior[kind] + free * v) / (dofs[kind] + free);
            free_of[at] = dofs[kind] + free;
            let (m, o) = (f64::from(self.a.count[at]), f64::from(self.b.count[at]));
            let common = self.known.common.map_or(0.0, |s| f64::from(s[at][c]));
            let se = (v.max(LEAST * LEAST) * (cost(m) / m + cost(o) / o) + common * common).sqrt();
            let d = f64::from(self.b.light[at][c])
                - f64::from(self.a.light[at][c])
                - self.known.smooth.map_or(0.0, |s| f64::from(s[at][c]));
            out.z[at] = d / se;
            out.error[at] = se;
            if k % 3 == 0 {
                spread[kind].push(out.z[at]);
            }
        }
        // Where the bulk of the cells scatters more than the impressions of an
        // edition do, editions differ as a whole there, or the scatter is not
        // what the kind's middle has: that is the measure.
        let wide: Vec<f64> = spread
            .iter()
            .zip(&dofs)
            .map(|(z, dof)| {
                let bulk = student_t(0.5 + 0.5 * BULK, self.whole + dof).unwrap_or(f64::INFINITY);
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
            out.z[*at] = as_normal(out.z[*at] / w, free_of[*at]);
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
        steepness_of_both(a, b)
    } else {
        (0..n)
            .map(|at| [0, 1, 2].map(|c| 2.0 - a.light[at][c] - b.light[at][c]))
            .collect()
    };
    let threshold = normal_upper(ENTRY / 3.0)?;
    let crossing = known.crossing;
    let strict = crossing.is_some() || a.side > 1;
    let cells = Cells {
        a,
        b,
        groups,
        whole,
        steep,
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
        threshold,
        cells: seen.len(),
        median_error: quantile(&sample, 0.5).unwrap_or(f64::NAN),
    })
}

/// Most impressions of a cell.
pub(crate) fn most(level: &Level) -> f64 {
    level.count.iter().max().map_or(0.0, |n| f64::from(*n))
}
