//! What of a sheet shows its inks: absorption over the local paper, even areas,
//! the middles of strokes.

use restrike_model::Raster;

use crate::layered_absorption::absorption;
use crate::stats::{median, quantile};

/// Tiles along each side whose lightest parts are the local paper.
const TILES: usize = 8;
/// A tile's lightest part is paper if it is as light as the sheet's within this, in logarithm.
const LIKE_PAPER: f64 = 0.1;
/// A place is even if its neighbours' absorption is within this, and this share of its own.
const EVEN: [f64; 2] = [0.1, 0.1];
/// Where less than this share of a sheet is even, as on a page of type, the middles of strokes count
/// as well: places darker than all about them that absorb so much.
const LITTLE: f64 = 0.3;
const STROKE: f64 = 0.6;
/// Linear light below this is taken as this.
const FLOOR: f64 = 0.004;
/// Channels differ by less than this on a grey scan, linear.
const GREY: f64 = 0.004;

pub(super) fn inner(small: &Raster<f32>, margin: f64) -> Raster<f32> {
    let cut = |n: usize| (n as f64 * margin) as usize;
    let (x, y) = (cut(small.width()), cut(small.height()));
    let mut out = Raster::new(small.width() - 2 * x, small.height() - 2 * y, 3);
    let channels = small.channels();
    for j in 0..out.height() {
        let from = small.row(j + y);
        for i in 0..out.width() {
            for c in 0..3 {
                out.set(i, j, c, from[(i + x) * channels + c]);
            }
        }
    }
    out
}

pub(super) fn grey(sheet: &Raster<f32>) -> bool {
    let coloured = sheet
        .data()
        .chunks_exact(3)
        .filter(|p| (f64::from(p[0] - p[1])).abs() > GREY || f64::from(p[1] - p[2]).abs() > GREY)
        .count();
    coloured * 1000 < sheet.width() * sheet.height()
}

pub(super) fn size(a: [f64; 3]) -> f64 {
    a.iter().map(|v| v * v).sum::<f64>().sqrt()
}

/// Middle of the lightest twentieth of some pixels.
fn lightest(pixels: &[[f64; 3]]) -> Option<[f64; 3]> {
    let light: Vec<f64> = pixels.iter().map(|p| p[0] + 2.0 * p[1] + p[2]).collect();
    let limit = quantile(&light, 0.95)?;
    let kept: Vec<&[f64; 3]> = pixels
        .iter()
        .zip(&light)
        .filter(|(_, l)| **l >= limit)
        .map(|(p, _)| p)
        .collect();
    let middle = |c: usize| median(&kept.iter().map(|p| p[c]).collect::<Vec<f64>>());
    Some([middle(0)?, middle(1)?, middle(2)?])
}

/// The paper, and each pixel's absorption against the local paper.
pub(super) fn absorbed(sheet: &Raster<f32>) -> ([f64; 3], Raster<f32>) {
    let (w, h) = (sheet.width(), sheet.height());
    let pixel = |i: usize, j: usize| [0, 1, 2].map(|c| f64::from(sheet.row(j)[3 * i + c]));
    let all: Vec<[f64; 3]> = (0..h)
        .flat_map(|j| (0..w).map(move |i| (i, j)))
        .map(|(i, j)| pixel(i, j))
        .collect();
    let paper = lightest(&all).unwrap_or([1.0; 3]);
    let mut out = Raster::new(w, h, 3);
    for v in 0..TILES {
        for u in 0..TILES {
            let (xs, ys) = (
                u * w / TILES..(u + 1) * w / TILES,
                v * h / TILES..(v + 1) * h / TILES,
            );
            let tile: Vec<[f64; 3]> = ys
                .clone()
                .flat_map(|j| xs.clone().map(move |i| (i, j)))
                .map(|(i, j)| pixel(i, j))
                .collect();
            let local = lightest(&tile)
                .filter(|l| {
                    absorption(*l, paper, FLOOR)
                        .iter()
                        .all(|a| a.abs() < LIKE_PAPER)
                })
                .unwrap_or(paper);
            for j in ys.clone() {
                for i in xs.clone() {
                    for (c, a) in absorption(pixel(i, j), local, FLOOR)
                        .into_iter()
                        .enumerate()
                    {
                        #[allow(clippy::cast_possible_truncation)]
                        out.set(i, j, c, a as f32);
                    }
                }
            }
        }
    }
    (paper, out)
}

/// Absorptions of places that show a colour unmixed, or little mixed.
pub(super) fn telling(absorbed: &Raster<f32>) -> Vec<[f64; 3]> {
    let mut out = even(absorbed);
    #[allow(clippy::cast_precision_loss)]
    let all = (absorbed.width() * absorbed.height()) as f64;
    #[allow(clippy::cast_precision_loss)]
    if (out.len() as f64) < LITTLE * all {
        out.extend(strokes(absorbed));
    }
    out
}

/// Absorptions of the middles of strokes.
fn strokes(absorbed: &Raster<f32>) -> Vec<[f64; 3]> {
    let (w, h) = (absorbed.width(), absorbed.height());
    let at = |i: usize, j: usize| [0, 1, 2].map(|c| f64::from(absorbed.row(j)[3 * i + c]));
    let mut out = Vec::new();
    for j in 1..h.saturating_sub(1) {
        for i in 1..w.saturating_sub(1) {
            let own = size(at(i, j));
            let top = own > STROKE
                && (j - 1..=j + 1).all(|y| (i - 1..=i + 1).all(|x| size(at(x, y)) <= own));
            if top {
                out.push(at(i, j));
            }
        }
    }
    out
}

/// Absorptions of places whose neighbours are like them.
fn even(absorbed: &Raster<f32>) -> Vec<[f64; 3]> {
    let (w, h) = (absorbed.width(), absorbed.height());
    let mut out = Vec::new();
    for j in 1..h.saturating_sub(1) {
        for i in 1..w.saturating_sub(1) {
            let mut range = 0.0_f32;
            for c in 0..3 {
                let (mut low, mut high) = (f32::MAX, f32::MIN);
                for y in j - 1..=j + 1 {
                    for x in i - 1..=i + 1 {
                        let v = absorbed.row(y)[3 * x + c];
                        low = low.min(v);
                        high = high.max(v);
                    }
                }
                range = range.max(high - low);
            }
            let own = [0, 1, 2].map(|c| f64::from(absorbed.row(j)[3 * i + c]));
            let most = own.iter().copied().fold(0.0, f64::max);
            if f64::from(range) < EVEN[0] + EVEN[1] * most {
                out.push(own);
            }
        }
    }
    out
}
