//! The outer edge of a printed border line to a fraction of a pixel.
//!
//! Colour that lies outside the line makes a second step beside the line's
//! own. Where it shows as a level of its own, the line's step is taken by
//! itself; where the strip is too narrow for that, a profile of two blurred
//! steps is fitted, the colour's level taken from inside the line.

use restrike_model::{ImageView, Point};
use restrike_ops::edge_profile::{Channel, Sampler, crossing_near, level_between};
use restrike_ops::line_fit::{FittedLine, fit_line};
use restrike_ops::stats::{median, quantile};

use crate::metric::Metric;
use crate::trace::{Course, Profiles, stations};

/// The outer edge of a printed border line as found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BorderLine {
    pub(crate) line: FittedLine,
    /// The same through the stretches next to its two ends, in running order:
    /// a block's border is seldom quite straight.
    pub(crate) ends: [FittedLine; 2],
    /// Half-transition width of the line where both its edges show, mm.
    pub(crate) width: Option<f64>,
    /// Share of the stations at which the line prints.
    pub(crate) printed: f64,
}

/// Length of the stretches at the ends, mm.
const END_MM: f64 = 22.0;

/// Follows the outer edge of a dark line near a rough course of it, within
/// `reach` mm.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn border_line(
    scan: ImageView<'_, u16>,
    metric: Metric,
    channel: Channel,
    course: &Course,
    reach: f64,
) -> Option<BorderLine> {
    let pitch = metric.pitch();
    let step = pitch * 0.5;
    let mut course = *course;
    let mut reach = reach;
    let mut last = None;
    let mut blur = None;
    // The first pass finds the line, the later ones look close by it only.
    for pass in 0..3 {
        // Half a millimetre of the line at a time, once it is known to run there.
        let along = if pass == 0 { 0.12 } else { 0.4 };
        let profiles = Profiles {
            sampler: Sampler::new(scan, channel),
            metric,
            step,
            half: ((reach + 1.0) / step).ceil() as usize,
            track: pitch.max(along / 5.0),
            tracks: ((along / pitch).round() as usize).clamp(1, 5),
        };
        let outward = course.outward();
        let mut profile = vec![0.0; 2 * profiles.half + 1];
        let mut all = Vec::new();
        let all_stations = stations(&course, 0.5, 40, 600);
        for at in &all_stations {
            profiles.read(*at, outward, &mut profile);
            let middle = profiles.half as f64;
            if let Some(hit) =
                outer_crossing(&profile, middle, reach / step, pitch / step, step, blur)
            {
                all.push((*at, hit));
            }
        }
        let depths: Vec<f64> = all.iter().map(|a| a.1.depth).collect();
        let full = quantile(&depths, 0.75)?;
        if full < 0.01 {
            return None;
        }
        // Over colour the line is less deep, in a gap it is not there.
        all.retain(|a| a.1.depth > 0.25 * full);
        let places: Vec<Point> = all
            .iter()
            .map(|a| a.0 + outward * profiles.outwards(a.1.at))
            .collect();
        let line = fit_line(&places, course.direction(), 0.03 * pitch)?;
        // The sharpest stations have one step only.
        let spreads: Vec<f64> = all.iter().filter_map(|a| a.1.spread).collect();
        blur = quantile(&spreads, 0.25).map(|s| s / QUARTILES);
        let widths: Vec<f64> = all
            .iter()
            .filter_map(|a| a.1.width)
            .map(|w| w * step)
            .collect();
        course = course.on(&line);
        last = Some(BorderLine {
            ends: ends(&places, &course, &line, pitch),
            line,
            width: (widths.len() * 4 > all.len())
                .then(|| median(&widths))
                .flatten(),
            printed: line.kept as f64 / all_stations.len() as f64,
        });
        reach = (4.0 * line.rms).clamp(0.3, reach);
    }
    last
}

/// Tangents at the two ends, through the points near them; the whole line where
/// there are too few.
fn ends(places: &[Point], course: &Course, whole: &FittedLine, pitch: f64) -> [FittedLine; 2] {
    let reach = END_MM.min(0.45 * course.length());
    let along = course.direction();
    [course.from, course.to].map(|end| {
        let near: Vec<Point> = places
            .iter()
            .copied()
            .filter(|p| (*p - end).dot(along).abs() <= reach)
            .collect();
        fit_line(&near, along, 0.03 * pitch)
            .filter(|f| f.kept >= 16 && f.direction.dot(whole.normal()).abs() < 0.01)
            .unwrap_or(*whole)
    })
}

/// Distance of the quartiles of a normal distribution, in standard deviations.
const QUARTILES: f64 = 1.349;

struct Hit {
    /// Fractional index of the outer half transition.
    at: f64,
    /// Depth of the line against what lies outside it, in square roots.
    depth: f64,
    /// Half-transition width in samples, where the inner edge shows.
    width: Option<f64>,
    /// Distance from a quarter to three quarters of the step, samples.
    spread: Option<f64>,
}

