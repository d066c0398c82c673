//! Yields, and how many more sheets an order takes.

use restrike_ops::beta_binomial::{Chance, least_trials};
use restrike_ops::binomial_interval::{self, ShareInterval};
use restrike_ops::dirichlet_multinomial::{HalvesGood, least_sheets};
use restrike_ops::quantiles;

use crate::grade::{Grade, Standing};
use crate::settings::{IntervalKind, Of, Order};

/// Sheets beyond which no answer is looked for.
const MOST_SHEETS: usize = 100_000;
/// The same for two-up sheets, where each answer takes the square of as many steps.
const MOST_TWO_UP: usize = 10_000;

/// How many came to which grade.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Counts {
    pub(crate) pass: u64,
    pub(crate) second: u64,
    pub(crate) reject: u64,
    pub(crate) look_again: u64,
    /// Of those to be looked at again, how many do not pass in any case.
    pub(crate) no_pass: u64,
}

impl Counts {
    pub(crate) fn of(all: impl IntoIterator<Item = Standing>) -> Self {
        let mut c = Self::default();
        for s in all {
            match s.grade() {
                Some(Grade::Pass) => c.pass += 1,
                Some(Grade::Second) => c.second += 1,
                Some(Grade::Reject) => c.reject += 1,
                None => {
                    c.look_again += 1;
                    c.no_pass += u64::from(s.best > Grade::Pass);
                }
            }
        }
        c
    }

    /// Those of which it is known whether they pass.
    pub(crate) fn known(&self) -> u64 {
        self.pass + self.second + self.reject + self.no_pass
    }

    pub(crate) fn all(&self) -> u64 {
        self.pass + self.second + self.reject + self.look_again
    }

    /// Those that may pass.
    pub(crate) fn may_pass(&self) -> u64 {
        self.pass + self.look_again - self.no_pass
    }
}

/// A share of good ones with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Yield {
    pub(crate) share: f64,
    pub(crate) interval: ShareInterval,
}

#[allow(clippy::cast_precision_loss)]
fn share(good: u64, of: u64) -> f64 {
    good as f64 / of as f64
}

/// The yield of sheets, or of one image; none where nothing is known.
pub(crate) fn yield_of(counts: &Counts, kind: IntervalKind, level: f64) -> Option<Yield> {
    let of = counts.known();
    if of == 0 {
        return None;
    }
    let interval = match kind {
        IntervalKind::Jeffreys => binomial_interval::jeffreys(counts.pass, of, level),
        IntervalKind::Exact => binomial_interval::exact(counts.pass, of, level),
    }?;
    Some(Yield {
        share: share(counts.pass, of),
        interval,
    })
}

/// Sheets with no, one and two good halves among those with both known.
pub(crate) fn halves_good(
    sheets: &[[Standing; 2]],
    good: impl Fn(Standing) -> Option<bool>,
) -> [u64; 3] {
    let mut found = [0; 3];
    for [a, b] in sheets {
        if let (Some(a), Some(b)) = (good(*a), good(*b)) {
            found[usize::from(a) + usize::from(b)] += 1;
        }
    }
    found
}

/// The yield of halves. Those of one sheet are not independent: the interval is
/// that of a beta distribution with the mean and the variance that the share of
/// good halves has under the Dirichlet posterior of sheets with no, one and two.
pub(crate) fn yield_of_halves(counts: &Counts, sheets: [u64; 3], level: f64) -> Option<Yield> {
    let all: u64 = sheets.iter().sum();
    if all == 0 {
        return None;
    }
    let posterior = HalvesGood::after_pilot(sheets);
    let total: f64 = posterior.0.iter().sum();
    let mean = posterior.mean() / 2.0;
    let square = (0.25 * posterior.0[1] + posterior.0[2]) / total;
    let variance = (square - mean * mean) / (total + 1.0);
    let strength = mean * (1.0 - mean) / variance - 1.0;
    let tail = (1.0 - level) / 2.0;
    let end = |p: f64| quantiles::beta(p, mean * strength, (1.0 - mean) * strength);
    let good = sheets[1] + 2 * sheets[2];
    Some(Yield {
        share: share(counts.pass, counts.known()),
        interval: ShareInterval {
            low: if good == 0 { 0.0 } else { end(tail)? },
            high: if good == 2 * all {
                1.0
            } else {
                end(1.0 - tail)?
            },
        },
    })
}

