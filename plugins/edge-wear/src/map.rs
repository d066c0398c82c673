//! The drawing of what is to be mended: the block face up, true to size.

use restrike_ops::atlas::Atlas;
use restrike_stage::{Mark, Picture, Point, Project, Rect, Stroke, Tone};

use crate::damage::{Run, Site};
use crate::kinds::Kind;
use crate::labels::{self, Ring};
use crate::repair::MAP;
use crate::tables::on_block;

/// Width of a letter, mm, as drawings true to size letter them.
const LETTER_MM: f64 = 1.5;
/// The same of running text, which has narrow letters too.
const LISTED_MM: f64 = 1.38;
/// Height of a row of the list, mm.
const ROW_MM: f64 = 3.6;

/// The block face up, to scale: its lines, and rings about what is to be mended;
/// `left_out`: places held to be damage that are not on it.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn drawing(
    run: &Run<'_>,
    mend: &[&Site],
    left_out: usize,
    block: &str,
    atlas: &Atlas,
    project: &Project,
) -> Picture {
    let sheet = project.sheet.map_or_else(
        || {
            let all = atlas.lines.iter().flat_map(|l| &l.points);
            let (x, y) = all.fold((1.0_f64, 1.0_f64), |(x, y), p| {
                (x.max(p.x_mm.abs()), y.max(p.y_mm.abs()))
            });
            Rect::centred(2.0 * x + 8.0, 2.0 * y + 8.0)
        },
        |s| Rect::centred(s.width_mm, s.height_mm),
    );
    // Millimetres from the upper left corner of the block as it lies face up.
    let to = |p: Point| {
        let b = on_block(p);
        Point::new(b.x - sheet.min.x, sheet.max.y - b.y)
    };
    let mut marks = vec![Mark::Line {
        points: sheet.corners().iter().map(|p| to(*p)).collect(),
        closed: true,
        tone: Tone::Guide,
        stroke: Stroke::Dashed,
    }];
    let line = |points: Vec<Point>, closed: bool| Mark::Line {
        points,
        closed,
        tone: Tone::Guide,
        stroke: Stroke::Solid,
    };
    for l in atlas.lines.iter().filter(|l| l.points.len() > 1) {
        let last = l.points.len() - 1;
        let points = l.points.iter().enumerate();
        let points = points.filter(|(i, _)| i % 6 == 0 || *i == last);
        marks.push(line(
            points
                .map(|(_, p)| to(Point::new(p.x_mm, p.y_mm)))
                .collect(),
            l.closed,
        ));
    }
    for o in &atlas.solids {
        let points = o.points.iter().step_by(6);
        marks.push(line(
            points.map(|p| to(Point::new(p.x_mm, p.y_mm))).collect(),
            o.closed,
        ));
    }
    sides(&mut marks, project, sheet);
    let rings: Vec<Ring> = mend
        .iter()
        .enumerate()
        .map(|(rank, site)| Ring {
            at: to(site.place),
            radius: 0.5 * site.length + 0.6,
            names: [
                format!("{} {} {:.2}", rank + 1, site.kind.name(), site.length),
                (rank + 1).to_string(),
            ],
        })
        .collect();
    let size = Point::new(sheet.width(), sheet.height());
    for (ring, site) in rings.iter().zip(mend) {
        marks.push(Mark::Circle {
            at: ring.at,
            radius: ring.radius,
            tone: tone(site.kind),
        });
    }
    let drawn: Vec<[Point; 2]> = marks
        .iter()
        .filter_map(|m| match m {
            Mark::Line { points, .. } => Some(points.windows(2).map(|w| [w[0], w[1]])),
            _ => None,
        })
        .flatten()
        .collect();
    for label in labels::placed(&rings, size, &drawn) {
        let tone = tone(mend[label.ring].kind);
        if let Some(leader) = label.leader {
            marks.push(Mark::Line {
                points: leader.to_vec(),
                closed: false,
                tone,
                stroke: Stroke::Solid,
            });
        }
        marks.push(Mark::Text {
            at: label.at,
            text: label.text,
            tone,
        });
    }
    let height = list(run, mend, size, &mut marks);
    let caption = format!(
        "Repair map of block {block}, true to size, the block face up: the print's mirror image, what prints right lies left. {} places, numbered as in repair_map, first what the print misses most, times how sure that is; lengths in mm with standard errors. Places and lengths are the paper's, which stretches: measure on the block from the nearest line. A break that the key's proof already had is among them only where both its ends are plain: elsewhere the record has no line there, and it was not searched.{} Dashed: the sheet. Print it, or the PDF beside it, without scaling and check the scale bar.",
        mend.len(),
        match left_out {
            0 => String::new(),
            1 => " One more place is held to be damage, or cut so, and is not drawn: not_on_map in damage_sites says why.".to_owned(),
            n => format!(
                " {n} more places are held to be damage, or cut so, and are not drawn: not_on_map in damage_sites says why of each."
            ),
        }
    );
    Picture::of_drawing(MAP, &caption, [size.x, height], marks)
}

