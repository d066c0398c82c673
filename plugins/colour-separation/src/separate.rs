//! A sheet taken apart: planes, labels, what is left, and what is counted.

use restrike_ops::overprints::Subset;
use restrike_stage::{Raster, Rect};

use crate::fields::Fields;
use crate::pieces::Pieces;
use crate::pixel::{Answer, Noise, Reader};
use crate::sheet::{Here, Sheet};
use crate::tally::Tally;

/// Usual unevenness of paper and inks by pixel, where a sheet does not tell.
const PAPER: f64 = 0.02;
const MOTTLE: f64 = 0.07;

/// What became of a sheet.
pub(crate) struct Separated {
    /// Scan pixels to a side of a plane's sample.
    pub(crate) factor: usize,
    /// Strength times cover of each block.
    pub(crate) planes: Vec<Raster<f32>>,
    /// Blocks by bits, plus one, negative where not sure; zero where nothing was looked at.
    pub(crate) labels: Raster<f32>,
    /// The impression put together again, linear light.
    pub(crate) recomposed: Raster<f32>,
    /// Mean absorption of the scan beyond that.
    pub(crate) residual: Raster<f32>,
    /// Counts over the whole sheet, then over each image.
    pub(crate) tallies: Vec<Tally>,
    /// Unevenness found.
    pub(crate) noise: Noise,
}

/// Takes a sheet apart. `images` are counted one by one; `factor` scan pixels
/// make a side of a plane's sample. Stops early, with nothing, when told to.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn separate(
    sheet: &Sheet<'_>,
    images: &[Rect],
    factor: usize,
    stop: &dyn Fn() -> bool,
) -> Option<Separated> {
    let pieces = Pieces::of(sheet);
    let fields = Fields::fit(&sheet.blocks, &pieces);
    let noise = noise(sheet, &pieces);
    let reader = Reader::new(sheet, noise.clone());
    let (w, h) = (sheet.scan.width() / factor, sheet.scan.height() / factor);
    let blocks = sheet.blocks.len();
    let mut planes = vec![Raster::<f32>::new(w, h, 1); blocks];
    let mut labels = Raster::<f32>::new(w, h, 1);
    let mut recomposed = Raster::<f32>::new(w, h, 3);
    let mut residual = Raster::<f32>::new(w, h, 1);
    let mut tallies = vec![Tally::new(blocks); 1 + images.len()];
    let mut here = Here::new();
    let mut answer = Answer::new();
    let mut corrections = vec![0.0; 3 + blocks];
    let share = 1.0 / (factor * factor) as f32;
    for y in 0..h * factor {
        if y % 64 == 0 && stop() {
            return None;
        }
        let v = y / factor;
        for x in 0..w * factor {
            let u = x / factor;
            let seen = sheet.seen(x, y);
            if !sheet.look(x, y, &mut here) {
                let at = (v * w + u) * 3;
                for (r, s) in recomposed.data_mut()[at..at + 3].iter_mut().zip(seen) {
                    *r += share * s as f32;
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
            let at = v * w + u;
            for (n, plane) in planes.iter_mut().enumerate() {
                let s = answer.strength[n] * answer.cover[n];
                if s > 0.0 {
                    plane.data_mut()[at] += share * s as f32;
                }
            }
            let mut left = 0.0;
            let whole = &mut recomposed.data_mut()[at * 3..at * 3 + 3];
            for ((r, m), s) in whole.iter_mut().zip(answer.model).zip(seen) {
                *r += share * m as f32;
                left += libm::log(m.max(0.004) / s.max(0.004)) / 3.0;
            }
            residual.data_mut()[at] += share * left as f32;
            if x % factor == factor / 2 && y % factor == factor / 2 {
                let bits = (answer.label.0 + 1) as f32;
                labels.data_mut()[at] = if answer.sure { bits } else { -bits };
            }
        }
    }
    Some(Separated {
        factor,
        planes,
        labels,
        recomposed,
        residual,
        tallies,
        noise,
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
