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

/// Which way a place differs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// The second scan is darker.
    Darker,
    /// The second scan is lighter.
    Lighter,
    /// Hue or chroma changed more than the lightness.
    Colour,
}

impl Change {
    /// All there are.
    pub const ALL: [Self; 3] = [Self::Darker, Self::Lighter, Self::Colour];

    /// In a word.
    pub fn word(self) -> &'static str {
        match self {
            Self::Darker => "darker",
            Self::Lighter => "lighter",
            Self::Colour => "colour",
        }
    }

    fn of(lightness: f64, colour: f64) -> Self {
        if colour > lightness.abs() {
            Self::Colour
        } else if lightness < 0.0 {
            Self::Darker
        } else {
            Self::Lighter
        }
    }
}

/// Differences pixel by pixel; not-a-number where not both show their sheet.
#[derive(Debug, Clone)]
pub struct DifferenceMap {
    /// Size, CIEDE2000.
    pub size: Raster<f32>,
    /// Change of lightness L*, second less first.
    pub lightness: Raster<f32>,
    /// Change of hue and chroma together: distance in a*, b*.
    pub colour: Raster<f32>,
    /// Median size.
    pub median: f64,
    /// Its scatter, a robust standard deviation.
    pub scatter: f64,
    /// Size from which a difference stands out of the scatter of this pair.
    pub limit: f64,
}

impl DifferenceMap {
    /// Why the limit is what it is, in words.
    pub fn why(&self) -> String {
        let own = self.median + SIGMAS * self.scatter;
        if own > LEAST_LIMIT {
            format!(
                "the median difference of this pair, {:.2}, and {SIGMAS} robust standard \
                 deviations of {:.2}; another pair has another limit",
                self.median, self.scatter
            )
        } else {
            format!("about what an eye tells apart; this pair's own scatter would allow {own:.1}")
        }
    }
}

/// A region that differs.
#[derive(Debug, Clone)]
pub struct Difference {
    /// Its pixels on the grid.
    pub region: Region,
    /// Which way most of it differs.
    pub change: Change,
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
    let rows: Vec<Vec<[f32; 3]>> = (0..h)
        .into_par_iter()
        .map(|y| {
            (0..w)
                .map(|x| {
                    if !laid.sheet(x, y) {
                        return [f32::NAN; 3];
                    }
                    let (a, b) = (at(&one, x, y), at(&two, x, y));
                    // CIE76 finds the nearest, CIEDE2000 says how far it is.
                    let forth = nearest(&a, &two, x, y, shift);
                    let back = nearest(&b, &one, x, y, shift);
                    let (there, here) = (ciede2000(a, forth), ciede2000(b, back));
                    let (from, to) = if there >= here { (a, forth) } else { (back, b) };
                    [
                        there.max(here),
                        to[0] - from[0],
                        libm::hypot(to[1] - from[1], to[2] - from[2]),
                    ]
                    .map(|v| v as f32)
                })
                .collect()
        })
        .collect();
    let plane = |k: usize| {
        let values = rows.iter().flatten().map(|v| v[k]).collect();
        Raster::from_vec(w, h, 1, values).unwrap_or_else(|_| Raster::new(w, h, 1))
    };
    let size = plane(0);
    let sizes: Vec<f64> = size
        .data()
        .iter()
        .step_by(5)
        .filter(|v| v.is_finite())
        .map(|v| f64::from(*v))
        .collect();
    let middle = median(&sizes).unwrap_or(0.0);
    let scatter = mad_sigma(&sizes).unwrap_or(0.0);
    DifferenceMap {
        lightness: plane(1),
        colour: plane(2),
        size,
        median: middle,
        scatter,
        limit: (middle + SIGMAS * scatter).max(LEAST_LIMIT),
    }
}

/// The regions of at least `least` pixels that stand out, the strongest (size
/// times area) first. A region differs in one way throughout.
#[allow(clippy::cast_precision_loss)]
pub fn differences(map: &DifferenceMap, least: usize) -> Vec<Difference> {
    let changes: Vec<Option<Change>> = (0..map.size.data().len())
        .map(|at| {
            let of = |r: &Raster<f32>| f64::from(r.data()[at]);
            (of(&map.size) > map.limit).then(|| Change::of(of(&map.lightness), of(&map.colour)))
        })
        .collect();
    let mut out: Vec<Difference> = Vec::new();
    for change in Change::ALL {
        let mask: Vec<bool> = changes.iter().map(|c| *c == Some(change)).collect();
        for region in regions(&mask, map.size.width()) {
            if region.pixels.len() >= least {
                out.push(describe(map, region, change));
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

fn describe(map: &DifferenceMap, region: Region, change: Change) -> Difference {
    let middle = |r: &Raster<f32>| {
        let values = region
            .pixels
            .iter()
            .map(|&(x, y)| f64::from(r.get(x, y, 0)));
        median(&values.collect::<Vec<f64>>()).unwrap_or(0.0)
    };
    Difference {
        delta_e: middle(&map.size),
        lightness: middle(&map.lightness),
        colour: middle(&map.colour),
        change,
        region,
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
