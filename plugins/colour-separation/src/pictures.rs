//! Pictures: the planes, tinted, on one page; the impression put together
//! again beside the scan, with what is left and what is not sure.

use restrike_stage::{
    Chart, Mark, Output, Panel, Picture, Plot, Point, Raster, StageError, Stroke, Tone,
};

use crate::gradation::Profile;
use crate::separate::{FULL, Separated};
use crate::sheet::{MOST, Sheet};

/// Images behind the pictures.
pub(crate) const PAGE: &str = "separation-blocks";
pub(crate) const COMPARISON: &str = "separation-comparison";
/// Image of the labels, for stages after this one.
pub(crate) const LABELS: &str = "separation-labels";

/// Widths of a tile of the page and of the comparison, px.
const TILE: usize = 620;
const LARGE: usize = 900;
const GAP: usize = 24;
/// Residual in absorption that is drawn in full colour.
const RESIDUAL: f64 = 0.3;
const NEUTRAL: f64 = 0.62;
const MORE: [f64; 3] = [0.0, 0.08, 0.45];
const LESS: [f64; 3] = [0.8, 0.25, 0.0];
/// Linear light of what is not sure, and of a page.
const UNSURE: [f32; 3] = [0.85, 0.28, 0.0];
const WHITE: f32 = 0.95;

/// Name of a plane's image.
pub(crate) fn plane(n: usize) -> String {
    format!("plane-{:02}", n + 1)
}

/// Names of all images.
pub(crate) fn images() -> Vec<String> {
    let mut out = vec![PAGE.to_owned(), COMPARISON.to_owned(), LABELS.to_owned()];
    out.extend((0..MOST).map(plane));
    out
}

/// A window on a picture in samples of the planes.
#[derive(Debug, Clone, Copy)]
struct Window {
    x: usize,
    y: usize,
    w: usize,
    h: usize,
}

/// What was looked at, as a window.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn window(sheet: &Sheet<'_>, s: &Separated) -> Window {
    let (w, h) = (s.labels.width(), s.labels.height());
    let k = 1.0 / s.factor as f64;
    let all = Window { x: 0, y: 0, w, h };
    let Some(back) = sheet.placement.to_print.inverse() else {
        return all;
    };
    let corners = sheet.area.corners().map(|c| back.apply(c) * k);
    let range = |v: [f64; 4], n: usize| {
        let low = v.iter().copied().fold(f64::MAX, f64::min).max(0.0) as usize;
        let high = v.iter().copied().fold(f64::MIN, f64::max).max(0.0).ceil() as usize;
        (low.min(n.saturating_sub(1)), high.min(n))
    };
    let (x0, x1) = range(corners.map(|c| c.x), w);
    let (y0, y1) = range(corners.map(|c| c.y), h);
    if x1 <= x0 || y1 <= y0 {
        return all;
    }
    Window {
        x: x0,
        y: y0,
        w: x1 - x0,
        h: y1 - y0,
    }
}

/// Draws a panel: the mean of `colour` over the samples of each pixel.
#[allow(clippy::cast_precision_loss)]
fn panel(
    into: &mut Raster<f32>,
    at: (usize, usize),
    size: (usize, usize),
    from: Window,
    colour: &dyn Fn(usize, usize) -> [f32; 3],
) {
    for j in 0..size.1 {
        let rows = (j * from.h / size.1)..((j + 1) * from.h / size.1).max(j * from.h / size.1 + 1);
        for i in 0..size.0 {
            let columns =
                (i * from.w / size.0)..((i + 1) * from.w / size.0).max(i * from.w / size.0 + 1);
            let mut sum = [0.0; 3];
            let mut n = 0.0;
            for y in rows.clone() {
                for x in columns.clone() {
                    let v = colour(from.x + x, from.y + y);
                    for c in 0..3 {
                        sum[c] += v[c];
                    }
                    n += 1.0;
                }
            }
            for (c, s) in sum.iter().enumerate() {
                into.set(at.0 + i, at.1 + j, c, s / n);
            }
        }
    }
}

