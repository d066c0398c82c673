//! The outer edge of a printed border line to a fraction of a pixel.
//!
//! Colour that lies outside the line makes a second step beside the line's
//! own. Where it shows as a level of its own, the line's step is taken by
//! itself; where the strip is too narrow for that, a profile of two blurred
//! steps is fitted, the colour's level taken from inside the line.

use restrike_ops::edge_profile::{Channel, Sampler, crossing_near};
use restrike_ops::line_fit::{FittedLine, fit_line};
use restrike_ops::quantiles::normal_below;
use restrike_ops::stats::{median, quantile};
use restrike_stage::{ImageView, Point};

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
        // The sharpest outer edges have one step only; inner edges nearly all.
        let spreads = |i: usize| -> Vec<f64> { all.iter().filter_map(|a| a.1.spread[i]).collect() };
        let outer = quantile(&spreads(0), 0.25);
        let inner = median(&spreads(1)).map(|s| INNER * s);
        blur = match (outer, inner) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        }
        .map(|s| s / QUARTILES);
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

/// Inner edges may be this much sharper than outer ones, by what lies beside them.
const INNER: f64 = 1.15;
/// Distance of the quartiles of a normal distribution, in standard deviations.
const QUARTILES: f64 = 1.349;

struct Hit {
    /// Fractional index of the outer half transition.
    at: f64,
    /// Depth of the line against what lies outside it, in square roots.
    depth: f64,
    /// Half-transition width in samples, where the inner edge shows.
    width: Option<f64>,
    /// Distance from a quarter to three quarters of the outer and inner edge, samples.
    spread: [Option<f64>; 2],
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
    let reach_out = (0.9 / step).max(6.0 * px) as usize;
    let outwards: Vec<f64> = profile[darkest.saturating_sub(reach_out)..=darkest]
        .iter()
        .rev()
        .copied()
        .collect();
    let inwards = &profile[darkest..(darkest + (1.4 / step) as usize).min(n)];
    let outer = first_rise(&outwards, k)?;
    let steepest = darkest - outer.steepest;
    let outside = outer.level;
    // The line's own level: about its darkest place, near the edge.
    let near = (steepest + (2.0 * px) as usize).min(n - 2);
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
    let at = steepest as f64;
    let crossing = crossing_near(profile, level(0.5), true, at)?;
    if (crossing - at).abs() > 3.0 * px {
        return None;
    }
    let inner = first_rise(inwards, k);
    let width = crossing_near(inwards, level(0.5), false, 0.0)
        .map(|w| w + darkest as f64 - crossing)
        .filter(|w| *w > 0.0);
    let inner_spread = inner.and_then(|r| spread_of(inwards, r, core, px));
    let colour = inner.map(|r| r.level);
    let crossing = match (blur, colour) {
        // Colour inside and something lighter outside: is there a strip between?
        (Some(sigma), Some(colour))
            if colour < core + 0.93 * step_height && colour > 1.5 * core =>
        {
            let levels = Levels {
                core,
                colour,
                lightest: outwards.iter().copied().fold(outside, f64::max),
            };
            two_steps(profile, (darkest, crossing), &levels, sigma, px).unwrap_or(crossing)
        }
        _ => crossing,
    };
    let spread = [spread_of(&outwards, outer, core, px), inner_spread];
    Some(Hit {
        at: crossing,
        depth: outside.sqrt() - core.max(0.0).sqrt(),
        width,
        spread,
    })
}

/// The first steep rise of a profile that starts at a line's darkest place:
/// where it is steepest and where it ends.
#[derive(Debug, Clone, Copy)]
struct Rise {
    steepest: usize,
    /// The level it ends at.
    level: f64,
}

fn first_rise(profile: &[f64], k: usize) -> Option<Rise> {
    let n = profile.len();
    if n < 2 * k + 2 {
        return None;
    }
    // Square roots: noise grows with the light, and a step from black to a dark
    // colour counts for what it is.
    let root = |i: usize| profile[i].max(0.0).sqrt();
    let lowest = root(0);
    let rise = (0..n).map(root).fold(f64::NEG_INFINITY, f64::max) - lowest;
    if rise.is_nan() || rise <= 0.0 {
        return None;
    }
    let mut steepest = (0, 0.0);
    let mut flattest = (0, f64::INFINITY);
    for i in 0..n - k {
        let s = root(i + k) - root(i.saturating_sub(k));
        let rose = steepest.1 > 0.12 * rise && root(i) - lowest > 0.15 * rise;
        // A second rise after a flatter place: colour beside the line.
        if rose && flattest.1 < 0.65 * steepest.1 && s > flattest.1 + 0.15 * steepest.1 {
            return Some(Rise {
                steepest: steepest.0,
                level: profile[flattest.0],
            });
        }
        if s > steepest.1 {
            steepest = (i, s);
            flattest = (i, f64::INFINITY);
        } else if s < flattest.1 {
            flattest = (i, s);
        }
        if rose && s < 0.25 * steepest.1 {
            // The flat itself begins a little further on, if nothing comes before.
            let flat = (i + k / 2..(i + 3 * k / 2 + 1).min(n)).take_while(|&j| {
                root((j + k).min(n - 1)) - root(j.saturating_sub(k)) < 0.3 * steepest.1
            });
            let (sum, count) = flat.fold((profile[i], 1.0), |a, j| (a.0 + profile[j], a.1 + 1.0));
            return Some(Rise {
                steepest: steepest.0,
                level: sum / count,
            });
        }
    }
    (steepest.1 > 0.12 * rise).then_some(Rise {
        steepest: steepest.0,
        level: profile[n - 1],
    })
}

