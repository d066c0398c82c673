//! Edges to a fraction of a pixel: profiles across a rough line, the half
//! transition on each, a robust line through all of them.

use restrike_ops::edge_profile::{Channel, Sampler, crossing_near, level_between};
use restrike_ops::line_fit::{FittedLine, fit_line};
use restrike_ops::stats::{mad_sigma, median};
use restrike_stage::{ImageView, Point};

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
pub(crate) struct Profiles<'a> {
    pub(crate) sampler: Sampler<'a>,
    pub(crate) metric: Metric,
    /// Distance between samples of a profile, mm.
    pub(crate) step: f64,
    /// Samples on either side of the course.
    pub(crate) half: usize,
    /// Distance between the tracks a profile averages, mm, and how many on either side.
    pub(crate) track: f64,
    pub(crate) tracks: usize,
}

impl Profiles<'_> {
    /// The profile at a place, from the outside inwards.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn read(&self, at: Point, outward: Point, out: &mut [f64]) {
        let from = at + outward * (self.step * self.half as f64);
        let along = Point::new(outward.y, -outward.x);
        self.sampler.profile(
            self.metric.px_of(from),
            self.metric.vector_to_px(outward * -self.step),
            self.metric.vector_to_px(along * self.track),
            self.tracks,
            out,
        );
    }

    /// Distance outwards of a fractional index, mm.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn outwards(&self, index: f64) -> f64 {
        (self.half as f64 - index) * self.step
    }
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn stations(course: &Course, spacing: f64, least: usize, most: usize) -> Vec<Point> {
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

/// A line through the steepest steps of one sign, and how good it is: steps
/// that are large against their scatter, on a straight line.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn rough_edge(profiles: &Profiles<'_>, course: &Course, sign: f64) -> Option<(f64, FittedLine)> {
    let span = ((0.2 / profiles.step).round() as usize).max(2);
    let outward = course.outward();
    let mut profile = vec![0.0; 2 * profiles.half + 1];
    let mut places = Vec::new();
    let mut sizes = Vec::new();
    let mut sharpness = Vec::new();
    let (near, far) = (0.6 / profiles.step, 1.0 / profiles.step);
    for at in stations(course, 1.0, 24, 240) {
        profiles.read(at, outward, &mut profile);
        if let Some((i, d)) = largest_step(&profile, span, sign) {
            places.push(at + outward * profiles.outwards(i));
            sizes.push(d);
            let outside = level_between(&profile, i - far, i - near);
            let inside = level_between(&profile, i + near, i + far);
            if let (Some(a), Some(b)) = (outside, inside) {
                sharpness.push(d / (sign * (b - a)).max(d));
            }
        }
    }
    let line = fit_line(&places, course.direction(), 0.5 * profiles.step)?;
    let near: Vec<f64> = places
        .iter()
        .zip(&sizes)
        .filter(|(p, _)| line.distance(**p).abs() < 3.0 * line.rms.max(profiles.step))
        .map(|(_, d)| *d)
        .collect();
    let size = median(&near)?;
    let scatter = mad_sigma(&near)?;
    #[allow(clippy::cast_precision_loss)]
    let share = line.kept as f64 / line.given as f64;
    // A shadow on the bed goes on getting darker, an edge is over at once.
    let sharp = median(&sharpness).unwrap_or(0.0);
    let score = size / (scatter + 0.01) * share * sharp * sharp / (1.0 + line.rms / 0.5);
    (size > 0.008).then_some((score, line))
}

/// A paper edge as found.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    pub(crate) line: FittedLine,
    /// Step of the weighted channel from outside to inside.
    pub(crate) step: f64,
}

/// Follows a paper edge near a rough course: first the steepest step within
/// `reach` mm in whichever channel shows it best, then the half transition.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn paper_edge(
    scan: ImageView<'_, u16>,
    metric: Metric,
    channels: &[Channel],
    course: &Course,
    reach: f64,
) -> Option<Edge> {
    let pitch = metric.pitch();
    let step = pitch.max(0.06);
    let mut best: Option<(f64, FittedLine, f64, Channel)> = None;
    for &channel in channels {
        let rough = Profiles {
            sampler: Sampler::new(scan, channel),
            metric,
            step,
            half: (reach / step).ceil() as usize,
            track: (0.15_f64).max(pitch),
            tracks: 2,
        };
        for sign in [1.0, -1.0] {
            if let Some((score, line)) = rough_edge(&rough, course, sign)
                && best.as_ref().is_none_or(|b| score > b.0)
            {
                best = Some((score, line, sign, channel));
            }
        }
    }
    let (_, first, sign, channel) = best?;
    let course = course.on(&first);

    let step = pitch * 0.5;
    let window = (3.0 * first.rms).clamp(0.5, 1.5);
    let gap = (2.5 * pitch).max(0.1);
    let fine = Profiles {
        sampler: Sampler::new(scan, channel),
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
        if let Some(c) = crossing_near(&profile, half, sign < 0.0, i)
            && (c - i).abs() * step < gap
        {
            points.push((at + outward * fine.outwards(c), inside - outside));
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
