//! Pictures of a pair of editions.

use restrike_stage::{Mark, Output, Picture, Point, Raster, StageError, Tone};

use crate::edition::Edition;
use crate::ground::Ground;
use crate::kinds::Finding;

/// Most pairs that get pictures.
pub(crate) const PAIRS: usize = 15;
/// Cut-outs on a picture, across and down.
const ACROSS: usize = 3;
const DOWN: usize = 5;
/// Side of a cut-out, pixels, and the room about it.
const SIDE: usize = 180;
const GAP: usize = 12;
const HEAD: usize = 44;
/// Least side of what a cut-out shows, mm.
const LEAST_MM: f64 = 6.0;
/// A cut-out is so many times as wide as its difference.
const ROOM: f64 = 2.2;
/// Lengths of scale bars, mm: the longest that is at most a third of a cut-out.
const BARS_MM: [f64; 6] = [1.0, 2.0, 5.0, 10.0, 20.0, 50.0];
/// Paper is shown a little under white.
const PAPER: f32 = 0.9;
/// Where an edition does not tell.
const UNSEEN: f32 = 0.6;
/// Most places marked on the overview.
const MARKED: usize = 60;

fn name(what: &str, n: usize) -> String {
    format!("{what}-{:02}", n + 1)
}

/// Names of all pictures, and of the images they are drawn on.
pub(crate) fn names() -> Vec<String> {
    (0..PAIRS)
        .flat_map(|n| [name("where", n), name("cut-outs", n)])
        .collect()
}

fn words(at: (usize, usize), text: String, tone: Tone) -> Mark {
    #[allow(clippy::cast_precision_loss)]
    Mark::Text {
        at: Point::new(at.0 as f64, at.1 as f64),
        text,
        tone,
    }
}

/// Draws a pair.
///
/// # Errors
/// When the host cannot take a picture.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn draw(
    ground: &Ground,
    n: usize,
    a: &Edition,
    b: &Edition,
    found: &[Finding],
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let grid = ground.grid;
    let (w, h) = (grid.width, grid.height);
    let mut sheet = Raster::new(w, h, 3);
    let cells = b.levels[0].light.iter().zip(&b.levels[0].count);
    for (p, (v, n)) in sheet.data_mut().chunks_exact_mut(3).zip(cells) {
        // Pale, so that the marks stand out.
        let shown = if *n == 0 {
            [UNSEEN; 3]
        } else {
            v.map(|v| 0.4 + 0.55 * v)
        };
        p.copy_from_slice(&shown);
    }
    let mut marks = Vec::new();
    for (k, f) in found.iter().enumerate().take(MARKED) {
        let at = Point::new(
            (f.centre.x - grid.origin.x) / grid.pitch,
            (grid.origin.y - f.centre.y) / grid.pitch,
        );
        let radius = (0.6 * f.extent_mm / grid.pitch).max(12.0);
        marks.push(Mark::Circle {
            at,
            radius,
            tone: Tone::Notice,
        });
        marks.push(Mark::Text {
            at: Point::new(at.x + radius + 2.0, at.y),
            text: format!("{}", k + 1),
            tone: Tone::Notice,
        });
    }
    let base = name("where", n);
    out.image(&base, sheet.view())?;
    let more = if found.len() > MARKED {
        format!(" The {MARKED} largest are marked.")
    } else {
        String::new()
    };
    out.picture(&Picture {
        name: base.clone(),
        caption: format!(
            "Where {} differs from {}: the later edition's consensus, numbers as in the table; grey where no impression tells.{more}",
            b.about.name, a.about.name
        ),
        base,
        frame: None,
        marks,
    })?;
    if found.is_empty() {
        return Ok(());
    }
    cut_outs(ground, n, a, b, found, out)
}

