//! Charts as SVG: panels one above the other over one axis, a legend below.

mod cells;
mod scale;

use restrike_model::{Chart, Panel, Picture, Plot, Point, Stroke, Tone};
use svg::Document;
use svg::node::element::{Circle, Group, Line, Polyline, Rectangle, Text, Title};

use crate::picture::{Encoding, PictureError, Rendered, tone_colour};
use scale::Scale;

const WIDTH: f64 = 960.0;
const PANEL: f64 = 220.0;
const LEFT: f64 = 92.0;
const RIGHT: f64 = 18.0;
const TOP: f64 = 40.0;
const GAP: f64 = 22.0;
const AXIS: f64 = 60.0;
const LEGEND_ROW: f64 = 22.0;
/// Room of an entry of the legend.
const ENTRY: f64 = 216.0;
const FONT: &str = "DejaVu Sans, Verdana, sans-serif";

/// Most things a chart may plot, points and all.
const MOST_POINTS: usize = 1_000_000;

/// Renders a picture that is a chart.
///
/// # Errors
/// When it holds no chart, or one without a finite number.
pub fn render(picture: &Picture) -> Result<Rendered, PictureError> {
    let refuse = |reason: &str| PictureError::Chart {
        picture: picture.name.clone(),
        reason: reason.to_owned(),
    };
    let chart = picture.chart().ok_or_else(|| refuse("it is no chart"))?;
    let plots = || chart.panels.iter().flat_map(|p| &p.plots);
    if plots().map(size).sum::<usize>() > MOST_POINTS {
        return Err(refuse("more than a million points"));
    }
    let x = Scale::of(plots().flat_map(along)).ok_or_else(|| refuse("nothing along its axis"))?;
    let legend = legend(chart);
    let per_row = ((WIDTH - LEFT - RIGHT) / ENTRY).floor().max(1.0);
    let rows = (legend.len() as f64 / per_row).ceil();
    let heights: Vec<f64> = chart.panels.iter().map(height_of).collect();
    let gaps = chart.panels.len().saturating_sub(1) as f64;
    let bottom = TOP + heights.iter().sum::<f64>() + gaps * GAP;
    let height = bottom + AXIS + rows * LEGEND_ROW + 10.0;

    let mut document = Document::new()
        .set("viewBox", format!("0 0 {WIDTH} {height}"))
        .set("width", WIDTH)
        .set("height", height)
        .set("font-family", FONT)
        .set("font-size", 13)
        .set("role", "img")
        .add(Title::new(picture.caption.as_str()))
        .add(
            Rectangle::new()
                .set("width", WIDTH)
                .set("height", height)
                .set("fill", "#ffffff"),
        )
        .add(label(&chart.title, LEFT, 24.0, "start").set("font-size", 15));
    let mut top = TOP;
    for (k, (panel, height)) in chart.panels.iter().zip(&heights).enumerate() {
        let label = (k + 1 == chart.panels.len()).then_some(chart.x_label.as_str());
        document = document.add(draw_panel(panel, &x, (top, top + height), label));
        top += height + GAP;
    }
    for (k, plot) in legend.iter().enumerate() {
        let column = k as f64 % per_row;
        let row = (k as f64 / per_row).floor();
        let at = (
            LEFT + column * ENTRY,
            bottom + AXIS + row * LEGEND_ROW + 8.0,
        );
        document = document.add(entry(plot, at));
    }
    Ok(Rendered {
        bytes: format!("{document}\n").into_bytes(),
        width: WIDTH as usize,
        height: height as usize,
        encoding: Encoding::Svg,
        print: None,
    })
}

fn height_of(panel: &Panel) -> f64 {
    let rows = cells::rows(panel).len();
    if rows == 0 {
        PANEL
    } else {
        rows as f64 * cells::ROW
    }
}

fn size(plot: &Plot) -> usize {
    match plot {
        Plot::Cells { spans, .. } => spans.len(),
        _ => points(plot).len(),
    }
}

fn points(plot: &Plot) -> &[Point] {
    match plot {
        Plot::Dots { points, .. } | Plot::Rings { points, .. } | Plot::Line { points, .. } => {
            points
        }
        Plot::Level { .. } | Plot::Band { .. } | Plot::Cells { .. } => &[],
    }
}

