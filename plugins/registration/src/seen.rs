//! Edges that two impressions both show: where there are no proofs, the only
//! edges whose course is known are those that lay free of the key and of all
//! other blocks on the reference impression. What is measured is how much
//! farther out along its normal such an edge stands on another sheet.
//!
//! The edge's place is half-way between the light on its two sides (ISO/IEC
//! 24790), read by the same rule on both impressions, so that blur and ink
//! squashed to the rim fall out.

use std::sync::Arc;

use restrike_ops::contour::{Inside, contours};
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::edge_normal_fit::EdgeOffset;
use restrike_ops::edge_profile::{Channel, Sampler, crossing_near, level_between};
use restrike_stage::{Affine, ImageView, Point, Raster};

use crate::layers::{FADING, Layer, rough};
use crate::state::{Ride, State};

/// Distance of neighbouring edges that are looked at, mm.
const STEP_MM: f64 = 0.25;
/// Side of the pieces within which edges go together, mm.
const PIECE_MM: f64 = 5.0;
/// Levels beside an edge are read from here to there, in pixels and in mm,
/// whichever is more: beyond its blur.
const NEAR_PX: f64 = 2.2;
const NEAR_MM: f64 = 0.12;
const FAR_PX: f64 = 4.0;
const FAR_MM: f64 = 0.30;
/// Another block's edge beyond that may still blur this far in, pixels.
const BLUR_PX: f64 = 1.2;
/// An edge may stand this far from where it is looked for at last, mm.
const CATCH_MM: f64 = 0.30;
/// Least step of light across an edge, of full scale.
const LEAST: f64 = 0.02;
/// Cosine of the angle between the absorption seen across an edge and the ink's.
const ALIKE: f64 = 0.93;
/// An edge of the reference impression is where its record has it, within this, mm.
const SELF_MM: f64 = 0.15;
/// Outlines shorter than this are specks, mm.
const SPECK_MM: f64 = 2.0;

/// An edge of a block that lay free on the reference impression.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Edge {
    /// Its place in the block's coordinates, mm.
    pub(crate) at: Point,
    /// Direction to the outside, of length 1.
    pub(crate) normal: Point,
    /// The piece it belongs to.
    pub(crate) piece: usize,
    /// Weights of the channels by which its ink is told.
    weights: [f32; 3],
    /// Step of that light from inside to outside that is to be expected.
    step: f64,
    /// The ink's absorption, of length 1.
    colour: [f64; 3],
}

/// Distances that go with a scan's pixel, mm.
#[derive(Debug, Clone, Copy)]
struct Reach {
    near: f64,
    far: f64,
    clear: f64,
}

fn reach(pixel: f64) -> Reach {
    let far = (FAR_PX * pixel).max(FAR_MM);
    Reach {
        near: (NEAR_PX * pixel).max(NEAR_MM),
        far,
        clear: far + BLUR_PX * pixel,
    }
}

/// The free edges of a layer on the impression that all shapes are from.
///
/// `pixel`: side of a pixel of that scan, mm.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn free_edges(layers: &[Layer], n: usize, pixel: f64) -> Vec<Edge> {
    let layer = &layers[n];
    let clear = reach(pixel).clear;
    let edges = &layer.edges;
    let mut out = Vec::new();
    for line in contours(&edges.distance, 0.0, Inside::Below) {
        if line.length() * edges.pitch < SPECK_MM {
            continue;
        }
        let mut since = STEP_MM;
        let mut last: Option<Point> = None;
        for p in &line.points {
            let at = edges.between(*p);
            since += last.map_or(0.0, |l| (at - l).norm());
            last = Some(at);
            if since < STEP_MM {
                continue;
            }
            since = 0.0;
            out.extend(free_edge(layers, n, at, clear));
        }
    }
    out
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn free_edge(layers: &[Layer], n: usize, at: Point, clear: f64) -> Option<Edge> {
    let layer = &layers[n];
    let slope = layer.edges.sample(at)?.slope;
    let size = slope.norm();
    // At corners and on thin bridges an edge has no one direction.
    if !(0.8..1.2).contains(&size) {
        return None;
    }
    let normal = slope * (1.0 / size);
    let straight = [-1.0, 1.0].into_iter().all(|side| {
        let far = layer.edges.at(at + normal * (side * clear));
        (far - side * clear).abs() < 0.35 * clear
    });
    if !straight || (layer.fade && layer.ink_at(at - normal * clear) < FADING) {
        return None;
    }
    let mut outside = [1.0; 3];
    for (o, other) in layers.iter().enumerate() {
        if o == n {
            continue;
        }
        let d = other.edges.at(at);
        if d.abs() < clear || (o != n && other.key && d < clear) {
            return None;
        }
        if d < 0.0 {
            let strength = other.ink_at(at);
            for c in 0..3 {
                outside[c] *= libm::exp(-other.absorption[c] * strength);
            }
        }
    }
    let strength = layer.ink_at(at - normal * clear).max(0.1);
    let step =
        [0, 1, 2].map(|c| outside[c] * (1.0 - libm::exp(-layer.absorption[c].max(0.0) * strength)));
    let total: f64 = step.iter().sum();
    if total <= 0.0 {
        return None;
    }
    let weights = step.map(|s| s / total);
    let piece =
        ((at.x + 2000.0) / PIECE_MM) as usize * 4096 + ((at.y + 2000.0) / PIECE_MM) as usize;
    Some(Edge {
        at,
        normal,
        piece,
        weights: weights.map(|w| w as f32),
        step: (0..3).map(|c| weights[c] * step[c]).sum(),
        colour: unit(layer.absorption.map(|a| a.max(0.0))),
    })
}

