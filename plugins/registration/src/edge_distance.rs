//! From a coverage to the signed distance to its edge.
//!
//! The edge is the contour at one half, cell by cell by linear interpolation
//! (marching squares: Lorensen and Cline 1987 in two dimensions). Each sample
//! learns of the nearest piece of contour from its neighbours, in two sweeps
//! (vector propagation: Danielsson 1980), and takes the exact distance to it.

use restrike_stage::{Point, Raster};

use crate::edge_map::{EdgeMap, REACH_MM};
use crate::resample::Grid;

/// A piece of contour within one cell, in samples.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Piece {
    a: [f32; 2],
    b: [f32; 2],
}

impl Piece {
    fn distance2(&self, p: [f32; 2]) -> f32 {
        let d = [self.b[0] - self.a[0], self.b[1] - self.a[1]];
        let q = [p[0] - self.a[0], p[1] - self.a[1]];
        let long = d[0] * d[0] + d[1] * d[1];
        let t = if long > 0.0 {
            ((q[0] * d[0] + q[1] * d[1]) / long).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let r = [q[0] - t * d[0], q[1] - t * d[1]];
        r[0] * r[0] + r[1] * r[1]
    }
}

/// No piece yet.
const NONE: u32 = u32::MAX;

/// Signed distance to the contour at one half of a coverage, negative where
/// the coverage is more.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn edge_distance(coverage: &Raster<f32>, grid: Grid) -> EdgeMap {
    let (w, h) = (coverage.width(), coverage.height());
    let mut pieces: Vec<Piece> = Vec::new();
    let mut near = vec![NONE; w * h];
    for y in 0..h.saturating_sub(1) {
        for x in 0..w - 1 {
            let (first, count) = (pieces.len(), contour(coverage, x, y, &mut pieces));
            for n in first..first + count {
                for (i, j) in [(x, y), (x + 1, y), (x, y + 1), (x + 1, y + 1)] {
                    offer(&pieces, &mut near, w, i, j, n as u32);
                }
            }
        }
    }
    sweep(&pieces, &mut near, w, h);
    let mut distance = Raster::new(w, h, 1);
    let pitch = grid.pitch as f32;
    for (k, d) in distance.data_mut().iter_mut().enumerate() {
        let p = [(k % w) as f32, (k / w) as f32];
        let far = match near[k] {
            NONE => REACH_MM,
            n => (pieces[n as usize].distance2(p).sqrt() * pitch).min(REACH_MM),
        };
        *d = if coverage.data()[k] > 0.5 { -far } else { far };
    }
    EdgeMap {
        origin: grid.origin,
        pitch: grid.pitch,
        distance,
    }
}

/// Contour of a signed distance at zero, as lines of points in print
/// coordinates; a closed line ends where it starts.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn outlines(map: &EdgeMap) -> Vec<Vec<Point>> {
    let (w, h) = (map.distance.width(), map.distance.height());
    // The contour is taken at one half, so zero goes there and inside above it.
    let mut flipped = Raster::new(w, h, 1);
    for (f, d) in flipped.data_mut().iter_mut().zip(map.distance.data()) {
        *f = 0.5 - d;
    }
    let mut pieces = Vec::new();
    for y in 0..h.saturating_sub(1) {
        for x in 0..w.saturating_sub(1) {
            contour(&flipped, x, y, &mut pieces);
        }
    }
    // Pieces of neighbouring cells meet at exactly the same place.
    let name = |p: [f32; 2]| (p[0].to_bits(), p[1].to_bits());
    let mut ends: std::collections::BTreeMap<(u32, u32), Vec<usize>> =
        std::collections::BTreeMap::new();
    for (n, p) in pieces.iter().enumerate() {
        ends.entry(name(p.a)).or_default().push(n);
        ends.entry(name(p.b)).or_default().push(n);
    }
    let mut used = vec![false; pieces.len()];
    let mut out = Vec::new();
    for first in 0..pieces.len() {
        if used[first] {
            continue;
        }
        used[first] = true;
        let mut line = std::collections::VecDeque::from([pieces[first].a, pieces[first].b]);
        for back in [false, true] {
            loop {
                let end = if back { line.front() } else { line.back() };
                let Some(end) = end.copied() else { break };
                let next = ends
                    .get(&name(end))
                    .and_then(|l| l.iter().find(|n| !used[**n]).copied());
                let Some(n) = next else { break };
                used[n] = true;
                let far = if name(pieces[n].a) == name(end) {
                    pieces[n].b
                } else {
                    pieces[n].a
                };
                if back {
                    line.push_front(far);
                } else {
                    line.push_back(far);
                }
            }
        }
        out.push(
            line.into_iter()
                .map(|p| {
                    Point::new(
                        map.origin.x + f64::from(p[0]) * map.pitch,
                        map.origin.y - f64::from(p[1]) * map.pitch,
                    )
                })
                .collect(),
        );
    }
    out
}

fn offer(pieces: &[Piece], near: &mut [u32], w: usize, x: usize, y: usize, n: u32) {
    #[allow(clippy::cast_precision_loss)]
    let p = [x as f32, y as f32];
    let k = y * w + x;
    if near[k] == NONE || pieces[n as usize].distance2(p) < pieces[near[k] as usize].distance2(p) {
        near[k] = n;
    }
}

