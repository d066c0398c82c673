//! Pictures of a sheet: displacements as arrows, and what the model leaves.

use std::collections::BTreeMap;

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{White, linear_srgb_to_lab};
use restrike_ops::layered_absorption::under;
use restrike_stage::{
    Frame, ITEM_COLOURS, Mark, Measure, Output, Picture, Point, Raster, Rect, StageError, Stroke,
    Tone,
};

use crate::align::Aligned;
use crate::basis::Basis;
use crate::frame::SheetPlace;
use crate::layers::{Layer, Model, Pixel};
use crate::learned::moments_within;
use crate::level::Level;
use crate::located::Located;
use crate::off::Worst;
use crate::places::Places;
use crate::record::Known;
use crate::settings::Settings;
use restrike_ops::contour::{Inside, contours};

/// Name of the residual's image.
pub(crate) const RESIDUAL: &str = "registration-residual";
/// Side of a pixel of the residual picture, mm.
const RESIDUAL_MM: f64 = 25.4 / 100.0;
/// Residual in absorption that is drawn black or white.
const FULL: f64 = 0.3;

/// How far a label's foot is above or below its place, as a share of the sheet's width.
const LABEL_ABOVE: f64 = 0.004;
const LABEL_BELOW: f64 = 0.018;

/// Linear light of a pixel without residual, with more ink, with less: a pair
/// that stays apart for all kinds of colour sight.
const NEUTRAL: f64 = 0.62;
const MORE: [f64; 3] = [0.0, 0.08, 0.45];
const LESS: [f64; 3] = [0.8, 0.25, 0.0];

/// Gives the pictures of a sheet.
///
/// # Errors
/// When the host does not take them.
pub(crate) fn draw(
    input: &Measure<'_>,
    place: &SheetPlace,
    aligned: &Aligned,
    known: &[Known],
    places: &Places<'_>,
    settings: &Settings,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    out.picture(&register(place, aligned, known, places, settings))?;
    let (residual, frame) = residual(input, place, aligned);
    out.image(RESIDUAL, residual.view())?;
    out.picture(&Picture {
        name: "residual".to_owned(),
        caption: format!(
            "What the layered model leaves, in absorption: grey where it explains the sheet, blue where there is more ink than it says, orange where less; full colour is {FULL} and more."
        ),
        base: RESIDUAL.to_owned(),
        frame,
        marks: Vec::new(),
    })
}

/// The scan with each block's edges where they were found, and its displacement as
/// an arrow on each image.
fn register(
    place: &SheetPlace,
    aligned: &Aligned,
    known: &[Known],
    places: &Places<'_>,
    settings: &Settings,
) -> Picture {
    let mut marks = Vec::new();
    let Some(to_scan) = place.to_print.inverse() else {
        return blank(marks);
    };
    let px = |p: Point| to_scan.apply(p);
    let placed: Vec<(usize, &Known)> = known
        .iter()
        .enumerate()
        .filter(|(n, _)| places.whole.found[*n].is_some())
        .collect();
    let tones = tones(placed.iter().map(|(n, block)| (*n, &block.layer)));
    let tone = |n: usize| tones.get(&n).copied().unwrap_or(Tone::Item(0));
    // The numbers of the images where there are some: each may be sold by itself.
    let images = match places.images.as_slice() {
        [] => std::slice::from_ref(&places.whole),
        images => images,
    };
    for (n, block) in &placed {
        outline(block, places, *n, &px, tone(*n), &mut marks);
    }
    for (n, block) in &placed {
        let tone = tone(*n);
        let mut said = Vec::new();
        for on in images {
            let layer = &aligned.layers[*n];
            let Some(m) = moments_within(&layer.rough, on.area) else {
                continue;
            };
            let at = spot(m.extent, *n, known.len());
            let fit = match &on.off[*n] {
                Worst::Off(_, by) => places.all().find(|o| o.name == *by),
                _ => None,
            };
            let l = fit.and_then(|o| o.found[*n].as_ref());
            let by = l.map(|l| l.displacement(at) * settings.exaggeration);
            marks.push(match by {
                Some(by) => Mark::Arrow {
                    from: px(at),
                    to: px(at + by),
                    tone,
                },
                None => Mark::Cross { at: px(at), tone },
            });
            // Beside the arrow, not over it.
            let rises = by.is_some_and(|by| by.y > 0.0);
            let share = if rises { -LABEL_BELOW } else { LABEL_ABOVE };
            marks.push(Mark::Text {
                at: px(at + Point::new(0.6, share * place.sheet.width())),
                text: block.part.name.clone(),
                tone,
            });
            let where_ = if images.len() > 1 { on.name } else { "" };
            said.extend(words(where_, &on.off[*n], on.found[*n].as_ref()));
        }
        marks.push(Mark::Key {
            text: format!(
                "{}, against {}: {}",
                block.part.name,
                Basis::of_zero(&block.part.zero).against(),
                said.join("; ")
            ),
            tone,
        });
    }
    let mut picture = blank(marks);
    picture.caption = format!(
        "Where each colour block landed: arrows about the middle of what it prints, drawn {:.0} times as long as the displacement is there (each block in one of a few colours that all readers can tell apart, by the names below; the nearest to its ink that is left), a cross where none is given; below, how far it is off where that is most (`off_mm` in the table, `off_at_x_mm` where), with standard errors; on the first reference a block that is held against it is off by nothing but the error; lines, the blocks' edges as the record has them, laid where they were found, dashed where they should lie if they were not.",
        settings.exaggeration
    );
    picture
}