fn unit(v: [f64; 3]) -> [f64; 3] {
    let size = v.iter().map(|a| a * a).sum::<f64>().sqrt().max(1e-12);
    v.map(|a| a / size)
}

/// A scan with the key found on it.
pub(crate) struct Sheet<'a> {
    scan: ImageView<'a, u16>,
    to_scan: Affine,
    pixel: f64,
    reach: Reach,
}

impl<'a> Sheet<'a> {
    /// A scan and its map to the sheet's mm.
    pub(crate) fn new(scan: ImageView<'a, u16>, to_print: &Affine) -> Option<Self> {
        let pixel = to_print.determinant().abs().sqrt();
        Some(Self {
            scan,
            to_scan: to_print.inverse()?,
            pixel,
            reach: reach(pixel),
        })
    }

    /// Scan place of a place of the record on this sheet.
    fn scan_place(&self, state: &State, k: Point) -> Point {
        // p = k + u(p); u changes by far less than a part in a hundred.
        let p = k + state.key_displacement(k);
        let p = k + state.key_displacement(p);
        self.to_scan.apply(p)
    }

    /// By how much the light across an edge at a shifted place steps, of what
    /// is to be expected: 1 where the edge is, 0 where there is none.
    pub(crate) fn step_at(&self, state: &State, ride: &Ride, edge: &Edge) -> Option<f64> {
        let k = record_place(ride, edge.at);
        let sampler = Sampler::new(self.scan, Channel::Sum(edge.weights));
        let reach = (self.reach.near + self.reach.far) / 2.0;
        let light =
            |side: f64| sampler.at(self.scan_place(state, k + edge.normal * (side * reach)));
        Some(((light(1.0)? - light(-1.0)?) / edge.step).clamp(-1.0, 1.5))
    }

    /// How far outside its expected place an edge stands, mm, with its weight's
    /// standard error; none where the key or another edge is too near, or nothing is seen.
    pub(crate) fn offset(
        &self,
        layers: &[Layer],
        state: &State,
        n: usize,
        ride: &Ride,
        edge: &Edge,
    ) -> Option<EdgeOffset> {
        let k = record_place(ride, edge.at);
        for (o, other) in layers.iter().enumerate() {
            if o == n {
                continue;
            }
            let d = other.edges.at(state.block_place(o, k));
            if d.abs() < self.reach.clear || (other.key && d < self.reach.clear) {
                return None;
            }
        }
        self.found(state, k, edge).map(|offset| EdgeOffset {
            at: edge.at - ride.centre,
            normal: edge.normal,
            offset,
            se: 1.0,
            piece: edge.piece,
        })
    }

    /// The edge's place along its normal through a place of the record, mm.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn found(&self, state: &State, k: Point, edge: &Edge) -> Option<f64> {
        let sampler = Sampler::new(self.scan, Channel::Sum(edge.weights));
        let step = self.pixel / 2.0;
        let half = ((self.reach.far + CATCH_MM) / step).ceil();
        let at = self.scan_place(state, k);
        let along = self.to_scan.apply_vector(edge.normal * step);
        let across = self
            .to_scan
            .apply_vector(Point::new(-edge.normal.y, edge.normal.x) * (STEP_MM / 4.0));
        let mut profile = vec![0.0; 2 * half as usize + 1];
        sampler.profile(at - along * half, along, across, 1, &mut profile);
        let mut here = half;
        // The levels beside the edge go with it.
        for _ in 0..3 {
            let level =
                |from: f64, to: f64| level_between(&profile, here + from / step, here + to / step);
            let (near, far) = (self.reach.near, self.reach.far);
            let inside = level(-far, -near)?;
            let outside = level(near, far)?;
            if outside - inside < LEAST.max(0.35 * edge.step) {
                return None;
            }
            here = crossing_near(&profile, (inside + outside) / 2.0, false, here)?;
        }
        let offset = (here - half) * step;
        let own = self.colour(
            at + along * (here - half),
            along * (1.0 / step),
            across,
            edge,
        );
        (offset.abs() < CATCH_MM && own).then_some(offset)
    }

    /// Whether what darkens the inside of an edge is of the block's own colour:
    /// on a single impression an overprint is easily taken for another ink.
    fn colour(&self, at: Point, along: Point, across: Point, edge: &Edge) -> bool {
        let mut dark = [0.0; 3];
        for c in 0..3 {
            let mut weights = [0.0; 3];
            weights[c] = 1.0;
            let sampler = Sampler::new(self.scan, Channel::Sum(weights));
            let light = |side: f64| {
                let mut values = [f64::NAN; 3];
                let from = at + along * (side * self.reach.near);
                let step = along * (side * (self.reach.far - self.reach.near) / 2.0);
                sampler.profile(from, step, across, 1, &mut values);
                level_between(&values, 0.0, 2.0)
            };
            let (Some(outside), Some(inside)) = (light(1.0), light(-1.0)) else {
                return false;
            };
            dark[c] = libm::log(outside.max(1e-3) / inside.max(1e-3));
        }
        let seen = unit(dark);
        (0..3).map(|c| seen[c] * edge.colour[c]).sum::<f64>() > ALIKE
    }
}

