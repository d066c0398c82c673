//! Lines of a tone: colour, form and the pale halo that sets them off from
//! what is below.

use restrike_model::{Point, Rect, Stroke, Tone};
use tiny_skia::{
    Color, FillRule, LineCap, LineJoin, Paint, Path, PathBuilder, Pixmap, StrokeDash, Transform,
};

use super::colour::{cored, tone_colour};

/// A line's looks, in units of the thin line.
struct Form {
    width: f64,
    /// Width of a pale core that makes two thin lines of one.
    core: f64,
    /// Lengths of strokes and gaps; none for an unbroken line.
    dash: &'static [f64],
    round: bool,
}

fn form(tone: Tone, stroke: Stroke) -> Form {
    let dashed = stroke == Stroke::Dashed;
    let plain = |width, core| Form {
        width,
        core,
        dash: if dashed { &[9.0, 7.0] } else { &[] },
        round: false,
    };
    match tone {
        Tone::Measured => plain(2.6, 0.0),
        Tone::Expected => plain(4.8, 2.0),
        Tone::Fault => plain(4.4, 0.0),
        Tone::Guide => plain(1.2, 0.0),
        Tone::Item(n) if cored(n) => plain(4.8, 2.0),
        Tone::Item(_) => plain(2.6, 0.0),
        Tone::Notice => Form {
            width: 3.4,
            core: 0.0,
            // Dots are strokes of no length with round ends.
            dash: if dashed {
                &[0.01, 6.0, 9.0, 6.0]
            } else {
                &[0.01, 6.0]
            },
            round: true,
        },
    }
}

/// Reach of the halo beyond a line's edge.
pub(super) const HALO: f64 = 1.5;

pub(super) fn paint([r, g, b]: [u8; 3], alpha: u8) -> Paint<'static> {
    let mut paint = Paint {
        anti_alias: true,
        ..Paint::default()
    };
    paint.set_color(Color::from_rgba8(r, g, b, alpha));
    paint
}

fn stroke_path(
    canvas: &mut Pixmap,
    path: &Path,
    paint: &Paint<'_>,
    width: f64,
    form: &Form,
    unit: f64,
) {
    let dash = form.dash.iter().map(|d| (d * unit) as f32).collect();
    let stroke = tiny_skia::Stroke {
        width: width as f32,
        line_cap: if form.round {
            LineCap::Round
        } else {
            LineCap::Butt
        },
        line_join: LineJoin::Round,
        dash: StrokeDash::new(dash, 0.0),
        ..tiny_skia::Stroke::default()
    };
    canvas.stroke_path(path, paint, &stroke, Transform::identity(), None);
}

/// The halo of a line, drawn before any ink.
pub(super) fn halo(canvas: &mut Pixmap, path: &Path, tone: Tone, stroke: Stroke, unit: f64) {
    let form = form(tone, stroke);
    let width = (form.width + 2.0 * HALO) * unit;
    let unbroken = Form { dash: &[], ..form };
    stroke_path(canvas, path, &paint([255; 3], 190), width, &unbroken, unit);
}

/// The ink of a line.
pub(super) fn ink(canvas: &mut Pixmap, path: &Path, tone: Tone, stroke: Stroke, unit: f64) {
    let form = form(tone, stroke);
    let colour = paint(tone_colour(tone), 255);
    stroke_path(canvas, path, &colour, form.width * unit, &form, unit);
    if form.core > 0.0 {
        let core = paint([255; 3], 255);
        stroke_path(canvas, path, &core, form.core * unit, &form, unit);
    }
}

/// A filled shape in a tone.
pub(super) fn fill(canvas: &mut Pixmap, path: &Path, tone: Tone) {
    let colour = paint(tone_colour(tone), 255);
    canvas.fill_path(
        path,
        &colour,
        FillRule::Winding,
        Transform::identity(),
        None,
    );
}

/// A path through points, cut to what lies inside `within`: coordinates far
/// outside would be inexact, and dashes along them endless.
pub(super) fn path_through(points: &[Point], closed: bool, within: &Rect) -> Option<Path> {
    let usable = |p: &Point| p.x.is_finite() && p.y.is_finite();
    let mut builder = PathBuilder::new();
    let mut pen: Option<Point> = None;
    let whole = points.iter().all(|p| usable(p) && within.contains(*p));
    let ends = points
        .iter()
        .skip(1)
        .chain(points.first().filter(|_| closed));
    for (from, to) in points.iter().zip(ends) {
        let Some((a, b)) = clip(*from, *to, within).filter(|_| usable(from) && usable(to)) else {
            pen = None;
            continue;
        };
        if pen != Some(a) {
            builder.move_to(a.x as f32, a.y as f32);
        }
        builder.line_to(b.x as f32, b.y as f32);
        pen = Some(b);
    }
    if closed && whole && points.len() > 2 {
        builder.close();
    }
    builder.finish()
}

/// The part of a segment inside a rectangle (Liang and Barsky 1984).
fn clip(a: Point, b: Point, within: &Rect) -> Option<(Point, Point)> {
    let d = b - a;
    let (mut enter, mut leave) = (0.0_f64, 1.0_f64);
    for (step, room) in [
        (-d.x, a.x - within.min.x),
        (d.x, within.max.x - a.x),
        (-d.y, a.y - within.min.y),
        (d.y, within.max.y - a.y),
    ] {
        if step == 0.0 {
            if room < 0.0 {
                return None;
            }
        } else if step < 0.0 {
            enter = enter.max(room / step);
        } else {
            leave = leave.min(room / step);
        }
    }
    if enter > leave {
        return None;
    }
    let start = if enter > 0.0 { a + d * enter } else { a };
    let end = if leave < 1.0 { a + d * leave } else { b };
    Some((start, end))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_cut_to_the_picture() {
        let within = Rect::new(Point::new(0.0, 0.0), Point::new(10.0, 10.0));
        let far = Point::new(1e9, 5.0);
        let (a, b) = clip(Point::new(-1e9, 5.0), far, &within).unwrap();
        assert!(a.distance(Point::new(0.0, 5.0)) < 1e-3, "{a:?}");
        assert!(b.distance(Point::new(10.0, 5.0)) < 1e-3, "{b:?}");
        assert!(clip(Point::new(-1.0, -1.0), Point::new(-1.0, 20.0), &within).is_none());
        let odd = [Point::new(f64::NAN, 0.0), Point::new(1.0, 1.0)];
        assert!(path_through(&odd, true, &within).is_none());
    }
}
