//! Width, blur, raggedness and contrast of a line from profiles across it.

use restrike_ops::line_profile::{LineProfile, Side};
use restrike_ops::smooth_course::{raggedness, smooth_course};
use restrike_ops::stats::{mad_sigma, median};

use crate::course::Course;
use crate::edge_spread::spreads;
use crate::strip::{Reading, Strip};

/// A mean with its standard error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Mean {
    pub(crate) value: f64,
    pub(crate) se: f64,
}

/// What is known of a line on a sheet.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Metrics {
    /// T50 and T60 widths, mm.
    pub(crate) t50: Option<Mean>,
    pub(crate) t60: Option<Mean>,
    /// T10 to T90 distance of an edge, mm.
    pub(crate) blur: Option<Mean>,
    /// Standard deviation of the T50 contours about their course, mm.
    pub(crate) ragged: Option<Mean>,
    /// (Rmax - Rmin) / Rmax.
    pub(crate) contrast: Option<Mean>,
    /// Width in the record at the same places, mm.
    pub(crate) recorded: Option<f64>,
    /// Length the width was taken over, mm.
    pub(crate) measured_mm: f64,
}

/// So far beside a line's edge no colour block's edge may lie, mm.
const GROUND_MM: f64 = 0.2;
/// Waves of an edge longer than this count as its course, mm.
pub(crate) const COURSE_MM: f64 = 2.5;
/// Length over which the slope of a contour is taken, mm.
const SLOPE_MM: f64 = 0.06;
/// Length of an edge that holds about one wave independent of the next, mm.
pub(crate) const WAVE_MM: f64 = 0.5;
/// What lies this many robust standard deviations off a contour's course is no part
/// of it, nor what lies within so much of that, mm; looked for as often as this.
const STRAY: f64 = 4.0;
const BESIDE_MM: f64 = 0.08;
const STRAY_ROUNDS: usize = 3;
/// Pieces whose means are held to be independent, mm.
const PIECE_MM: f64 = 0.7;
/// What a width or a blur may be off by whatever its scatter, mm: uneven ink
/// shifts the levels of a whole line. Calibrated on designs that no figure is reported for.
const FLOOR_MM: f64 = 0.0048;
/// Its square is twice as large over a length of this, mm, and grows as that gets shorter.
const ALONE_MM: f64 = 1.0;
/// An edge so many times as blurred as the line's other one has another edge beside it, and
/// so many times in the middle over all of the line that may have one.
const LOPSIDED: f64 = 1.25;
const LOPSIDED_USUALLY: f64 = 1.1;

/// The places of the T50 threshold on the left and the right of each station, mm
/// from the record's middle; none where the ground there is not known or uneven.
/// `solid`: share of the light that goes through the ink, by station.
pub(crate) fn contours(strip: &Strip, solid: &[f64]) -> Vec<[Option<f64>; 2]> {
    (0..strip.ground.len())
        .map(|i| {
            with_profile(strip, i, solid[i], |p, first| {
                // The strip runs from the right (negative) to the left.
                let at = |side| p.crossing(side, 50.0).map(|v| first + v);
                [at(Side::Second), at(Side::First)]
            })
            .unwrap_or([None; 2])
        })
        .collect()
}

