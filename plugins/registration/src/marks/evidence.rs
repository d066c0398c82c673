//! How sure a correction is: scatter of placing, standard error, interval, and
//! how many more proofs would decide.
//!
//! A face's shift on sheet i is mu + placing_i + measuring_i + zero, where
//! `zero` is common to all sheets. Placing is the same hand at the same marks
//! for every block, so its variance is pooled over the blocks; a block that
//! scatters more keeps its own variance, and its own degrees of freedom where it
//! does so significantly. The blocks' shifts on a sheet are
//! all against the same key print and share its placing: with equal scatter
//! they correlate by 1/2, so B blocks of n sheets are worth
//! B (n - 1) / (1 + (B - 1) / 4) degrees of freedom (variance of a mean of
//! equally correlated sample variances, whose correlation is 1/2 squared).
//! Where a known part is added to an estimated variance, degrees of freedom
//! are Satterthwaite's (Biometrics Bulletin 2, 1946, 110-114).

use restrike_ops::quantiles::{fisher_f, sd_interval, student_t};

use super::fit::{BlockFit, JUDGED, count, mean, sample_variance};

/// Chance that any of what is judged of a block is called off when all is right.
const FALSE_ALARM: f64 = 0.05;
/// Chance that the foretold number of proofs does decide.
const POWER: f64 = 0.8;
/// Level at which a block's scatter counts as larger than the others'.
const OWN_SCATTER: f64 = 0.95;
/// More proofs than this are not worth naming.
const MOST_PROOFS: usize = 500;

/// What is known of the correction of a face, or of a block as a whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Evidence {
    /// Sheets it rests on.
    pub(crate) sheets: usize,
    /// The correction, mm along the normal.
    pub(crate) correction: f64,
    /// Scatter of placing, SD, mm; none where nothing was printed twice.
    pub(crate) scatter: Option<f64>,
    /// 95 % interval of the scatter, mm.
    pub(crate) scatter_interval: Option<(f64, f64)>,
    /// Standard error of measuring one sheet, mm.
    pub(crate) measuring: f64,
    /// Standard error of the correction, mm.
    pub(crate) se: f64,
    /// Degrees of freedom of the standard error; 0: the scatter is not known.
    pub(crate) dof: f64,
    /// Half the interval that holds all that is judged of the block with 95 %, mm.
    pub(crate) half: f64,
    /// Variance from sheet to sheet, mm2.
    sheet_variance: f64,
    /// Variance common to all sheets, mm2.
    zero_variance: f64,
    /// Degrees of freedom of the scatter each further sheet brings.
    dof_by_sheet: f64,
}

/// How many proofs would decide.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum More {
    /// So many more.
    Proofs(usize),
    /// More than it is worth saying.
    TooMany,
    /// None would: the reference shape itself is not known well enough.
    NoneWould,
}

/// Variance of a face's shift from sheet to sheet, as one block shows it.
#[derive(Clone, Copy)]
struct Spread {
    n: usize,
    total: f64,
    measuring: f64,
}

/// Weighs each face of each block, and the block as a whole.
pub(crate) fn weigh(blocks: &[BlockFit]) -> Vec<[Evidence; JUDGED]> {
    let spreads: Vec<[Option<Spread>; JUDGED]> = blocks
        .iter()
        .map(|b| std::array::from_fn(|f| spread(b, f)))
        .collect();
    (0..blocks.len())
        .map(|b| std::array::from_fn(|f| weigh_face(&blocks[b], f, b, &spreads)))
        .collect()
}

fn spread(block: &BlockFit, face: usize) -> Option<Spread> {
    let values: Vec<f64> = block.sheets.iter().map(|s| s.shift[face]).collect();
    Some(Spread {
        n: values.len(),
        total: sample_variance(&values)?,
        measuring: mean(block.sheets.iter().map(|s| s.variance[face])),
    })
}

/// Pooled placing variance, pooled total variance, degrees of freedom.
fn pool(spreads: &[Spread]) -> Option<(f64, f64, f64)> {
    let free: f64 = spreads.iter().map(|s| count(s.n - 1)).sum();
    if free <= 0.0 {
        return None;
    }
    let sum = |v: &dyn Fn(&Spread) -> f64| -> f64 {
        spreads.iter().map(|s| count(s.n - 1) * v(s)).sum::<f64>() / free
    };
    let placing = sum(&|s| s.total - s.measuring).max(0.0);
    let shared = 1.0 + (count(spreads.len()) - 1.0) / 4.0;
    Some((placing, sum(&|s| s.total), free / shared))
}

