//! A series by year: editions scatter about the trend, and sheets scatter
//! within an edition.

use restrike_ops::group_trend::{Group, GroupTrend, group_trend};
use restrike_ops::mann_kendall::mann_kendall;

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
}

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
        residual_sigma: (trend.between * trend.between + within * within).sqrt(),
        trend,
        groups,
    })
}
