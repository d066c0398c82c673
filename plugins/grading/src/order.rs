//! Yields, and how many more sheets an order takes.

use restrike_ops::beta_binomial::{Chance, least_trials};
use restrike_ops::binomial_interval::{self, ShareInterval};
use restrike_ops::dirichlet_multinomial::{HalvesGood, least_sheets};
use restrike_ops::quantiles;

use crate::grade::Grade;
use crate::odds::Judged;
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
    /// Of those to be looked at again, how many lack a number that decides.
    pub(crate) not_measured: u64,
}

impl Counts {
    pub(crate) fn of(all: &[Judged]) -> Self {
        let mut c = Self::default();
        for j in all {
            let s = j.standing;
            match s.grade() {
                Some(Grade::Pass) => c.pass += 1,
                Some(Grade::Second) => c.second += 1,
                Some(Grade::Reject) => c.reject += 1,
                None => {
                    c.look_again += 1;
                    c.no_pass += u64::from(s.best > Grade::Pass);
                    c.not_measured += u64::from(j.pass.is_none());
                }
            }
        }
        c
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
    /// Undecided ones counted by their chances.
    pub(crate) share: f64,
    /// From the interval's lower end if none of those passes to its upper end
    /// if all do.
    pub(crate) interval: ShareInterval,
}

/// Expected share that passes, of those that lack no number that could decide.
fn expected<'a>(all: impl IntoIterator<Item = &'a Judged>) -> Option<f64> {
    let (sum, n) = all
        .into_iter()
        .filter(|j| j.told)
        .filter_map(|j| j.pass)
        .fold((0.0, 0.0), |a, p| (a.0 + p, a.1 + 1.0));
    (n > 0.0).then(|| sum / n)
}

/// The yield of sheets, or of one image; none where nothing is known.
pub(crate) fn yield_of(all: &[Judged], kind: IntervalKind, level: f64) -> Option<Yield> {
    let counts = Counts::of(all);
    let share = expected(all)?;
    let interval = |good: u64| match kind {
        IntervalKind::Jeffreys => binomial_interval::jeffreys(good, counts.all(), level),
        IntervalKind::Exact => binomial_interval::exact(good, counts.all(), level),
    };
    Some(Yield {
        share,
        interval: ShareInterval {
            low: interval(counts.pass)?.low,
            high: interval(counts.may_pass())?.high,
        },
    })
}

/// Sheets with no, one and two good halves, each by its chance; sheets of which
/// a half has none are left out.
fn halves_good(sheets: &[[Option<f64>; 2]]) -> [f64; 3] {
    let mut found = [0.0; 3];
    for halves in sheets {
        if let [Some(a), Some(b)] = *halves {
            found[0] += (1.0 - a) * (1.0 - b);
            found[1] += a * (1.0 - b) + b * (1.0 - a);
            found[2] += a * b;
        }
    }
    found
}

/// The yield of halves. Those of one sheet are not independent: the interval is
/// that of a beta distribution with the mean and the variance that the share of
/// good halves has under the Dirichlet posterior of sheets with no, one and two.
pub(crate) fn yield_of_halves(sheets: &[[Judged; 2]], level: f64) -> Option<Yield> {
    let share = expected(sheets.iter().flatten())?;
    let end = |open: Open| -> Option<ShareInterval> {
        let told: Vec<[Option<f64>; 2]> = sheets
            .iter()
            .map(|s| s.map(|j| open.chance(&j, Grade::Pass)))
            .collect();
        halves_interval(halves_good(&told), level)
    };
    Some(Yield {
        share,
        interval: ShareInterval {
            low: end(Open::AllBad)?.low,
            high: end(Open::AllGood)?.high,
        },
    })
}

fn halves_interval(sheets: [f64; 3], level: f64) -> Option<ShareInterval> {
    let all: f64 = sheets.iter().sum();
    let posterior = HalvesGood::after_pilot(sheets);
    let total: f64 = posterior.0.iter().sum();
    let mean = posterior.mean() / 2.0;
    let square = (0.25 * posterior.0[1] + posterior.0[2]) / total;
    let variance = (square - mean * mean) / (total + 1.0);
    let strength = mean * (1.0 - mean) / variance - 1.0;
    let tail = (1.0 - level) / 2.0;
    let end = |p: f64| quantiles::beta(p, mean * strength, (1.0 - mean) * strength);
    let good = sheets[1] + 2.0 * sheets[2];
    Some(ShareInterval {
        low: if good <= 0.0 { 0.0 } else { end(tail)? },
        high: if good >= 2.0 * all {
            1.0
        } else {
            end(1.0 - tail)?
        },
    })
}

