//! The sheet's outline on the bed.
//!
//! A rough search on a coarse overview finds, on each side, the outermost
//! straight step that lasts: a projection of clipped gradients over slopes and
//! offsets (a Hough transform with the gradient's sign, Hough 1962; Duda and
//! Hart 1972). A printed line is no such step, for the paper goes on behind it.

use restrike_ops::edge_profile::Channel;
use restrike_ops::stats::median;
use restrike_stage::{ImageView, Point, Raster};

use crate::metric::{Metric, Side, fold, heading};
use crate::overview::{CHROMA, Overview, PAPER_WEIGHTS, coarser};
use crate::settings::{Bed, Settings};
use crate::trace::{Course, Edge, paper_edge};

/// The outline of the sheet.
#[derive(Debug, Clone, Default)]
pub(crate) struct Outline {
    /// Edges found: left, top, right, bottom.
    pub(crate) edges: [Option<Edge>; 4],
}

/// A rough line: offset inwards from the scan's border at mid-length, slope.
#[derive(Debug, Clone, Copy)]
struct Rough {
    offset: f64,
    slope: f64,
    score: f64,
}

/// The coarse plane seen from one side: u inwards, v along.
struct Seen<'a> {
    plane: &'a Raster<f32>,
    side: Side,
}

impl Seen<'_> {
    fn depth(&self) -> usize {
        if self.side.is_level() {
            self.plane.height()
        } else {
            self.plane.width()
        }
    }
    fn length(&self) -> usize {
        if self.side.is_level() {
            self.plane.width()
        } else {
            self.plane.height()
        }
    }
    fn get(&self, u: usize, v: usize) -> f32 {
        let p = self.plane;
        match self.side {
            Side::Left => p.get(u, v, 0),
            Side::Right => p.get(p.width() - 1 - u, v, 0),
            Side::Top => p.get(v, u, 0),
            Side::Bottom => p.get(v, p.height() - 1 - u, 0),
        }
    }
    /// Plane coordinates of (u, v).
    #[allow(clippy::cast_precision_loss)]
    fn point(&self, u: f64, v: f64) -> Point {
        let (w, h) = (self.plane.width() as f64, self.plane.height() as f64);
        match self.side {
            Side::Left => Point::new(u, v),
            Side::Right => Point::new(w - u, v),
            Side::Top => Point::new(v, u),
            Side::Bottom => Point::new(v, h - u),
        }
    }
}

/// Finds the outline.
pub(crate) fn outline(
    scan: ImageView<'_, u16>,
    metric: Metric,
    overview: &Overview,
    settings: &Settings,
) -> Outline {
    if settings.bed == Bed::None {
        return Outline::default();
    }
    let plane = overview.plane(PAPER_WEIGHTS);
    let (coarse, k) = coarser(&plane, overview.mm, 0.7, 120);
    if coarse.width() < 24 || coarse.height() < 24 {
        return Outline::default();
    }
    #[allow(clippy::cast_precision_loss)]
    let mm = [overview.mm[0] * k[0] as f64, overview.mm[1] * k[1] as f64];
    let rough = Side::ALL.map(|side| {
        rough_edge(
            &Seen {
                plane: &coarse,
                side,
            },
            mm,
            settings,
        )
    });
    let rough = not_of_paper(of_one_bed(rough), &coarse, mm);
    let to_bed = |p: Point| Point::new(p.x * mm[0], -p.y * mm[1]);
    let courses: Vec<Option<(Point, Point)>> = Side::ALL
        .iter()
        .map(|&side| {
            let seen = Seen {
                plane: &coarse,
                side,
            };
            let (line, _) = rough[side as usize]?;
            #[allow(clippy::cast_precision_loss)]
            let n = seen.length() as f64;
            let at = |v: f64| to_bed(seen.point(line.offset + line.slope * (v - n / 2.0), v));
            Some((at(0.0), at(n)))
        })
        .collect();
    let both = [Channel::Sum(PAPER_WEIGHTS), Channel::Sum(CHROMA)];
    let channels = if scan.channels() >= 3 {
        &both[..]
    } else {
        &both[..1]
    };
    let mut out = Outline::default();
    for side in Side::ALL {
        let Some((a, b)) = courses[side as usize] else {
            continue;
        };
        // Run along the side in its own direction, between its neighbours.
        let along = side.along();
        let (mut a, mut b) = if (b - a).dot(along) >= 0.0 {
            (a, b)
        } else {
            (b, a)
        };
        let neighbours = [side as usize + 3, side as usize + 1].map(|i| courses[i % 4]);
        if let Some(p) = neighbours[0].and_then(|n| meet((a, b), n)) {
            a = p;
        }
        if let Some(p) = neighbours[1].and_then(|n| meet((a, b), n)) {
            b = p;
        }
        let length = a.distance(b);
        if (b - a).dot(along) <= 0.0 || length < 5.0 * mm[0] {
            continue;
        }
        // Corners are rounded, dog-eared or torn: leave them out.
        let trim = (b - a) * (0.03_f64.min(4.0 / length));
        let course = Course {
            from: a + trim,
            to: b - trim,
        };
        out.edges[side as usize] = paper_edge(
            scan,
            metric,
            channels,
            &course,
            3.0_f64.max(2.5 * mm[0].max(mm[1])),
        )
        .filter(|e| plausible(e, side, settings));
    }
    out
}

