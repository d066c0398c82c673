//! Ink squashed out to the edges of what prints.
//!
//! A block pressed on paper drives ink from its middle to its edges: along
//! them lies a narrow rim with more ink than inside. A line three pixels wide is
//! half rim, so its ink is more than solids tell. Where no other block's edge is
//! near and the edge is straight, the mean profile across it shows the rim: it is darker just inside than
//! blur alone makes it, and as light outside. The rim's ink, the place of the
//! edge, the level inside and the blur are fitted together to pixels about such edges
//! (iterated least squares with Cauchy weights); what a block itself tells of its rim's ink is drawn
//! towards what all tell.

use nalgebra::{Matrix4, Vector4};
use restrike_ops::overprints::Subset;
use restrike_stage::Point;

use crate::fields::Fields;
use crate::sheet::{Here, Sheet};

/// Width of the rim, mm: about a scan's pixel, so that width and ink of a rim cannot be told
/// apart; how much ink it holds, their product, can.
pub(crate) const WIDTH: f64 = 0.1;
/// An edge counts as straight where distances about it grow as a straight edge's within
/// this share of the blur, so many standard deviations of it to each side.
const STRAIGHT: f64 = 0.2;
const REACH: f64 = 3.0;
/// Pixels looked at for samples, and samples of a block: fewest and most.
const LOOKED: f64 = 1_000_000.0;
const FEWEST: usize = 100;
const MOST_SAMPLES: usize = 2500;
/// Blocks printed by one hand on one paper have rims this much alike, standard deviation;
/// a fit is no better than this either.
const ALIKE: f64 = 0.04;
const FIT_SD: f64 = 0.03;
/// So deep inside samples are taken, mm.
const DEEP_MM: f64 = 0.4;
/// Standard deviations beforehand: of the edge's place, mm, the rim's ink, the level inside and
/// the logarithm of the blur.
const BEFORE: [f64; 4] = [0.03, 0.2, 0.05, 0.15];
/// Most and least ink in a rim beyond the inside's.
const RANGE: [f64; 2] = [-0.3, 0.8];
/// Noise of a pixel: in the dark, and as a share of the light.
const READ: f64 = 0.004;
const SHARE: f64 = 0.02;

/// The rim of a block's ink on a sheet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rim {
    /// Ink beyond the inside's, relative.
    pub(crate) more: f64,
}

impl Rim {
    /// No rim.
    pub(crate) const NONE: Self = Self { more: 0.0 };

    /// Share of what is printed about a place that is rim; `ramp` is the width over
    /// which it is taken, mm.
    pub(crate) fn share(distance: f64, ramp: f64) -> f64 {
        (0.5 + (distance + WIDTH) / ramp).clamp(0.0, 1.0)
    }
}

/// A pixel by an edge of a block that lies alone.
struct Sample {
    distance: f64,
    strength: f64,
    /// Light of what else is there.
    paper: [f64; 3],
    seen: [f64; 3],
}

/// Finds the rims of all blocks of a sheet.
pub(crate) fn rims(sheet: &Sheet<'_>, fields: &Fields) -> Vec<Rim> {
    let samples = samples(sheet, fields);
    let known: Vec<Option<(f64, f64)>> = samples
        .iter()
        .enumerate()
        .map(|(n, of)| (of.len() >= FEWEST).then(|| fit(sheet, n, of)))
        .map(|f| f.map(|f| (f.by[1], libm::hypot(f.se, FIT_SD))))
        .collect();
    let mut sums = [0.0; 2];
    for (more, se) in known.iter().flatten() {
        let k = 1.0 / (se * se + ALIKE * ALIKE);
        sums[0] += k * more;
        sums[1] += k;
    }
    if sums[1] <= 0.0 {
        return vec![Rim::NONE; sheet.blocks.len()];
    }
    let usual = sums[0] / sums[1];
    known
        .iter()
        .map(|k| {
            let own = k.map_or(0.0, |(_, se)| ALIKE * ALIKE / (ALIKE * ALIKE + se * se));
            let more = usual + own * (k.map_or(usual, |k| k.0) - usual);
            Rim {
                more: more.clamp(RANGE[0], RANGE[1]),
            }
        })
        .collect()
}

/// Pixels by edges, by block.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn samples(sheet: &Sheet<'_>, fields: &Fields) -> Vec<Vec<Sample>> {
    let (w, h) = (sheet.scan.width(), sheet.scan.height());
    // An odd step falls on all places of a grid of lines.
    let step = ((w * h) as f64 / LOOKED).sqrt().ceil() as usize | 1;
    let mut out: Vec<Vec<Sample>> = sheet.blocks.iter().map(|_| Vec::new()).collect();
    let mut here = Here::new();
    let mut corrections = vec![0.0; 3 + sheet.blocks.len()];
    for y in (0..h).step_by(step) {
        for x in (0..w).step_by(step) {
            if !sheet.look(x, y, &mut here) {
                continue;
            }
            // An edge of one block alone; deep inside, the block that lies there alone.
            let of = if here.near == Subset(0) {
                here.inside
            } else {
                here.near
            };
            if of.count() != 1 {
                continue;
            }
            let n = of.0.trailing_zeros() as usize;
            if here.distance[n] < -DEEP_MM || sheet.blocks[n].fade || here.strength[n] < 0.3 {
                continue;
            }
            let at = sheet.own_place(n, here.record);
            if !straight(sheet, n, at) {
                continue;
            }
            fields.at(here.place, &mut corrections);
            let log_paper = sheet.log_paper(here.place);
            // Where inks do not add up the profile would be another one.
            if !sheet.adds_up_to(Subset(here.inside.0 | of.0)) {
                continue;
            }
            let mut under = [0.0; 3];
            for (m, b) in sheet.blocks.iter().enumerate() {
                if m != n && here.inside.has(m) {
                    let s = here.strength[m] * (1.0 + corrections[3 + m]);
                    for (u, a) in under.iter_mut().zip(b.absorption) {
                        *u += s * a;
                    }
                }
            }
            out[n].push(Sample {
                distance: here.distance[n],
                strength: here.strength[n] * (1.0 + corrections[3 + n]),
                paper: [0, 1, 2].map(|c| libm::exp(log_paper[c] + corrections[c] - under[c])),
                seen: sheet.seen(x, y),
            });
        }
    }
    for of in &mut out {
        let every = of.len().div_ceil(MOST_SAMPLES).max(1);
        if every > 1 {
            *of = std::mem::take(of).into_iter().step_by(every).collect();
        }
    }
    out
}

