//! A block's outline and the key lines it meets.

use std::collections::BTreeMap;

use restrike_ops::edge_map::EdgeMap;
use restrike_stage::Point;

use crate::state::Ride;

/// A place on the outline with its outward normal.
pub(crate) struct Edge {
    pub(crate) at: Point,
    pub(crate) normal: Point,
    pub(crate) tile: (i64, i64),
}

/// Outline places lie about so far apart, mm.
const APART_MM: f64 = 0.35;
/// Widest key line, mm; wider key areas are solids without a middle.
const WIDEST_MM: f64 = 1.1;
/// In a wider line than this, a frame or a brush stroke, an outline may end
/// anywhere: along a frame colours are often cut back to its inner side (common
/// practice, no source).
const WIDE_MM: f64 = 0.7;
/// An outline crosses lines if more than this share of it lies farther off than this, mm, from
/// what is usual where it faces the same way. On designs that the stage is tuned on nearly all
/// true ones stay under 0.2, a few come to 0.33 (their lines then weigh less); washes across a
/// border had 0.35 and more.
const CROSSING: f64 = 0.3;
const OFF_MM: f64 = 0.06;
/// A piece of outline needs so many places to be judged, and a side so many pieces.
const PLACES: f64 = 6.0;
const PIECES: usize = 5;
/// Lines are met so near, mm.
const MET_MM: f64 = 0.36;
/// Side of the pieces that are taken to be independent, mm.
const TILE_MM: f64 = 6.0;
/// Places on the outline, spread evenly.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn outline(map: &EdgeMap) -> Vec<Edge> {
    let (w, h) = (map.distance.width(), map.distance.height());
    let cell = APART_MM / map.pitch;
    let mut taken = std::collections::BTreeSet::new();
    let mut out = Vec::new();
    for j in 1..h.saturating_sub(1) {
        for i in 1..w.saturating_sub(1) {
            let d = map.distance.get(i, j, 0);
            let right = map.distance.get(i + 1, j, 0);
            let below = map.distance.get(i, j + 1, 0);
            if (d < 0.0) == (right < 0.0) && (d < 0.0) == (below < 0.0) {
                continue;
            }
            #[allow(clippy::cast_precision_loss)]
            let bin = ((i as f64 / cell) as i64, (j as f64 / cell) as i64);
            if !taken.insert(bin) {
                continue;
            }
            let Some(s) = map.sample(map.place(i, j)) else {
                continue;
            };
            let size = s.slope.norm();
            if size < 0.7 {
                continue;
            }
            let normal = s.slope * (1.0 / size);
            let at = map.place(i, j) - normal * s.distance;
            out.push(Edge {
                at,
                normal,
                tile: (
                    (at.x / TILE_MM).floor() as i64,
                    (at.y / TILE_MM).floor() as i64,
                ),
            });
        }
    }
    out
}

/// A key line that an outline meets.
#[derive(Clone, Copy)]
pub(crate) struct Line {
    /// Signed distance along the normal to its middle, mm.
    pub(crate) middle: f64,
    /// Its width, mm.
    pub(crate) width: f64,
}

impl Line {
    /// By how much an outline in it may lie off its middle, lastingly, along all
    /// of one side: a standard deviation, mm.
    pub(crate) fn room(self, crossed: bool) -> f64 {
        if crossed || self.width > WIDE_MM {
            // Anywhere in it.
            self.width / 12.0_f64.sqrt()
        } else {
            0.0
        }
    }
}

/// The key line there, along the normal.
pub(crate) fn to_middle(e: &Edge, at: Point, key: &EdgeMap) -> Option<Line> {
    let step = 0.03;
    // A narrow line is met no farther off than `near` steps, a wide one from
    // either side of it.
    let (near, reach) = (28, 42);
    let mut best: Option<Line> = None;
    let mut entered: Option<f64> = None;
    let mut before: Option<(f64, f64)> = None;
    for i in -reach..=reach {
        let t = f64::from(i) * step;
        let d = key.at(at + e.normal * t);
        if let Some((t0, d0)) = before {
            let cross = t0 + (t - t0) * d0 / (d0 - d);
            if d0 >= 0.0 && d < 0.0 {
                entered = Some(cross);
            } else if d0 < 0.0
                && d >= 0.0
                && let Some(from) = entered.take()
            {
                let parallel = |t: f64| {
                    key.sample(at + e.normal * t).is_some_and(|s| {
                        s.slope.dot(e.normal).abs() > 0.8 * s.slope.norm().max(0.5)
                    })
                };
                let width = cross - from;
                let met = width > WIDE_MM || from.abs().max(cross.abs()) < step * f64::from(near);
                if met && width < WIDEST_MM && parallel(from) && parallel(cross) {
                    let middle = (from + cross) / 2.0;
                    if best.is_none_or(|b| middle.abs() < b.middle.abs()) {
                        best = Some(Line { middle, width });
                    }
                }
            }
        }
        before = Some((t, d));
    }
    best
}

/// Which way an outline faces: right, up, left, down.
pub(crate) fn side(normal: Point) -> usize {
    match (normal.x.abs() > normal.y.abs(), normal.x + normal.y > 0.0) {
        (true, true) => 0,
        (false, true) => 1,
        (true, false) => 2,
        (false, false) => 3,
    }
}

/// Which of four ways the outline faces where it crosses lines at a small angle instead of
/// running in their middle: too much of it lies off what is usual there.
pub(crate) fn crossing(edges: &[Edge], key: &EdgeMap, ride: &Ride) -> [bool; 4] {
    let mut tiles = [const { BTreeMap::<(i64, i64), (f64, f64)>::new() }; 4];
    for e in edges {
        if let Some(line) = to_middle(e, e.at + ride.displacement(e.at), key)
            && line.middle.abs() < MET_MM
        {
            let t = tiles[side(e.normal)].entry(e.tile).or_default();
            t.0 += line.middle;
            t.1 += 1.0;
        }
    }
    tiles.map(|tiles| {
        let mut means: Vec<(f64, f64)> = tiles
            .into_values()
            .filter(|t| t.1 >= PLACES)
            .map(|t| (t.0 / t.1, t.1))
            .collect();
        means.sort_by(|a, b| a.0.total_cmp(&b.0));
        let all: f64 = means.iter().map(|m| m.1).sum();
        let mut below = 0.0;
        let usual = means.iter().find(|m| {
            below += m.1;
            2.0 * below >= all
        });
        means.len() >= PIECES
            && usual.is_some_and(|usual| {
                let off: f64 = means
                    .iter()
                    .filter(|m| (m.0 - usual.0).abs() > OFF_MM)
                    .map(|m| m.1)
                    .sum();
                off > CROSSING * all
            })
    })
}