/// Where a block's own place prints in the record: k with k - e(k) = b.
pub(crate) fn record_place(ride: &Ride, b: Point) -> Point {
    let k = b + ride.displacement(b);
    b + ride.displacement(k)
}

/// Mean offsets within so far of a place are taken together, mm.
const TOGETHER_MM: f64 = 1.5;
/// Samples within this of an edge go with it, mm.
const BESIDE_MM: f64 = 0.6;

/// Puts the free edges of the colour blocks' shapes where the rule of this
/// module finds them on the reference impression itself, so that they measure
/// 0 there. Returns, by layer, the places at which they do: elsewhere a wrong
/// label has made an edge that is none, or of another ink.
pub(crate) fn by_the_same_rule(
    layers: &mut [Layer],
    scan: ImageView<'_, u16>,
    to_print: &Affine,
) -> Vec<Vec<Point>> {
    let key_at = layers.iter().position(|l| l.key);
    let (Some(key_at), Some(sheet)) = (key_at, Sheet::new(scan, to_print)) else {
        return vec![Vec::new(); layers.len()];
    };
    let still = State::still(layers, key_at, 100.0, 1.0);
    let moved: Vec<Option<EdgeMap>> = (0..layers.len())
        .map(|n| (n != key_at).then(|| moved(layers, n, &sheet, &still)))
        .collect();
    for (layer, edges) in layers.iter_mut().zip(moved) {
        if let Some(edges) = edges {
            layer.rough = rough(&edges);
            layer.edges = Arc::new(edges);
        }
    }
    (0..layers.len())
        .map(|n| {
            if n == key_at {
                return Vec::new();
            }
            free_edges(layers, n, sheet.pixel)
                .iter()
                .filter(|e| {
                    sheet
                        .found(&still, e.at, e)
                        .is_some_and(|offset| offset.abs() < SELF_MM)
                })
                .map(|e| e.at)
                .collect()
        })
        .collect()
}

/// The free edges of a layer at places that were found before.
pub(crate) fn edges_at(layers: &[Layer], n: usize, pixel: f64, places: &[[f64; 2]]) -> Vec<Edge> {
    let clear = reach(pixel).clear;
    places
        .iter()
        .filter_map(|[x, y]| free_edge(layers, n, Point::new(*x, *y), clear))
        .collect()
}

/// A shape with its free edges moved to where they are found.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn moved(layers: &[Layer], n: usize, sheet: &Sheet<'_>, still: &State) -> EdgeMap {
    let layer = &layers[n];
    let mut map = layer.edges.as_ref().clone();
    let free = free_edges(layers, n, sheet.pixel);
    let found: Vec<(Point, f64)> = free
        .iter()
        .filter_map(|e| Some((e.at, sheet.found(still, e.at, e)?)))
        .collect();
    // By cells, for near ones to be found fast.
    let cell = |p: Point| {
        (
            (p.x / TOGETHER_MM).floor() as i64,
            (p.y / TOGETHER_MM).floor() as i64,
        )
    };
    let mut cells: std::collections::BTreeMap<(i64, i64), Vec<usize>> = Default::default();
    for (i, (p, _)) in found.iter().enumerate() {
        cells.entry(cell(*p)).or_default().push(i);
    }
    let near = |p: Point| {
        let (x, y) = cell(p);
        let cells = &cells;
        (-1..=1).flat_map(move |dy| {
            (-1..=1).flat_map(move |dx| cells.get(&(x + dx, y + dy)).into_iter().flatten().copied())
        })
    };
    let (w, h) = (map.distance.width(), map.distance.height());
    let mut moved: Raster<f32> = map.distance.clone();
    for j in 0..h {
        for i in 0..w {
            let d = f64::from(map.distance.get(i, j, 0));
            if d.abs() > BESIDE_MM {
                continue;
            }
            let p = map.place(i, j);
            let (mut sum, mut weight, mut nearest) = (0.0, 0.0, f64::MAX);
            for at in near(p) {
                let (q, offset) = found[at];
                let r = (q - p).norm();
                nearest = nearest.min(r);
                let k = (1.0 - r / TOGETHER_MM).max(0.0);
                sum += k * offset;
                weight += k;
            }
            if weight > 0.0 && nearest < BESIDE_MM + STEP_MM {
                moved.set(i, j, 0, (d - sum / weight) as f32);
            }
        }
    }
    map.distance = moved;
    map
}