/// How those that are to be looked at again are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Open {
    LeftOut,
    AllBad,
    AllGood,
}

/// Sheets still to be printed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ToPrint {
    /// Good ones there are.
    pub(crate) good: u64,
    /// What the forecast rests on: good ones of so many, in what is counted.
    pub(crate) pilot: (u64, u64),
    /// Good ones a sheet gives on average.
    pub(crate) per_sheet: f64,
    /// Sheets to print; none where that is not to be said.
    pub(crate) sheets: Option<usize>,
    /// Sheets that would do if all came out as on average.
    pub(crate) average: Option<usize>,
}

/// What an order takes: without those to be looked at again, if all of them
/// prove good, if none does.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Forecast {
    pub(crate) decided: ToPrint,
    pub(crate) least: ToPrint,
    pub(crate) most: ToPrint,
}

/// `sheets`: each sheet's images.
pub(crate) fn forecast(order: &Order, sheets: &[Vec<Standing>]) -> Forecast {
    let of = |open| to_print(order, sheets, open);
    Forecast {
        decided: of(Open::LeftOut),
        least: of(Open::AllGood),
        most: of(Open::AllBad),
    }
}

fn to_print(order: &Order, sheets: &[Vec<Standing>], open: Open) -> ToPrint {
    let limit = if order.seconds {
        Grade::Second
    } else {
        Grade::Pass
    };
    let is_good = |s: Standing| match (s.worst <= limit, s.best > limit) {
        (true, _) => Some(true),
        (_, true) => Some(false),
        _ => match open {
            Open::LeftOut => None,
            Open::AllBad => Some(false),
            Open::AllGood => Some(true),
        },
    };
    let up = sheets.iter().map(Vec::len).max().unwrap_or(1);
    let as_sheets = |s: &Vec<Standing>| {
        let all = s.iter().fold(Standing::PASS, |all, s| all.and(*s));
        is_good(all)
    };
    let confidence = order.confidence;
    if order.of == Of::Copies && up == 2 {
        let halves = || sheets.iter().flatten().map(|s| is_good(*s));
        let good = count(halves().filter(|g| *g == Some(true)).count());
        let pairs: Vec<[Standing; 2]> = sheets
            .iter()
            .filter_map(|s| s.as_slice().try_into().ok())
            .collect();
        let pilot = halves_good(&pairs, is_good);
        let posterior = HalvesGood::after_pilot(pilot);
        let known = pilot.iter().sum::<u64>();
        return filled(
            order,
            good,
            (pilot[1] + 2 * pilot[2], 2 * known),
            posterior.mean(),
            |need| least_sheets(&posterior, need, confidence, MOST_TWO_UP),
        );
    }
    let told: Vec<Option<bool>> = if order.of == Of::Copies && up == 1 {
        sheets.iter().flatten().map(|s| is_good(*s)).collect()
    } else {
        sheets.iter().map(as_sheets).collect()
    };
    let good = count(told.iter().filter(|g| **g == Some(true)).count());
    let known = count(told.iter().flatten().count());
    let chance = Chance::after_pilot(good, known - good);
    filled(order, good, (good, known), chance.mean(), |need| {
        least_trials(&chance, need, confidence, MOST_SHEETS)
    })
}

fn count(n: usize) -> u64 {
    u64::try_from(n).unwrap_or(u64::MAX)
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn filled(
    order: &Order,
    good: u64,
    pilot: (u64, u64),
    per_sheet: f64,
    least: impl Fn(usize) -> Option<usize>,
) -> ToPrint {
    let need = u64::from(order.good).saturating_sub(good);
    let wanted = usize::try_from(need).unwrap_or(usize::MAX);
    let (sheets, average) = match (need, pilot.1) {
        (0, _) => (Some(0), Some(0)),
        (_, 0) => (None, None),
        _ => (
            least(wanted),
            Some((need as f64 / per_sheet).ceil() as usize),
        ),
    };
    ToPrint {
        good,
        pilot,
        per_sheet,
        sheets,
        average,
    }
}