fn weigh_face(
    block: &BlockFit,
    face: usize,
    at: usize,
    spreads: &[[Option<Spread>; JUDGED]],
) -> Evidence {
    let own = spreads[at][face];
    let all: Vec<Spread> = spreads.iter().filter_map(|s| s[face]).collect();
    let others: Vec<Spread> = spreads
        .iter()
        .enumerate()
        .filter(|(b, _)| *b != at)
        .filter_map(|(_, s)| s[face])
        .collect();
    let pooled = match (own, pool(&others)) {
        (Some(own), Some(others)) if scatters_more(own, others) => pool(&[own]),
        _ => pool(&all),
    };
    let n = block.sheets.len();
    let measuring = mean(block.sheets.iter().map(|s| s.variance[face]));
    let zero_variance = block.zero_variance[face];
    let (placing, dof) = pooled.map_or((0.0, 0.0), |(placing, _, dof)| (placing, dof));
    // A block placed worse than the others often passes the test unnoticed.
    let placing = own.map_or(placing, |o| placing.max(o.total - o.measuring));
    let sheet_variance = placing + measuring;
    let variance = sheet_variance / count(n) + zero_variance;
    let se = variance.sqrt();
    let dof_by_sheet = dof / count(n.saturating_sub(1).max(1));
    let dof = satterthwaite(dof, sheet_variance / count(n), variance);
    Evidence {
        sheets: n,
        correction: block.correction[face],
        scatter: pooled.map(|_| placing.sqrt()),
        scatter_interval: pooled.and_then(|(_, _, d)| {
            let (low, high) = sd_interval(sheet_variance.sqrt(), d, 0.95)?;
            let bare = |v: f64| (v * v - measuring).max(0.0).sqrt();
            Some((bare(low), bare(high)))
        }),
        measuring: measuring.sqrt(),
        se,
        dof,
        half: multiplier(dof).map_or(f64::INFINITY, |k| k * se),
        sheet_variance,
        zero_variance,
        dof_by_sheet,
    }
}

fn scatters_more(own: Spread, (_, others, dof): (f64, f64, f64)) -> bool {
    let limit = fisher_f(OWN_SCATTER, count(own.n - 1), dof);
    limit.is_some_and(|limit| own.total > limit * others)
}

fn satterthwaite(dof: f64, estimated: f64, total: f64) -> f64 {
    if dof <= 0.0 {
        return 0.0;
    }
    if estimated <= 0.0 {
        return f64::INFINITY;
    }
    let ratio = total / estimated;
    dof * ratio * ratio
}

/// Standard errors to either side that hold all that is judged of a block at once.
#[allow(clippy::cast_precision_loss)]
fn multiplier(dof: f64) -> Option<f64> {
    student_t(1.0 - FALSE_ALARM / (2 * JUDGED) as f64, dof)
}

impl Evidence {
    /// Half the interval that would be left with sheets without number: that of the zero, mm.
    pub(crate) fn lasting(&self) -> f64 {
        multiplier(f64::INFINITY).map_or(f64::INFINITY, |k| k * self.zero_variance.sqrt())
    }

    /// Whether the correction is more than chance makes of so few sheets.
    pub(crate) fn beyond_chance(&self) -> bool {
        self.correction.abs() > self.half
    }

    /// How many more proofs would show a shift of `detect` mm, four times in
    /// five; at the scatter seen so far.
    pub(crate) fn more_proofs(&self, detect: f64) -> More {
        if self.dof <= 0.0 {
            // Three sheets are the fewest that tell scatter from shift at all.
            return More::Proofs(3_usize.saturating_sub(self.sheets).max(1));
        }
        let enough = |n: usize| {
            let estimated = self.sheet_variance / count(n);
            let total = estimated + self.zero_variance;
            let dof = satterthwaite(self.dof_by_sheet * count(n - 1), estimated, total);
            multiplier(dof)
                .zip(student_t(POWER, dof))
                .is_some_and(|(k, t)| (k + t) * total.sqrt() <= detect)
        };
        // More sheets never make it worse, so the fewest can be halved in on.
        let mut few = self.sheets.max(1);
        let mut many = few + MOST_PROOFS;
        if !enough(many) {
            return if enough(many * 1000) {
                More::TooMany
            } else {
                More::NoneWould
            };
        }
        while many - few > 1 {
            let half = few.midpoint(many);
            if enough(half) {
                many = half;
            } else {
                few = half;
            }
        }
        More::Proofs(many - self.sheets)
    }
}
