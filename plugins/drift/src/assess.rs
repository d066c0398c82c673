//! A series by position: slope, trend test, levels, changes.

use restrike_ops::autocorrelation::{
    Noise, autocorrelation, autoregression, carried_on, clipped_sd, noise_from_differences, ranks,
    unbiased,
};
use restrike_ops::bent_line::{BentLine, bent_line};
use restrike_ops::change_points::change_points;
use restrike_ops::mann_kendall::{MannKendall, inflation, mann_kendall};
use restrike_ops::quantiles::{normal, student_t};
use restrike_ops::step_scan::{step_interval, step_probability};
use restrike_ops::theil_sen::{Slopes, TheilSen};

use crate::charts::{self, Charts};
use crate::model::{self, Course, Levels, levels, mean};
use crate::series::{Axis, Series};
use crate::settings::Settings;

/// What is known of a series by position.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Assessed {
    pub(crate) line: TheilSen,
    pub(crate) trend: MannKendall,
    /// Order of the model of correlated neighbours.
    pub(crate) lag: usize,
    /// Independent sheets the trend test is worth.
    pub(crate) effective: f64,
    pub(crate) levels: Levels,
    /// The course the numbers speak for, a constant left aside.
    pub(crate) course: Course,
    /// The line with a bend, if that is the course.
    pub(crate) bent: Option<BentLine>,
    pub(crate) residual_sigma: f64,
    /// Probability that chance makes such a trend or such levels.
    pub(crate) p: f64,
    pub(crate) changes: Vec<Change>,
    pub(crate) charts: Charts,
}

/// A change of level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Change {
    /// The first value of the new level.
    pub(crate) at: usize,
    /// First and last place the change may have.
    pub(crate) between: (usize, usize),
    pub(crate) before: f64,
    pub(crate) after: f64,
    /// Standard error of the difference.
    pub(crate) size_se: f64,
    pub(crate) bic_gain: f64,
    pub(crate) p: f64,
}

/// By how much levels, or a line with a bend, must be better than a line before what they
/// leave over is asked for its correlation.
const CLEARLY: f64 = 10.0;

/// Least sheets before a bend and after it.
const LEAST_BESIDE: usize = 3;

/// A creep may go back by this share of its slope on the other side of a bend.
const BACK: f64 = 0.25;

/// Independent sheets a series must be worth at least.
const LEAST_WORTH: f64 = 4.0;

/// Assesses a series, or says why it cannot be.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn assess(series: &Series, settings: &Settings) -> Result<Assessed, String> {
    let n = series.points.len();
    if n < settings.least_sheets {
        let place = if series.key.axis == Axis::List {
            "a value"
        } else {
            "a value and a position"
        };
        return Err(format!(
            "{n} sheets with {place}, fewer than {}",
            settings.least_sheets
        ));
    }
    let at: Vec<f64> = series.points.iter().map(|p| p.at).collect();
    let values: Vec<f64> = series.points.iter().map(|p| p.value).collect();
    if values.iter().all(|v| *v == values[0]) {
        return Err("the value is the same on all sheets".to_owned());
    }
    let shortest = settings.shortest_stretch.min(n / 2);
    let noise = noise(&values, shortest).ok_or("neighbours do not differ")?;
    let mut slopes = Slopes::new(&at, &values).ok_or("all sheets are at one position")?;
    let (slope, intercept) = slopes.line();
    let mut line = TheilSen {
        slope,
        low: slope,
        high: slope,
        intercept,
    };
    let levels =
        levels(&at, &values, &line, noise, shortest).ok_or("too few sheets for two stretches")?;

    let of_line: Vec<f64> = at
        .iter()
        .zip(&values)
        .map(|(x, y)| y - slope * x - intercept)
        .collect();
    let bent = bent(&at, &levels, &of_line, settings.most_lag);
    let (lag, factor) = if let Some(b) = &bent {
        b.correlation
    } else if levels.bic_levels() < levels.bic_line.min(0.0) - CLEARLY {
        let starts = levels.starts();
        let terms = u32::try_from(starts.len() + 1).unwrap_or(u32::MAX);
        correlation(&about_levels(&values, &starts), terms, settings.most_lag)
    } else {
        correlation(&of_line, 2, settings.most_lag)
    };
    if (n as f64) / factor < LEAST_WORTH {
        return Err(format!(
            "neighbours among the {n} sheets resemble each other so much that they are worth {:.1} independent ones, \
             fewer than {LEAST_WORTH}",
            n as f64 / factor
        ));
    }
    let wider = factor * for_estimate(lag, n as f64 / factor);
    (line.low, line.high) = slopes
        .interval(settings.confidence, wider)
        .ok_or("no interval for this confidence")?;
    let trend = mann_kendall(&at, &values, wider).ok_or("too few sheets for a trend test")?;

    let course = if bent.is_some() {
        Course::Bent
    } else if levels.bic_levels() < levels.bic_line {
        levels.course()
    } else {
        Course::Line
    };
    let bent = bent.map(|b| b.line);
    let about = |x: f64| bent.map_or(line.slope * x + line.intercept, |b| b.at(x));
    let residual = match course {
        Course::Step | Course::Stretches => about_levels(&values, &levels.starts()),
        Course::Line | Course::Bent | Course::Constant => {
            at.iter().zip(&values).map(|(x, y)| y - about(*x)).collect()
        }
    };
    Ok(Assessed {
        effective: n as f64 / factor,
        residual_sigma: clipped_sd(&residual).unwrap_or(0.0),
        p: (2.0 * trend.p.min(levels.p)).min(1.0),
        changes: changes(
            &levels,
            course,
            |i| about(at[i]),
            noise,
            shortest,
            settings.confidence,
        ),
        charts: charts::charts(&values, &levels.changes, noise, settings),
        line,
        trend,
        lag,
        course,
        bent,
        levels,
    })
}

