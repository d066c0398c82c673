//! Control charts of a series: individuals, moving range, EWMA, CUSUM, all
//! two-sided, each set so that a steady run gives a false signal once in about
//! 370 sheets.
//!
//! Average run lengths of the parameters (Brook and Evans, Biometrika 59, 1972:
//! Markov chain, evaluated with 400 states and more) without and with a shift of
//! one standard deviation: EWMA 373 and 9.6, CUSUM 371 and 9.9.

use restrike_ops::autocorrelation::Noise;
use restrike_ops::control_charts::{Cusum, cusum, ewma, ewma_sigma};

use crate::model::mean;
use crate::settings::Settings;

/// Limits of individuals and moving range, standard deviations.
const SINGLE: f64 = 3.0;
/// Weight of the newest sheet in the EWMA.
const EWMA_WEIGHT: f64 = 0.13;
/// Limit of the EWMA in its own standard deviations.
const EWMA_LIMIT: f64 = 2.77;
/// Allowance of the CUSUM, standard deviations.
const CUSUM_ALLOWANCE: f64 = 0.5;
/// Limit of the CUSUM, standard deviations.
pub(crate) const CUSUM_LIMIT: f64 = 4.78;
/// Mean number of sheets between false signals of a chart on a steady run.
pub(crate) const RUN_LENGTH: f64 = 370.0;
/// Least sheets the centre is taken from.
const LEAST_BASELINE: usize = 20;

/// Which chart.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Chart {
    Individuals,
    MovingRange,
    Ewma,
    Cusum,
}

impl Chart {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Individuals => "individuals",
            Self::MovingRange => "moving range",
            Self::Ewma => "EWMA",
            Self::Cusum => "CUSUM",
        }
    }
}

/// A run of sheets beyond a limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Signal {
    pub(crate) chart: Chart,
    pub(crate) above: bool,
    /// First and last value beyond the limit.
    pub(crate) first: usize,
    pub(crate) last: usize,
    /// Where the sum that crossed the limit began, of a CUSUM.
    pub(crate) since: Option<usize>,
    /// The chart's value at the first, in the unit of the column.
    pub(crate) value: f64,
    pub(crate) limit: f64,
}

/// The charts of a series.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Charts {
    pub(crate) centre: f64,
    pub(crate) sigma: f64,
    pub(crate) baseline: usize,
    /// Limits of single sheets.
    pub(crate) limits: (f64, f64),
    /// The EWMA in the unit of the column, and its limits.
    pub(crate) ewma: Vec<f64>,
    pub(crate) ewma_limits: (f64, f64),
    /// The sums in the unit of the column.
    pub(crate) cusum: Vec<Cusum>,
    pub(crate) signals: Vec<Signal>,
    /// Signals beyond those listed.
    pub(crate) more: usize,
}

/// Draws up the charts. `changes` are the places where the level changes.
pub(crate) fn charts(
    values: &[f64],
    changes: &[usize],
    noise: Noise,
    settings: &Settings,
) -> Charts {
    let n = values.len();
    let noise = noise.clear_of_chance();
    let baseline = match settings.baseline_sheets {
        0 => changes.first().copied().unwrap_or(n).max(LEAST_BASELINE),
        given => given,
    }
    .clamp(1, n);
    let centre = centre(&values[..baseline], noise.sigma);
    let Noise { sigma, rho, .. } = noise;
    // Neighbours made independent, in standard deviations.
    let free: Vec<f64> = (0..n)
        .map(|i| {
            let here = (values[i] - centre) / sigma;
            match i.checked_sub(1) {
                Some(before) if rho > 0.0 => {
                    (here - rho * (values[before] - centre) / sigma) / (1.0 - rho * rho).sqrt()
                }
                _ => here,
            }
        })
        .collect();
    let mut all = Found {
        most: settings.most_signals,
        signals: Vec::new(),
        more: 0,
    };
    let limits = (centre - SINGLE * sigma, centre + SINGLE * sigma);
    for (above, limit) in [(true, limits.1), (false, limits.0)] {
        all.runs(Chart::Individuals, above, limit, n, |i| values[i]);
    }
    let range = SINGLE * sigma * (2.0 * (1.0 - rho)).sqrt();
    all.runs(Chart::MovingRange, true, range, n, |i| {
        if i == 0 {
            0.0
        } else {
            (values[i] - values[i - 1]).abs()
        }
    });
    let reach = EWMA_LIMIT * ewma_sigma(EWMA_WEIGHT, 10_000);
    let averages: Vec<f64> = ewma(&free, 0.0, EWMA_WEIGHT)
        .into_iter()
        .map(|e| centre + sigma * e)
        .collect();
    let ewma_limits = (centre - sigma * reach, centre + sigma * reach);
    for (above, limit) in [(true, ewma_limits.1), (false, ewma_limits.0)] {
        all.runs(Chart::Ewma, above, limit, n, |i| averages[i]);
    }
    let sums: Vec<Cusum> = cusum(&free, 0.0, CUSUM_ALLOWANCE)
        .into_iter()
        .map(|c| Cusum {
            high: sigma * c.high,
            low: sigma * c.low,
        })
        .collect();
    for (above, side) in [(true, high as fn(&Cusum) -> f64), (false, low)] {
        let from = all.signals.len();
        all.runs(Chart::Cusum, true, CUSUM_LIMIT * sigma, n, |i| {
            side(&sums[i])
        });
        for s in &mut all.signals[from..] {
            s.above = above;
            let zero = sums[..s.first].iter().rposition(|c| side(c) == 0.0);
            s.since = Some(zero.map_or(0, |z| z + 1));
        }
    }
    Charts {
        centre,
        sigma,
        baseline,
        limits,
        ewma: averages,
        ewma_limits,
        cusum: sums,
        signals: all.signals,
        more: all.more,
    }
}

pub(crate) fn high(c: &Cusum) -> f64 {
    c.high
}

pub(crate) fn low(c: &Cusum) -> f64 {
    c.low
}

/// Mean of what lies within three standard deviations of the median.
fn centre(values: &[f64], sigma: f64) -> f64 {
    let middle = restrike_ops::stats::median(values).unwrap_or(0.0);
    let near: Vec<f64> = values
        .iter()
        .copied()
        .filter(|v| (v - middle).abs() <= SINGLE * sigma)
        .collect();
    if near.is_empty() { middle } else { mean(&near) }
}

struct Found {
    most: usize,
    signals: Vec<Signal>,
    more: usize,
}

impl Found {
    /// Adds the runs of values beyond a limit.
    fn runs(
        &mut self,
        chart: Chart,
        above: bool,
        limit: f64,
        n: usize,
        value: impl Fn(usize) -> f64,
    ) {
        let beyond = |i: usize| {
            let v = value(i);
            if above { v > limit } else { v < limit }
        };
        let mut listed = 0;
        let mut i = 0;
        while i < n {
            if !beyond(i) {
                i += 1;
                continue;
            }
            let first = i;
            while i < n && beyond(i) {
                i += 1;
            }
            if listed == self.most {
                self.more += 1;
                continue;
            }
            listed += 1;
            self.signals.push(Signal {
                chart,
                above,
                first,
                last: i - 1,
                since: None,
                value: value(first),
                limit,
            });
        }
    }
}
