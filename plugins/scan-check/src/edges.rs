//! Focus: spatial frequency response on the straight edges a scan has.
//!
//! Candidates are stations along the paper's sides and steps in the small copy
//! (borders, solids). Each is followed on the scan itself, cut out and measured
//! by `restrike_ops::sfr`. A printed or cut edge has a blur of its own, so the
//! sharpest edges come nearest to the scanner; the figure is the mean of the
//! sharpest quarter, chosen on every other row and measured on the rows
//! between, so that noise does not pass for sharpness.

use restrike_ops::sfr::{EdgeRegion, Sfr, SfrError, slanted_edge};
use restrike_stage::ImageView;

use crate::overview::Overview;
use crate::paper::{Paper, SIDES};
use crate::pixels::{Line, luminance_at, quantile};

/// Stations along each side of the paper.
const STATIONS: usize = 16;
/// Steps of the small copy that are tried in each direction.
const STEPS: usize = 90;
/// Rows of a region along its edge, pixels.
const LENGTH: usize = 120;
/// Most rows, for an edge nearly aligned with the pixels.
const LONGEST: usize = 480;
/// Fewest edges a figure is based on.
pub(crate) const FEWEST: usize = 3;
/// Resamplings for the interval.
const RESAMPLINGS: usize = 200;

/// Direction in which the response is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Direction {
    /// Along x, on edges that run down.
    Across,
    /// Along y, on edges that run across.
    Down,
}

/// A measured edge.
#[derive(Debug, Clone)]
pub(crate) struct Edge {
    /// Its ends in scan pixels, (x, y).
    pub(crate) ends: [(f64, f64); 2],
    /// MTF50 on even and on odd rows, cycles per pixel.
    mtf50: [f64; 2],
    /// MTF10 on even and on odd rows, cycles per pixel; 1 stands for 1 or more.
    mtf10: [f64; 2],
}

impl Edge {
    /// MTF50 of all rows, cycles per pixel.
    pub(crate) fn mtf50(&self) -> f64 {
        (self.mtf50[0] + self.mtf50[1]) / 2.0
    }
}

/// A figure with its 90 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Figure {
    pub(crate) value: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// Focus in one direction.
#[derive(Debug, Clone)]
pub(crate) struct Focus {
    /// The edges that could be measured, sharpest first.
    pub(crate) edges: Vec<Edge>,
    /// MTF50 and MTF10, cycles per pixel, with enough edges.
    pub(crate) figures: Option<[Figure; 2]>,
}

/// A view of the luminance in which the edges sought run down.
#[derive(Clone, Copy)]
struct Field<'a> {
    scan: ImageView<'a, u16>,
    direction: Direction,
}

impl Field<'_> {
    fn size(&self) -> (usize, usize) {
        match self.direction {
            Direction::Across => (self.scan.width(), self.scan.height()),
            Direction::Down => (self.scan.height(), self.scan.width()),
        }
    }

    fn at(&self, x: usize, y: usize) -> f32 {
        match self.direction {
            Direction::Across => luminance_at(self.scan, x, y),
            Direction::Down => luminance_at(self.scan, y, x),
        }
    }

    fn point(&self, x: f64, y: f64) -> (f64, f64) {
        match self.direction {
            Direction::Across => (x, y),
            Direction::Down => (y, x),
        }
    }
}

/// Measures the focus in one direction.
pub(crate) fn focus(
    scan: ImageView<'_, u16>,
    o: &Overview,
    paper: &Paper,
    direction: Direction,
) -> Focus {
    let field = Field { scan, direction };
    let mut edges = Vec::new();
    for (x, y, reach) in paper_candidates(paper, &field)
        .into_iter()
        .chain(step_candidates(o, paper, &field))
    {
        if let Some(edge) = measure(&field, x, y, reach) {
            edges.push(edge);
        }
    }
    edges.sort_by(|a, b| b.mtf50().total_cmp(&a.mtf50()));
    let figures = (edges.len() >= FEWEST).then(|| figures(&edges));
    Focus { edges, figures }
}

fn paper_candidates(paper: &Paper, field: &Field<'_>) -> Vec<(f64, f64, f64)> {
    let upright = field.direction == Direction::Across;
    let ends = if upright {
        [(0, 3), (1, 2)]
    } else {
        [(0, 1), (3, 2)]
    };
    let sides = SIDES
        .iter()
        .enumerate()
        .filter(|(_, s)| s.upright() == upright);
    let mut out = Vec::new();
    for ((i, _), (a, b)) in sides.zip(ends) {
        if !paper.seen[i] {
            continue;
        }
        let along = |k: usize| {
            let c = paper.corners[k];
            if upright { c.y } else { c.x }
        };
        for s in 0..STATIONS {
            let t = along(a)
                + (along(b) - along(a)) * (0.04 + 0.92 * (to_f64(s) + 0.5) / to_f64(STATIONS));
            out.push((paper.lines[i].value(t), t, 10.0));
        }
    }
    out
}

