//! The scan at reduced resolution: the only pass over all of its pixels.

use restrike_ops::area_shrink::area_shrink;
use restrike_ops::stats::median;
use restrike_stage::{ImageView, Point, Raster};

use crate::metric::Metric;
use crate::sheet_frame::SheetFrame;

/// Pixel pitch the overview aims at, mm (75 dpi).
const PITCH_MM: f64 = 25.4 / 75.0;
/// Small scans keep at least this many pixels.
const LEAST_PIXELS: usize = 300_000;

/// Weights of red, green, blue for finding the paper: bed and paper differ
/// most in blue, which luminance hardly counts.
pub(crate) const PAPER_WEIGHTS: [f32; 3] = [0.25, 0.4, 0.35];
/// Yellowness turned round: a neutral bed and its shadows against paper that is never quite neutral.
pub(crate) const CHROMA: [f32; 3] = [-1.0, 0.0, 1.0];
/// Weights of red, green, blue for print: luminance (IEC 61966-2-1).
pub(crate) const LUMINANCE: [f32; 3] = [0.2126, 0.7152, 0.0722];

/// The scan, area-averaged.
pub(crate) struct Overview {
    /// All channels.
    pub(crate) image: Raster<f32>,
    /// Pixel pitch, mm.
    pub(crate) mm: [f64; 2],
}

impl Overview {
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub(crate) fn new(scan: ImageView<'_, u16>, metric: &Metric) -> Self {
        let pixels = scan.width() * scan.height();
        let most = (pixels as f64 / LEAST_PIXELS as f64)
            .sqrt()
            .floor()
            .max(1.0);
        let factor = metric
            .mm
            .map(|mm| (PITCH_MM / mm).round().clamp(1.0, most) as usize);
        Self {
            image: area_shrink(scan, factor[0], factor[1]),
            mm: [
                metric.mm[0] * factor[0] as f64,
                metric.mm[1] * factor[1] as f64,
            ],
        }
    }

    /// One weighted channel.
    pub(crate) fn plane(&self, weights: [f32; 3]) -> Raster<f32> {
        let (w, h) = (self.image.width(), self.image.height());
        let mut out = Raster::new(w, h, 1);
        let total = weights[0] + weights[1] + weights[2];
        for y in 0..h {
            let row = out.row_mut(y);
            if self.image.channels() >= 3 {
                for (v, p) in row
                    .iter_mut()
                    .zip(self.image.row(y).chunks_exact(self.image.channels()))
                {
                    *v = p[0] * weights[0] + p[1] * weights[1] + p[2] * weights[2];
                }
            } else {
                for (v, p) in row.iter_mut().zip(self.image.row(y)) {
                    *v = p * total;
                }
            }
        }
        out
    }

    /// The colour of unprinted paper: the lightest tenth of the sheet.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn paper(&self, frame: &SheetFrame) -> [f32; 3] {
        let back = frame.print_map();
        let half = frame.size.map(|s| (s / 2.0 - 3.0).max(s / 4.0));
        let mut pixels: Vec<[f32; 3]> = Vec::new();
        for y in (0..self.image.height()).step_by(3) {
            for x in (0..self.image.width()).step_by(3) {
                let bed = Point::new(
                    (x as f64 + 0.5) * self.mm[0],
                    -(y as f64 + 0.5) * self.mm[1],
                );
                let p = back.apply(bed);
                if p.x.abs() < half[0] && p.y.abs() < half[1] {
                    let c = self.image.channels().min(3) - 1;
                    pixels.push([0, c.min(1), c].map(|i| self.image.get(x, y, i)));
                }
            }
        }
        let sum = |p: &[f32; 3]| p[0] * LUMINANCE[0] + p[1] * LUMINANCE[1] + p[2] * LUMINANCE[2];
        pixels.sort_by(|a, b| sum(b).total_cmp(&sum(a)));
        let light = &pixels[..(pixels.len() / 10).max(1).min(pixels.len())];
        [0, 1, 2].map(|i| {
            let values: Vec<f64> = light.iter().map(|p| f64::from(p[i])).collect();
            #[allow(clippy::cast_possible_truncation)]
            let level = median(&values).unwrap_or(0.8) as f32;
            level
        })
    }

    /// Overview pixel coordinates of a point of the bed.
    pub(crate) fn place(&self, p: Point) -> Point {
        Point::new(p.x / self.mm[0], -p.y / self.mm[1])
    }
}

/// Halves a plane until its pitch is about `pitch` mm (whole factors only);
/// returns it and the factors taken.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn coarser(
    plane: &Raster<f32>,
    mm: [f64; 2],
    pitch: f64,
    least: usize,
) -> (Raster<f32>, [usize; 2]) {
    let limit = |n: usize| (n / least.max(1)).max(1);
    let kx = ((pitch / mm[0]).round().max(1.0) as usize).min(limit(plane.width()));
    let ky = ((pitch / mm[1]).round().max(1.0) as usize).min(limit(plane.height()));
    let (w, h) = (plane.width() / kx, plane.height() / ky);
    let mut out = Raster::new(w, h, 1);
    let scale = 1.0 / (kx * ky) as f32;
    for y in 0..h {
        for x in 0..w {
            let mut sum = 0.0;
            for j in 0..ky {
                sum += plane.row(y * ky + j)[x * kx..(x + 1) * kx]
                    .iter()
                    .sum::<f32>();
            }
            out.set(x, y, 0, sum * scale);
        }
    }
    (out, [kx, ky])
}
