//! A sheet taken apart: planes, labels, what is left, and what is counted.

use restrike_ops::overprints::Subset;
use restrike_stage::{Raster, Rect};

use crate::alone;
use crate::fields::Fields;
use crate::level;
use crate::pieces::Pieces;
use crate::pixel::{Answer, Noise, Reader};
use crate::rim::rims;
use crate::sheet::{Here, Sheet};
use crate::tally::Tally;

/// Usual unevenness of paper and inks by pixel, where a sheet does not tell.
const PAPER: f64 = 0.02;
const MOTTLE: f64 = 0.07;
/// Strength that is full in a plane.
pub(crate) const FULL: f64 = 4.0;
/// Most samples across that are kept to be looked at.
const ACROSS: usize = 1200;

/// What became of a sheet.
pub(crate) struct Separated {
    /// Scan pixels to a side of a plane's sample.
    pub(crate) factor: usize,
    /// Strength times cover of each block, 65535 at [`FULL`].
    pub(crate) planes: Vec<Raster<u16>>,
    /// Blocks by bits, plus one, negative where not sure; zero where nothing was looked at.
    pub(crate) labels: Raster<f32>,
    /// Samples of a plane to a side of a sample of the next two, which are to be looked at.
    pub(crate) view: usize,
    /// The impression put together again, linear light.
    pub(crate) recomposed: Raster<f32>,
    /// Mean absorption of the scan beyond that.
    pub(crate) residual: Raster<f32>,
    /// Counts over the whole sheet, then over each image.
    pub(crate) tallies: Vec<Tally>,
    /// Unevenness found.
    pub(crate) noise: Noise,
    /// By block: standard error of its mean strength, relative.
    pub(crate) level_se: Vec<Option<f64>>,
}

/// Takes a sheet apart. `images` are counted one by one; `factor` scan pixels
/// make a side of a plane's sample. Stops early, with nothing, when told to.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn separate(
    sheet: &mut Sheet<'_>,
    images: &[Rect],
    factor: usize,
    stop: &dyn Fn() -> bool,
) -> Option<Separated> {
    // Where no overprint of an ink is learned its layers have to add up.
    let pieces = alone::pieces(sheet, |s, n| s.has_overprint_of(n));
    let fields = Fields::fit(&sheet.blocks, &pieces);
    let noise = noise(sheet, &pieces);
    let level_se = level::errors(sheet, &pieces, &fields);
    let rims = rims(sheet, &fields);
    for (b, r) in sheet.blocks.iter_mut().zip(rims) {
        b.rim = r;
    }
    let sheet = &*sheet;
    let reader = Reader::new(sheet, noise.clone());
    let (w, h) = (sheet.scan.width() / factor, sheet.scan.height() / factor);
    let blocks = sheet.blocks.len();
    let mut planes = vec![Raster::<u16>::new(w, h, 1); blocks];
    let mut rows = vec![vec![0.0_f32; w]; blocks];
    let mut labels = Raster::<f32>::new(w, h, 1);
    let view = w.div_ceil(ACROSS).max(1);
    let mut recomposed = Raster::<f32>::new(w / view, h / view, 3);
    let mut residual = Raster::<f32>::new(w / view, h / view, 1);
    let mut tallies = vec![Tally::new(blocks); 1 + images.len()];
    let mut here = Here::new();
    let mut answer = Answer::new();
    let mut corrections = vec![0.0; 3 + blocks];
    let share = 1.0 / (factor * factor) as f32;
    let seen_share = share / (view * view) as f32;
    for y in 0..h * factor {
        if y % 64 == 0 && stop() {
            return None;
        }
        let v = y / factor;
        let looked_at = v / view < residual.height();
        for x in 0..w * factor {
            let u = x / factor;
            let to = (looked_at && u / view < residual.width())
                .then(|| v / view * residual.width() + u / view);
            let seen = sheet.seen(x, y);
            if !sheet.look(x, y, &mut here) {
                if let Some(to) = to {
                    let whole = &mut recomposed.data_mut()[to * 3..to * 3 + 3];
                    for (r, s) in whole.iter_mut().zip(seen) {
                        *r += seen_share * s as f32;
                    }
                }
                continue;
            }
            let piece = pieces.of_pixel(&here);
            fields.at(here.place, &mut corrections);
            reader.read(&here, piece, &corrections, seen, &mut answer);
            let told = piece.map_or(Subset(0), |p| p.seen);
            tallies[0].add(sheet, &here, &answer, seen, told);
            for (image, tally) in images.iter().zip(&mut tallies[1..]) {
                if image.contains(here.place) {
                    tally.add(sheet, &here, &answer, seen, told);
                }
            }
            for (n, row) in rows.iter_mut().enumerate() {
                let s = answer.strength[n] * answer.cover[n];
                if s > 0.0 {
                    row[u] += share * s as f32;
                }
            }
            if let Some(to) = to {
                let mut left = 0.0;
                let whole = &mut recomposed.data_mut()[to * 3..to * 3 + 3];
                for ((r, m), s) in whole.iter_mut().zip(answer.model).zip(seen) {
                    *r += seen_share * m as f32;
                    left += libm::log(m.max(0.004) / s.max(0.004)) / 3.0;
                }
                residual.data_mut()[to] += seen_share * left as f32;
            }
            if x % factor == factor / 2 && y % factor == factor / 2 {
                let bits = (answer.label.0 + 1) as f32;
                labels.data_mut()[v * w + u] = if answer.sure { bits } else { -bits };
            }
        }
        if y % factor == factor - 1 {
            for (row, plane) in rows.iter_mut().zip(&mut planes) {
                for (s, to) in row.iter_mut().zip(plane.row_mut(v)) {
                    *to = (f64::from(*s) * 65535.0 / FULL).round().clamp(0.0, 65535.0) as u16;
                    *s = 0.0;
                }
            }
        }
    }
    Some(Separated {
        factor,
        planes,
        labels,
        view,
        recomposed,
        residual,
        tallies,
        noise,
        level_se,
    })
}

/// Unevenness of paper and inks by pixel, from the spread within pieces.
fn noise(sheet: &Sheet<'_>, pieces: &Pieces) -> Noise {
    let median = |mut v: Vec<f64>| {
        if v.len() < 5 {
            return None;
        }
        let mid = v.len() / 2;
        Some(*v.select_nth_unstable_by(mid, f64::total_cmp).1)
    };
    let bare = pieces
        .map
        .values()
        .filter(|p| p.shapes == Subset(0))
        .map(|p| p.spread)
        .collect();
    let paper = median(bare).map_or(PAPER, f64::sqrt).clamp(0.006, 0.06);
    let mottle = sheet
        .blocks
        .iter()
        .enumerate()
        .map(|(n, b)| {
            let mean = b.absorption.iter().sum::<f64>() / 3.0;
            let own = |p: &crate::pieces::Piece| p.strength[n] * mean;
            let ratios = pieces
                .map
                .values()
                .filter(|p| p.label.has(n) && p.label == p.shapes && own(p) > 0.1)
                .filter(|p| {
                    let all: f64 = sheet
                        .blocks
                        .iter()
                        .enumerate()
                        .filter(|(m, _)| p.shapes.has(*m))
                        .map(|(m, b)| p.strength[m] * b.absorption.iter().sum::<f64>() / 3.0)
                        .sum();
                    own(p) > 0.7 * all
                })
                .map(|p| (p.spread - paper * paper).max(0.0) / (own(p) * own(p)))
                .collect();
            median(ratios).map_or(MOTTLE, f64::sqrt).clamp(0.03, 0.2)
        })
        .collect();
    Noise { paper, mottle }
}
