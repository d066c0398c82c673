//! Edges to a fraction of a pixel: profiles across a rough line, the half
//! transition on each, a robust line through all of them.

use restrike_model::{ImageView, Point};
use restrike_ops::edge_profile::{Sampler, crossing_near, level_between};
use restrike_ops::line_fit::{FittedLine, fit_line};
use restrike_ops::stats::{median, quantile};

use crate::metric::{Metric, Side, turn};

/// A stretch of a line on the bed, run along with the outside on the left.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Course {
    pub(crate) from: Point,
    pub(crate) to: Point,
}

impl Course {
    pub(crate) fn length(&self) -> f64 {
        self.from.distance(self.to)
    }

    pub(crate) fn direction(&self) -> Point {
        (self.to - self.from) * (1.0 / self.length().max(1e-9))
    }

    pub(crate) fn outward(&self) -> Point {
        let d = self.direction();
        Point::new(-d.y, d.x)
    }

    /// The same ends, put on a fitted line.
    pub(crate) fn on(&self, line: &FittedLine) -> Self {
        let put = |p: Point| line.at((p - line.centre).dot(line.direction));
        Self {
            from: put(self.from),
            to: put(self.to),
        }
    }

    /// A side of a rectangle of print millimetres laid on the bed.
    pub(crate) fn side(side: Side, centre: Point, size: [f64; 2], angle: f64, trim: f64) -> Self {
        let half = Point::new(size[0] / 2.0, size[1] / 2.0);
        let n = side.outward();
        let a = side.along();
        let middle = Point::new(n.x * half.x, n.y * half.y);
        let reach = (a.x * half.x).abs() + (a.y * half.y).abs() - trim;
        let put = |t: f64| centre + turn(middle + a * t, angle);
        Self {
            from: put(-reach),
            to: put(reach),
        }
    }
}

/// Profiles across a course.
struct Profiles<'a> {
    sampler: Sampler<'a>,
    metric: Metric,
    /// Distance between samples of a profile, mm.
    step: f64,
    /// Samples on either side of the course.
    half: usize,
    /// Distance between the tracks a profile averages, mm, and how many on either side.
    track: f64,
    tracks: usize,
}

impl Profiles<'_> {
    /// The profile at a place, from the outside inwards.
    #[allow(clippy::cast_precision_loss)]
    fn read(&self, at: Point, outward: Point, out: &mut [f64]) {
        let from = at + outward * (self.step * self.half as f64);
        let along = Point::new(outward.y, -outward.x);
        self.sampler.profile(
            self.metric.to_px(from),
            self.metric.vector_to_px(outward * -self.step),
            self.metric.vector_to_px(along * self.track),
            self.tracks,
            out,
        );
    }

    /// Distance outwards of a fractional index, mm.
    #[allow(clippy::cast_precision_loss)]
    fn outwards(&self, index: f64) -> f64 {
        (self.half as f64 - index) * self.step
    }
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn stations(course: &Course, spacing: f64, least: usize, most: usize) -> Vec<Point> {
    let n = ((course.length() / spacing) as usize).clamp(least, most);
    (0..n)
        .map(|i| course.from + (course.to - course.from) * ((i as f64 + 0.5) / n as f64))
        .collect()
}

/// Largest step of a profile: mean of `k` samples after minus `k` before, by
/// sign (+1: brighter inside). Returns index and size.
#[allow(clippy::cast_precision_loss)]
fn largest_step(profile: &[f64], k: usize, sign: f64) -> Option<(f64, f64)> {
    let n = profile.len();
    let mut best: Option<(f64, f64)> = None;
    for i in k..n.saturating_sub(k) {
        let before: f64 = profile[i - k..i].iter().sum();
        let after: f64 = profile[i..i + k].iter().sum();
        let d = sign * (after - before) / k as f64;
        if d.is_finite() && best.is_none_or(|b| d > b.1) {
            // The step lies between samples i - 1 and i.
            best = Some((i as f64 - 0.5, d));
        }
    }
    best
}

/// A paper edge as found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    pub(crate) line: FittedLine,
    /// Step of the weighted channel from outside to inside.
    pub(crate) step: f64,
}