fn plausible(edge: &Edge, side: Side, settings: &Settings) -> bool {
    let turn = fold(heading(edge.line.direction) - heading(side.along()));
    turn.abs().to_degrees() <= settings.max_rotation_deg + 1.0
        && (settings.bed != Bed::Dark || edge.step > 0.0)
}

/// Where two lines through point pairs meet.
fn meet(a: (Point, Point), b: (Point, Point)) -> Option<Point> {
    let (u, v) = (a.1 - a.0, b.1 - b.0);
    let det = u.x * v.y - u.y * v.x;
    if det.abs() < 1e-3 * u.norm() * v.norm() {
        return None;
    }
    let w = b.0 - a.0;
    Some(a.0 + u * ((w.x * v.y - w.y * v.x) / det))
}

/// Clip of the gradient: steps larger than this all count the same.
const CLIP: f32 = 0.03;
/// Windows of the gradient, coarse pixels.
const WINDOW: usize = 3;

#[derive(Debug, Clone, Copy)]
struct Levels {
    outside: f64,
    inside: f64,
}

/// The outermost lasting step seen from one side, with the levels beside it.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn rough_edge(seen: &Seen<'_>, mm: [f64; 2], settings: &Settings) -> Option<(Rough, Levels)> {
    let (nu, nv) = (seen.depth(), seen.length());
    let top = nu * 6 / 10;
    // Clipped step at the boundary between u - 1 and u.
    let mut step = vec![0.0_f32; top * nv];
    for v in 0..nv {
        let mut sums = vec![0.0_f32; nu + 1];
        for u in 0..nu {
            sums[u + 1] = sums[u] + seen.get(u, v);
        }
        for u in 1..top {
            let (a, b) = (u.min(WINDOW), (nu - u).min(WINDOW));
            let outside = (sums[u] - sums[u - a]) / a as f32;
            let inside = (sums[u + b] - sums[u]) / b as f32;
            step[u * nv + v] = ((inside - outside) / CLIP).clamp(-1.0, 1.0);
        }
    }
    let aspect = if seen.side.is_level() {
        mm[0] / mm[1]
    } else {
        mm[1] / mm[0]
    };
    let limit = libm::tan(settings.max_rotation_deg.to_radians()) * aspect;
    let slope_step = 2.0 / nv as f64;
    let slopes = (limit / slope_step).ceil() as i32;
    let mut best = vec![
        Rough {
            offset: 0.0,
            slope: 0.0,
            score: 0.0
        };
        top
    ];
    let mut sums = vec![0.0_f32; top];
    let mut counts = vec![0_u32; top];
    for k in -slopes..=slopes {
        let slope = f64::from(k) * slope_step;
        sums.fill(0.0);
        counts.fill(0);
        for v in 0..nv {
            let shift = (slope * (v as f64 + 0.5 - nv as f64 / 2.0)).round() as i64;
            let from = 1.max(1 - shift) as usize;
            let to = (top as i64).min(top as i64 - shift).max(0) as usize;
            for u in from..to {
                sums[u] += step[(u as i64 + shift) as usize * nv + v];
                counts[u] += 1;
            }
        }
        for u in 1..top {
            if (counts[u] as usize) < nv / 3 {
                continue;
            }
            // Short stretches count less: they agree by chance more often.
            let score = f64::from(sums[u]) / nv as f64;
            if score.abs() > best[u].score.abs() {
                best[u] = Rough {
                    offset: u as f64,
                    slope,
                    score,
                };
            }
        }
    }
    for u in 1..top {
        let here = best[u];
        let peak = here.score.abs();
        let near = |d: usize| {
            best[u.saturating_sub(d)..(u + d + 1).min(top)]
                .iter()
                .map(|b| b.score.abs())
                .fold(0.0, f64::max)
        };
        if peak < 0.35 || peak < near(2) {
            continue;
        }
        if let Some(levels) = lasting_step(seen, &here, settings, mm) {
            return Some((here, levels));
        }
    }
    None
}