fn page(width: usize, height: usize) -> Raster<f32> {
    let mut out = Raster::new(width, height, 3);
    out.data_mut().fill(WHITE);
    out
}

fn words(at: (usize, usize), text: String) -> Mark {
    #[allow(clippy::cast_precision_loss)]
    Mark::Text {
        at: Point::new(at.0 as f64, at.1 as f64),
        text,
        tone: Tone::Guide,
    }
}

/// Gives the planes, for files of their exact values, one after the other: each is let go before the
/// next is made ready.
///
/// # Errors
/// When the host does not take them.
pub(crate) fn planes(
    sheet: &Sheet<'_>,
    s: Separated,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    out.image(LABELS, s.labels.view())?;
    // More blocks do not fit sixteen bits.
    if sheet.blocks.len() <= 15 {
        let bits: Vec<String> = sheet
            .blocks
            .iter()
            .enumerate()
            .map(|(n, b)| format!("{} {}", 1 << n, b.name))
            .collect();
        out.picture(&Picture::of_samples(
            "labels",
            &format!(
                "Which blocks printed: 1 and the sum of {}; 0 where it is not decided or was not looked at.",
                bits.join(", ")
            ),
            LABELS,
            65535.0,
        ))?;
    }
    let (w, h) = (s.labels.width(), s.labels.height());
    drop(s.labels);
    let mut floats = Raster::<f32>::new(w, h, 1);
    for (n, (b, p)) in sheet.blocks.iter().zip(s.planes).enumerate() {
        for (to, v) in floats.data_mut().iter_mut().zip(p.into_vec()) {
            *to = strength(v);
        }
        out.image(&plane(n), floats.view())?;
        out.picture(&Picture::of_samples(
            &format!("plane-{}", b.name),
            &format!(
                "Ink of block {}: strength x {} of 65535, 1 is the record's solid; in the scan's pixels, {} to a side.",
                b.name,
                65535.0 / FULL,
                s.factor
            ),
            &plane(n),
            FULL,
        ))?;
    }
    Ok(())
}

/// Strength of a plane's sample.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn strength(sample: u16) -> f32 {
    f32::from(sample) * (FULL / 65535.0) as f32
}

/// Gives the pictures for people.
///
/// # Errors
/// When the host does not take them.
pub(crate) fn draw(
    sheet: &Sheet<'_>,
    s: &Separated,
    paper: [f64; 3],
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let from = window(sheet, s);
    blocks_page(sheet, s, paper, from, out)?;
    comparison(sheet, s, from, out)
}

fn size(width: usize, from: Window) -> (usize, usize) {
    let w = width.min(from.w).max(1);
    (w, (w * from.h / from.w.max(1)).max(1))
}

fn blocks_page(
    sheet: &Sheet<'_>,
    s: &Separated,
    paper: [f64; 3],
    from: Window,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let count = sheet.blocks.len();
    let columns = (1..=count).find(|c| c * c >= count).unwrap_or(1);
    let (w, h) = size(TILE, from);
    let head = 2 * GAP;
    let rows = count.div_ceil(columns);
    let mut image = page(columns * (w + GAP) + GAP, rows * (h + head) + GAP);
    let mut marks = Vec::new();
    for (n, b) in sheet.blocks.iter().enumerate() {
        let at = (
            GAP + (n % columns) * (w + GAP),
            head + (n / columns) * (h + head),
        );
        #[allow(clippy::cast_possible_truncation)]
        let (paper, a) = (paper.map(|p| p as f32), b.absorption.map(|a| a as f32));
        let plane = &s.planes[n];
        panel(&mut image, at, (w, h), from, &|x, y| {
            let v = strength(plane.get(x, y, 0));
            [0, 1, 2].map(|c| paper[c] * libm::expf(-a[c] * v))
        });
        let said = if b.place.located() {
            String::new()
        } else {
            format!(" ({})", b.place.basis())
        };
        marks.push(words((at.0, at.1 - GAP / 3), format!("{}{said}", b.name)));
    }
    out.image(PAGE, image.view())?;
    out.picture(&Picture {
        name: "blocks".to_owned(),
        caption: "Each block's ink alone on the sheet's paper, as it was printed here.".to_owned(),
        base: PAGE.to_owned(),
        frame: None,
        marks,
    })
}