fn along(plot: &Plot) -> Vec<f64> {
    match plot {
        Plot::Band { from, to, .. } => vec![*from, *to],
        Plot::Cells { spans, .. } => spans.iter().flatten().copied().collect(),
        _ => points(plot).iter().map(|p| p.x).collect(),
    }
}

fn upwards(plot: &Plot) -> Vec<f64> {
    match plot {
        Plot::Level { y, .. } => vec![*y],
        _ => points(plot).iter().map(|p| p.y).collect(),
    }
}

fn named(plot: &Plot) -> (&str, Tone) {
    match plot {
        Plot::Dots { name, tone, .. }
        | Plot::Rings { name, tone, .. }
        | Plot::Line { name, tone, .. }
        | Plot::Level { name, tone, .. }
        | Plot::Cells { name, tone, .. }
        | Plot::Band { name, tone, .. } => (name, *tone),
    }
}

/// Named things, each name once.
fn legend(chart: &Chart) -> Vec<&Plot> {
    let mut found: Vec<&Plot> = Vec::new();
    for plot in chart.panels.iter().flat_map(|p| &p.plots) {
        let name = named(plot).0;
        if !name.is_empty() && !found.iter().any(|f| named(f).0 == name) {
            found.push(plot);
        }
    }
    found
}

fn colour(tone: Tone) -> String {
    let [r, g, b] = tone_colour(tone);
    format!("#{r:02x}{g:02x}{b:02x}")
}

/// A coordinate as short as a tenth of a pixel allows.
fn px(v: f64) -> f64 {
    (v * 10.0).round() / 10.0
}

fn label(text: &str, x: f64, y: f64, anchor: &str) -> Text {
    Text::new(text)
        .set("x", px(x))
        .set("y", px(y))
        .set("text-anchor", anchor)
        .set("fill", "#202020")
}

fn rule(from: (f64, f64), to: (f64, f64), colour: &str, width: f64) -> Line {
    Line::new()
        .set("x1", px(from.0))
        .set("y1", px(from.1))
        .set("x2", px(to.0))
        .set("y2", px(to.1))
        .set("stroke", colour)
        .set("stroke-width", width)
}

/// A panel between `top` and `bottom`; the last one with the axis's name below.
fn draw_panel(panel: &Panel, x: &Scale, (top, bottom): (f64, f64), x_label: Option<&str>) -> Group {
    let (width, height) = (WIDTH - LEFT - RIGHT, bottom - top);
    let y = Scale::of(panel.plots.iter().flat_map(upwards)).unwrap_or_default();
    let at = |p: Point| (LEFT + width * x.part(p.x), bottom - height * y.part(p.y));
    let mut group = Group::new();
    for plot in &panel.plots {
        if let Plot::Band { from, to, tone, .. } = plot {
            let (a, b) = (at(Point::new(*from, 0.0)).0, at(Point::new(*to, 0.0)).0);
            // A band of no width is still to be seen.
            group = group.add(
                Rectangle::new()
                    .set("x", px(a.min(b) - 1.0))
                    .set("y", px(top))
                    .set("width", px((b - a).abs() + 2.0))
                    .set("height", px(height))
                    .set("fill", colour(*tone))
                    .set("fill-opacity", 0.25),
            );
        }
    }
    let rows = cells::rows(panel);
    if rows.is_empty() {
        for t in y.ticks() {
            let v = at(Point::new(0.0, t)).1;
            group = group
                .add(rule((LEFT, v), (LEFT + width, v), "#e2e2e2", 1.0))
                .add(label(&y.text(t), LEFT - 8.0, v + 4.5, "end"));
        }
        for plot in &panel.plots {
            group = group.add(draw(plot, &at, width));
        }
    } else {
        group = cells::draw(group, panel, &rows, top, |v| at(Point::new(v, 0.0)).0);
    }
    for t in x.ticks() {
        let u = at(Point::new(t, 0.0)).0;
        group = group.add(rule((u, bottom), (u, bottom + 5.0), "#303030", 1.0));
        if x_label.is_some() {
            group = group.add(label(&x.text(t), u, bottom + 20.0, "middle"));
        }
    }
    group = group
        .add(rule((LEFT, top), (LEFT, bottom), "#303030", 1.0))
        .add(rule((LEFT, bottom), (LEFT + width, bottom), "#303030", 1.0));
    if rows.is_empty() {
        let middle = top + height / 2.0;
        let turned = format!("rotate(-90 18 {})", px(middle));
        group = group.add(label(&panel.y_label, 18.0, middle, "middle").set("transform", turned));
    }
    if let Some(name) = x_label {
        group = group.add(label(name, LEFT + width / 2.0, bottom + 40.0, "middle"));
    }
    group
}