/// Reflectance of a paper as prints usually have it.
const PAPER: f64 = 0.8;

/// A tone for each block: of those that are left the one whose colour is most like its ink.
fn tones<'a>(blocks: impl Iterator<Item = (usize, &'a Layer)>) -> BTreeMap<usize, Tone> {
    let looks: Vec<[f64; 3]> = ITEM_COLOURS
        .iter()
        .map(|c| {
            let [r, g, b] = *c;
            let light = palette::Srgb::new(r, g, b)
                .into_format::<f64>()
                .into_linear();
            linear_srgb_to_lab([light.red, light.green, light.blue], White::D65)
        })
        .collect();
    let mut pairs = Vec::new();
    for (n, layer) in blocks {
        let solid = under([PAPER; 3], [(1.0, layer.absorption)]);
        let ink = linear_srgb_to_lab(solid, White::D65);
        for (item, look) in looks.iter().enumerate() {
            pairs.push((ciede2000(ink, *look), n, item));
        }
    }
    pairs.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let mut out = BTreeMap::new();
    // The second time round the same colours are drawn in another form.
    for round in 0_usize..2 {
        let mut taken = vec![false; looks.len()];
        for (_, n, item) in &pairs {
            if !taken[*item] && !out.contains_key(n) {
                taken[*item] = true;
                let item = u8::try_from(item + round * looks.len()).unwrap_or(0);
                out.insert(*n, Tone::Item(item));
            }
        }
    }
    out
}

/// What was found of a block on an image, which is named if there are several.
fn words(image: &str, off: &Worst<'_>, l: Option<&Located>) -> Option<String> {
    let on = if image.is_empty() {
        String::new()
    } else {
        format!("on the {image} image ")
    };
    let why = l.and_then(|l| l.reason.as_deref()).unwrap_or_default();
    Some(match off {
        Worst::PrintsNothing => return None,
        Worst::Unknown => format!("{on}not located: {why}"),
        Worst::Off(off, by) => {
            let along = |v: f64, less: &str, more: &str| {
                format!("{:.3} mm {}", v.abs(), if v < 0.0 { less } else { more })
            };
            let mut out = format!(
                "{on}off by {:.3} ± {:.3} mm at worst ({}, {})",
                off.length,
                off.se,
                along(off.by.x, "to the left", "to the right"),
                along(off.by.y, "down", "up"),
            );
            if !image.is_empty() && *by != image {
                out.push_str(", by the whole sheet's fit");
            } else if !why.is_empty() {
                out.push_str(", ");
                out.push_str(why);
            }
            out
        }
    })
}

fn blank(marks: Vec<Mark>) -> Picture {
    Picture {
        name: "register".to_owned(),
        caption: String::new(),
        base: "scan".to_owned(),
        frame: None,
        marks,
    }
}