/// A creep that begins, ends or changes on the way.
struct Bent {
    line: BentLine,
    /// Order of the model of correlated neighbours about it, and the factor of the trend test.
    correlation: (usize, f64),
}

/// The line with one bend, where it is clearly better than a straight one and better than
/// levels: what a creep that begins late leaves about a straight line looks like neighbours
/// that resemble each other. Sheets count for as many as they are worth about it.
#[allow(clippy::cast_precision_loss)]
fn bent(at: &[f64], levels: &Levels, of_line: &[f64], most_lag: usize) -> Option<Bent> {
    const TERMS: u32 = 4;
    let values = &levels.values;
    let line = bent_line(at, values, LEAST_BESIDE)?;
    // Up and down again is a wave, not a creep.
    let [small, large] = if line.slopes[0].abs() < line.slopes[1].abs() {
        line.slopes
    } else {
        [line.slopes[1], line.slopes[0]]
    };
    if small * large < -BACK * large * large {
        return None;
    }
    let left: Vec<f64> = at
        .iter()
        .zip(values)
        .map(|(x, y)| y - line.at(*x))
        .collect();
    let correlation = correlation(&left, TERMS, most_lag);
    let worth = values.len() as f64 / correlation.1;
    // By how much BIC is less than that of another course.
    let gain = |left: f64, terms: f64| {
        worth * (model::log(left) - model::log(line.left.max(f64::MIN_POSITIVE)))
            - (f64::from(TERMS) - terms) * model::log(worth)
    };
    let straight = of_line.iter().map(|r| r * r).sum();
    let (of_levels, terms) = levels.left();
    (gain(straight, 2.0) > CLEARLY && gain(of_levels, terms) > 0.0)
        .then_some(Bent { line, correlation })
}

/// Scatter and correlation of neighbours within stretches of one level: the
/// stretches are found with the noise that differences show at first sight, which
/// in a short series a jump still enlarges. Of the correlation that differences
/// show and the one of what is left about the stretches the larger counts: either
/// alone is often too small in a short series, and then chance looks like a jump.
fn noise(values: &[f64], shortest: usize) -> Option<Noise> {
    let first = noise_from_differences(values, &[])?;
    let breaks = model::breaks(values, first, shortest);
    let second = noise_from_differences(values, &breaks)?;
    let terms = u32::try_from(breaks.len() + 1).unwrap_or(u32::MAX);
    let left = ranks(&about_levels(values, &breaks));
    let rho = autocorrelation(&left, 1)
        .first()
        .map_or(0.0, |r| unbiased(*r, values.len(), terms).min(0.9));
    if rho <= second.rho {
        return Some(second);
    }
    // The scatter of differences stays as it is.
    Some(Noise {
        sigma: second.sigma * ((1.0 - second.rho) / (1.0 - rho)).sqrt(),
        rho,
        ..second
    })
}

