//! The marks of a picture.

use restrike_model::{Mark, Point, Rect, Stroke, Tone};
use tiny_skia::{FillRule, LineJoin, Path, PathBuilder, Pixmap, Transform};

use super::geometry::Window;
use super::lines::{HALO, fill, halo, ink, paint, path_through};
use super::{colour::tone_colour, text};

/// Half the size of a cross, in thin lines.
const ARM: f64 = 9.0;
/// Length of an arrow's head, in thin lines.
const HEAD: f64 = 13.0;
/// Least radius of a circle, in thin lines: a smaller one would be a blot.
const LEAST_RADIUS: f64 = 6.0;
/// Em of words beside points, in thin lines.
const EM: f64 = 17.0;

/// One thing to draw.
enum Shape {
    Stroked(Path, Tone, Stroke),
    Filled(Path, Tone),
}

/// Draws marks in order: all halos, then all ink, then the words, so that no
/// halo breaks another mark's line and no line runs through words.
pub(super) fn draw(canvas: &mut Pixmap, marks: &[Mark], window: &Window) {
    let unit = window.unit;
    let shapes: Vec<Shape> = marks.iter().flat_map(|m| shapes(m, window)).collect();
    for shape in &shapes {
        match shape {
            Shape::Stroked(path, tone, stroke) => halo(canvas, path, *tone, *stroke, unit),
            Shape::Filled(path, _) => outline(canvas, path, unit),
        }
    }
    for shape in &shapes {
        match shape {
            Shape::Stroked(path, tone, stroke) => ink(canvas, path, *tone, *stroke, unit),
            Shape::Filled(path, tone) => fill(canvas, path, *tone),
        }
    }
    let mut taken = Vec::new();
    for mark in marks {
        if let Mark::Text { at, text, tone } = mark {
            words(canvas, window.place(*at), text, *tone, window, &mut taken);
        }
    }
}

fn area(window: &Window) -> Rect {
    let size = Point::new(window.width as f64, window.height as f64);
    Rect::new(Point::default(), size)
}

fn shapes(mark: &Mark, window: &Window) -> Vec<Shape> {
    let unit = window.unit;
    let within = area(window).grown(20.0 * unit);
    let place = |p: &Point| window.place(*p);
    match mark {
        Mark::Line {
            points,
            closed,
            tone,
            stroke,
        } => {
            let points: Vec<Point> = points.iter().map(place).collect();
            let path = path_through(&points, *closed, &within);
            path.map(|p| Shape::Stroked(p, *tone, *stroke))
                .into_iter()
                .collect()
        }
        Mark::Arrow { from, to, tone } => arrow(place(from), place(to), *tone, unit, &within),
        Mark::Cross { at, tone } => cross(place(at), *tone, unit, &within),
        Mark::Circle { at, radius, tone } => {
            let radius = radius.abs() * (window.scale[0] * window.scale[1]).sqrt();
            let points = circle(place(at), radius.max(LEAST_RADIUS * unit));
            path_through(&points, true, &within)
                .map(|p| Shape::Stroked(p, *tone, Stroke::Solid))
                .into_iter()
                .collect()
        }
        Mark::Text { .. } | Mark::Key { .. } | Mark::Chart { .. } | Mark::Samples { .. } => {
            Vec::new()
        }
    }
}

/// Corners of a circle, close enough that it looks round.
fn circle(centre: Point, radius: f64) -> Vec<Point> {
    let corners = (2.0 * radius).clamp(32.0, 2000.0) as usize;
    (0..corners)
        .map(|k| {
            let angle = std::f64::consts::TAU * k as f64 / corners as f64;
            centre + Point::new(libm::cos(angle), libm::sin(angle)) * radius
        })
        .collect()
}

/// Upright or slanting, so that the form tells the tone as well.
fn cross(at: Point, tone: Tone, unit: f64, within: &Rect) -> Vec<Shape> {
    // A double line needs room for its inside to show.
    let arm = if tone == Tone::Expected { 1.35 } else { 1.0 } * ARM * unit;
    let slanting = matches!(tone, Tone::Expected | Tone::Fault);
    let (p, q) = if slanting {
        let k = arm * std::f64::consts::FRAC_1_SQRT_2;
        (Point::new(k, k), Point::new(k, -k))
    } else {
        (Point::new(arm, 0.0), Point::new(0.0, arm))
    };
    [p, q]
        .into_iter()
        .filter_map(|d| path_through(&[at - d, at + d], false, within))
        .map(|path| Shape::Stroked(path, tone, Stroke::Solid))
        .collect()
}