/// How those that are to be looked at again are counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Open {
    ByChance,
    AllBad,
    AllGood,
}

impl Open {
    /// Chance of a grade or a better one.
    fn chance(self, j: &Judged, limit: Grade) -> Option<f64> {
        if self == Self::ByChance && !j.told {
            return None;
        }
        let s = j.standing;
        match (s.worst <= limit, s.best > limit) {
            (true, _) => Some(1.0),
            (_, true) => Some(0.0),
            _ => match self {
                Self::ByChance => j.chance(limit),
                Self::AllBad => Some(0.0),
                Self::AllGood => Some(1.0),
            },
        }
    }
}

/// Sheets still to be printed.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct ToPrint {
    /// Good ones there are for certain (or, in the ranges, if so).
    pub(crate) good: u64,
    /// What the forecast rests on: expected good ones of so many, in what is counted.
    pub(crate) pilot: (f64, u64),
    /// Good ones a sheet gives on average.
    pub(crate) per_sheet: f64,
    /// Sheets to print; none where that is not to be said.
    pub(crate) sheets: Option<usize>,
    /// Sheets that would do if all came out as on average.
    pub(crate) average: Option<usize>,
}

/// What an order takes: those to be looked at again counted by their chances,
/// if all of them prove good, if none does.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Forecast {
    pub(crate) likely: ToPrint,
    pub(crate) least: ToPrint,
    pub(crate) most: ToPrint,
}

/// `sheets`: each sheet's images.
pub(crate) fn forecast(order: &Order, sheets: &[Vec<Judged>]) -> Forecast {
    let of = |open| to_print(order, sheets, open);
    Forecast {
        likely: of(Open::ByChance),
        least: of(Open::AllGood),
        most: of(Open::AllBad),
    }
}

fn to_print(order: &Order, sheets: &[Vec<Judged>], open: Open) -> ToPrint {
    let limit = if order.seconds {
        Grade::Second
    } else {
        Grade::Pass
    };
    let chance = |j: &Judged| open.chance(j, limit);
    let certain = |all: &[Option<f64>]| count(all.iter().filter(|p| **p == Some(1.0)).count());
    let up = sheets.iter().map(Vec::len).max().unwrap_or(1);
    let confidence = order.confidence;
    if order.of == Of::Copies && up == 2 {
        let halves: Vec<Option<f64>> = sheets.iter().flatten().map(chance).collect();
        let pairs: Vec<[Option<f64>; 2]> = sheets
            .iter()
            .filter_map(|s| match s.as_slice() {
                [a, b] => Some([chance(a), chance(b)]),
                _ => None,
            })
            .collect();
        let pilot = halves_good(&pairs);
        let known = pairs
            .iter()
            .filter(|p| p.iter().all(Option::is_some))
            .count();
        let posterior = HalvesGood::after_pilot(pilot);
        return filled(
            order,
            certain(&halves),
            (pilot[1] + 2.0 * pilot[2], 2 * count(known)),
            posterior.mean(),
            |need| least_sheets(&posterior, need, confidence, MOST_TWO_UP),
        );
    }
    let told: Vec<Option<f64>> = if order.of == Of::Copies && up == 1 {
        sheets.iter().flatten().map(chance).collect()
    } else {
        let whole = |s: &Vec<Judged>| chance(&Judged::all(s.iter().copied()));
        sheets.iter().map(whole).collect()
    };
    let known: Vec<f64> = told.iter().copied().flatten().collect();
    let good: f64 = known.iter().sum();
    let bad: f64 = known.iter().map(|p| 1.0 - p).sum();
    let posterior = Chance::after_pilot(good, bad);
    let pilot = (good, count(known.len()));
    filled(order, certain(&told), pilot, posterior.mean(), |need| {
        least_trials(&posterior, need, confidence, MOST_SHEETS)
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
    pilot: (f64, u64),
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