/// Two sweeps over all samples, from the upper left and from the lower right.
fn sweep(pieces: &[Piece], near: &mut [u32], w: usize, h: usize) {
    let mut visit = |x: usize, y: usize, back: bool| {
        for (dx, dy) in [(-1_isize, 0_isize), (0, -1), (-1, -1), (1, -1)] {
            let (dx, dy) = if back { (-dx, -dy) } else { (dx, dy) };
            let (Some(u), Some(v)) = (x.checked_add_signed(dx), y.checked_add_signed(dy)) else {
                continue;
            };
            if u >= w || v >= h {
                continue;
            }
            let n = near[v * w + u];
            if n != NONE && n != near[y * w + x] {
                offer(pieces, near, w, x, y, n);
            }
        }
    };
    for y in 0..h {
        for x in 0..w {
            visit(x, y, false);
        }
        // What a row learned from the right.
        for x in (0..w).rev() {
            visit(x, y, false);
        }
    }
    for y in (0..h).rev() {
        for x in (0..w).rev() {
            visit(x, y, true);
        }
        for x in 0..w {
            visit(x, y, true);
        }
    }
}

/// Pieces of contour of the cell between four samples; returns how many.
#[allow(clippy::cast_precision_loss)]
fn contour(c: &Raster<f32>, x: usize, y: usize, out: &mut Vec<Piece>) -> usize {
    let v = [
        c.get(x, y, 0) - 0.5,
        c.get(x + 1, y, 0) - 0.5,
        c.get(x + 1, y + 1, 0) - 0.5,
        c.get(x, y + 1, 0) - 0.5,
    ];
    let inside = v.map(|v| v > 0.0);
    if inside == [true; 4] || inside == [false; 4] {
        return 0;
    }
    let corner = [[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]];
    let crossing = |i: usize| {
        let j = (i + 1) % 4;
        let t = v[i] / (v[i] - v[j]);
        [
            x as f32 + corner[i][0] + t * (corner[j][0] - corner[i][0]),
            y as f32 + corner[i][1] + t * (corner[j][1] - corner[i][1]),
        ]
    };
    let crossed: Vec<usize> = (0..4)
        .filter(|i| inside[*i] != inside[(i + 1) % 4])
        .collect();
    if crossed.len() == 2 {
        out.push(Piece {
            a: crossing(crossed[0]),
            b: crossing(crossed[1]),
        });
        return 1;
    }
    // A saddle: the cell's mean says which corners hang together.
    let joined = v.iter().sum::<f32>() > 0.0;
    let pairs = if joined == inside[0] {
        [(0, 1), (2, 3)]
    } else {
        [(3, 0), (1, 2)]
    };
    for (i, j) in pairs {
        out.push(Piece {
            a: crossing(i),
            b: crossing(j),
        });
    }
    2
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn grid(w: usize, h: usize) -> Grid {
        Grid {
            origin: Point::new(0.0, 0.0),
            pitch: 0.1,
            width: w,
            height: h,
        }
    }

    /// Exact coverage of a disc is near enough a ramp of one sample.
    fn disc(w: usize, h: usize, at: [f32; 2], radius: f32) -> Raster<f32> {
        let mut c = Raster::new(w, h, 1);
        for y in 0..h {
            for x in 0..w {
                let d = ((x as f32 - at[0]).powi(2) + (y as f32 - at[1]).powi(2)).sqrt() - radius;
                c.set(x, y, 0, (0.5 - d / 2.0).clamp(0.0, 1.0));
            }
        }
        c
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        #[test]
        fn a_disc_is_as_far_as_its_radius_says(x in 20.0_f32..30.0, y in 20.0_f32..30.0, r in 6.0_f32..15.0) {
            let map = edge_distance(&disc(50, 50, [x, y], r), grid(50, 50));
            for j in 0..50 {
                for i in 0..50 {
                    let want = (((i as f32 - x).powi(2) + (j as f32 - y).powi(2)).sqrt() - r) * 0.1;
                    if want.abs() < 0.2 {
                        // A chord lies inside its arc by up to 1 / (8 r) samples; far from
                        // the edge a sample may take the second nearest piece.
                        let found = map.distance.get(i, j, 0);
                        prop_assert!((found - want).abs() < 0.008, "{i} {j}: {found} {want}");
                    }
                }
            }
        }

        #[test]
        fn two_sweeps_find_what_looking_everywhere_finds(seed in 0_u64..1000) {
            let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
            let (w, h) = (23, 19);
            let mut c = Raster::new(w, h, 1);
            for v in c.data_mut() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
                *v = if (state >> 60) > 13 { 0.9 } else { 0.2 };
            }
            let map = edge_distance(&c, grid(w, h));
            let mut all = Vec::new();
            for y in 0..h - 1 {
                for x in 0..w - 1 {
                    contour(&c, x, y, &mut all);
                }
            }
            for y in 0..h {
                for x in 0..w {
                    let best = all.iter().map(|p| p.distance2([x as f32, y as f32])).fold(f32::MAX, f32::min).sqrt() * 0.1;
                    let found = map.distance.get(x, y, 0).abs();
                    // Propagation is exact but for rare places (Danielsson 1980): under a tenth of a sample.
                    prop_assert!(all.is_empty() || (found - best).abs() < 0.01, "{x} {y}: {found} {best}");
                }
            }
        }
    }

    #[test]
    fn outlines_are_closed_and_as_long_as_they_should_be() {
        let map = edge_distance(&disc(60, 60, [30.0, 28.0], 12.0), grid(60, 60));
        let lines = outlines(&map);
        assert_eq!(lines.len(), 1);
        let l = &lines[0];
        assert_eq!(l.first(), l.last());
        let long: f64 = l.windows(2).map(|p| p[0].distance(p[1])).sum();
        assert!((long - std::f64::consts::TAU * 1.2).abs() < 0.03, "{long}");
    }

    #[test]
    fn without_an_edge_all_is_far() {
        let map = edge_distance(&Raster::new(8, 8, 1), grid(8, 8));
        assert!(map.distance.data().iter().all(|d| *d == REACH_MM));
    }
}
