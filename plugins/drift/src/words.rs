//! Findings in a sentence.

use crate::assess::Assessed;
use crate::charts::Chart;
use crate::choose;
use crate::editions::OverYears;
use crate::series::{Axis, Series};
use restrike_stage::figures::{figure, with_unit};

/// What the series is of: `deskew.rotation_deg (left, edition 2026)`.
pub(crate) fn title(series: &Series) -> String {
    let k = &series.key;
    let mut of: Vec<String> = Vec::new();
    of.extend(k.image.clone());
    of.extend(k.block.clone());
    if !k.part.is_empty() {
        of.push(k.part.clone());
    }
    if !k.edition.is_empty() {
        of.push(format!("edition {}", k.edition));
    }
    let name = format!("{}.{}", k.table, k.column);
    if of.is_empty() {
        name
    } else {
        format!("{name} ({})", of.join(", "))
    }
}

fn signed(v: f64) -> String {
    if v > 0.0 {
        format!("+{}", figure(v))
    } else {
        figure(v)
    }
}

fn sheets(axis: Axis) -> &'static str {
    if axis == Axis::List {
        "place"
    } else {
        "position"
    }
}

pub(crate) fn not_assessed(series: &Series, reason: &str) -> String {
    format!("{}: not assessed: {reason}.", title(series))
}

/// What to think of a series that would count if it were the only one.
fn alone(p: f64, rate: f64) -> String {
    if p > rate {
        return String::new();
    }
    format!(
        "; alone this would count (p {}), among so many series it may be chance",
        figure(p)
    )
}

/// A series by position.
pub(crate) fn by_position(
    series: &Series,
    found: &Assessed,
    verdict: &str,
    confidence: f64,
) -> String {
    let unit = choose::unit(&series.key.column);
    let at = |i: usize| {
        series
            .points
            .get(i)
            .map(|p| figure_of_place(p.at))
            .unwrap_or_default()
    };
    let n = series.points.len();
    let (first, last) = (at(0), at(n - 1));
    let word = sheets(series.key.axis);
    let slope = format!(
        "{} per 100 sheets ({} % interval {} to {})",
        with_unit(&signed(100.0 * found.line.slope), unit),
        figure(100.0 * confidence),
        signed(100.0 * found.line.low),
        signed(100.0 * found.line.high),
    );
    let core = match verdict {
        "trend" => {
            let bend = found.bent.map_or(String::new(), |b| {
                let [before, after] = b.slopes.map(|s| signed(100.0 * s));
                let knot = figure_of_place(b.knot);
                format!("; up to {word} {knot} by {before} per 100 sheets, from there by {after}")
            });
            format!("creeps by {slope} from {word} {first} to {last}{bend}")
        }
        "step" => {
            let jumps: Vec<String> = found
                .changes
                .iter()
                .take(3)
                .map(|c| {
                    format!(
                        "by {} at {word} {} (between {} and {})",
                        with_unit(&signed(c.after - c.before), unit),
                        at(c.at),
                        at(c.between.0),
                        at(c.between.1)
                    )
                })
                .collect();
            let more = match found.changes.len().saturating_sub(3) {
                0 => String::new(),
                k => format!(", and {k} times more"),
            };
            format!("jumps {}{more}", jumps.join(", "))
        }
        _ => format!(
            "no drift beyond chance from {word} {first} to {last}: slope {slope}{}",
            alone(found.p, 1.0 - confidence)
        ),
    };
    let single = found
        .charts
        .signals
        .iter()
        .filter(|s| s.chart == Chart::Individuals)
        .map(|s| s.last + 1 - s.first)
        .sum::<usize>();
    let stray = if verdict == "none" && single > 0 {
        format!("; {single} of {n} sheets lie beyond the limits of single sheets")
    } else {
        String::new()
    };
    format!("{}: {core}{stray}.", title(series))
}

fn figure_of_place(v: f64) -> String {
    format!("{v}")
}

/// A series by year.
pub(crate) fn by_year(
    series: &Series,
    found: &OverYears,
    verdict: &str,
    confidence: f64,
) -> String {
    let unit = choose::unit(&series.key.column);
    let t = &found.trend;
    let years = || found.groups.iter().map(|g| figure_of_place(g.at));
    let slope = format!(
        "{} per decade ({} % interval {} to {})",
        with_unit(&signed(10.0 * t.slope), unit),
        figure(100.0 * confidence),
        signed(10.0 * t.low),
        signed(10.0 * t.high),
    );
    let span = format!(
        "{} years of printing between {} and {}",
        found.groups.len(),
        years().next().unwrap_or_default(),
        years().next_back().unwrap_or_default()
    );
    let title = title(series);
    let alone = alone(t.p, 1.0 - confidence);
    let least = found.least_told.map_or(String::new(), |s| {
        format!(
            "; of a slope of {} per decade four of five such studies would tell",
            with_unit(&figure(10.0 * s), unit)
        )
    });
    match verdict {
        "trend" => format!("{title}: creeps by {slope} over {span}."),
        "none" => {
            format!("{title}: no drift beyond chance over {span}: slope {slope}{alone}{least}.")
        }
        _ => {
            let means: Vec<String> = found.groups.iter().map(|g| figure(g.mean)).collect();
            let takes = match found.would_tell {
                Some(k) => format!(
                    "; if it is as it looks, about {k} years of printing over that span would tell"
                ),
                None => format!(
                    "; what it seems to be, more than {} years of printing over that span would have to tell",
                    crate::editions::MOST_YEARS
                ),
            };
            format!(
                "{title}: too few years of printing to tell ({span}): their means are {}, slope {slope}{alone}{takes}.",
                means.join(", ")
            )
        }
    }
}