/// What is left about the mean of each stretch.
fn about_levels(values: &[f64], starts: &[usize]) -> Vec<f64> {
    let mut left = Vec::with_capacity(values.len());
    for (a, b) in model::stretches(values.len(), starts) {
        let mean = mean(&values[a..b]);
        left.extend(values[a..b].iter().map(|v| v - mean));
    }
    left
}

/// Order of the model of correlated neighbours, and the factor by which they
/// enlarge the variance of the trend test (no smaller than that of order 1, and
/// never below 1: a correlation that
/// would make the test sharper than for independent sheets is not relied on).
fn correlation(left: &[f64], terms: u32, most_lag: usize) -> (usize, f64) {
    let n = left.len();
    // Few sheets do not carry a high order.
    let most_lag = most_lag.min((n / 10).max(1));
    let acf: Vec<f64> = autocorrelation(&ranks(left), most_lag)
        .into_iter()
        .map(|r| unbiased(r, n, terms))
        .collect();
    let phi = autoregression(&acf, n);
    let of = |phi: &[f64]| inflation(n, &carried_on(phi, &acf, n));
    // A higher order fitted to few sheets may end with a smaller factor.
    let first = acf.first().copied().filter(|_| !phi.is_empty());
    let factor = of(&phi).max(first.map_or(1.0, |r| of(&[r]))).max(1.0);
    (phi.len(), factor)
}

/// By how much more the variance grows because the correlation is estimated:
/// Student's t over the normal quantile, squared, at 95 %, with as many degrees of
/// freedom as there are independent sheets, less two.
fn for_estimate(lag: usize, effective: f64) -> f64 {
    let pair = student_t(0.975, (effective - 2.0).max(2.0)).zip(normal(0.975));
    match pair {
        Some((t, z)) if lag > 0 => (t / z) * (t / z),
        _ => 1.0,
    }
}

/// The changes of level, of a line those that lie over the line.
#[allow(clippy::cast_precision_loss)]
fn changes(
    levels: &Levels,
    course: Course,
    about: impl Fn(usize) -> f64,
    noise: Noise,
    shortest: usize,
    confidence: f64,
) -> Vec<Change> {
    let n = levels.values.len();
    let (values, starts) = if matches!(course, Course::Line | Course::Bent) {
        let left = levels.values.iter().enumerate();
        let left: Vec<f64> = left.map(|(i, y)| y - about(i)).collect();
        let penalty = model::penalty(levels.worth) * levels.long_variance;
        let starts = change_points(&left, penalty, shortest);
        (left, starts)
    } else {
        (levels.values.clone(), levels.starts())
    };
    let variance = levels.long_variance;
    let factor = variance / (noise.sigma * noise.sigma);
    let mut found = Vec::new();
    for (i, start) in starts.iter().enumerate() {
        let first = if i == 0 { 0 } else { starts[i - 1] };
        let end = starts.get(i + 1).copied().unwrap_or(n);
        let (before, after) = (mean(&values[first..*start]), mean(&values[*start..end]));
        let (a, b) = ((start - first) as f64, (end - start) as f64);
        let share = 1.0 / a + 1.0 / b;
        let gain = (after - before) * (after - before) / share / variance;
        let span = &values[first..end];
        let (low, high) = step_interval(span, shortest, variance, confidence);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let worth = ((span.len() as f64 / factor).round() as usize).max(4);
        found.push(Change {
            at: *start,
            between: (first + low, first + high),
            before,
            after,
            size_se: (variance * share).sqrt(),
            bic_gain: gain - 2.0 * model::log(levels.worth),
            p: step_probability(gain.sqrt(), worth, model::scaled(shortest, factor, worth)),
        });
    }
    found
}