fn tone(kind: Kind) -> Tone {
    match kind {
        Kind::Break | Kind::Hole => Tone::Fault,
        _ => Tone::Notice,
    }
}

/// Says which side prints where, for the drawing is the print's mirror image.
fn sides(marks: &mut Vec<Mark>, project: &Project, sheet: Rect) {
    let mut text = |x: f64, y: f64, text: String| {
        marks.push(Mark::Text {
            at: Point::new(x, y),
            text,
            tone: Tone::Expected,
        });
    };
    text(2.0, 4.0, "R: prints right".to_owned());
    let left = "L: prints left";
    #[allow(clippy::cast_precision_loss)]
    let width = left.len() as f64 * LETTER_MM;
    text(sheet.width() - width - 1.0, 4.0, left.to_owned());
    for i in project.images.iter().filter(|_| project.images.len() > 1) {
        let r = i.rect();
        // On the block the image's print right is its left.
        text(
            -r.max.x - sheet.min.x + 2.0,
            sheet.max.y - r.min.y + 4.0,
            format!("image {}", i.name),
        );
    }
}

/// A list of the places below the drawing; the height of both, mm.
#[allow(clippy::cast_precision_loss)]
fn list(run: &Run<'_>, mend: &[&Site], size: Point, marks: &mut Vec<Mark>) -> f64 {
    let entries: Vec<String> = mend
        .iter()
        .enumerate()
        .map(|(rank, site)| entry(run, rank, site))
        .collect();
    let longest = entries.iter().map(|e| e.chars().count()).max().unwrap_or(0);
    let wide = longest as f64 * LISTED_MM + 3.0;
    let columns = ((size.x / wide) as usize).max(1);
    let rows = entries.len().div_ceil(columns);
    for (n, (text, site)) in entries.into_iter().zip(mend).enumerate() {
        marks.push(Mark::Text {
            at: Point::new(
                (n / rows) as f64 * size.x / columns as f64,
                size.y + 6.0 + ROW_MM * (n % rows) as f64,
            ),
            text,
            tone: tone(site.kind),
        });
    }
    size.y
        + if rows > 0 {
            5.0 + ROW_MM * rows as f64
        } else {
            0.0
        }
}

fn entry(run: &Run<'_>, rank: usize, site: &Site) -> String {
    let at = on_block(site.place);
    let name = |k: usize| {
        let i = run.order[k];
        match (i.position, i.edition.is_empty()) {
            (Some(p), true) => format!("sheet {p}"),
            (Some(p), false) => format!("{} no. {p}", i.edition),
            (None, true) => i.impression.clone(),
            (None, false) => i.edition.clone(),
        }
    };
    let first = site.first_and_last().0;
    let since = match (site.last_whole(), first) {
        (None, _) => "on all seen".to_owned(),
        // Between the last sheet that shows it whole and the first that shows it broken.
        (Some(whole), k) => format!("after {}, by {}", name(whole), name(k)),
    };
    let cut = if site.blame.cut > 0.05 {
        ", or cut so"
    } else {
        ""
    };
    format!(
        "{} {} {:.2}\u{b1}{:.2} at {:.1} {:.1}, {since}, {:.0} %{cut}",
        rank + 1,
        site.kind.name(),
        site.length,
        site.length_se,
        at.x,
        at.y,
        100.0 * site.blame.block
    )
}