/// Steps of the small copy: a large difference, level on both sides, that goes on along the edge.
fn step_candidates(o: &Overview, paper: &Paper, field: &Field<'_>) -> Vec<(f64, f64, f64)> {
    let (cols, rows) = match field.direction {
        Direction::Across => (o.cols, o.rows),
        Direction::Down => (o.rows, o.cols),
    };
    let y = |c: usize, r: usize| match field.direction {
        Direction::Across => o.at(c, r).y,
        Direction::Down => o.at(r, c).y,
    };
    let run = (LENGTH / 2).div_ceil(o.cell).clamp(1, 12);
    if cols < 8 || rows < 2 * run + 2 {
        return Vec::new();
    }
    let step = |c: usize, r: usize| y(c + 1, r) - y(c - 1, r);
    let mut found = Vec::new();
    for r in run..rows - run {
        for c in 3..cols - 3 {
            let g = step(c, r);
            if g.abs() < 0.12 || g.abs() < step(c - 1, r).abs() || g.abs() < step(c + 1, r).abs() {
                continue;
            }
            let level = (y(c + 2, r) - y(c + 1, r)).abs() < 0.25 * g.abs()
                && (y(c - 2, r) - y(c - 1, r)).abs() < 0.25 * g.abs();
            let (px, py) = field.point(
                (to_f64(c) + 0.5) * to_f64(o.cell),
                (to_f64(r) + 0.5) * to_f64(o.cell),
            );
            if !level || !paper.contains(px, py, 2.0 * to_f64(o.cell)) {
                continue;
            }
            let goes_on =
                (r - run..=r + run).all(|q| (c - 1..=c + 1).any(|d| step(d, q) * g > 0.5 * g * g));
            if goes_on {
                found.push((g.abs(), c, r));
            }
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then((a.2, a.1).cmp(&(b.2, b.1))));
    let mut taken: Vec<(usize, usize)> = Vec::new();
    for (_, c, r) in found {
        if taken.len() == STEPS {
            break;
        }
        if taken
            .iter()
            .all(|&(tc, tr)| tc.abs_diff(c) > 2 || tr.abs_diff(r) > 2 * run)
        {
            taken.push((c, r));
        }
    }
    let cell = to_f64(o.cell);
    taken
        .into_iter()
        .map(|(c, r)| {
            (
                (to_f64(c) + 0.5) * cell,
                (to_f64(r) + 0.5) * cell,
                1.5 * cell + 4.0,
            )
        })
        .collect()
}

/// Follows the edge near a place and measures it.
fn measure(field: &Field<'_>, x: f64, y: f64, reach: f64) -> Option<Edge> {
    let line = follow(field, x, y, reach, LENGTH)?;
    let mut length = LENGTH;
    if line.slope.abs() * to_f64(LENGTH) < 3.0 {
        // Rows until the edge has moved three pixels, so that all phases come up evenly.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let wanted = (3.0 / line.slope.abs().max(1e-6)).min(to_f64(LONGEST)) as usize;
        length = wanted.max(LENGTH);
    }
    let line = if length > LENGTH {
        follow(field, x, y, reach, length).unwrap_or(line)
    } else {
        line
    };
    // The widest region whose sides are level: a blurred edge needs it, a crowded one forbids it.
    for half in [16, 11, 8] {
        if let Some(edge) = cut(field, y, &line, length, half) {
            return Some(edge);
        }
    }
    // A ragged edge may be straight over a shorter piece.
    let short = follow(field, x, y, reach, LENGTH / 2)?;
    [11, 8]
        .into_iter()
        .find_map(|half| cut(field, y, &short, LENGTH / 2, half))
}

/// The line of steepest change near a place.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn follow(field: &Field<'_>, x: f64, y: f64, reach: f64, length: usize) -> Option<Line> {
    let (width, height) = field.size();
    let (from, to) = rows(y, length, height)?;
    // An edge that leans leaves a window round the candidate over a long region.
    let low = (x - reach).max(0.0) as usize;
    let high = ((x + reach) as usize).min(width);
    if high < low + 8 {
        return None;
    }
    let mut points = Vec::with_capacity(to - from);
    let mut row = vec![0.0_f32; high - low];
    for r in (from..to).step_by(2) {
        for (i, v) in row.iter_mut().enumerate() {
            *v = field.at(low + i, r);
        }
        let mut best = (0.0_f32, 0);
        for i in 2..row.len() - 2 {
            let g = row[i] + row[i + 1] - row[i - 1] - row[i - 2];
            if g.abs() > best.0.abs() {
                best = (g, i);
            }
        }
        if best.0.abs() > 0.05 {
            points.push((to_f64(r) + 0.5, to_f64(low + best.1)));
        }
    }
    let line = Line::robust(&points, 1.2)?;
    (line.share > 0.6 && line.slope.abs() < 0.35).then_some(line)
}