/// Follows a paper edge near a rough course: first the steepest step within
/// `reach` mm, then the half transition.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn paper_edge(
    scan: ImageView<'_, u16>,
    metric: Metric,
    weights: [f32; 3],
    course: &Course,
    reach: f64,
) -> Option<Edge> {
    let pitch = metric.pitch();
    let step = pitch.max(0.06);
    let rough = Profiles {
        sampler: Sampler::new(scan, weights),
        metric,
        step,
        half: (reach / step).ceil() as usize,
        track: (0.15_f64).max(pitch),
        tracks: 2,
    };
    let span = ((0.2 / step).round() as usize).max(2);
    let outward = course.outward();
    let mut profile = vec![0.0; 2 * rough.half + 1];
    let mut found: [Vec<(Point, f64)>; 2] = [Vec::new(), Vec::new()];
    for at in stations(course, 1.0, 24, 240) {
        rough.read(at, outward, &mut profile);
        for (points, sign) in found.iter_mut().zip([1.0, -1.0]) {
            if let Some((i, d)) = largest_step(&profile, span, sign) {
                points.push((at + outward * rough.outwards(i), d));
            }
        }
    }
    let mut best: Option<(f64, FittedLine, f64)> = None;
    for (points, sign) in found.iter().zip([1.0, -1.0]) {
        let places: Vec<Point> = points.iter().map(|p| p.0).collect();
        let Some(line) = fit_line(&places, course.direction(), 0.5 * step) else {
            continue;
        };
        let sizes: Vec<f64> = points
            .iter()
            .filter(|p| line.distance(p.0).abs() < 3.0 * line.rms.max(step))
            .map(|p| p.1)
            .collect();
        let Some(size) = median(&sizes) else { continue };
        #[allow(clippy::cast_precision_loss)]
        let share = line.kept as f64 / line.given as f64;
        // Straightness counts: print or shadow near the edge gives wild places.
        let score = size * share / (1.0 + line.rms / 0.3);
        if size > 0.008 && best.as_ref().is_none_or(|b| score > b.0) {
            best = Some((score, line, sign));
        }
    }
    let (_, first, sign) = best?;
    let course = course.on(&first);

    let step = pitch * 0.5;
    let window = (3.0 * first.rms).clamp(0.5, 1.5);
    let gap = (2.5 * pitch).max(0.1);
    let fine = Profiles {
        sampler: rough.sampler,
        metric,
        step,
        half: ((window + gap + 0.5) / step).ceil() as usize,
        track: pitch,
        tracks: ((0.15 / pitch).round() as usize).clamp(1, 6),
    };
    let span = ((0.12 / step).round() as usize).max(3);
    let outward = course.outward();
    let mut profile = vec![0.0; 2 * fine.half + 1];
    let mut points = Vec::new();
    for at in stations(&course, 0.6, 40, 500) {
        fine.read(at, outward, &mut profile);
        let inner = window / step;
        #[allow(clippy::cast_precision_loss)]
        let middle = fine.half as f64;
        let (a, b) = ((middle - inner) as usize, (middle + inner) as usize);
        let Some((i, _)) = largest_step(&profile[a..=b], span.min((b - a) / 3), sign) else {
            continue;
        };
        #[allow(clippy::cast_precision_loss)]
        let i = i + a as f64;
        let (near, far) = (gap / step, (gap + 0.4) / step);
        let levels = (
            level_between(&profile, i - far, i - near),
            level_between(&profile, i + near, i + far),
        );
        let (Some(outside), Some(inside)) = levels else {
            continue;
        };
        let half = (outside + inside) / 2.0;
        if let Some(c) = crossing_near(&profile, half, sign < 0.0, i) {
            if (c - i).abs() * step < gap {
                points.push((at + outward * fine.outwards(c), inside - outside));
            }
        }
    }
    let steps: Vec<f64> = points.iter().map(|p| p.1 * sign).collect();
    let typical = median(&steps)?;
    let kept: Vec<Point> = points
        .iter()
        .filter(|p| p.1 * sign > 0.3 * typical)
        .map(|p| p.0)
        .collect();
    let line = fit_line(&kept, course.direction(), 0.03 * pitch)?;
    (typical > 0.006).then_some(Edge {
        line,
        step: typical * sign,
    })
}

/// The outer edge of a printed border line as found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct BorderLine {
    pub(crate) line: FittedLine,
    /// Half-transition width of the line where both its edges show, mm.
    pub(crate) width: Option<f64>,
    /// Share of the stations at which the line prints.
    pub(crate) printed: f64,
}

