//! Signed distance to outlines on a grid.
//!
//! Every sample learns from its neighbours which piece of outline is nearest,
//! in a sweep down and one up, each row both ways, and takes the exact
//! distance to that piece (vector propagation: Danielsson 1980,
//! doi:10.1016/0146-664X(80)90054-4; sweep order of his 8SED). The time grows
//! with the number of samples alone. Propagation can miss the nearest piece
//! where three regions meet, so samples near the outline are offered every
//! piece close by first, and those far away look at the two pieces next to theirs.

use restrike_model::{Point, Raster};

use crate::contour::{Contour, Inside, contours};
use crate::edge_map::{EdgeMap, Grid, REACH_MM};

/// Signed distance to outlines whose points are samples of `grid`; the inside,
/// left of them, is negative.
///
/// Outlines may leave the grid and need not be closed; no distance is taken to
/// a piece more than six samples off the grid. A line that ends inside the grid
/// leaves a jump of sign behind it along the rows. Without any outline all is
/// outside. A pitch that is not a positive number gives
/// [`REACH_MM`] everywhere.
pub fn edge_distance(outlines: &[Contour], grid: Grid) -> EdgeMap {
    let mut map = unsigned(outlines, grid);
    let (w, h) = (grid.width, grid.height);
    if w > 0 && h > 0 {
        let inside = insides(outlines, w, h);
        for (d, inside) in map.distance.data_mut().iter_mut().zip(inside) {
            if inside {
                *d = -*d;
            }
        }
    }
    map
}

/// Signed distance to the contour of a raster at a level; the raster's samples
/// are the grid's, and each tells its own sign.
pub fn level_distance(
    values: &Raster<f32>,
    level: f32,
    inside: Inside,
    origin: Point,
    pitch: f64,
) -> EdgeMap {
    let grid = Grid {
        origin,
        pitch,
        width: values.width(),
        height: values.height(),
    };
    let mut map = unsigned(&contours(values, level, inside), grid);
    let own = values.data().iter().step_by(values.channels().max(1));
    for (d, v) in map.distance.data_mut().iter_mut().zip(own) {
        let is_inside = match inside {
            Inside::Above => *v > level,
            Inside::Below => *v < level,
        };
        if is_inside {
            *d = -*d;
        }
    }
    map
}

/// A piece of outline, samples.
#[derive(Debug, Clone, Copy)]
struct Piece {
    from: [f32; 2],
    along: [f32; 2],
    /// One over the squared length, or zero for a point.
    scale: f32,
    /// The pieces next to it on its outline, or itself.
    beside: [u32; 2],
}

#[allow(clippy::cast_possible_truncation)]
impl Piece {
    fn new(a: Point, b: Point, beside: [u32; 2]) -> Self {
        let d = b - a;
        let long = d.dot(d);
        Self {
            from: [a.x as f32, a.y as f32],
            along: [d.x as f32, d.y as f32],
            scale: if long > 0.0 { (1.0 / long) as f32 } else { 0.0 },
            beside,
        }
    }

    /// Squared distance of a place.
    fn distance2(&self, x: f32, y: f32) -> f32 {
        let (qx, qy) = (x - self.from[0], y - self.from[1]);
        let t = ((qx * self.along[0] + qy * self.along[1]) * self.scale).clamp(0.0, 1.0);
        let (rx, ry) = (qx - t * self.along[0], qy - t * self.along[1]);
        rx * rx + ry * ry
    }
}

/// Samples up to here from a piece are offered it at once: within this
/// distance the result is exact.
const NEAR: f32 = 6.0;

/// No piece known yet.
const NONE: u32 = u32::MAX;

/// The nearest piece known at each sample and the squared distance to it.
struct Nearest<'a> {
    pieces: &'a [Piece],
    width: usize,
    height: usize,
    piece: Vec<u32>,
    distance2: Vec<f32>,
}

#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
impl<'a> Nearest<'a> {
    /// `reach` is the largest distance of interest, samples.
    fn new(pieces: &'a [Piece], width: usize, height: usize, reach: f32) -> Self {
        Self {
            pieces,
            width,
            height,
            piece: vec![NONE; width * height],
            distance2: vec![reach * reach; width * height],
        }
    }

    #[inline]
    fn offer(&mut self, at: usize, x: f32, y: f32, piece: u32) {
        let d = self.pieces[piece as usize].distance2(x, y);
        if d < self.distance2[at] {
            self.distance2[at] = d;
            self.piece[at] = piece;
        }
    }

