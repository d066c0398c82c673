//! The printed border of an image: a rough search in a band along each side
//! for a dark line, the four lines that together make the likeliest
//! rectangle, then each followed at full resolution.

use restrike_ops::edge_profile::{Channel, Sampler};
use restrike_ops::line_fit::intersection;
use restrike_stage::{ImageView, Point};

use crate::border_line::{BorderLine, border_line};
use crate::metric::{Metric, Side};
use crate::rectangle::{BORDER_FLOOR_PX, Corner, Rectangle, floored};
use crate::sheet_frame::SheetFrame;
use crate::trace::Course;

/// A border as found.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Border {
    pub(crate) lines: [Option<BorderLine>; 4],
}

impl Border {
    pub(crate) fn rectangle(&self, pitch: f64) -> Rectangle {
        Rectangle::new(
            self.lines.map(|l| l.map(|l| l.line)),
            BORDER_FLOOR_PX * pitch,
        )
    }
    pub(crate) fn count(&self) -> usize {
        self.lines.iter().flatten().count()
    }

    /// Corners from the stretches next to them: upper left, upper right, lower
    /// right, lower left. Sides run clockwise, each from the corner before it.
    pub(crate) fn corners(&self, pitch: f64) -> [Option<Corner>; 4] {
        let meet = |a: Side, b: Side| {
            let (a, b) = (self.lines[a as usize]?, self.lines[b as usize]?);
            let floor = BORDER_FLOOR_PX * pitch;
            let (a, b) = (floored(a.ends[1], floor), floored(b.ends[0], floor));
            let (at, cov) = intersection(&a, &b)?;
            Some(Corner {
                at,
                se: cov[0].max(cov[2]).sqrt(),
            })
        };
        [
            meet(Side::Left, Side::Top),
            meet(Side::Top, Side::Right),
            meet(Side::Right, Side::Bottom),
            meet(Side::Bottom, Side::Left),
        ]
    }
}

/// Where to look.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Where {
    /// Centre of the image, print mm.
    pub(crate) centre: Point,
    /// Its size, print mm.
    pub(crate) size: [f64; 2],
    /// How far a side may lie inwards and outwards of that, mm.
    pub(crate) inwards: f64,
    pub(crate) outwards: f64,
    /// Whether the size is to be believed.
    pub(crate) sized: bool,
}

/// A dark line in a band: offset outwards at mid-length, mm; slope; strength.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    offset: f64,
    slope: f64,
    score: f64,
}

/// Samples across the band, mm.
const ACROSS: f64 = 0.125;
/// Samples along it, mm.
const ALONG: f64 = 0.5;
/// Contrasts above this part of the paper's level count the same.
const CLIP: f64 = 0.3;
/// What a millimetre further out is worth where the place is not known.
const OUTER: f64 = 0.004;
/// Least mean score of a border that is believed.
const LEAST_SCORE: f64 = 0.08;

/// Finds the border. `paper` is the colour of unprinted paper: the search looks
/// at the lightest channel relative to it, in which most colours are hardly
/// seen and a dark key is.
pub(crate) fn find(
    scan: ImageView<'_, u16>,
    metric: Metric,
    frame: &SheetFrame,
    place: &Where,
    paper: [f32; 3],
) -> Option<Border> {
    let channel = Channel::Lightest(paper.map(|p| 1.0 / p.max(0.05)));
    let candidates: Vec<Vec<Candidate>> = Side::ALL
        .iter()
        .map(|&side| rough_lines(scan, metric, frame, place, side, channel))
        .collect();
    let chosen = likeliest(&candidates, place)?;
    let score = chosen.iter().flatten().map(|c| c.score).sum::<f64>() / 4.0;
    let needed = if place.sized {
        LEAST_SCORE
    } else {
        2.0 * LEAST_SCORE
    };
    let sides = chosen
        .iter()
        .flatten()
        .filter(|c| c.score > 0.6 * needed)
        .count();
    if score < needed || sides < if place.sized { 3 } else { 4 } {
        return None;
    }
    let mut border = Border {
        ..Border::default()
    };
    let rough: Vec<Option<(Point, Point)>> = Side::ALL
        .iter()
        .map(|&side| {
            let c = chosen[side as usize]?;
            (c.score > 0.6 * needed).then(|| {
                let course = nominal(frame, place, side);
                let (n, half) = (course.outward(), course.length() / 2.0);
                (
                    course.from + n * ((c.offset - c.slope * half) * frame.scale),
                    course.to + n * ((c.offset + c.slope * half) * frame.scale),
                )
            })
        })
        .collect();
    for side in Side::ALL {
        let Some((mut a, mut b)) = rough[side as usize] else {
            continue;
        };
        let line = (a, b);
        if let Some(p) = rough[(side as usize + 3) % 4].and_then(|o| meet(line, o)) {
            a = p;
        }
        if let Some(p) = rough[(side as usize + 1) % 4].and_then(|o| meet(line, o)) {
            b = p;
        }
        let length = a.distance(b);
        if length < 5.0 {
            continue;
        }
        // Corners are squashed or rounded by wear.
        let trim = (b - a) * (1.5 / length).min(0.1);
        let course = Course {
            from: a + trim,
            to: b - trim,
        };
        border.lines[side as usize] =
            border_line(scan, metric, channel, &course, 0.6).filter(|l| l.printed > 0.4);
    }
    let enough = if place.sized { 3 } else { 4 };
    (border.count() >= enough).then_some(border)
}