/// Whether the step goes on inside and the outside is even, as a bed is.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn lasting_step(
    seen: &Seen<'_>,
    line: &Rough,
    settings: &Settings,
    mm: [f64; 2],
) -> Option<Levels> {
    let (nu, nv) = (seen.depth(), seen.length());
    let reach = ((4.0 / mm[0].max(mm[1])).round() as usize).clamp(3, 12);
    let (mut lasting, mut all) = (0_usize, 0_usize);
    let (mut outsides, mut insides) = (Vec::new(), Vec::new());
    for v in 0..nv {
        let u = line.offset + line.slope * (v as f64 + 0.5 - nv as f64 / 2.0);
        if u < 1.0 || u + 2.0 + reach as f64 > nu as f64 {
            continue;
        }
        let u = u.round() as usize;
        all += 1;
        let take = |a: usize, b: usize| -> Option<f64> {
            let values: Vec<f64> = (a..b).map(|i| f64::from(seen.get(i, v))).collect();
            median(&values)
        };
        let outside = take(u.saturating_sub(1 + reach), if u > 2 { u - 1 } else { u })?;
        let inside = take(u + 1, u + 1 + reach)?;
        if (inside - outside) * line.score.signum() > 0.6 * f64::from(CLIP) {
            lasting += 1;
            outsides.push(outside);
            insides.push(inside);
        }
    }
    if all == 0 || lasting * 3 < all || lasting * 4 < nv {
        return None;
    }
    let levels = Levels {
        outside: median(&outsides)?,
        inside: median(&insides)?,
    };
    let darker_bed = levels.inside > levels.outside;
    let wanted = settings.bed != Bed::Dark || darker_bed;
    // The inside of an edge is paper, which is never dark.
    (wanted && levels.inside > 0.12).then_some(levels)
}

/// A light bed is lighter than the paper. What is no lighter than the lightest
/// fiftieth of the inside is paper itself, seen outside a print in a scan that
/// shows no bed: then no edge of the paper was found.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn not_of_paper(
    mut rough: [Option<(Rough, Levels)>; 4],
    plane: &Raster<f32>,
    mm: [f64; 2],
) -> [Option<(Rough, Levels)>; 4] {
    const INWARDS_MM: f64 = 8.0;
    let (w, h) = (plane.width() as f64, plane.height() as f64);
    let from =
        |side: Side, mm: f64| rough[side as usize].map_or(0.0, |r| r.0.offset) + INWARDS_MM / mm;
    let (x0, x1) = (from(Side::Left, mm[0]), w - from(Side::Right, mm[0]));
    let (y0, y1) = (from(Side::Top, mm[1]), h - from(Side::Bottom, mm[1]));
    if x1 - x0 < 5.0 || y1 - y0 < 5.0 {
        return rough;
    }
    let mut inner: Vec<f32> = (y0 as usize..y1 as usize)
        .flat_map(|y| plane.row(y)[x0 as usize..x1 as usize].iter().copied())
        .collect();
    inner.sort_by(f32::total_cmp);
    let lightest = f64::from(inner[(inner.len() - 1) * 49 / 50]);
    for slot in &mut rough {
        let light = slot.is_some_and(|(_, l)| {
            l.outside > l.inside && l.outside < lightest + 0.5 * f64::from(CLIP)
        });
        if light {
            *slot = None;
        }
    }
    rough
}

/// All edges lie on one bed: drops those whose outside is more like the
/// paper of the others than like their bed.
fn of_one_bed(mut rough: [Option<(Rough, Levels)>; 4]) -> [Option<(Rough, Levels)>; 4] {
    let found: Vec<Levels> = rough.iter().flatten().map(|r| r.1).collect();
    if found.len() < 2 {
        return rough;
    }
    let step = |l: &Levels| (l.inside - l.outside).abs();
    let Some(clearest) = found
        .iter()
        .copied()
        .max_by(|a, b| step(a).total_cmp(&step(b)))
    else {
        return rough;
    };
    let outsides: Vec<f64> = found.iter().map(|l| l.outside).collect();
    let insides: Vec<f64> = found.iter().map(|l| l.inside).collect();
    let (bed, paper) = match (median(&outsides), median(&insides)) {
        (Some(bed), Some(paper)) if found.len() > 2 => (bed, paper),
        _ => (clearest.outside, clearest.inside),
    };
    for slot in &mut rough {
        let Some((_, levels)) = slot else { continue };
        let like_bed = (levels.outside - bed).abs();
        let like_paper = (levels.outside - paper).abs();
        if like_paper < like_bed || (levels.inside - bed).abs() < (levels.inside - paper).abs() {
            *slot = None;
        }
    }
    rough
}
