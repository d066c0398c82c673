//! Where two scans laid over each other differ in colour, after allowing for a
//! small local shift.
//!
//! CIEDE2000 between colours under D50, each scan against its own paper. A
//! pixel of one scan is compared with all pixels of the other within the
//! allowed shift, the least difference counts; of both directions the greater,
//! so that a line only one scan has stands out whichever it is (a directed
//! distance each way, as Hausdorff's: Huttenlocher, Klanderman and Rucklidge,
//! "Comparing images using the Hausdorff distance", IEEE PAMI 15(9), 1993).

use restrike_model::Raster;

use crate::ciede2000::ciede2000;
use crate::cielab::{LabOfRgb, White};
use crate::laid_over::LaidOver;
use crate::regions::{Region, regions};
use crate::stats::{mad_sigma, median};

/// Differences pixel by pixel.
#[derive(Debug, Clone)]
pub struct DifferenceMap {
    /// Difference, CIEDE2000; positive where the second scan is darker,
    /// negative where it is lighter; not-a-number where only one shows the place.
    pub signed: Raster<f32>,
    /// Median of its size.
    pub median: f64,
    /// Size from which a difference stands out of the scatter of this pair.
    pub limit: f64,
}

/// A region that differs.
#[derive(Debug, Clone)]
pub struct Difference {
    /// Its pixels on the grid.
    pub region: Region,
    /// Median size over it, CIEDE2000.
    pub delta_e: f64,
    /// Median change of lightness L*, second less first.
    pub lightness: f64,
    /// Median change of chroma and hue together: distance in a*, b*.
    pub colour: f64,
}

/// Least limit: about what an eye tells apart side by side on a print.
const LEAST_LIMIT: f64 = 5.0;
/// Limit in robust standard deviations over the median.
const SIGMAS: f64 = 6.0;

/// The differences, shifts of up to `shift` grid pixels allowed.
#[allow(clippy::cast_possible_truncation)]
pub fn difference_map(laid: &LaidOver, shift: usize) -> DifferenceMap {
    use rayon::prelude::*;
    let (w, h) = (laid.first.width(), laid.first.height());
    let [one, two] = [&laid.first, &laid.second].map(lab);
    let rows: Vec<Vec<f32>> = (0..h)
        .into_par_iter()
        .map(|y| {
            (0..w)
                .map(|x| {
                    let (a, b) = (at(&one, x, y), at(&two, x, y));
                    if !b[0].is_finite() {
                        return f32::NAN;
                    }
                    // CIE76 finds the nearest, CIEDE2000 says how far it is.
                    let forth = nearest(&a, &two, x, y, shift);
                    let back = nearest(&b, &one, x, y, shift);
                    let size = ciede2000(a, forth).max(ciede2000(b, back));
                    let darker = if ciede2000(a, forth) >= ciede2000(b, back) {
                        forth[0] < a[0]
                    } else {
                        b[0] < back[0]
                    };
                    (if darker { size } else { -size }) as f32
                })
                .collect()
        })
        .collect();
    let signed = Raster::from_vec(w, h, 1, rows.concat()).unwrap_or_else(|_| Raster::new(w, h, 1));
    let sizes: Vec<f64> = signed
        .data()
        .iter()
        .step_by(5)
        .filter(|v| v.is_finite())
        .map(|v| f64::from(v.abs()))
        .collect();
    let middle = median(&sizes).unwrap_or(0.0);
    let limit = (middle + SIGMAS * mad_sigma(&sizes).unwrap_or(0.0)).max(LEAST_LIMIT);
    DifferenceMap {
        signed,
        median: middle,
        limit,
    }
}

/// The regions of at least `least` pixels that stand out, the strongest (size
/// times area) first. A region is darker or lighter throughout.
#[allow(clippy::cast_precision_loss)]
pub fn differences(map: &DifferenceMap, laid: &LaidOver, least: usize) -> Vec<Difference> {
    let w = map.signed.width();
    let mut out: Vec<Difference> = Vec::new();
    for sign in [1.0_f32, -1.0] {
        let mask: Vec<bool> = map
            .signed
            .data()
            .iter()
            .map(|v| f64::from(v * sign) > map.limit)
            .collect();
        for region in regions(&mask, w) {
            if region.pixels.len() >= least {
                out.push(describe(map, laid, region));
            }
        }
    }
    out.sort_by(|a, b| {
        let weight = |d: &Difference| d.delta_e * d.region.pixels.len() as f64;
        weight(b)
            .total_cmp(&weight(a))
            .then(a.region.pixels.cmp(&b.region.pixels))
    });
    out
}

fn describe(map: &DifferenceMap, laid: &LaidOver, region: Region) -> Difference {
    let lab = LabOfRgb::new(White::D50);
    let (mut sizes, mut light, mut colour) = (Vec::new(), Vec::new(), Vec::new());
    for &(x, y) in &region.pixels {
        sizes.push(f64::from(map.signed.get(x, y, 0).abs()));
        let of = |r: &Raster<f32>| lab.lab([0, 1, 2].map(|c| f64::from(r.get(x, y, c))));
        let (a, b) = (of(&laid.first), of(&laid.second));
        light.push(b[0] - a[0]);
        colour.push(libm::hypot(b[1] - a[1], b[2] - a[2]));
    }
    Difference {
        region,
        delta_e: median(&sizes).unwrap_or(0.0),
        lightness: median(&light).unwrap_or(0.0),
        colour: median(&colour).unwrap_or(0.0),
    }
}

fn lab(r: &Raster<f32>) -> Raster<f32> {
    let way = LabOfRgb::new(White::D50);
    let mut out = r.clone();
    for p in out.data_mut().chunks_exact_mut(3) {
        let v = way.lab([0, 1, 2].map(|c| f64::from(p[c])));
        #[allow(clippy::cast_possible_truncation)]
        p.copy_from_slice(&v.map(|v| v as f32));
    }
    out
}

fn at(r: &Raster<f32>, x: usize, y: usize) -> [f64; 3] {
    [0, 1, 2].map(|c| f64::from(r.get(x, y, c)))
}

/// The colour within the allowed shift that is nearest to `to`.
fn nearest(to: &[f64; 3], in_: &Raster<f32>, x: usize, y: usize, shift: usize) -> [f64; 3] {
    let mut best = (f64::INFINITY, at(in_, x, y));
    for j in y.saturating_sub(shift)..(y + shift + 1).min(in_.height()) {
        for i in x.saturating_sub(shift)..(x + shift + 1).min(in_.width()) {
            let c = at(in_, i, j);
            let d: f64 = c.iter().zip(to).map(|(a, b)| (a - b) * (a - b)).sum();
            if d < best.0 {
                best = (d, c);
            }
        }
    }
    best.1
}