fn draw(plot: &Plot, at: &impl Fn(Point) -> (f64, f64), width: f64) -> Group {
    let group = Group::new();
    let finite = |points: &[Point]| -> Vec<(f64, f64)> {
        let kept = points.iter().filter(|p| p.x.is_finite() && p.y.is_finite());
        kept.map(|p| at(*p)).collect()
    };
    match plot {
        Plot::Dots { points, tone, .. } => finite(points)
            .into_iter()
            .fold(group.set("fill", colour(*tone)), |g, p| g.add(dot(p))),
        Plot::Rings { points, tone, .. } => finite(points)
            .into_iter()
            .fold(ringed(group, *tone), |g, p| g.add(ring(p))),
        Plot::Line {
            points,
            tone,
            stroke,
            ..
        } => group.add(polyline(&finite(points), *tone, *stroke)),
        Plot::Level {
            y, tone, stroke, ..
        } if y.is_finite() => {
            let v = at(Point::new(0.0, *y)).1;
            group.add(polyline(&[(LEFT, v), (LEFT + width, v)], *tone, *stroke))
        }
        Plot::Level { .. } | Plot::Band { .. } | Plot::Cells { .. } => group,
    }
}

fn dot(p: (f64, f64)) -> Circle {
    Circle::new()
        .set("cx", px(p.0))
        .set("cy", px(p.1))
        .set("r", 2)
}

fn ring(p: (f64, f64)) -> Circle {
    Circle::new()
        .set("cx", px(p.0))
        .set("cy", px(p.1))
        .set("r", 5)
}

fn ringed(group: Group, tone: Tone) -> Group {
    group
        .set("fill", "none")
        .set("stroke", colour(tone))
        .set("stroke-width", 2)
}

fn polyline(points: &[(f64, f64)], tone: Tone, stroke: Stroke) -> Polyline {
    let places: Vec<String> = points
        .iter()
        .map(|p| format!("{},{}", px(p.0), px(p.1)))
        .collect();
    let line = Polyline::new()
        .set("points", places.join(" "))
        .set("fill", "none")
        .set("stroke", colour(tone))
        .set("stroke-width", 1.8);
    match stroke {
        Stroke::Solid => line,
        Stroke::Dashed => line.set("stroke-dasharray", "7 5"),
    }
}

/// A sample of the thing, and its name.
fn entry(plot: &Plot, (x, y): (f64, f64)) -> Group {
    let (name, tone) = named(plot);
    let middle = (x + 13.0, y - 4.5);
    let group = Group::new();
    let sample = match plot {
        Plot::Dots { .. } => group.add(Group::new().set("fill", colour(tone)).add(dot(middle))),
        Plot::Rings { .. } => group.add(ringed(Group::new(), tone).add(ring(middle))),
        Plot::Line { stroke, .. } | Plot::Level { stroke, .. } => group.add(polyline(
            &[(x, middle.1), (x + 26.0, middle.1)],
            tone,
            *stroke,
        )),
        Plot::Cells { fill, .. } => group.add(cells::cell((x, x + 26.0), y - 15.0, tone, *fill)),
        Plot::Band { .. } => group.add(
            Rectangle::new()
                .set("x", px(x))
                .set("y", px(y - 11.0))
                .set("width", 26)
                .set("height", 13)
                .set("fill", colour(tone))
                .set("fill-opacity", 0.25),
        ),
    };
    sample.add(label(name, x + 34.0, y, "start"))
}
