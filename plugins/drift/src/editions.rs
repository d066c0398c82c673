//! A series by year: editions scatter about the trend, and sheets scatter
//! within an edition.

use restrike_ops::group_trend::{Group, GroupTrend, group_trend};
use restrike_ops::mann_kendall::mann_kendall;
use restrike_ops::quantiles::student_t;

use crate::series::Series;
use crate::settings::Settings;

/// What is known of a series by year.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct OverYears {
    pub(crate) groups: Vec<Group>,
    pub(crate) trend: GroupTrend,
    /// Mann-Kendall test on the editions' means.
    pub(crate) rank_p: Option<f64>,
    pub(crate) residual_sigma: f64,
    /// Slope that would be found in four of five such studies.
    pub(crate) least_told: Option<f64>,
    /// Years of printing, spread evenly over the same span with as many sheets each,
    /// that would find the slope seen in four of five studies; none if more than
    /// [`MOST_YEARS`].
    pub(crate) would_tell: Option<usize>,
}

/// Most years of printing that are thought of.
pub(crate) const MOST_YEARS: usize = 60;
/// Share of studies that are to find a slope.
const POWER: f64 = 0.8;

/// Years a trend needs at least: with three, a single degree of freedom is left.
const LEAST_YEARS: usize = 3;

/// The values of each year.
pub(crate) fn groups(series: &Series) -> Vec<Group> {
    series
        .points
        .chunk_by(|a, b| a.at == b.at)
        .filter_map(|same| {
            let values: Vec<f64> = same.iter().map(|p| p.value).collect();
            Group::of(same[0].at, &values)
        })
        .collect()
}

/// Assesses a series, or says why it cannot be.
pub(crate) fn assess(series: &Series, settings: &Settings) -> Result<OverYears, String> {
    let groups = groups(series);
    if groups.len() < LEAST_YEARS {
        return Err(format!(
            "sheets of {} with a value; a trend over years needs {LEAST_YEARS}",
            match groups.len() {
                0 => "no year".to_owned(),
                1 => "one year".to_owned(),
                k => format!("{k} years"),
            }
        ));
    }
    let first = series.points[0].value;
    if series.points.iter().all(|p| p.value == first) {
        return Err("the value is the same on all sheets".to_owned());
    }
    let trend = group_trend(&groups, settings.confidence).ok_or("no line through these years")?;
    let (at, means): (Vec<f64>, Vec<f64>) = groups.iter().map(|g| (g.at, g.mean)).unzip();
    let within = trend.within.unwrap_or(0.0);
    Ok(OverYears {
        rank_p: mann_kendall(&at, &means, 1.0).map(|m| m.p),
        least_told: least_told(groups.len(), settings.confidence, trend.se),
        would_tell: would_tell(&groups, &trend, settings.confidence),
        residual_sigma: (trend.between * trend.between + within * within).sqrt(),
        trend,
        groups,
    })
}

/// Slope that is found with [`POWER`] by a test on `years` groups with that standard error.
#[allow(clippy::cast_precision_loss)]
fn least_told(years: usize, confidence: f64, se: f64) -> Option<f64> {
    let dof = years.checked_sub(2).filter(|d| *d > 0)? as f64;
    let t = student_t(0.5 + confidence / 2.0, dof)? + student_t(POWER, dof)?;
    Some(t * se)
}

/// Fewest years that would find the slope: their means scatter as those seen do.
#[allow(clippy::cast_precision_loss)]
fn would_tell(groups: &[Group], trend: &GroupTrend, confidence: f64) -> Option<usize> {
    let span = groups.last()?.at - groups.first()?.at;
    let sheets = groups.iter().map(|g| g.count).sum::<usize>() as f64 / groups.len() as f64;
    let within = trend.within.unwrap_or(0.0);
    let variance = trend.between * trend.between + within * within / sheets;
    (groups.len() + 1..=MOST_YEARS).find(|k| {
        let n = *k as f64;
        // Sum of squares of n places evenly spread over the span.
        let spread = span * span * n * (n + 1.0) / (12.0 * (n - 1.0));
        least_told(*k, confidence, (variance / spread).sqrt())
            .is_some_and(|s| s <= trend.slope.abs())
    })
}