/// Distance from a quarter to three quarters of a rise, samples.
#[allow(clippy::cast_precision_loss)]
fn spread_of(profile: &[f64], rise: Rise, core: f64, px: f64) -> Option<f64> {
    let top = rise.level;
    let cross = |q: f64| {
        crossing_near(
            profile,
            core + q * (top - core),
            false,
            rise.steepest as f64,
        )
    };
    Some(cross(0.75)? - cross(0.25)?).filter(|s| *s > 0.3 * px && *s < 6.0 * px)
}

struct Levels {
    /// The line itself.
    core: f64,
    /// Colour inside the line, which is likely to go on under it.
    colour: f64,
    /// The lightest place outside.
    lightest: f64,
}

/// The line's own edge where a strip of colour may lie outside it: least
/// squares over the edge's place and the strip's width. Paper is first taken to
/// come straight behind the strip; where that does not fit (several strips),
/// the step behind it may have any height, and only what lies close to the line
/// is fitted.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn two_steps(
    profile: &[f64],
    (darkest, crossing): (usize, f64),
    levels: &Levels,
    sigma: f64,
    px: f64,
) -> Option<f64> {
    if sigma.is_nan() || sigma <= 0.2 * px {
        return None;
    }
    let key = levels.colour - levels.core;
    let most = levels.lightest - levels.colour;
    // Where the line's step crosses half way to the colour: the edge lies
    // there, or further out by what light from outside adds.
    let low = (0..darkest)
        .rev()
        .find(|&i| profile[i] >= levels.core + 0.5 * key)? as f64;
    let last = ((low + 2.5 * px) as usize).min(darkest.max(low as usize + 1));
    for (out, fixed) in [(WINDOW_FULL, true), (WINDOW_CLOSE, false)] {
        let first = (low - out * px).max(0.0) as usize;
        let fit = TwoSteps {
            levels,
            key,
            most,
            fixed,
            sigma,
            first,
            profile: profile.get(first..=last)?,
        };
        let best = fit.least((low - 0.5 * px, 1.5 * px), px);
        // One step alone, at its best place: the strip has to explain more.
        let single = (-8..=8)
            .map(|i| {
                let step = fit.step(crossing + f64::from(i) * 0.05 * px);
                fit.misfit(&step, &step)
            })
            .fold(f64::INFINITY, f64::min);
        let rms = (best.0 / (last - first + 1) as f64).sqrt();
        if fixed && rms > FITS * (levels.lightest - levels.core) {
            continue;
        }
        return (best.0 < 0.85 * single).then_some(best.1);
    }
    None
}

/// A stretch of a profile across the line's edge and, behind a strip of
/// colour, the edge of the paper.
struct TwoSteps<'a> {
    levels: &'a Levels,
    /// Height of the line's own step.
    key: f64,
    /// Height of the step behind the strip: this, or up to this if not `fixed`.
    most: f64,
    fixed: bool,
    sigma: f64,
    /// Index of the stretch's first sample.
    first: usize,
    profile: &'a [f64],
}

impl TwoSteps<'_> {
    /// A blurred step of height one at a place.
    #[allow(clippy::cast_precision_loss)]
    fn step(&self, at: f64) -> Vec<f64> {
        (self.first..self.first + self.profile.len())
            .map(|i| normal_below((at - i as f64) / self.sigma))
            .collect()
    }

    /// Sum of squares that the steps at the line's edge and at the strip's end leave.
    fn misfit(&self, edge: &[f64], behind: &[f64]) -> f64 {
        let (mut aa, mut ar, mut rr) = (0.0, 0.0, 0.0);
        for ((level, edge), behind) in self.profile.iter().zip(edge).zip(behind) {
            let rest = level - self.levels.core - self.key * edge;
            aa += behind * behind;
            ar += behind * rest;
            rr += rest * rest;
        }
        let height = if self.fixed || aa <= 0.0 {
            self.most
        } else {
            (ar / aa).clamp(0.0, self.most)
        };
        (rr - 2.0 * height * ar + height * height * aa).max(0.0)
    }

    /// Least misfit over edge and strip (not negative), on finer and finer
    /// grids: value, edge, strip. On a grid the strip's end lies at few places,
    /// so each blurred step is worked out once.
    fn least(&self, start: (f64, f64), px: f64) -> (f64, f64, f64) {
        let mut best = (f64::INFINITY, start.0, start.1);
        let mut around = start;
        let mut step = 0.25 * px;
        let mut reach = 6;
        while step > 0.01 * px {
            let row = |middle: f64, reach: i32| -> Vec<Vec<f64>> {
                (-reach..=reach)
                    .map(|i| self.step(middle + f64::from(i) * step))
                    .collect()
            };
            let edges = row(around.0, reach);
            let ends = row(around.0 - around.1, 2 * reach);
            for (i, edge) in (-reach..=reach).zip(&edges) {
                for j in -reach..=reach {
                    let strip = around.1 + f64::from(j) * step;
                    let Some(end) = usize::try_from(i - j + 2 * reach)
                        .ok()
                        .and_then(|n| ends.get(n))
                    else {
                        continue;
                    };
                    if strip < 0.0 {
                        continue;
                    }
                    let value = self.misfit(edge, end);
                    if value < best.0 {
                        best = (value, around.0 + f64::from(i) * step, strip);
                    }
                }
            }
            around = (best.1, best.2);
            step *= 0.5;
            reach = 2;
        }
        best
    }
}

/// Root mean square misfit, in terms of the whole step, up to which paper
/// straight behind one strip is believed.
const FITS: f64 = 0.02;
/// How far out of the line's edge a profile is fitted, pixels.
const WINDOW_FULL: f64 = 5.0;
const WINDOW_CLOSE: f64 = 2.0;