/// The outer edge of the darkest line within `reach` samples of `middle`
/// (where its outer edge is expected); `px` is a pixel in samples, `step` a
/// sample in mm.
///
/// From the line's darkest place outwards, the first steep rise counts, and
/// the level where that rise ends: beyond it there may be colour that lies
/// outside the line, and another step from that to paper.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn outer_crossing(
    profile: &[f64],
    middle: f64,
    reach: f64,
    px: f64,
    step: f64,
    blur: Option<f64>,
) -> Option<Hit> {
    let n = profile.len();
    if n < 8 || profile.iter().any(|v| !v.is_finite()) {
        return None;
    }
    let k = px.round().max(1.0) as usize;
    let first = ((middle - reach).max(0.0) as usize).max(k);
    let last = ((middle + reach + (0.25 / step).max(1.5 * px)) as usize).min(n - 1 - k);
    if first >= last {
        return None;
    }
    let mean3 = |i: usize| (profile[i - 1] + profile[i] + profile[i + 1]) / 3.0;
    let darkest = (first..=last).min_by(|a, b| mean3(*a).total_cmp(&mean3(*b)))?;
    let from = darkest
        .saturating_sub((0.9 / step).max(6.0 * px) as usize)
        .max(k);
    // Square roots: noise grows with the light, and a step from black to a dark
    // colour counts for what it is.
    let root = |i: usize| profile[i].max(0.0).sqrt();
    let lightest = (from..darkest).map(root).fold(f64::NEG_INFINITY, f64::max);
    let rise = lightest - root(darkest);
    if rise <= 0.0 || rise.is_nan() {
        return None;
    }
    // Outwards: up the first rise to where it is steepest, on to where it flattens.
    let slope = |i: usize| root(i - k) - root(i + k);
    let mut steepest = (darkest, 0.0);
    let mut flattest = (darkest, f64::INFINITY);
    let mut end = from;
    for i in (from..=darkest).rev() {
        let s = slope(i);
        // A second rise after a flatter place: colour beside the line.
        let risen = root(i) - root(darkest);
        let rose = steepest.1 > 0.12 * rise && risen > 0.15 * rise;
        if rose && flattest.1 < 0.65 * steepest.1 && s > flattest.1 + 0.15 * steepest.1 {
            end = flattest.0;
            break;
        }
        if s > steepest.1 {
            steepest = (i, s);
            flattest = (i, f64::INFINITY);
        } else if s < flattest.1 {
            flattest = (i, s);
        }
        if rose && s < 0.25 * steepest.1 {
            end = i;
            break;
        }
    }
    if steepest.1 <= 0.12 * rise {
        return None;
    }
    let outside = level_between(profile, end as f64 - 0.5 * px, end as f64)?;
    // The line's own level: about its darkest place, near the edge.
    let near = (steepest.0 + (2.0 * px) as usize).min(n - 2);
    let core = if near < darkest {
        mean3(darkest).min(mean3(near))
    } else {
        mean3(darkest)
    };
    let step_height = outside - core;
    if step_height <= 0.0 {
        return None;
    }
    let level = |q: f64| core + q * step_height;
    let at = steepest.0 as f64;
    let crossing = crossing_near(profile, level(0.5), true, at)?;
    if (crossing - at).abs() > 3.0 * px {
        return None;
    }
    let spread = crossing_near(profile, level(0.25), true, crossing)
        .zip(crossing_near(profile, level(0.75), true, crossing))
        .map(|(low, high)| low - high)
        .filter(|s| *s > 0.0 && *s < 6.0 * px);
    let inner_end = (darkest + (1.2 / step) as usize).min(n - 1);
    let inner = &profile[darkest..=inner_end];
    let width = crossing_near(inner, level(0.5), false, 0.0)
        .map(|w| w + darkest as f64 - crossing)
        .filter(|w| *w > 0.0);
    let colour = inner
        .iter()
        .take((0.9 / step) as usize)
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    let crossing = match blur {
        // Colour inside and paper straight outside: is there a strip between?
        Some(sigma) if colour < core + 0.93 * step_height && colour > core + 0.1 * step_height => {
            let levels = Levels {
                core,
                colour,
                outside,
            };
            two_steps(profile, crossing, &levels, sigma, px).unwrap_or(crossing)
        }
        _ => crossing,
    };
    Some(Hit {
        at: crossing,
        depth: outside.sqrt() - core.max(0.0).sqrt(),
        width,
        spread,
    })
}

struct Levels {
    core: f64,
    colour: f64,
    outside: f64,
}

/// The line's own edge where a strip of colour may lie outside it: least
/// squares over the edge's place and the strip's width, on a grid.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn two_steps(profile: &[f64], crossing: f64, levels: &Levels, sigma: f64, px: f64) -> Option<f64> {
    if sigma.is_nan() || sigma <= 0.2 * px {
        return None;
    }
    let first = (crossing - 4.5 * px).max(0.0) as usize;
    let last = ((crossing + 2.0 * px) as usize).min(profile.len() - 1);
    let (key, rest) = (levels.colour - levels.core, levels.outside - levels.colour);
    let misfit = |edge: f64, strip: f64| -> f64 {
        (first..=last)
            .map(|i| {
                let z = (edge - i as f64) / sigma;
                let model = levels.core + key * normal(z) + rest * normal(z - strip / sigma);
                (profile[i] - model) * (profile[i] - model)
            })
            .sum()
    };
    let mut best = (f64::INFINITY, crossing, 0.0);
    let mut step = 0.25 * px;
    let mut around = (crossing + 0.5 * px, 1.5 * px);
    let mut reach = 6;
    while step > 0.01 * px {
        for i in -reach..=reach {
            for j in -reach..=reach {
                let edge = around.0 + f64::from(i) * step;
                let strip = around.1 + f64::from(j) * step;
                if strip < 0.0 {
                    continue;
                }
                let value = misfit(edge, strip);
                if value < best.0 {
                    best = (value, edge, strip);
                }
            }
        }
        around = (best.1, best.2);
        step *= 0.5;
        reach = 2;
    }
    // One step alone, at its best place: the strip has to explain much more.
    let single = (-8..=8)
        .map(|i| misfit(crossing + f64::from(i) * 0.05 * px, 0.0))
        .fold(f64::INFINITY, f64::min);
    (best.0 < 0.85 * single).then_some(best.1)
}

/// Distribution function of the normal distribution.
fn normal(z: f64) -> f64 {
    0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
}
