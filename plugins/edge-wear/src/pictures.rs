//! The lines over the scan, with what was found on them.

use restrike_ops::placement::{BlockPlace, Placement};
use restrike_stage::{Mark, Picture, Point, Stroke, Tone};

use crate::course::Course;
use crate::kinds::Kind;
use crate::sheet::Sheet;

/// Name of the picture.
pub(crate) const LINES: &str = "lines";

/// Points of a drawn line lie about this far apart, mm.
const APART_MM: f64 = 0.6;

/// Draws a sheet.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn lines(
    placement: &Placement,
    key: &BlockPlace,
    courses: &[Course],
    sheet: &Sheet,
    pixel: f64,
) -> Picture {
    let px = |p: Point| placement.scan_place(key, p);
    let mut marks = Vec::new();
    for course in courses.iter().filter(|c| !c.bridge) {
        let every = ((APART_MM / course.step) as usize).max(1);
        let hidden = |i: usize| {
            let arc = course.stations[i].arc;
            sheet.unseen.iter().any(|u| {
                u.line == course.line && u.to - u.from > 0.3 && arc >= u.from && arc <= u.to
            })
        };
        let mut at: Vec<usize> = (0..course.stations.len()).step_by(every).collect();
        at.push(course.stations.len() - 1);
        let mut run: Vec<Point> = Vec::new();
        let mut now = None;
        for i in at {
            let Some(p) = px(course.stations[i].at) else {
                continue;
            };
            let here = hidden(i);
            run.push(p);
            if now.is_some_and(|n| n != here) {
                push(&mut marks, std::mem::replace(&mut run, vec![p]), now);
            }
            now = Some(here);
        }
        push(&mut marks, run, now);
    }
    for f in &sheet.found {
        let tone = match f.kind {
            Kind::Break | Kind::Hole => Tone::Fault,
            Kind::Nick | Kind::FillIn => Tone::Notice,
            Kind::Pale | Kind::Speck => FAINT,
        };
        let radius = (f.length / 2.0 + 0.5) / pixel;
        marks.push(Mark::Circle {
            at: f.px,
            radius,
            tone,
        });
        marks.push(Mark::Text {
            at: f.px + Point::new(radius, -radius),
            text: format!("{} {:.2}", f.kind.name(), f.length),
            tone,
        });
    }
    if count(sheet, &[Kind::Pale, Kind::Speck]) > 0 {
        marks.push(Mark::Key {
            text: "pale place or speck".to_owned(),
            tone: FAINT,
        });
    }
    Picture {
        name: LINES.to_owned(),
        caption: format!(
            "The key's lines as they lie on this sheet, dashed where it does not tell whether they hold. Rings: {} breaks and holes, {} nicks and fill-ins, {} pale places and specks, with their lengths in mm.",
            count(sheet, &[Kind::Break, Kind::Hole]),
            count(sheet, &[Kind::Nick, Kind::FillIn]),
            count(sheet, &[Kind::Pale, Kind::Speck]),
        ),
        base: "scan".to_owned(),
        frame: None,
        marks,
    }
}

/// Tone of places that are no damage to the line.
const FAINT: Tone = Tone::Item(0);

fn count(sheet: &Sheet, kinds: &[Kind]) -> usize {
    sheet
        .found
        .iter()
        .filter(|f| kinds.contains(&f.kind))
        .count()
}

fn push(marks: &mut Vec<Mark>, points: Vec<Point>, hidden: Option<bool>) {
    if points.len() < 2 {
        return;
    }
    let (tone, stroke) = match hidden {
        Some(true) => (Tone::Guide, Stroke::Dashed),
        _ => (Tone::Measured, Stroke::Solid),
    };
    marks.push(Mark::Line {
        points,
        closed: false,
        tone,
        stroke,
    });
}