    /// Offers each piece to the samples close by.
    #[allow(clippy::cast_sign_loss)]
    fn seed(&mut self) {
        let (w, h) = (self.width as f32, self.height as f32);
        for n in 0..self.pieces.len() {
            let p = self.pieces[n];
            let long = p.along[0].abs().max(p.along[1].abs());
            let steps = long.ceil().max(1.0);
            // Only the part over the grid: outlines may go far outside.
            let (mut t0, mut t1) = (0.0_f32, 1.0_f32);
            for (from, along, size) in [(p.from[0], p.along[0], w), (p.from[1], p.along[1], h)] {
                let (low, high) = (-NEAR - 1.0 - from, size + NEAR + 1.0 - from);
                if along == 0.0 {
                    if low > 0.0 || high < 0.0 {
                        t1 = -1.0;
                    }
                } else {
                    let (a, b) = (low / along, high / along);
                    t0 = t0.max(a.min(b));
                    t1 = t1.min(a.max(b));
                }
            }
            let mut k = (t0 * steps).floor();
            while k < steps && k / steps <= t1 {
                let (x0, y0) = (
                    p.from[0] + p.along[0] * k / steps,
                    p.from[1] + p.along[1] * k / steps,
                );
                let (x1, y1) = (x0 + p.along[0] / steps, y0 + p.along[1] / steps);
                let range = |a: f32, b: f32, size: usize| {
                    // Casts to unsigned saturate: what is below zero is zero.
                    let high = (a.max(b) + NEAR).floor() + 1.0;
                    let high = (high.max(0.0) as usize).min(size);
                    ((a.min(b) - NEAR).ceil().max(0.0) as usize).min(high)..high
                };
                let columns = range(x0, x1, self.width);
                for j in range(y0, y1, self.height) {
                    let row = j * self.width;
                    let known = &mut self.distance2[row + columns.start..row + columns.end];
                    let piece = &mut self.piece[row + columns.start..row + columns.end];
                    // Without a branch, so that several samples go at once.
                    for (i, (known, piece)) in known.iter_mut().zip(piece).enumerate() {
                        let d = p.distance2((columns.start + i) as f32, j as f32);
                        let better = d < *known;
                        *known = if better { d } else { *known };
                        *piece = if better { n as u32 } else { *piece };
                    }
                }
                k += 1.0;
            }
        }
    }

    /// Takes what the neighbour at `from` knows.
    #[inline]
    fn learn(&mut self, at: usize, x: usize, y: usize, from: usize) {
        let piece = self.piece[from];
        if piece != NONE && piece != self.piece[at] {
            self.offer(at, x as f32, y as f32, piece);
        }
    }

    /// One row from the row beside it, then from left to right and back.
    fn row(&mut self, y: usize, beside: Option<usize>) {
        let w = self.width;
        let start = y * w;
        if let Some(beside) = beside {
            let other = beside * w;
            for x in 0..w {
                self.learn(start + x, x, y, other + x);
                if x > 0 {
                    self.learn(start + x, x, y, other + x - 1);
                }
                if x + 1 < w {
                    self.learn(start + x, x, y, other + x + 1);
                }
            }
        }
        for x in 1..w {
            self.learn(start + x, x, y, start + x - 1);
        }
        for x in (0..w.saturating_sub(1)).rev() {
            self.learn(start + x, x, y, start + x + 1);
        }
    }

    fn sweep(&mut self) {
        for y in 0..self.height {
            self.row(y, y.checked_sub(1));
        }
        for y in (0..self.height).rev() {
            self.row(y, (y + 1 < self.height).then_some(y + 1));
        }
    }

    /// Looks at the pieces before and after on the outline, while that helps.
    fn slide(&mut self) {
        for at in 0..self.piece.len() {
            if self.distance2[at] < NEAR * NEAR {
                continue;
            }
            let (x, y) = ((at % self.width) as f32, (at / self.width) as f32);
            let mut here = self.piece[at];
            while here != NONE {
                for beside in self.pieces[here as usize].beside {
                    self.offer(at, x, y, beside);
                }
                if self.piece[at] == here {
                    break;
                }
                here = self.piece[at];
            }
        }
    }
}

/// All pieces of all outlines.
#[allow(clippy::cast_possible_truncation)]
fn pieces(outlines: &[Contour]) -> Vec<Piece> {
    let mut out: Vec<Piece> = Vec::new();
    for outline in outlines {
        let first = out.len() as u32;
        for (a, b) in outline.pieces() {
            if (a.norm() + b.norm()).is_finite() {
                let n = out.len() as u32;
                out.push(Piece::new(a, b, [n.saturating_sub(1).max(first), n + 1]));
            }
        }
        let last = (out.len() as u32).saturating_sub(1);
        if let Some(end) = out.get_mut(last as usize).filter(|_| last >= first) {
            end.beside[1] = if outline.closed { first } else { last };
        }
        if let Some(start) = out.get_mut(first as usize).filter(|_| outline.closed) {
            start.beside[0] = last;
        }
    }
    out
}