fn nominal(frame: &SheetFrame, place: &Where, side: Side) -> Course {
    let size = place.size.map(|s| s * frame.scale);
    Course::side(side, frame.bed_of(place.centre), size, frame.angle, 0.0)
}

fn meet(a: (Point, Point), b: (Point, Point)) -> Option<Point> {
    let (u, v) = (a.1 - a.0, b.1 - b.0);
    let det = u.x * v.y - u.y * v.x;
    if det.abs() < 0.1 * u.norm() * v.norm() {
        return None;
    }
    let w = b.0 - a.0;
    Some(a.0 + u * ((w.x * v.y - w.y * v.x) / det))
}

/// Dark lines along one side, best first: projection over offset and slope of
/// how much darker each place is than both its sides.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn rough_lines(
    scan: ImageView<'_, u16>,
    metric: Metric,
    frame: &SheetFrame,
    place: &Where,
    side: Side,
    channel: Channel,
) -> Vec<Candidate> {
    let course = nominal(frame, place, side);
    let across = ACROSS.max(metric.pitch()) * frame.scale;
    let along = ALONG.max(2.0 * metric.pitch()) * frame.scale;
    let (inwards, outwards) = (place.inwards * frame.scale, place.outwards * frame.scale);
    let nv = ((course.length() / along) as usize).max(8);
    let nu = ((inwards + outwards) / across) as usize + 1;
    let sampler = Sampler::new(scan, channel);
    let (n, d) = (course.outward(), course.direction());
    // Enough places in a cell that a line thinner than a cell is not missed.
    let subs = ((across / metric.pitch()).round() as usize).clamp(1, 3);
    let track = metric.vector_to_px(d * (along / 4.0));
    let mut fine = vec![0.0; nu * subs];
    let mut band = vec![f32::NAN; nu * nv];
    for v in 0..nv {
        let at = course.from + d * ((v as f64 + 0.5) / nv as f64 * course.length());
        let step = across / subs as f64;
        sampler.profile(
            metric.px_of(at + n * (outwards - step / 2.0)),
            metric.vector_to_px(n * -step),
            track,
            1,
            &mut fine,
        );
        for (u, cell) in fine.chunks_exact(subs).enumerate() {
            // NaN where the scan ends: it stays so.
            band[v * nu + u] = (cell.iter().sum::<f64>() / subs as f64) as f32;
        }
    }
    // Ridge strength; index u counts from the outside inwards.
    let (near, far) = (
        (0.35 / across * frame.scale) as usize + 1,
        (0.9 / across * frame.scale) as usize + 1,
    );
    let mut ridge = vec![0.0_f32; nu * nv];
    for v in 0..nv {
        let row = &band[v * nu..(v + 1) * nu];
        for u in 0..nu {
            let lightest = |a: usize, b: usize| row[a..b].iter().copied().fold(f32::NAN, f32::max);
            let outside = lightest(u.saturating_sub(far), u.saturating_sub(near) + 1);
            let inside = lightest((u + near).min(nu - 1), (u + far + 1).min(nu));
            let c = row[u];
            if !(c.is_finite() && outside.is_finite() && inside.is_finite()) {
                continue;
            }
            let out = f64::from(outside - c).clamp(0.0, CLIP);
            let inn = f64::from(inside - c).clamp(0.0, CLIP);
            // Colour may lie against the line on either side, more so inside.
            let both = out.min(inn);
            ridge[v * nu + u] = (0.5 * both + 0.35 * out + 0.15 * inn) as f32;
        }
    }
    let limit = 0.035;
    let slope_step = 2.0 * across / course.length();
    let slopes = (limit / slope_step).ceil() as i32;
    let mut best = vec![(0.0_f64, 0.0_f64); nu];
    let mut sums = vec![0.0_f32; nu];
    for k in -slopes..=slopes {
        sums.fill(0.0);
        for v in 0..nv {
            let t = (v as f64 + 0.5) / nv as f64 - 0.5;
            let shift = (f64::from(k) * 2.0 * t).round() as i64;
            let from = 0.max(-shift) as usize;
            let to = (nu as i64).min(nu as i64 - shift).max(0) as usize;
            for u in from..to {
                sums[u] += ridge[v * nu + (u as i64 + shift) as usize];
            }
        }
        for (b, s) in best.iter_mut().zip(&sums) {
            let score = f64::from(*s) / nv as f64;
            if score > b.0 {
                // u grows inwards, the slope is of the offset outwards.
                *b = (score, -f64::from(k) * slope_step);
            }
        }
    }
    let mut out: Vec<Candidate> = (0..nu)
        .filter(|&u| {
            let a = u.saturating_sub(2);
            let b = (u + 3).min(nu);
            best[u].0 > 0.0 && best[a..b].iter().all(|o| o.0 <= best[u].0)
        })
        .map(|u| Candidate {
            offset: (outwards - (u as f64 + 0.5) * across) / frame.scale,
            slope: best[u].1,
            score: best[u].0,
        })
        .collect();
    out.sort_by(|a, b| b.score.total_cmp(&a.score));
    out.truncate(6);
    out
}