fn arrow(from: Point, to: Point, tone: Tone, unit: f64, within: &Rect) -> Vec<Shape> {
    let length = from.distance(to);
    if !length.is_finite() || !within.contains(to) && !within.contains(from) {
        return Vec::new();
    }
    if length < 0.5 {
        // Nothing to point along: a dot says that there is a value and it is none.
        let dot = PathBuilder::from_circle(to.x as f32, to.y as f32, (3.0 * unit) as f32);
        return dot.map(|p| Shape::Filled(p, tone)).into_iter().collect();
    }
    let along = (to - from) * (1.0 / length);
    let across = Point::new(-along.y, along.x);
    let head = (HEAD * unit).min(length.max(8.0 * unit));
    let base = to - along * head;
    let mut shapes = Vec::new();
    if length > head {
        // Up to inside the head, or a gap would show.
        let end = to - along * (0.7 * head);
        let shaft = path_through(&[from, end], false, within);
        shapes.extend(shaft.map(|p| Shape::Stroked(p, tone, Stroke::Solid)));
    }
    let half = across * (0.42 * head);
    let [a, b] = [base + half, base - half];
    let notch = to - along * (0.75 * head);
    let mut path = PathBuilder::new();
    path.move_to(to.x as f32, to.y as f32);
    for p in [a, notch, b] {
        path.line_to(p.x as f32, p.y as f32);
    }
    path.close();
    shapes.extend(path.finish().map(|p| Shape::Filled(p, tone)));
    shapes
}

fn outline(canvas: &mut Pixmap, path: &Path, unit: f64) {
    let stroke = tiny_skia::Stroke {
        width: (2.0 * HALO * unit) as f32,
        line_join: LineJoin::Round,
        ..tiny_skia::Stroke::default()
    };
    let pale = paint([255; 3], 190);
    canvas.stroke_path(path, &pale, &stroke, Transform::identity(), None);
}

/// Words near a point: moved into the picture where they would leave it, and
/// up or down where they would cover others.
fn words(
    canvas: &mut Pixmap,
    at: Point,
    text: &str,
    tone: Tone,
    window: &Window,
    taken: &mut Vec<Rect>,
) {
    if !at.x.is_finite() || !at.y.is_finite() || text.trim().is_empty() {
        return;
    }
    let em = EM * window.unit;
    let pad = 0.22 * em;
    let width = text::width(text, em);
    let picture = area(window);
    if !picture.grown(width + em).contains(at) {
        return;
    }
    let x = at.x.min(picture.max.x - width - pad).max(pad);
    let fit = |y: f64| y.min(picture.max.y - 0.35 * em).max(em);
    let block = |y: f64| {
        Rect::new(
            Point::new(x - pad, y - 0.88 * em),
            Point::new(x + width + pad, y + 0.32 * em),
        )
    };
    let free = |y: &f64| !taken.iter().any(|t| overlap(t, &block(*y)));
    let y = [0.0, 1.0, -1.0, 2.0, -2.0, 3.0, -3.0]
        .into_iter()
        .map(|step| fit(at.y + step * 1.25 * em))
        .find(free)
        .unwrap_or_else(|| fit(at.y));
    let block = block(y);
    taken.push(block);
    let corner = block.min;
    if let Some(rect) = tiny_skia::Rect::from_xywh(
        corner.x as f32,
        corner.y as f32,
        block.width() as f32,
        block.height() as f32,
    ) {
        let pale = paint([255; 3], 215);
        canvas.fill_rect(rect, &pale, Transform::identity(), None);
    }
    if let Some(path) = text::outline(text, em, x, y) {
        let colour = paint(word_colour(tone), 255);
        canvas.fill_path(
            &path,
            &colour,
            FillRule::Winding,
            Transform::identity(),
            None,
        );
    }
}

/// A tone's colour darkened until small words on white have a contrast of
/// 4.5:1 (WCAG 2.2, 1.4.3, <https://www.w3.org/TR/WCAG22/#contrast-minimum>).
pub(super) fn word_colour(tone: Tone) -> [u8; 3] {
    let keep = match tone {
        Tone::Notice => 0.75,
        Tone::Expected => 0.85,
        // The paler of the items' colours.
        Tone::Item(_) => 0.75,
        Tone::Measured | Tone::Fault | Tone::Guide => 1.0,
    };
    tone_colour(tone).map(|c| (f64::from(c) * keep).round() as u8)
}

fn overlap(a: &Rect, b: &Rect) -> bool {
    a.min.x < b.max.x && b.min.x < a.max.x && a.min.y < b.max.y && b.min.y < a.max.y
}