/// Distances without signs.
#[allow(clippy::cast_possible_truncation)]
fn unsigned(outlines: &[Contour], grid: Grid) -> EdgeMap {
    let mut distance = Raster::new(grid.width, grid.height, 1);
    distance.data_mut().fill(REACH_MM);
    if grid.pitch.is_finite() && grid.pitch > 0.0 {
        let pieces = pieces(outlines);
        let pitch = grid.pitch as f32;
        // Beyond the reach a sample may still know what a nearer one needs.
        let reach = (REACH_MM / pitch + 2.0).min(1e9);
        let mut nearest = Nearest::new(&pieces, grid.width, grid.height, reach);
        nearest.seed();
        nearest.sweep();
        nearest.slide();
        for (d, d2) in distance.data_mut().iter_mut().zip(&nearest.distance2) {
            *d = (d2.sqrt() * pitch).min(REACH_MM);
        }
    }
    EdgeMap {
        origin: grid.origin,
        pitch: grid.pitch,
        distance,
    }
}

/// Where an outline passes a line of samples, and whether the inside follows.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Passage {
    at: f64,
    inside_after: bool,
}

/// Which samples are inside: along each row the outline passed last tells.
#[allow(clippy::cast_precision_loss)]
fn insides(outlines: &[Contour], w: usize, h: usize) -> Vec<bool> {
    let mut rows: Vec<Vec<Passage>> = vec![Vec::new(); h];
    let mut column: Vec<Passage> = Vec::new();
    for (a, b) in outlines.iter().flat_map(|o| o.pieces().chain(onwards(o))) {
        if !(a.norm() + b.norm()).is_finite() {
            continue;
        }
        for j in between(a.y, b.y, h) {
            let at = a.x + (b.x - a.x) * (j as f64 - a.y) / (b.y - a.y);
            rows[j].push(Passage {
                at,
                inside_after: b.y > a.y,
            });
        }
        if !between(a.x, b.x, 1).is_empty() {
            let at = a.y + (b.y - a.y) * -a.x / (b.x - a.x);
            column.push(Passage {
                at,
                inside_after: b.x < a.x,
            });
        }
    }
    rows.iter_mut().for_each(in_order);
    in_order(&mut column);
    // Rows that no outline passes are all like their first sample; if none
    // passes the first column either, all first samples are alike.
    let any = rows.iter().find_map(|r| state_at(r, 0.0)).unwrap_or(false);
    let mut out = Vec::with_capacity(w * h);
    for (j, row) in rows.iter().enumerate() {
        let mut state = state_at(row, 0.0)
            .or_else(|| state_at(&column, j as f64))
            .unwrap_or(any);
        let mut next = row.partition_point(|p| p.at <= 0.0);
        for i in 0..w {
            while let Some(p) = row.get(next).filter(|p| p.at <= i as f64) {
                state = p.inside_after;
                next += 1;
            }
            out.push(state);
        }
    }
    out
}

/// Short pieces that carry an open line on beyond its ends: it ends on the
/// outermost samples, and would not pass those.
fn onwards(line: &Contour) -> impl Iterator<Item = (Point, Point)> {
    let on = |from: Point, end: Point| {
        let d = end - from;
        let long = d.norm().max(f64::MIN_POSITIVE);
        Point::new(end.x + 0.5 * d.x / long, end.y + 0.5 * d.y / long)
    };
    let ends = match line.points.as_slice() {
        [a, b, .., c, d] if !line.closed => Some((*a, *b, *c, *d)),
        [a, b, c] if !line.closed => Some((*a, *b, *b, *c)),
        [a, b] if !line.closed => Some((*a, *b, *a, *b)),
        _ => None,
    };
    ends.into_iter()
        .flat_map(move |(a, b, c, d)| [(on(b, a), a), (d, on(c, d))])
}

/// Sorts passages by place and drops pairs that touch the line without passing
/// it: rounding may put their two halves in the wrong order.
fn in_order(passages: &mut Vec<Passage>) {
    const TOUCH: f64 = 1e-9;
    passages.sort_by(|a, b| a.at.total_cmp(&b.at));
    let mut kept: Vec<Passage> = Vec::with_capacity(passages.len());
    for p in passages.drain(..) {
        match kept.last() {
            Some(last) if last.inside_after != p.inside_after && p.at - last.at < TOUCH => {
                kept.pop();
            }
            _ => kept.push(p),
        }
    }
    *passages = kept;
}

/// Whether a place on a line is inside; none if nothing passes the line.
fn state_at(passages: &[Passage], at: f64) -> Option<bool> {
    match passages.partition_point(|p| p.at <= at) {
        0 => passages.first().map(|p| !p.inside_after),
        n => Some(passages[n - 1].inside_after),
    }
}

/// Whole numbers below `limit` from the lesser (with it) to the greater (without it).
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn between(a: f64, b: f64, limit: usize) -> std::ops::Range<usize> {
    let low = (a.min(b).ceil().max(0.0) as usize).min(limit);
    let high = (a.max(b).ceil().max(0.0) as usize).min(limit);
    low..high.max(low)
}

#[cfg(test)]
mod tests;