/// The four candidates that make the best rectangle: strong lines, sides
/// parallel, corners right, the size as stated.
fn likeliest(candidates: &[Vec<Candidate>], place: &Where) -> Option<[Option<Candidate>; 4]> {
    let with_none: Vec<Vec<Option<Candidate>>> = candidates
        .iter()
        .map(|c| {
            c.iter()
                .copied()
                .map(Some)
                .chain(std::iter::once(None))
                .collect()
        })
        .collect();
    let mut best: Option<(f64, [Option<Candidate>; 4])> = None;
    for &left in &with_none[0] {
        for &top in &with_none[1] {
            for &right in &with_none[2] {
                for &bottom in &with_none[3] {
                    let set = [left, top, right, bottom];
                    let value = worth(&set, place);
                    if best.as_ref().is_none_or(|b| value > b.0) {
                        best = Some((value, set));
                    }
                }
            }
        }
    }
    best.map(|b| b.1)
}

fn worth(set: &[Option<Candidate>; 4], place: &Where) -> f64 {
    let mut value: f64 = set.iter().flatten().map(|c| c.score).sum();
    let slopes: Vec<f64> = set.iter().flatten().map(|c| c.slope).collect();
    if slopes.len() > 1 {
        let mean = slopes.iter().sum::<f64>() / slopes.len() as f64;
        let off: f64 = slopes.iter().map(|s| (s - mean) * (s - mean)).sum();
        // A quarter of a degree off costs as much as a faint line is worth.
        value -= 0.05 * off / (0.0045 * 0.0045);
    }
    if !place.sized {
        // Of lines as clear as each other the outer ones are the border: lines
        // of the image run within it.
        value += OUTER * set.iter().flatten().map(|c| c.offset).sum::<f64>();
    }
    if place.sized {
        for (a, b, size) in [
            (set[0], set[2], place.size[0]),
            (set[1], set[3], place.size[1]),
        ] {
            if let (Some(a), Some(b)) = (a, b) {
                let wrong = (a.offset + b.offset).abs() - 0.003 * size;
                let z = wrong.max(0.0) / 0.5;
                value -= 0.05 * z * z;
            }
        }
    }
    value
}
