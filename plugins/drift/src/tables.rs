//! The stage's tables.

use restrike_stage::{ColumnSpec as C, Row, Scope, TableSpec, Value};

use crate::assess::{Assessed, Change};
use crate::charts::{RUN_LENGTH, Signal};
use crate::choose;
use crate::editions::OverYears;
use crate::series::{Axis, Series};
use restrike_stage::figures::six_digits;

pub(crate) const SERIES: &str = "drift_series";
pub(crate) const CHANGES: &str = "drift_changes";
pub(crate) const SIGNALS: &str = "drift_signals";

/// A number of six significant digits; its unit is that of the series.
fn number(name: &str, unit: &str, description: &str) -> C {
    C::any_size(name, unit, description)
}

fn keys() -> Vec<C> {
    vec![
        C::integer(
            "series",
            "",
            "Number of the series, from 1, the clearest drift first; the same in all tables of this stage.",
        ),
        C::text("table", "Table the numbers are from."),
        C::text("column", "Its column."),
        C::text(
            "unit",
            "The column's unit, by the end of its name; numbers here without a unit of their own have it.",
        ),
        C::text(
            "image",
            "Image on the sheet, where the table has that column.",
        ),
        C::text("block", "Block, where the table has that column."),
        C::text("part", "Values of the table's other key columns."),
        C::text(
            "axis",
            "What the series runs along: position in the stack, list (place in the sheet list, where no position is said) or year.",
        ),
        C::text("edition", "Edition of a series by position."),
    ]
}

/// Declarations of all tables.
pub(crate) fn specs() -> Vec<TableSpec> {
    let mut series = keys();
    series.extend([
        C::text("verdict", "none, trend, step (one or more changes of level), too few to tell (years of printing), or not assessed."),
        C::text("words", "The finding in a sentence."),
        C::text("reason", "Why it was not assessed."),
        C::integer("n", "", "Sheets with a value."),
        C::integer("without", "", "Sheets of the edition (by year: of the list) without a value, a position or a year."),
        C::integer("missing", "", "Positions between the first and the last that no value stands for."),
        C::integer("years", "", "Different years, of a series by year."),
        number("first", "", "First position or year."),
        number("last", "", "Last position or year."),
        number("centre", "", "Centre line of the charts: mean of the first stretch without a change of level; by year: mean of the years' means."),
        number("slope_per_100_sheets", "", "Theil-Sen slope over 100 positions."),
        number("slope_per_100_sheets_low", "", "Lower end of its interval."),
        number("slope_per_100_sheets_high", "", "Upper end of its interval."),
        number("bend_at", "", "Position at which a creep begins, ends or changes, of a trend that a line with one bend fits clearly better; empty otherwise."),
        number("before_bend_per_100_sheets", "", "Its slope before the bend."),
        number("after_bend_per_100_sheets", "", "Its slope after the bend."),
        number("slope_per_decade", "", "Slope over ten years, years scattering about the line and sheets within a year."),
        number("slope_per_decade_low", "", "Lower end of its interval."),
        number("slope_per_decade_high", "", "Upper end of its interval."),
        number("least_told_per_decade", "", "Slope that four of five such studies would find, by year."),
        C::integer("years_to_tell", "", "Years of printing, evenly over the same span with as many sheets each, of which four of five studies would find the slope seen; none if more than 60."),
        number("mk_p", "", "Two-sided probability of the Mann-Kendall test, ties and correlated neighbours reckoned in; by year, on the years' means."),
        C::integer("lag", "", "Order of the model of correlated neighbours, 0: independent; at most the setting most_lag."),
        C::number("effective_n", "", 1, "Independent sheets the trend test is worth."),
        number("p", "", "Probability that chance alone gives such a trend or such steps; by year, such a slope."),
        number("q", "", "The same, adjusted for all series of the run, groups of series that say nearly the same counted once (Benjamini-Hochberg, Benjamini-Bogomolov): the least share of false ones among the series with this q or less."),
        C::integer("group", "", "Number of the clearest series among those that say nearly the same as this one."),
        C::number("bic_trend", "", 2, "BIC of a line less that of a constant: under 0 speaks for the line."),
        C::number("bic_step", "", 2, "BIC of the best step or steps less that of a constant."),
        C::number("bic_step_less_trend", "", 2, "Their difference: under 0 speaks for steps, over 0 for a line."),
        number("residual_sigma", "", "Standard deviation about the course that fits best; by year: of a sheet about the line, from year to year and within."),
        number("repeat_sigma", "", "Standard deviation from scan to scan of one sheet, over the sheets that were scanned more than once (several scans of one position)."),
        C::integer("repeat_scans", "", "Degrees of freedom of it: scans beyond the first of each sheet."),
        C::number("repeat_pct", "%", 1, "repeat_sigma as a share of the standard deviation of the sheets' values: how much of what is seen is the measuring."),
        number("between_years_sigma", "", "Standard deviation of years about the line."),
        number("within_years_sigma", "", "Standard deviation of sheets within a year."),
        C::integer("changes", "", "Changes of level listed in drift_changes."),
        C::integer("signals", "", "Chart signals, those beyond the setting most_signals too."),
        C::number("signals_by_chance", "", 1, "Signals to expect of a steady run of this length, four charts together."),
        C::integer("baseline_sheets", "", "Sheets the centre line is taken from."),
    ]);
    let mut changes = keys();
    changes.extend([
        C::integer(
            "sheet",
            "",
            "First sheet of the new level: place in the sheet list.",
        ),
        number("at", "", "Its position."),
        number(
            "at_low",
            "",
            "First position the change may have (95 % unless set otherwise).",
        ),
        number("at_high", "", "Last position the change may have."),
        number(
            "before",
            "",
            "Mean of the level before; on a line, of what lies over the line.",
        ),
        number("after", "", "Mean of the level after."),
        number("size", "", "After less before."),
        number(
            "size_se",
            "",
            "Its standard error, neighbours' correlation reckoned in.",
        ),
        C::number("bic_gain", "", 2, "By how much this change lowers the BIC."),
        number(
            "p",
            "",
            "Probability that chance gives as clear a change between the changes before and after.",
        ),
    ]);
    let mut signals = keys();
    signals.extend([
        C::text("chart", "individuals, moving range, EWMA or CUSUM."),
        C::text("side", "above or below."),
        C::integer("sheet", "", "First sheet beyond the limit: place in the sheet list."),
        number("at", "", "Its position."),
        number("until", "", "Position of the last sheet of that run beyond the limit."),
        C::integer("sheets", "", "Sheets of that run."),
        number("since", "", "Position where the sum that crossed the limit began, of a CUSUM: about where the shift began."),
        number("value", "", "The chart's value at the first sheet."),
        number("limit", "", "The limit it crossed."),
    ]);
    let table = |name: &str, title: &str, columns| TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope: Scope::Run,
        internal: false,
        columns,
    };
    vec![
        table(SERIES, "What crept or jumped, and what did not", series),
        table(CHANGES, "Changes of level", changes),
        table(SIGNALS, "Signals of the control charts", signals),
    ]
}