/// Whether the edge about a place of a block is a straight one with nothing behind it, as far
/// as the blur reaches.
fn straight(sheet: &Sheet<'_>, n: usize, at: Point) -> bool {
    let edges = &sheet.blocks[n].shape.edges;
    let Some(here) = edges.sample(at) else {
        return false;
    };
    let blur = sheet.blur;
    if here.distance < -2.0 * REACH * blur {
        return true;
    }
    let long = here.slope.norm();
    if !(0.8..1.2).contains(&long) {
        return false;
    }
    let normal = here.slope * (1.0 / long);
    [-REACH, -0.5 * REACH, 0.5 * REACH, REACH].iter().all(|k| {
        let t = k * blur;
        (edges.at(at + normal * t) - here.distance - t).abs() < STRAIGHT * blur
    })
}

/// A block's profile across its edges.
struct Fit {
    /// Shift of the edge outwards, mm; ink of the rim; level inside; logarithm of the blur over the sheet's.
    by: [f64; 4],
    /// Standard error of the rim's ink.
    se: f64,
}

/// Light of a pixel by a straight edge: paper, inside and rim, blurred.
fn light(sheet: &Sheet<'_>, n: usize, s: &Sample, by: &[f64; 4]) -> [f64; 3] {
    let blur = sheet.blur * libm::exp(by[3]) * std::f64::consts::SQRT_2;
    let d = s.distance - by[0];
    let cover = 0.5 * libm::erfc(d / blur);
    let core = 0.5 * libm::erfc((d + WIDTH) / blur);
    let level = s.strength * (1.0 + by[2]);
    let a = sheet.blocks[n].absorption;
    [0, 1, 2].map(|c| {
        let inner = libm::exp(-a[c] * level);
        let rim = libm::exp(-a[c] * level * (1.0 + by[1]));
        s.paper[c] * (1.0 - cover * (1.0 - rim) + core * (inner - rim))
    })
}

fn fit(sheet: &Sheet<'_>, n: usize, samples: &[Sample]) -> Fit {
    let block = &sheet.blocks[n];
    let a = block.absorption;
    let held = Vector4::from(BEFORE.map(|s| 1.0 / (s * s)));
    let mut by = [0.0; 4];
    let mut out = Fit { by, se: BEFORE[1] };
    for _ in 0..10 {
        let mut m = Matrix4::<f64>::from_diagonal(&held);
        let mut b = Vector4::from([0, 1, 2, 3].map(|k| -by[k] * held[k]));
        for s in samples {
            let model = light(sheet, n, s, &by);
            let steps = [1e-4, 1e-3, 1e-3, 1e-3];
            let moved = [0, 1, 2, 3].map(|k| {
                let mut other = by;
                other[k] += steps[k];
                let v = light(sheet, n, s, &other);
                [0, 1, 2].map(|c| (v[c] - model[c]) / steps[k])
            });
            let x = s.distance / sheet.blur.max(1e-6);
            let rate = libm::exp(-0.5 * x * x) / (sheet.blur.max(1e-6) * 2.5);
            let mut off = 0.0;
            let mut variances = [0.0; 3];
            for c in 0..3 {
                let step = s.paper[c] * (1.0 - libm::exp(-a[c] * s.strength)) * rate;
                let edge = step * block.edge_sd.min(0.05);
                let shade = SHARE * model[c];
                variances[c] = READ * READ + shade * shade + edge * edge;
                let r = s.seen[c] - model[c];
                off += r * r / variances[c];
            }
            let weight = 1.0 / (1.0 + off / 9.0);
            for c in 0..3 {
                let k = weight / variances[c];
                let slope = Vector4::from(moved.map(|m| m[c]));
                m += slope * slope.transpose() * k;
                b += slope * (k * (s.seen[c] - model[c]));
            }
        }
        let Some(inverse) = m.try_inverse() else {
            break;
        };
        out = Fit {
            by,
            se: inverse[(1, 1)].max(0.0).sqrt(),
        };
        let step = inverse * b;
        for (k, most) in [0.03, 0.15, 0.1, 0.1].into_iter().enumerate() {
            by[k] += step[k].clamp(-most, most);
        }
        by[1] = by[1].clamp(RANGE[0], RANGE[1]);
        if step.norm() < 1e-4 {
            break;
        }
    }
    out
}