#[allow(clippy::cast_precision_loss)]
fn cut_outs(
    ground: &Ground,
    n: usize,
    a: &Edition,
    b: &Edition,
    found: &[Finding],
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let shown = found.len().min(ACROSS * DOWN);
    let down = shown.div_ceil(ACROSS);
    let pair = 2 * SIDE + GAP / 2;
    let (cw, ch) = (pair + 2 * GAP, SIDE + HEAD + GAP);
    let (width, height) = (ACROSS * cw + GAP, down * ch + GAP);
    let mut image = Raster::new(width, height, 3);
    image.data_mut().fill(1.0);
    let mut marks = Vec::new();
    for (k, f) in found.iter().take(shown).enumerate() {
        let (x, y) = (GAP + (k % ACROSS) * cw, GAP + (k / ACROSS) * ch);
        let block = f.block.map_or("", |b| ground.blocks[b].name.as_str());
        let side = shown_mm(f);
        marks.push(words(
            (x, y + 14),
            format!("{}  {} {block}", k + 1, f.kind.words()),
            Tone::Guide,
        ));
        marks.push(words((x, y + HEAD - 9), size_words(f), Tone::Guide));
        for (half, e) in [a, b].into_iter().enumerate() {
            let corner = (x + half * (SIDE + GAP / 2), y + HEAD);
            panel(&mut image, corner, ground, e, f);
            marks.push(Mark::Circle {
                at: Point::new(corner.0 as f64, corner.1 as f64)
                    + Point::new(0.5, 0.5) * SIDE as f64,
                radius: (0.6 * f.extent_mm + 0.3) / side * SIDE as f64,
                tone: Tone::Notice,
            });
        }
        marks.extend(scale(
            Point::new((x + 8) as f64, (y + HEAD + SIDE - 8) as f64),
            side,
        ));
    }
    let base = name("cut-outs", n);
    out.image(&base, image.view())?;
    out.picture(&Picture {
        name: base.clone(),
        caption: format!(
            "The {shown} largest of {} differences, numbers as in the table. Of each pair the left is the \
             consensus of {}, the right that of {}, each against its own paper, inks at the record's \
             strengths. The ring is about what differs; the bar gives the scale of both; grey: no impression tells.",
            found.len(),
            a.about.name,
            b.about.name
        ),
        base,
        frame: None,
        marks,
    })
}

/// Side of what a difference's cut-outs show, mm.
fn shown_mm(f: &Finding) -> f64 {
    (ROOM * f.extent_mm).max(LEAST_MM)
}

/// How large a difference is.
fn size_words(f: &Finding) -> String {
    match f.moved_mm {
        Some(by) => format!("{by:+.3} mm, {:.2} mm2", f.area_mm2),
        None => format!("{:.1} CIEDE2000, {:.2} mm2", f.de00, f.area_mm2),
    }
}

/// A scale bar with its words; `at` is its left end.
#[allow(clippy::cast_precision_loss)]
fn scale(at: Point, side_mm: f64) -> [Mark; 2] {
    let mm = BARS_MM
        .into_iter()
        .rfind(|b| *b <= side_mm / 3.0)
        .unwrap_or(BARS_MM[0]);
    let end = Point::new(at.x + mm / side_mm * SIDE as f64, at.y);
    [
        Mark::Line {
            points: vec![at, end],
            closed: false,
            tone: Tone::Guide,
            stroke: restrike_stage::Stroke::Solid,
        },
        Mark::Text {
            at: Point::new(end.x + 6.0, end.y),
            text: format!("{mm:.0} mm"),
            tone: Tone::Guide,
        },
    ]
}

/// One cut-out, bilinear.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn panel(image: &mut Raster<f32>, at: (usize, usize), ground: &Ground, e: &Edition, f: &Finding) {
    let grid = ground.grid;
    let side = shown_mm(f);
    let corner = Point::new(f.centre.x - side / 2.0, f.centre.y + side / 2.0);
    let level = &e.levels[0];
    for y in 0..SIDE {
        for x in 0..SIDE {
            let step = side / SIDE as f64;
            let p = Point::new(
                corner.x + (x as f64 + 0.5) * step,
                corner.y - (y as f64 + 0.5) * step,
            );
            let within = ((p.x - grid.origin.x) / grid.pitch).floor() >= 0.0
                && ((grid.origin.y - p.y) / grid.pitch).floor() >= 0.0
                && (p.x - grid.origin.x) / grid.pitch < grid.width as f64
                && (grid.origin.y - p.y) / grid.pitch < grid.height as f64;
            for c in 0..3 {
                let v = if within {
                    grid.nodes(p)
                        .iter()
                        .map(|(n, w)| {
                            let seen = level.count[*n] > 0;
                            *w as f32 * if seen { level.light[*n][c] } else { UNSEEN }
                        })
                        .sum::<f32>()
                        * PAPER
                } else {
                    0.6
                };
                image.set(at.0 + x, at.1 + y, c, v);
            }
        }
    }
}