fn rows(y: f64, length: usize, height: usize) -> Option<(usize, usize)> {
    if y < 0.0 || y >= to_f64(height) || height < 40 {
        return None;
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let from = (y as usize).saturating_sub(length / 2);
    let to = (from + length).min(height);
    Some((to.saturating_sub(length), to))
}

/// Cuts the region along a line out and measures it on all rows and on both halves of them.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn cut(field: &Field<'_>, y: f64, line: &Line, length: usize, half: usize) -> Option<Edge> {
    let (width, height) = field.size();
    let (from, to) = rows(y, length, height)?;
    let take = 2 * half;
    // All rows, even rows, odd rows.
    let mut parts = [const { (Vec::new(), Vec::new(), Vec::new()) }; 3];
    for r in from..to {
        let start = line.value(to_f64(r) + 0.5).floor() - to_f64(half);
        if start < 0.0 || start as usize + take > width {
            return None;
        }
        let s = start as usize;
        for (k, (samples, starts, places)) in parts.iter_mut().enumerate() {
            if k == 0 || r % 2 == k - 1 {
                samples.extend((s..s + take).map(|x| field.at(x, r)));
                starts.push(start);
                places.push(to_f64(r) + 0.5);
            }
        }
    }
    let sfr = |k: usize| -> Result<Sfr, SfrError> {
        let (samples, starts, rows) = &parts[k];
        slanted_edge(EdgeRegion {
            samples,
            width: take,
            starts,
            rows,
        })
    };
    let all = sfr(0).ok()?;
    let fit = all.contrast.abs() > 0.1
        && all.straightness < 0.5
        && all.scatter < 0.04
        && all.overshoot < 0.15;
    // The span must hold the whole transition: the response's first fall tells its width.
    let holds = all.mtf50? * to_f64(half) > 1.2;
    if !fit || !holds {
        return None;
    }
    let halves = [sfr(1).ok()?, sfr(2).ok()?];
    let place = |r: usize| field.point(line.value(to_f64(r)), to_f64(r));
    Some(Edge {
        ends: [place(from), place(to)],
        mtf50: [halves[0].mtf50?, halves[1].mtf50?],
        mtf10: [
            halves[0].mtf10.unwrap_or(1.0),
            halves[1].mtf10.unwrap_or(1.0),
        ],
    })
}

/// Mean MTF50 and MTF10 of the sharpest quarter, each half of the rows measured where the
/// other half chose.
fn sharpest(edges: &[&Edge]) -> [f64; 2] {
    let count = edges.len().div_ceil(4).max(FEWEST.min(edges.len()));
    let mut out = [0.0; 2];
    for chooser in 0..2 {
        let mut order: Vec<&&Edge> = edges.iter().collect();
        order.sort_by(|a, b| b.mtf50[chooser].total_cmp(&a.mtf50[chooser]));
        for e in &order[..count] {
            out[0] += e.mtf50[1 - chooser];
            out[1] += e.mtf10[1 - chooser];
        }
    }
    out.map(|v| v / to_f64(2 * count))
}

fn figures(edges: &[Edge]) -> [Figure; 2] {
    let value = sharpest(&edges.iter().collect::<Vec<_>>());
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    let mut samples = [Vec::new(), Vec::new()];
    for _ in 0..RESAMPLINGS {
        let draw: Vec<&Edge> = (0..edges.len())
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                #[allow(clippy::cast_possible_truncation)]
                let i = (state >> 16) as usize % edges.len();
                &edges[i]
            })
            .collect();
        let v = sharpest(&draw);
        samples[0].push(v[0]);
        samples[1].push(v[1]);
    }
    [0, 1].map(|k| Figure {
        value: value[k],
        low: quantile(&samples[k], 0.05).min(value[k]),
        high: quantile(&samples[k], 0.95).max(value[k]),
    })
}

#[allow(clippy::cast_precision_loss)]
fn to_f64(n: usize) -> f64 {
    n as f64
}
