//! Where a scan shows the bed or the lid of the scanner beside the sheet.
//!
//! Seeded region growing (Adams and Bischof, "Seeded region growing", IEEE PAMI
//! 16(6), 1994) from those sides of the scan that are even along their length:
//! to pixels as light as the bed, and on to darker ones, for the sheet throws a
//! shadow. Paper ends it by being lighter than the darkest on the way. What
//! grows into the drawing was paper, as at the side of a crop: then no bed is told.

use std::collections::VecDeque;

use imageproc::distance_transform::Norm;
use imageproc::image::{GrayImage, Luma};
use imageproc::morphology::erode;
use restrike_model::{Point, Raster};

use crate::regions::regions;
use crate::stats::{mad_sigma, median};

/// Pixels of a side so near to its median make it even, lightness steps, and
/// standard deviations where it is noisy.
const EVEN: f64 = 4.0;
const EVEN_SIGMAS: f64 = 5.0;
/// Share of a side's pixels that must be.
const EVEN_SHARE: f64 = 0.9;
/// Share of the drawing's places that may lie in what grew: specks of a match, and the
/// sheet's own rim and corners, which two scans of one sheet have in common.
const GROWN_INTO: f64 = 0.2;
/// Least share of the scan that a sheet takes up.
const LEAST_SHEET: f64 = 0.02;

/// The pixels that show the sheet, less a rim of `rim` pixels beside the bed;
/// none where no bed is told, and all may be sheet. `scan` is linear light, 1 or
/// 3 channels; `drawing` are places on the sheet, its pixels.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub fn sheet(scan: &Raster<f32>, drawing: &[Point], rim: u8) -> Option<Vec<bool>> {
    let (w, h) = (scan.width(), scan.height());
    if w < 16 || h < 16 {
        return None;
    }
    let light = lightness(scan);
    let leaks = |grown: &[bool]| {
        let into = drawing.iter().filter(|p| {
            let (x, y) = (p.x.max(0.0) as usize, p.y.max(0.0) as usize);
            grown[y.min(h - 1) * w + x.min(w - 1)]
        });
        into.count() as f64 > GROWN_INTO * drawing.len() as f64
    };
    let seeds = seeds(&light, w, h);
    // Toned paper on a white bed is darker than the bed, and no shadow.
    let grown = [true, false]
        .into_iter()
        .map(|shadow| grow(&light, w, h, &seeds, shadow))
        .find(|g| !leaks(g))
        .filter(|g| g.iter().any(|v| *v))?;
    // Specks on the bed are no sheet.
    let rest: Vec<bool> = grown.iter().map(|g| !g).collect();
    let largest = regions(&rest, w)
        .into_iter()
        .max_by_key(|r| r.pixels.len())?;
    if (largest.pixels.len() as f64) < LEAST_SHEET * (w * h) as f64 {
        return None;
    }
    let size = [w, h].map(|n| u32::try_from(n).ok());
    let mut mask = GrayImage::new(size[0]?, size[1]?);
    for (x, y) in largest.pixels {
        mask.put_pixel(x as u32, y as u32, Luma([255]));
    }
    let kept = erode(&mask, Norm::LInf, rim);
    Some(kept.pixels().map(|p| p.0[0] > 0).collect())
}

/// CIE lightness of the mean of the channels, without its straight part near black.
fn lightness(scan: &Raster<f32>) -> Vec<f64> {
    let channels = scan.channels().max(1);
    scan.data()
        .chunks_exact(channels)
        .map(|p| {
            #[allow(clippy::cast_precision_loss)]
            let mean = f64::from(p.iter().sum::<f32>()) / channels as f64;
            116.0 * libm::cbrt(mean.clamp(0.0, 1.0)) - 16.0
        })
        .collect()
}

/// Pixels of the even sides, each with its side's level and how far from it a
/// pixel may lie.
#[allow(clippy::cast_precision_loss)]
fn seeds(light: &[f64], w: usize, h: usize) -> Vec<(usize, f64, f64)> {
    let sides: [Vec<usize>; 4] = [
        (0..w).collect(),
        (0..w).map(|x| (h - 1) * w + x).collect(),
        (0..h).map(|y| y * w).collect(),
        (0..h).map(|y| y * w + w - 1).collect(),
    ];
    let mut out = Vec::new();
    for side in sides {
        let values: Vec<f64> = side.iter().map(|at| light[*at]).collect();
        let (Some(level), Some(noise)) = (median(&values), mad_sigma(&values)) else {
            continue;
        };
        let within = EVEN.max(EVEN_SIGMAS * noise.min(EVEN));
        let near: Vec<usize> = side
            .into_iter()
            .filter(|at| (light[*at] - level).abs() <= within)
            .collect();
        if near.len() as f64 >= EVEN_SHARE * values.len() as f64 {
            out.extend(near.into_iter().map(|at| (at, level, within)));
        }
    }
    out
}