fn text(t: &str) -> Value {
    if t.is_empty() { Value::Null } else { t.into() }
}

pub(crate) fn key_row(id: usize, series: &Series) -> Row {
    let k = &series.key;
    Row::new()
        .set("series", id)
        .set("table", k.table.as_str())
        .set("column", k.column.as_str())
        .set("unit", text(choose::unit(&k.column)))
        .set("image", k.image.clone())
        .set("block", k.block.clone())
        .set("part", text(&k.part))
        .set("axis", k.axis.name())
        .set("edition", text(&k.edition))
}

fn extent(row: Row, series: &Series) -> Row {
    let ends = series.points.first().zip(series.points.last());
    row.set("n", series.points.len())
        .set("without", series.without)
        .set("first", ends.map(|e| six_digits(e.0.at)))
        .set("last", ends.map(|e| six_digits(e.1.at)))
}

pub(crate) fn unassessed_row(id: usize, series: &Series, reason: &str, words: &str) -> Row {
    extent(key_row(id, series), series)
        .set("verdict", "not assessed")
        .set("reason", reason)
        .set("words", words)
}

/// The row of a series by position.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn position_row(
    id: usize,
    series: &Series,
    found: &Assessed,
    q: f64,
    verdict: &str,
    words: &str,
) -> Row {
    let n = series.points.len();
    let missing = match (series.key.axis, series.points.first(), series.points.last()) {
        (Axis::Position, Some(a), Some(b)) => Some((b.at - a.at) as i64 + 1 - n as i64),
        _ => None,
    };
    let slope = |v: f64| six_digits(100.0 * v);
    let bent = found.bent.filter(|_| verdict == "trend");
    let changes = if verdict == "none" {
        0
    } else {
        found.changes.len()
    };
    extent(key_row(id, series), series)
        .set("verdict", verdict)
        .set("words", words)
        .set("missing", missing)
        .set("centre", six_digits(found.charts.centre))
        .set("slope_per_100_sheets", slope(found.line.slope))
        .set("slope_per_100_sheets_low", slope(found.line.low))
        .set("slope_per_100_sheets_high", slope(found.line.high))
        .set("bend_at", bent.map(|b| b.knot))
        .set(
            "before_bend_per_100_sheets",
            bent.map(|b| slope(b.slopes[0])),
        )
        .set(
            "after_bend_per_100_sheets",
            bent.map(|b| slope(b.slopes[1])),
        )
        .set("mk_p", six_digits(found.trend.p))
        .set("lag", found.lag)
        .set("effective_n", found.effective)
        .set("p", six_digits(found.p))
        .set("q", six_digits(q))
        .set("bic_trend", found.levels.bic_line)
        .set("bic_step", found.levels.bic_levels())
        .set(
            "bic_step_less_trend",
            found.levels.bic_levels() - found.levels.bic_line,
        )
        .set("residual_sigma", six_digits(found.residual_sigma))
        .set("repeat_sigma", series.repeats.map(|r| six_digits(r.0)))
        .set("repeat_scans", series.repeats.map(|r| r.1))
        .set("repeat_pct", repeat_pct(series))
        .set("changes", changes)
        .set("signals", found.charts.signals.len() + found.charts.more)
        .set("signals_by_chance", 4.0 * n as f64 / RUN_LENGTH)
        .set("baseline_sheets", found.charts.baseline)
}