pub(crate) fn with_profile<T>(
    strip: &Strip,
    i: usize,
    solid: f64,
    f: impl FnOnce(&LineProfile<'_>, f64) -> T,
) -> Option<T> {
    let c = strip.channel[i]?;
    let g = &strip.ground[i];
    if g.even != [true; 2] {
        return None;
    }
    let [left, right] = strip.sides(i, c)?;
    let p = LineProfile {
        values: strip.profile(i),
        step: strip.across,
        centre: (strip.middle[i] - strip.first) / strip.across,
        reach: (0.6 * strip.half[i]).max(0.5 * strip.across),
        ground: [right, left],
        solid: [right * solid, left * solid],
    };
    Some(f(&p, strip.first))
}

/// The metrics of a line. Stations in `skip` do not count: gaps, joins, ends.
pub(crate) fn metrics(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    solid: &[f64],
    edges: &[[Option<f64>; 2]],
    skip: &[bool],
) -> Metrics {
    let n = course.stations.len();
    let mut columns: [Vec<f64>; 3] = Default::default();
    let mut good = vec![false; n];
    let mut recorded = vec![None; n];
    let mut sides = [vec![f64::NAN; n], vec![f64::NAN; n]];
    for i in 0..n {
        let push = |columns: &mut [Vec<f64>; 3], v: [Option<f64>; 3]| {
            for (c, v) in columns.iter_mut().zip(v) {
                c.push(v.unwrap_or(f64::NAN));
            }
        };
        let [Some(left), Some(right)] = edges[i] else {
            push(&mut columns, [None; 3]);
            continue;
        };
        let off = (0.5 * (left + right) - strip.middle[i]).abs();
        let half = 0.5 * (left - right);
        // Thresholds that belong to something else beside the line.
        let astray = off > 0.5 * strip.half[i] + 0.02 || (half / strip.half[i] - 1.0).abs() > 0.5;
        if skip[i] || astray {
            push(&mut columns, [None; 3]);
            continue;
        }
        let here = &course.stations[i];
        // An edge of colour further out lies in the ground that the thresholds hang on.
        let near = reading.near();
        let outwards = || std::iter::successors(Some(0.0), |d| Some(d + near));
        let beset = outwards()
            .take_while(|d| *d < GROUND_MM)
            .flat_map(|d| [left + d, right - d])
            .any(|t| reading.beset(here.at + here.normal * t));
        if beset {
            push(&mut columns, [None; 3]);
            continue;
        }
        if let Some(off) = here.off {
            sides[0][i] = left + off;
            sides[1][i] = right + off;
        }
        let v = with_profile(strip, i, solid[i], |p, _| {
            [
                Some(left - right),
                p.width(60.0),
                strip.channel[i].and_then(|c| contrast(strip, i, c)),
            ]
        });
        good[i] = v.is_some();
        push(&mut columns, v.unwrap_or([None; 3]));
        recorded[i] = Some(2.0 * course.stations[i].half);
    }
    let piece = ((PIECE_MM / course.step).round().max(1.0)) as usize;
    let mut spreads = spreads(strip, solid, edges, &good, piece, reading.sigma);
    for i in lopsided(reading, course, edges, &spreads) {
        for c in &mut columns {
            c[i] = f64::NAN;
        }
        spreads[i] = [f64::NAN; 2];
        recorded[i] = None;
    }
    let recorded: Vec<f64> = recorded.into_iter().flatten().collect();
    let [t50, t60, contrast] = columns.map(|c| mean(&c, piece));
    let both: Vec<f64> = spreads.iter().map(|[a, b]| 0.5 * (a + b)).collect();
    let blur = mean(&both, piece);
    #[allow(clippy::cast_precision_loss)]
    let measured_mm = recorded.len() as f64 * course.step;
    let off = FLOOR_MM * FLOOR_MM * (1.0 + ALONE_MM / measured_mm.max(course.step));
    let floor = |m: Option<Mean>| {
        m.map(|m| Mean {
            se: (m.se * m.se + off).sqrt(),
            ..m
        })
    };
    Metrics {
        t50: floor(t50),
        t60: floor(t60),
        blur: floor(blur.map(|b| Mean {
            value: unread(b.value, reading.pixel),
            ..b
        })),
        ragged: ragged(reading, &sides, course.step),
        contrast,
        recorded: (!recorded.is_empty())
            .then(|| recorded.iter().sum::<f64>() / recorded.len() as f64),
        measured_mm,
    }
}

/// Stations at which a colour block, whose place the sheet does not tell, seems to come out
/// beside the line: on that side the edge is blurred more than on the other.
fn lopsided(
    reading: &Reading<'_>,
    course: &Course,
    edges: &[[Option<f64>; 2]],
    spreads: &[[f64; 2]],
) -> Vec<usize> {
    let mut seen = Vec::new();
    for (i, (edge, spread)) in edges.iter().zip(spreads).enumerate() {
        let here = &course.stations[i];
        let may = [0, 1].map(|side| {
            edge[side].is_some_and(|t| reading.may_be_beset(here.at + here.normal * t))
        });
        let ratio = match may {
            [true, true] => (spread[0] / spread[1]).max(spread[1] / spread[0]),
            [true, false] => spread[0] / spread[1],
            [false, true] => spread[1] / spread[0],
            [false, false] => continue,
        };
        if ratio.is_finite() {
            seen.push((i, ratio));
        }
    }
    let ratios: Vec<f64> = seen.iter().map(|s| s.1).collect();
    let all = median(&ratios).is_some_and(|m| m > LOPSIDED_USUALLY);
    let out = seen.into_iter().filter(|s| all || s.1 > LOPSIDED);
    out.map(|s| s.0).collect()
}

/// A T10 to T90 distance less what reading between pixels adds to it. Cubics read
/// twice, once into the strip and once at the threshold, add 0.0275 / s^2 to the
/// square of an edge's standard deviation s in pixels: found by reading edges of
/// 0.7 to 0.95 pixels at all phases. Sharper edges are as wide as the reading, and
/// no more than an eighth of the square is taken off.
pub(crate) fn unread(blur: f64, pixel: f64) -> f64 {
    const ADDED: f64 = 0.0275;
    // Of a Gaussian edge, in its standard deviations.
    const T10_T90: f64 = 2.563_103;
    let seen = blur / (T10_T90 * pixel);
    let square = seen * seen;
    let own = 0.5 * (square + (square * square - 4.0 * ADDED).max(0.0).sqrt());
    T10_T90 * pixel * own.max(0.875 * square).sqrt()
}

/// Of the darkest light in the line's middle to the lighter side.
fn contrast(strip: &Strip, i: usize, c: usize) -> Option<f64> {
    let [a, b] = strip.sides(i, c)?;
    let ground = 0.5 * (a + b);
    Some((ground - strip.light(i, strip.middle[i], c)) / ground)
}

/// Mean over the finite values, gross errors left out; its standard error from
/// the scatter of pieces.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn mean(values: &[f64], piece: usize) -> Option<Mean> {
    let middle = median(values)?;
    let spread = restrike_ops::stats::mad_sigma(values)?.max(1e-6);
    let good = |v: &&f64| v.is_finite() && (**v - middle).abs() <= 5.0 * spread;
    let kept: Vec<f64> = values.iter().filter(good).copied().collect();
    let value = kept.iter().sum::<f64>() / kept.len().max(1) as f64;
    let means: Vec<f64> = values
        .chunks(piece)
        .filter_map(|c| {
            let c: Vec<f64> = c.iter().filter(good).copied().collect();
            (c.len() * 2 >= piece).then(|| c.iter().sum::<f64>() / c.len() as f64)
        })
        .collect();
    let k = means.len() as f64;
    let se = if means.len() >= 4 {
        let m = means.iter().sum::<f64>() / k;
        let v = means.iter().map(|x| (x - m) * (x - m)).sum::<f64>() / (k - 1.0);
        (v / k).sqrt()
    } else {
        // Too short to see how pieces scatter: as if all of it were one.
        let v = kept.iter().map(|x| (x - value) * (x - value)).sum::<f64>()
            / (kept.len() as f64 - 1.0).max(1.0);
        (v / k.max(1.0)).sqrt()
    };
    (kept.len() >= 6).then_some(Mean { value, se })
}