/// A place for a block's arrow: on its print, spread so that arrows do not cover each other.
fn spot(extent: Rect, n: usize, of: usize) -> Point {
    #[allow(clippy::cast_precision_loss)]
    let share = (n as f64 + 0.5) / of.max(1) as f64;
    let c = extent.centre();
    Point::new(
        c.x + (share - 0.5) * 0.7 * extent.width(),
        c.y + (0.5 - share) * 0.5 * extent.height(),
    )
}

/// The block's edges where they lie on this sheet; dashed, where they should. An
/// image's own fit lays them where the whole sheet's tells no place.
fn outline(
    block: &Known,
    places: &Places<'_>,
    n: usize,
    px: &dyn Fn(Point) -> Point,
    tone: Tone,
    marks: &mut Vec<Mark>,
) {
    let zero = block.part.zero_ride();
    let laid = |p: Point| {
        places
            .all()
            .filter(|o| o.area.is_none_or(|a| a.contains(p)))
            .find(|o| o.found[n].as_ref().is_some_and(Located::given))
            .and_then(|o| o.fit.state.rides[n].map())
    };
    let rough = &block.layer.rough;
    for found in contours(&rough.distance, 0.0, Inside::Below) {
        if found.length() * rough.pitch < LEAST_MM {
            continue;
        }
        let mut line: Vec<Point> = found.points.iter().map(|p| rough.between(*p)).collect();
        if found.closed {
            line.extend(line.first().copied());
        }
        let draw = |place: &dyn Fn(Point) -> Point, stroke| Mark::Line {
            points: thinned(&line).map(|b| px(place(b))).collect(),
            closed: false,
            tone,
            stroke,
        };
        marks.push(match laid(line[0]) {
            Some(map) => draw(&|b| map.apply(b), Stroke::Solid),
            None => draw(&|b| b + zero.displacement(b), Stroke::Dashed),
        });
    }
}

/// Shorter outlines are not drawn, mm.
const LEAST_MM: f64 = 4.0;

/// Every other point of a line, with its ends.
fn thinned(line: &[Point]) -> impl Iterator<Item = Point> {
    let last = line.len() - 1;
    line.iter()
        .enumerate()
        .filter(move |(i, _)| i % 2 == 0 || *i == last)
        .map(|(_, p)| *p)
}

/// Absorption of the sheet less the model's, at a resolution to look at.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn residual(
    input: &Measure<'_>,
    place: &SheetPlace,
    aligned: &Aligned,
) -> (Raster<f32>, Option<Frame>) {
    let layers = &aligned.layers;
    let pixel = place.to_print.determinant().abs().sqrt();
    let factor = ((RESIDUAL_MM / pixel).round() as usize).max(1);
    let level = Level::new(input.scan, &place.to_print, factor);
    let mut state = aligned.whole.state.clone();
    #[allow(clippy::cast_precision_loss)]
    let k = factor as f64;
    // The averaged pixel's own width adds to the blur.
    state.sigma = ((aligned.blur_px / k).powi(2) + if factor > 1 { 1.0 / 12.0 } else { 0.0 })
        .sqrt()
        .max(0.3);
    let model = Model {
        layers,
        local: &aligned.local,
        steps: [
            level.to_print.apply_vector(Point::new(1.0, 0.0)),
            level.to_print.apply_vector(Point::new(0.0, 1.0)),
        ],
        pixel: level.pixel,
    };
    let (w, h) = level.size();
    let mut out = Raster::new(w, h, 3);
    let mut at = Pixel::new(layers.len());
    let inner = place.sheet.grown(-1.0);
    for y in 0..h {
        for x in 0..w {
            let p = level.place(x, y);
            let mut more = 0.0;
            if inner.contains(p) {
                model.pixel(&state, p, &mut at);
                let seen = level.pixel(x, y);
                for c in 0..3 {
                    more -= libm::log((seen[c] + 0.01) / (at.value[c] + 0.01)) / 3.0;
                }
            }
            let share = (more.abs() / FULL).min(1.0);
            let full = if more > 0.0 { MORE } else { LESS };
            for c in 0..3 {
                let v = NEUTRAL + (full[c] - NEUTRAL) * share;
                out.set(x, y, c, v as f32);
            }
        }
    }
    (out, None)
}