/// Share of the measuring in the standard deviation of all sheets, per cent.
#[allow(clippy::cast_precision_loss)]
fn repeat_pct(series: &Series) -> Option<f64> {
    let (sigma, _) = series.repeats?;
    let n = series.points.len() as f64;
    let mean = series.points.iter().map(|p| p.value).sum::<f64>() / n;
    let squares = series
        .points
        .iter()
        .map(|p| (p.value - mean) * (p.value - mean));
    let all = (squares.sum::<f64>() / (n - 1.0)).sqrt();
    (all > 0.0).then(|| 100.0 * sigma / all)
}

/// The row of a series by year.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn year_row(
    id: usize,
    series: &Series,
    found: &OverYears,
    q: f64,
    verdict: &str,
    words: &str,
) -> Row {
    let decade = |v: f64| six_digits(10.0 * v);
    let t = &found.trend;
    let means = found.groups.iter().map(|g| g.mean).sum::<f64>() / found.groups.len() as f64;
    extent(key_row(id, series), series)
        .set("verdict", verdict)
        .set("words", words)
        .set("years", found.groups.len())
        .set("centre", six_digits(means))
        .set("slope_per_decade", decade(t.slope))
        .set("slope_per_decade_low", decade(t.low))
        .set("slope_per_decade_high", decade(t.high))
        .set("least_told_per_decade", found.least_told.map(decade))
        .set("years_to_tell", found.would_tell)
        .set("mk_p", found.rank_p.map(six_digits))
        .set("p", six_digits(t.p))
        .set("q", six_digits(q))
        .set("residual_sigma", six_digits(found.residual_sigma))
        .set("between_years_sigma", six_digits(t.between))
        .set("within_years_sigma", t.within.map(six_digits))
}

pub(crate) fn change_row(id: usize, series: &Series, c: &Change) -> Row {
    let at = |i: usize| series.points.get(i).map(|p| six_digits(p.at));
    key_row(id, series)
        .set("sheet", series.points.get(c.at).map(|p| p.sheet))
        .set("at", at(c.at))
        .set("at_low", at(c.between.0))
        .set("at_high", at(c.between.1))
        .set("before", six_digits(c.before))
        .set("after", six_digits(c.after))
        .set("size", six_digits(c.after - c.before))
        .set("size_se", six_digits(c.size_se))
        .set("bic_gain", c.bic_gain)
        .set("p", six_digits(c.p))
}

pub(crate) fn signal_row(id: usize, series: &Series, s: &Signal) -> Row {
    let at = |i: usize| series.points.get(i).map(|p| six_digits(p.at));
    key_row(id, series)
        .set("chart", s.chart.name())
        .set("side", if s.above { "above" } else { "below" })
        .set("sheet", series.points.get(s.first).map(|p| p.sheet))
        .set("at", at(s.first))
        .set("until", at(s.last))
        .set("sheets", s.last + 1 - s.first)
        .set("since", s.since.and_then(at))
        .set("value", six_digits(s.value))
        .set("limit", six_digits(s.limit))
}
