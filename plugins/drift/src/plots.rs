//! Charts of series for people.

use restrike_stage::{Chart, Panel, Picture, Plot, Point, Stroke, Tone};

use crate::assess::Assessed;
use crate::charts::{self, CUSUM_LIMIT};
use crate::choose;
use crate::editions::OverYears;
use crate::model::{Course, mean, stretches};
use crate::series::{Axis, Series};
use crate::words;

/// Name of the pictures; each adds its series' number.
pub(crate) const PICTURE: &str = "series";

/// Points of a curve at most: more would not be told apart.
const MOST_POINTS: usize = 1600;

/// The picture of a series by position.
pub(crate) fn by_position(
    id: usize,
    series: &Series,
    found: &Assessed,
    drifts: bool,
    caption: &str,
) -> Picture {
    let at = |i: usize| series.points.get(i).map_or(0.0, |p| p.at);
    let axis = match series.key.axis {
        Axis::List => "place in the sheet list",
        _ => "position in the stack",
    };
    let c = &found.charts;
    let values: Vec<Point> = series
        .points
        .iter()
        .map(|p| Point::new(p.at, p.value))
        .collect();
    let beyond: Vec<Point> = values
        .iter()
        .copied()
        .filter(|p| p.y < c.limits.0 || p.y > c.limits.1)
        .collect();
    let mut top = Vec::new();
    if drifts {
        top.extend(found.changes.iter().map(|change| Plot::Band {
            name: "a change lies here".into(),
            from: at(change.between.0),
            to: at(change.between.1),
            tone: Tone::Notice,
        }));
    }
    top.push(dots("sheets", &values));
    top.push(Plot::Rings {
        name: if beyond.is_empty() {
            String::new()
        } else {
            "beyond a limit".into()
        },
        points: thinned(&beyond),
        tone: Tone::Fault,
    });
    top.push(level("centre", c.centre, Stroke::Solid));
    top.push(level("limits", c.limits.0, Stroke::Dashed));
    top.push(level("limits", c.limits.1, Stroke::Dashed));
    if drifts {
        top.extend(course(series, found).into_iter().map(|points| Plot::Line {
            name: "fitted course".into(),
            points,
            tone: Tone::Expected,
            stroke: Stroke::Solid,
        }));
    }
    let curve = |name: &str, values: &dyn Fn(usize) -> f64, stroke| Plot::Line {
        name: name.into(),
        points: thinned(
            &(0..series.points.len())
                .map(|i| Point::new(at(i), values(i)))
                .collect::<Vec<_>>(),
        ),
        tone: Tone::Measured,
        stroke,
    };
    let unit = choose::unit(&series.key.column);
    let limit = CUSUM_LIMIT * c.sigma;
    let panel = |name: &str, plots| Panel {
        y_label: labelled(name, unit),
        plots,
    };
    let chart = Chart {
        title: words::title(series),
        x_label: axis.into(),
        panels: vec![
            panel(&series.key.column, top),
            panel(
                "EWMA",
                vec![
                    curve("EWMA, CUSUM above", &|i| c.ewma[i], Stroke::Solid),
                    level("centre", c.centre, Stroke::Solid),
                    level("limits", c.ewma_limits.0, Stroke::Dashed),
                    level("limits", c.ewma_limits.1, Stroke::Dashed),
                ],
            ),
            panel(
                "CUSUM",
                vec![
                    curve(
                        "EWMA, CUSUM above",
                        &|i| charts::high(&c.cusum[i]),
                        Stroke::Solid,
                    ),
                    curve(
                        "CUSUM below",
                        &|i| -charts::low(&c.cusum[i]),
                        Stroke::Dashed,
                    ),
                    level("limits", limit, Stroke::Dashed),
                    level("limits", -limit, Stroke::Dashed),
                ],
            ),
        ],
    };
    Picture::of_chart(&name(id), caption, chart)
}

/// The picture of a series by year.
pub(crate) fn by_year(id: usize, series: &Series, found: &OverYears, caption: &str) -> Picture {
    let values: Vec<Point> = series
        .points
        .iter()
        .map(|p| Point::new(p.at, p.value))
        .collect();
    let means = found
        .groups
        .iter()
        .map(|g| Point::new(g.at, g.mean))
        .collect();
    let line = |x: f64| Point::new(x, found.trend.intercept + found.trend.slope * x);
    let ends = found.groups.first().zip(found.groups.last());
    let chart = Chart {
        title: words::title(series),
        x_label: "year".into(),
        panels: vec![Panel {
            y_label: labelled(&series.key.column, choose::unit(&series.key.column)),
            plots: vec![
                dots("sheets", &values),
                Plot::Rings {
                    name: "mean of a year".into(),
                    points: means,
                    tone: Tone::Notice,
                },
                Plot::Line {
                    name: "fitted course".into(),
                    points: ends.map_or(Vec::new(), |(a, b)| vec![line(a.at), line(b.at)]),
                    tone: Tone::Expected,
                    stroke: Stroke::Solid,
                },
            ],
        }],
    };
    Picture::of_chart(&name(id), caption, chart)
}

fn name(id: usize) -> String {
    format!("{PICTURE}-{id:04}")
}

fn labelled(name: &str, unit: &str) -> String {
    if unit.is_empty() {
        name.to_owned()
    } else {
        format!("{name}, {unit}")
    }
}

fn dots(name: &str, points: &[Point]) -> Plot {
    Plot::Dots {
        name: name.into(),
        points: thinned(points),
        tone: Tone::Measured,
    }
}

fn level(name: &str, y: f64, stroke: Stroke) -> Plot {
    Plot::Level {
        name: name.into(),
        y,
        tone: Tone::Guide,
        stroke,
    }
}

/// The line, or the levels stretch by stretch.
fn course(series: &Series, found: &Assessed) -> Vec<Vec<Point>> {
    let n = series.points.len();
    let at = |i: usize| series.points[i].at;
    let line = |x: f64| Point::new(x, found.line.intercept + found.line.slope * x);
    if let Some(b) = found.bent {
        let points = [at(0), b.knot, at(n - 1)];
        return vec![points.map(|x| Point::new(x, b.at(x))).to_vec()];
    }
    match found.course {
        Course::Line | Course::Bent | Course::Constant => vec![vec![line(at(0)), line(at(n - 1))]],
        Course::Step | Course::Stretches => stretches(n, &found.levels.starts())
            .map(|(a, b)| {
                let y = mean(&found.levels.values[a..b]);
                vec![Point::new(at(a), y), Point::new(at(b - 1), y)]
            })
            .collect(),
    }
}

/// Of each of a limited number of stretches the lowest and the highest point.
fn thinned(points: &[Point]) -> Vec<Point> {
    if points.len() <= MOST_POINTS {
        return points.to_vec();
    }
    let length = (2 * points.len()).div_ceil(MOST_POINTS);
    points
        .chunks(length)
        .flat_map(|chunk| {
            let by = |a: &(usize, &Point), b: &(usize, &Point)| a.1.y.total_cmp(&b.1.y);
            let low = chunk.iter().enumerate().min_by(by).map(|p| p.0);
            let high = chunk.iter().enumerate().max_by(by).map(|p| p.0);
            let mut kept: Vec<usize> = low.into_iter().chain(high).collect();
            kept.sort_unstable();
            kept.dedup();
            kept.into_iter().map(|i| chunk[i])
        })
        .collect()
}