/// Grows from the seeds; `shadow`: to darker pixels too.
fn grow(light: &[f64], w: usize, h: usize, seeds: &[(usize, f64, f64)], shadow: bool) -> Vec<bool> {
    let mut grown = vec![false; light.len()];
    let mut next: VecDeque<(usize, f64, f64)> = VecDeque::new();
    for &(at, level, within) in seeds {
        if !grown[at] {
            grown[at] = true;
            next.push_back((at, level, within));
        }
    }
    while let Some((at, level, within)) = next.pop_front() {
        let (x, y) = (at % w, at / w);
        let around = [
            (x > 0).then(|| at - 1),
            (x + 1 < w).then(|| at + 1),
            (y > 0).then(|| at - w),
            (y + 1 < h).then(|| at + w),
        ];
        for k in around.into_iter().flatten() {
            let off = light[k] - level;
            if grown[k] || off > within || (!shadow && off < -within) {
                continue;
            }
            grown[k] = true;
            // In the shadow it gets darker towards the sheet, never lighter again.
            let level = if shadow && off < -within {
                light[k]
            } else {
                level
            };
            next.push_back((k, level, within));
        }
    }
    grown
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sheet of 60 x 40 pixels at (20, 15) on a bed of 100 x 70, a square printed on it.
    fn scan(bed: f32, paper: f32, shadow: f32) -> (Raster<f32>, Vec<Point>) {
        let mut out = Raster::new(100, 70, 1);
        for y in 0..70_usize {
            for x in 0..100_usize {
                let off = |v: usize, low: usize, high: usize| {
                    low.saturating_sub(v).max((v + 1).saturating_sub(high))
                };
                let far = off(x, 20, 80).max(off(y, 15, 55));
                let printed = (40..60).contains(&x) && (30..40).contains(&y);
                out.set(
                    x,
                    y,
                    0,
                    match far {
                        0 if printed => 0.03,
                        0 => paper,
                        far => bed * (1.0 - shadow / far as f32),
                    },
                );
            }
        }
        let drawing = (0..20).map(|k| Point::new(40.0 + f64::from(k), 35.0));
        (out, drawing.collect())
    }

    #[test]
    fn beds_are_told_from_paper_through_the_shadow() {
        for (bed, paper, shadow) in [
            (0.03, 0.8, 0.0),
            (0.9, 0.85, 0.3),
            (0.9, 0.6, 0.0),
            (0.5, 0.8, 0.3),
        ] {
            let (scan, drawing) = scan(bed, paper, shadow);
            let found = sheet(&scan, &drawing, 2).expect("a bed");
            for y in 0..70 {
                for x in 0..100 {
                    let within = (22..78).contains(&x) && (17..53).contains(&y);
                    assert_eq!(found[y * 100 + x], within, "{bed} {paper}: {x}, {y}");
                }
            }
        }
    }

    /// Two scans of one sheet have its corners in common as well.
    #[test]
    fn places_at_the_sheets_own_rim_do_not_hide_the_bed() {
        let (scan, mut drawing) = scan(0.2, 0.8, 0.0);
        drawing.extend([(19.0, 14.0), (80.5, 14.0), (50.0, 14.5)].map(|(x, y)| Point::new(x, y)));
        let found = sheet(&scan, &drawing, 2).expect("a bed");
        assert!(!found[10 * 100 + 50] && found[30 * 100 + 30]);
    }

    #[test]
    fn the_paper_of_a_crop_is_no_bed() {
        let (whole, _) = scan(0.8, 0.8, 0.0);
        let drawing: Vec<Point> = (0..20)
            .map(|k| Point::new(10.0 + 4.0 * f64::from(k), 20.0 + f64::from(k)))
            .collect();
        assert!(sheet(&whole, &drawing, 2).is_none());
        // Print runs over all sides.
        let mut crop = Raster::new(64, 64, 1);
        for y in 0..64 {
            for x in 0..64 {
                crop.set(x, y, 0, if (x / 8 + y / 8) % 2 == 0 { 0.1 } else { 0.8 });
            }
        }
        assert!(sheet(&crop, &drawing, 2).is_none());
    }
}
