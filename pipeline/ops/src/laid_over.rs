//! Two matched scans on one grid: the first averaged over whole pixels, the
//! second sampled through the map, once.

use rayon::prelude::*;
use restrike_model::{ImageView, Point, Raster, Rect};

use crate::area_shrink::area_shrink;
use crate::image_match::ImageMatch;
use crate::scanner_bed;
use crate::stats::quantile;

/// Both scans on the first one's grid, three channels of linear light against
/// their own paper (1 = paper); not-a-number where the second shows nothing.
#[derive(Debug, Clone)]
pub struct LaidOver {
    /// First scan.
    pub first: Raster<f32>,
    /// Second scan.
    pub second: Raster<f32>,
    /// First scan's pixels in a pixel of the grid, each way.
    pub factor: usize,
    /// Linear reflectance taken as paper, by scan and channel.
    pub paper: [[f64; 3]; 2],
    /// The part in which the drawing agrees, grid pixels.
    pub drawing: Rect,
    /// Where both show their sheet and not the scanner's bed or a sheet's own
    /// edge, as far as a bed is told.
    sheets: Vec<bool>,
}

/// Quantile of a channel that is taken as paper: the most of a print is paper
/// or lighter inks, and a few specks are lighter than paper.
const PAPER: f64 = 0.9;
/// Rim beside the bed that is taken for the sheet's edge, grid pixels: blur, and
/// the paper's thickness.
const RIM: u8 = 3;

/// Lays both scans over each other with at most about `most_pixels` pixels.
/// `None` when they share nothing.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub fn lay_over(
    first: ImageView<'_, u16>,
    second: ImageView<'_, u16>,
    found: &ImageMatch,
    most_pixels: f64,
) -> Option<LaidOver> {
    let pixels = first.width() as f64 * first.height() as f64;
    // As coarse as the coarser scan, and as asked.
    let factor = (pixels / most_pixels)
        .sqrt()
        .ceil()
        .max((1.0 / found.scale + 0.05).floor())
        .max(1.0);
    let other = (factor * found.scale + 0.05).floor().max(1.0);
    let factor = factor as usize;
    let a = area_shrink(first, factor, factor);
    let b = area_shrink(second, other as usize, other as usize);
    let (w, h) = (a.width(), a.height());
    let mut one = Raster::new(w, h, 3);
    let mut two = Raster::new(w, h, 3);
    let k = factor as f64;
    let (channels, others) = (a.channels(), b.channels());
    let lines = one.data_mut().par_chunks_exact_mut(3 * w.max(1));
    let others_lines = two.data_mut().par_chunks_exact_mut(3 * w.max(1));
    let shared: usize = lines
        .zip(others_lines)
        .enumerate()
        .map(|(y, (one, two))| {
            let mut shared = 0;
            for x in 0..w {
                let p = Point::new((x as f64 + 0.5) * k, (y as f64 + 0.5) * k);
                let q = found.map.apply(p);
                let (u, v) = (q.x / other - 0.5, q.y / other - 0.5);
                for c in 0..3 {
                    one[3 * x + c] = a.get(x, y, c.min(channels - 1));
                    two[3 * x + c] = bilinear(&b, u, v, c.min(others - 1));
                }
                shared += usize::from(two[3 * x].is_finite());
            }
            shared
        })
        .sum();
    if shared < 256 {
        return None;
    }
    let level = |raster: &Raster<f32>, c: usize| {
        let mut values = Vec::new();
        for y in (0..h).step_by(3) {
            for x in (0..w).step_by(3) {
                // Not the scanner's bed beside the sheet.
                let p = Point::new(x as f64 * k, y as f64 * k);
                if two.get(x, y, c).is_finite() && found.drawing.contains(p) {
                    values.push(f64::from(raster.get(x, y, c)));
                }
            }
        }
        quantile(&values, PAPER).filter(|p| *p > 1e-4)
    };
    let paper = [
        [level(&one, 0)?, level(&one, 1)?, level(&one, 2)?],
        [level(&two, 0)?, level(&two, 1)?, level(&two, 2)?],
    ];
    let sheets = on_both(found, &a, &b, k, other);
    for (raster, paper) in [(&mut one, &paper[0]), (&mut two, &paper[1])] {
        for pixel in raster.data_mut().chunks_exact_mut(3) {
            for (v, p) in pixel.iter_mut().zip(paper) {
                *v /= *p as f32;
            }
        }
    }
    Some(LaidOver {
        first: one,
        second: two,
        factor,
        paper,
        drawing: Rect::new(found.drawing.min * (1.0 / k), found.drawing.max * (1.0 / k)),
        sheets,
    })
}

/// Where both scans show their sheet, on the first one's grid. `k`, `other`:
/// scan pixels in a pixel of either plane.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn on_both(found: &ImageMatch, a: &Raster<f32>, b: &Raster<f32>, k: f64, other: f64) -> Vec<bool> {
    let (w, h) = (a.width(), a.height());
    let here: Vec<Point> = found.agreeing.iter().map(|p| *p * (1.0 / k)).collect();
    let there: Vec<Point> = found
        .agreeing
        .iter()
        .map(|p| found.map.apply(*p) * (1.0 / other))
        .collect();
    let mut out = scanner_bed::sheet(a, &here, RIM).unwrap_or_else(|| vec![true; w * h]);
    if let Some(sheet) = scanner_bed::sheet(b, &there, RIM) {
        for (at, v) in out.iter_mut().enumerate().filter(|(_, v)| **v) {
            let p = Point::new(((at % w) as f64 + 0.5) * k, ((at / w) as f64 + 0.5) * k);
            let q = found.map.apply(p) * (1.0 / other);
            let inside =
                q.x >= 0.0 && q.y >= 0.0 && q.x < b.width() as f64 && q.y < b.height() as f64;
            *v = inside && sheet[q.y as usize * b.width() + q.x as usize];
        }
    }
    out
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn bilinear(r: &Raster<f32>, x: f64, y: f64, c: usize) -> f32 {
    let (w, h) = (r.width(), r.height());
    if !(x >= 0.0 && y >= 0.0) || w < 2 || h < 2 {
        return f32::NAN;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 1 >= w || j + 1 >= h {
        return f32::NAN;
    }
    let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
    let at = |i: usize, j: usize| r.get(i, j, c);
    let top = at(i, j) + fx * (at(i + 1, j) - at(i, j));
    let bottom = at(i, j + 1) + fx * (at(i + 1, j + 1) - at(i, j + 1));
    top + fy * (bottom - top)
}

impl LaidOver {
    /// Whether both scans show a pixel.
    pub fn both(&self, x: usize, y: usize) -> bool {
        self.second.get(x, y, 0).is_finite()
    }

    /// Whether both show their sheet at a pixel, and not the scanner's bed.
    pub fn sheet(&self, x: usize, y: usize) -> bool {
        self.both(x, y) && self.sheets[y * self.first.width() + x]
    }
}