#[allow(clippy::cast_possible_truncation)]
fn comparison(
    sheet: &Sheet<'_>,
    s: &Separated,
    from: Window,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let (w, h) = size(LARGE, from);
    let head = 2 * GAP;
    let mut image = page(2 * w + 3 * GAP, 2 * (h + head) + GAP);
    let at = |n: usize| (GAP + (n % 2) * (w + GAP), head + (n / 2) * (h + head));
    let k = s.factor;
    panel(&mut image, at(0), (w, h), from, &|x, y| {
        sheet.seen(x * k + k / 2, y * k + k / 2).map(|v| v as f32)
    });
    let last = (s.residual.width() - 1, s.residual.height() - 1);
    let at_view = |x: usize, y: usize| ((x / s.view).min(last.0), (y / s.view).min(last.1));
    let recomposed = |x: usize, y: usize| {
        let (x, y) = at_view(x, y);
        [0, 1, 2].map(|c| s.recomposed.get(x, y, c))
    };
    panel(&mut image, at(1), (w, h), from, &recomposed);
    panel(&mut image, at(2), (w, h), from, &|x, y| {
        let (x, y) = at_view(x, y);
        let more = f64::from(s.residual.get(x, y, 0));
        let share = (more.abs() / RESIDUAL).min(1.0);
        let full = if more > 0.0 { MORE } else { LESS };
        [0, 1, 2].map(|c| (NEUTRAL + (full[c] - NEUTRAL) * share) as f32)
    });
    panel(&mut image, at(3), (w, h), from, &|x, y| {
        if s.labels.get(x, y, 0) < 0.0 {
            UNSURE
        } else {
            recomposed(x, y).map(|v| 0.45 + 0.55 * v)
        }
    });
    let marks = [
        "the scan",
        "put together again from the planes",
        "what is left: blue darker, orange lighter than the planes say",
        "orange: not decided",
    ]
    .into_iter()
    .enumerate()
    .map(|(n, text)| words((at(n).0, at(n).1 - GAP / 3), text.to_owned()))
    .collect();
    out.image(COMPARISON, image.view())?;
    out.picture(&Picture {
        name: "recomposed".to_owned(),
        caption: format!(
            "The scan, the impression put together again from the blocks' planes, what is left between them (full colour is {RESIDUAL} in absorption), and where it could not be decided which blocks printed."
        ),
        base: COMPARISON.to_owned(),
        frame: None,
        marks,
    })
}

/// The chart of a block's gradation, a line an image.
pub(crate) fn gradation(block: &str, profiles: &[(String, Profile)]) -> Picture {
    let mut plots = Vec::new();
    for (image, p) in profiles {
        plots.push(Plot::Line {
            name: image.clone(),
            points: p.points.clone(),
            tone: Tone::Measured,
            stroke: Stroke::Solid,
        });
        let ends = [(p.start, 0.9), (p.end, 0.1)];
        plots.push(Plot::Rings {
            name: String::new(),
            points: ends
                .into_iter()
                .filter_map(|(at, share)| Some(Point::new(at?, share * p.most)))
                .collect(),
            tone: Tone::Notice,
        });
    }
    Picture::of_chart(
        &format!("gradation-{block}"),
        &format!(
            "Strength of block {block} along its fading; rings: nine tenths and a tenth of the most."
        ),
        Chart {
            title: format!("gradation of {block}"),
            x_label: "along the fading from the image's centre, mm".to_owned(),
            panels: vec![Panel {
                y_label: "strength".to_owned(),
                plots,
            }],
        },
    )
}