/// Follows the outer edge of a dark line near a rough course of it (its outer
/// edge or its middle), within `reach` mm.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn border_line(
    scan: ImageView<'_, u16>,
    metric: Metric,
    weights: [f32; 3],
    course: &Course,
    reach: f64,
) -> Option<BorderLine> {
    let pitch = metric.pitch();
    let step = pitch * 0.5;
    let mut course = *course;
    let mut reach = reach;
    let mut last = None;
    // The first pass finds the line, the second starts from levels beside it.
    for _ in 0..3 {
        let profiles = Profiles {
            sampler: Sampler::new(scan, weights),
            metric,
            step,
            half: ((reach + 0.6) / step).ceil() as usize,
            track: pitch,
            tracks: ((0.12 / pitch).round() as usize).clamp(1, 5),
        };
        let outward = course.outward();
        let n = 2 * profiles.half + 1;
        let mut profile = vec![0.0; n];
        let mut all = Vec::new();
        for at in stations(&course, 0.5, 40, 600) {
            profiles.read(at, outward, &mut profile);
            let middle = profiles.half as f64;
            if let Some(hit) = outer_crossing(&profile, middle, reach / step, pitch / step, step) {
                all.push((at, hit));
            }
        }
        let depths: Vec<f64> = all.iter().map(|a| a.1.depth).collect();
        let full = quantile(&depths, 0.75)?;
        if full < 0.01 {
            return None;
        }
        let places: Vec<Point> = all
            .iter()
            .filter(|a| a.1.depth > 0.5 * full)
            .map(|a| a.0 + outward * profiles.outwards(a.1.at))
            .collect();
        let line = fit_line(&places, course.direction(), 0.03 * pitch)?;
        let total = stations(&course, 0.5, 40, 600).len();
        let widths: Vec<f64> = all
            .iter()
            .filter(|a| a.1.depth > 0.5 * full)
            .filter_map(|a| a.1.width)
            .map(|w| w * step)
            .collect();
        course = course.on(&line);
        last = Some(BorderLine {
            line,
            width: (widths.len() * 4 > all.len()).then(|| median(&widths)).flatten(),
            printed: line.kept as f64 / total as f64,
        });
        reach = (4.0 * line.rms).clamp(0.3, reach);
    }
    last
}

struct Hit {
    /// Fractional index of the outer half transition.
    at: f64,
    depth: f64,
    /// Half-transition width in samples, where the inner edge shows.
    width: Option<f64>,
}

/// The outer edge of the darkest line within `reach` samples of `middle`;
/// `px` is a pixel in samples, `step` a sample in mm.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn outer_crossing(profile: &[f64], middle: f64, reach: f64, px: f64, step: f64) -> Option<Hit> {
    let n = profile.len();
    let first = (middle - reach).max(0.0) as usize;
    let last = ((middle + reach + 0.4 / step) as usize).min(n - 1);
    if first >= last || profile.iter().any(|v| !v.is_finite()) {
        return None;
    }
    // The steepest fall within reach, looking inwards, over about the blur.
    let k = (1.5 * px).round().max(1.0) as usize;
    let (mut at, mut fall) = (0, 0.0);
    for i in first.max(k)..((middle + reach) as usize).min(n - 1 - k) {
        let d = profile[i - k] - profile[i + k];
        if d > fall {
            fall = d;
            at = i;
        }
    }
    if fall <= 0.0 {
        return None;
    }
    // The line's own darkness: the least value within a line's width after it.
    let core_end = (at + (0.35 / step).max(2.5 * px) as usize).min(last.max(at));
    let core = profile[at..=core_end].iter().copied().fold(f64::INFINITY, f64::min);
    let outside = level_between(profile, at as f64 - 2.0 * px - 0.35 / step, at as f64 - 2.0 * px)?;
    let depth = outside - core;
    if depth <= 0.0 {
        return None;
    }
    let half = (outside + core) / 2.0;
    let crossing = crossing_near(profile, half, true, at as f64)?;
    let inner_end = (at + (1.2 / step) as usize).min(n - 1);
    let width = crossing_near(&profile[at..=inner_end], half, false, 0.0)
        .map(|w| w + at as f64 - crossing)
        .filter(|w| *w > 0.0);
    Some(Hit {
        at: crossing,
        depth,
        width,
    })
}