/// Mean square slope of a contour, over pieces that its noise does not tilt.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn mean_square_slope(side: &[f64], step: f64) -> f64 {
    let reach = ((SLOPE_MM / step) as usize).max(1);
    let (mut sum, mut n) = (0.0, 0.0);
    for i in reach..side.len() {
        let rise = side[i] - side[i - reach];
        if rise.is_finite() {
            sum += rise * rise;
            n += 1.0;
        }
    }
    let run = reach as f64 * step;
    sum / f64::max(n, 1.0) / (run * run)
}

/// A contour without what strays further from its course than a ragged edge does,
/// and without what lies beside that: there it is not this edge that is seen.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn unstrayed(contour: &[f64], step: f64) -> Vec<f64> {
    let mut out = contour.to_vec();
    let beside = ((BESIDE_MM / step) as usize).max(1);
    for _ in 0..STRAY_ROUNDS {
        let course = smooth_course(&out, step, COURSE_MM);
        let off: Vec<f64> = out.iter().zip(&course).map(|(v, c)| v - c).collect();
        let Some(spread) = mad_sigma(&off) else {
            break;
        };
        let strays: Vec<usize> = (0..off.len())
            .filter(|i| off[*i].abs() > STRAY * spread)
            .collect();
        if strays.is_empty() {
            break;
        }
        for i in strays {
            let to = (i + beside + 1).min(out.len());
            out[i.saturating_sub(beside)..to].fill(f64::NAN);
        }
    }
    out
}

/// Variance of a contour before the blur. Blur flattens a wave of wavenumber q by
/// exp(-q^2 s^2 / 2); q^2 is the mean square slope over the variance.
fn unblurred(variance: f64, square_slope: f64, sigma: f64) -> f64 {
    // Waves of which less than half the height is left are mostly noise.
    let flat = sigma * sigma * square_slope / variance.max(1e-12);
    variance * libm::exp(flat.min(2.0 * std::f64::consts::LN_2))
}

/// Mean square of a contour's raggedness before the blur, and how many of its
/// samples tell it: without its strays.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn square_raggedness(contour: &[f64], step: f64, sigma: f64) -> Option<(f64, f64)> {
    let contour = unstrayed(contour, step);
    let sd = raggedness(&contour, step, COURSE_MM)?;
    let known = contour.iter().filter(|v| v.is_finite()).count() as f64;
    let slope = mean_square_slope(&contour, step);
    Some((unblurred(sd * sd, slope, sigma), known))
}

/// Root mean square of both edges' raggedness.
#[allow(clippy::cast_precision_loss)]
fn ragged(reading: &Reading<'_>, sides: &[Vec<f64>; 2], step: f64) -> Option<Mean> {
    let (mut squares, mut count) = (Vec::new(), 0.0);
    for side in sides {
        let (square, known) = square_raggedness(side, step, reading.sigma)?;
        squares.push(square);
        count += known;
    }
    let value = (squares.iter().sum::<f64>() / squares.len() as f64).sqrt();
    // About one independent wave of an edge for each two blurs, and for each half millimetre.
    let free = (count * step / (4.0 * reading.sigma).max(WAVE_MM)).max(2.0);
    Some(Mean {
        value,
        se: value / (2.0 * free).sqrt(),
    })
}
