//! The layered model of a sheet: paper under the blocks' inks, blurred by the scan.
//!
//! Each ink multiplies the light by exp(-strength x absorption) where it lies
//! (Bouguer-Lambert law). Sharp shapes are laid over each other first and the
//! result is blurred: the blur mixes light, not density.
//!
//! Real inks have a little body: over a dark ground they give back light of their own. On
//! paper that is part of the colour learned from their proof; but over the key a twentieth
//! doubles the light, and a line half covered would look like one that lies elsewhere; and a
//! strong colour under a pale one with body would look thinner than it was printed. So each
//! block lessens the darkness of what was printed before it by a share of its own, its `veil`,
//! and that of the key whichever of the two was printed first ([`restrike_ops::ink_body`] has the law).

use std::sync::Arc;

use restrike_stage::{Point, Raster, Rect};

use crate::local::Local;
use crate::shape;
use crate::state::State;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_ops::ink_body::{self, Laid};

/// A block as the record knows it.
#[derive(Debug, Clone)]
pub(crate) struct Layer {
    /// The block's name.
    pub(crate) name: String,
    /// Its printed edges.
    pub(crate) edges: Arc<EdgeMap>,
    /// The same on a coarse grid.
    pub(crate) rough: Arc<EdgeMap>,
    /// Strength of its ink relative to the solid.
    pub(crate) ink: Arc<Raster<f32>>,
    /// The ink's grid.
    pub(crate) ink_grid: Grid,
    /// Absorption of the solid by channel.
    pub(crate) absorption: [f64; 3],
    /// Whether it is the key.
    pub(crate) key: bool,
    /// Whether it is printed with a gradation.
    pub(crate) fade: bool,
    /// Whether its shape is from an impression of all blocks: edges under the key were not seen.
    pub(crate) parted: bool,
    /// Centroid of the printed shape, mm.
    pub(crate) centre: Point,
    /// Root mean square distance from the centroid, mm.
    pub(crate) radius: f64,
    /// Shares of the square of `radius` that lie along x and along y.
    pub(crate) spread: [f64; 2],
    /// Extent of the printed shape.
    pub(crate) extent: Rect,
}

/// Pitch of the coarse edges, mm.
const ROUGH_MM: f64 = 0.34;

/// Edges on a coarse grid.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn rough(edges: &EdgeMap) -> Arc<EdgeMap> {
    Arc::new(edges.thinned(((ROUGH_MM / edges.pitch).round() as usize).max(1)))
}

impl Layer {
    /// Signed distance to the edge at a place: exact within `band` of it, else
    /// rough and on the right side.
    pub(crate) fn distance(&self, b: Point, band: f64) -> f64 {
        // Between coarse samples a distance errs by less than their spacing.
        let rough = self.rough.at(b);
        if rough.abs() > band + 1.5 * self.rough.pitch {
            rough
        } else {
            self.edges.at(b)
        }
    }

    /// Strength of the ink relative to the solid at the block's own place.
    pub(crate) fn ink_at(&self, b: Point) -> f64 {
        f64::from(shape::sample(&self.ink, self.ink_grid, b))
    }
}

/// Samples each way of a pixel's blur.
const TAPS: usize = 5;
/// Their distance in standard deviations of the blur.
const STEP: f64 = 0.95;

/// What the model says of a pixel, and how that changes with the parameters.
pub(crate) struct Pixel {
    /// Linear reflectance.
    pub(crate) value: [f64; 3],
    /// Change of the value with each layer's own place moved, by axis, per mm.
    pub(crate) by_place: Vec<[[f64; 2]; 3]>,
    /// Change with each layer's distance to its edge, per mm.
    pub(crate) by_distance: Vec<[f64; 3]>,
    /// Change with each layer's strength.
    pub(crate) by_strength: Vec<[f64; 3]>,
    /// Change with each layer's veil over what lies under it.
    pub(crate) by_veil: Vec<[f64; 3]>,
    /// Change with the blur.
    pub(crate) by_sigma: [f64; 3],
    /// Whether an edge of the layer lies within the pixel's blur.
    pub(crate) near: Vec<bool>,
    /// Reflectance of the bare paper here.
    pub(crate) paper: [f64; 3],
    /// The record's place of the pixel.
    pub(crate) record: Point,
}

impl Pixel {
    /// Room for a model of so many layers.
    pub(crate) fn new(layers: usize) -> Self {
        Self {
            value: [0.0; 3],
            by_place: vec![[[0.0; 2]; 3]; layers],
            by_distance: vec![[0.0; 3]; layers],
            by_strength: vec![[0.0; 3]; layers],
            by_veil: vec![[0.0; 3]; layers],
            by_sigma: [0.0; 3],
            near: vec![false; layers],
            paper: [0.0; 3],
            record: Point::default(),
        }
    }
}

/// The model on a level of resolution.
pub(crate) struct Model<'a> {
    /// The blocks.
    pub(crate) layers: &'a [Layer],
    /// Local paper and strength.
    pub(crate) local: &'a Local,
    /// Print mm of one pixel step across and one down.
    pub(crate) steps: [Point; 2],
    /// Side of a pixel, mm.
    pub(crate) pixel: f64,
}

/// Most blocks that print at one place; more are left out.
const MOST: usize = 16;

/// A layer at one pixel.
#[derive(Debug, Clone, Copy)]
struct Here {
    layer: usize,
    place: Point,
    /// Its ink here.
    laid: Laid,
    /// How much that is against the solid.
    amount: f64,
    /// How absorption and veil of it change with the layer's strength.
    ink: [f64; 3],
    more_veil: f64,
    near: bool,
    /// Whether its edge here is one: the fading side of a gradation is none.
    edge: bool,
}

impl Here {
    const NONE: Self = Self {
        layer: 0,
        place: Point { x: 0.0, y: 0.0 },
        laid: Laid::NONE,
        amount: 0.0,
        ink: [0.0; 3],
        more_veil: 0.0,
        near: false,
        edge: false,
    };

    /// Change of the light after it was laid over a share `c` of light `r`, with that light.
    fn slope(&self, c: f64, r: [f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|ch| 1.0 - c + c * self.laid.by_light(ch, r[ch]))
    }

    /// Adds how it changes the pixel with its strength and its veil; `r` is the light under it
    /// and `by` the pixel's change with the light over it.
    fn tell(&self, c: f64, r: [f64; 3], by: [f64; 3], out: &mut Pixel) {
        for ch in 0..3 {
            let all = by[ch] * c;
            let veil = self.laid.by_veil(ch, r[ch]);
            out.by_strength[self.layer][ch] +=
                all * (veil * self.more_veil + self.laid.by_absorbed(ch, r[ch]) * self.ink[ch]);
            out.by_veil[self.layer][ch] += all * veil * self.amount;
        }
    }
}

/// A veil is an ink's body from this on; less looks the same as a scanner's flare in dark lines,
/// and is left in the key's own colour.
pub(crate) const BODY: f64 = 0.02;

/// Absorption beyond the sum of the inks', where these lie over each other. `laid`: by layer,
/// strength of its ink, 0 where it does not print.
pub(crate) fn beyond(layers: &[Layer], state: &State, laid: &[f64]) -> [f64; 3] {
    let body = |n: usize| state.veil[n] >= BODY && laid[n] > 0.0;
    if laid.iter().filter(|s| **s > 0.0).count() < 2 || !(0..layers.len()).any(body) {
        return [0.0; 3];
    }
    ink_body::beyond(
        printed(layers.len(), state.key_at)
            .filter(|n| laid[*n] > 0.0)
            .map(|n| {
                let ink = layers[n].absorption.map(|a| a * laid[n]);
                let veil = if body(n) { state.veil[n] } else { 0.0 };
                (ink, veil * laid[n])
            }),
    )
}

/// Layers from the lowest up; the key counts as printed first.
fn printed(layers: usize, key_at: usize) -> impl Iterator<Item = usize> {
    std::iter::once(key_at).chain((0..layers).filter(move |n| *n != key_at))
}

/// Ink of a gradation fainter than this ends in no edge.
pub(crate) const FADING: f64 = 0.35;

impl Model<'_> {
    /// Computes a pixel at a place of the sheet.
    pub(crate) fn pixel(&self, state: &State, p: Point, out: &mut Pixel) {
        let k = state.record_place(p);
        out.record = k;
        let reach = (TAPS / 2) as f64 * STEP * state.sigma * self.pixel * 1.42
            + 0.5 * STEP * state.sigma * self.pixel;
        let mut here = [Here::NONE; MOST];
        let mut count = 0;
        for n in 0..self.layers.len() {
            out.near[n] = false;
            out.by_place[n] = [[0.0; 2]; 3];
            out.by_distance[n] = [0.0; 3];
            out.by_strength[n] = [0.0; 3];
            out.by_veil[n] = [0.0; 3];
        }
        for n in printed(self.layers.len(), state.key_at) {
            let layer = &self.layers[n];
            let b = state.block_place(n, k);
            let d = layer.distance(b, reach + state.retreat[n].abs()) + state.retreat[n];
            if d > reach {
                continue;
            }
            let relative = layer.ink_at(b);
            let strength = relative * self.local.strength(n, p);
            let ink = layer.absorption.map(|a| a * strength);
            let amount = strength * state.strength[n];
            let near = d > -reach;
            out.near[n] = near;
            if count == MOST {
                break;
            }
            here[count] = Here {
                layer: n,
                // Of more ink there is more body.
                laid: Laid::new(layer.absorption.map(|a| a * amount), state.veil[n] * amount),
                amount,
                more_veil: state.veil[n] * strength,
                place: b,
                ink,
                near,
                edge: !layer.fade || relative > FADING,
            };
            count += 1;
        }
        let paper = self.local.paper(p).map(libm::exp);
        out.paper = paper;
        out.by_sigma = [0.0; 3];
        // Only from the lowest to the uppermost layer with an edge in the pixel's blur does
        // light differ within it.
        let here = &here[..count];
        let lowest = here.iter().position(|h| h.near).unwrap_or(count);
        let upmost = here.iter().rposition(|h| h.near).map_or(lowest, |n| n + 1);
        let mut light = [1.0; 3];
        let mut under = [[0.0; 3]; MOST];
        for (n, h) in here[..lowest].iter().enumerate() {
            under[n] = light;
            light = h.laid.over(light, 1.0);
        }
        let by_ground = self.blurred(state, &here[lowest..upmost], &mut light, out);
        for (n, h) in here.iter().enumerate().skip(upmost) {
            under[n] = light;
            light = h.laid.over(light, 1.0);
        }
        // How the pixel changes with light at each height, from the top down.
        let mut by = paper;
        let down = |h: &Here, under: [f64; 3], by: [f64; 3]| {
            let slope = h.slope(1.0, under);
            [0, 1, 2].map(|c| by[c] * slope[c])
        };
        for (n, h) in here.iter().enumerate().skip(upmost).rev() {
            h.tell(1.0, under[n], by, out);
            by = down(h, under[n], by);
        }
        for c in 0..3 {
            out.value[c] = paper[c] * light[c];
            out.by_sigma[c] *= by[c];
            for h in &here[lowest..upmost] {
                out.by_strength[h.layer][c] *= by[c];
                out.by_veil[h.layer][c] *= by[c];
                out.by_distance[h.layer][c] *= by[c];
                for axis in &mut out.by_place[h.layer][c] {
                    *axis *= by[c];
                }
            }
            by[c] *= by_ground[c];
        }
        for (n, h) in here[..lowest].iter().enumerate().rev() {
            h.tell(1.0, under[n], by, out);
            by = down(h, under[n], by);
        }
    }

    /// Light over these layers, blurred; `light` is that under them and becomes that over them.
    /// Returns its change with the light under them.
    fn blurred(
        &self,
        state: &State,
        layers: &[Here],
        light: &mut [f64; 3],
        out: &mut Pixel,
    ) -> [f64; 3] {
        if layers.is_empty() {
            return [1.0; 3];
        }
        let h = STEP * state.sigma;
        // A shape's edge is drawn as a ramp as wide as the taps are apart, which
        // itself blurs by h^2 / 12.
        let inner = state.sigma * state.sigma - h * h / 12.0;
        let width = h * self.pixel;
        let mut kernel = [0.0; TAPS];
        let mut change = [0.0; TAPS];
        let (mut total, mut moment) = (0.0, 0.0);
        for (i, k) in kernel.iter_mut().enumerate() {
            #[allow(clippy::cast_precision_loss)]
            let o = (i as f64 - (TAPS / 2) as f64) * h;
            *k = libm::exp(-0.5 * o * o / inner);
            total += *k;
            moment += *k * o * o;
        }
        for (i, k) in kernel.iter_mut().enumerate() {
            #[allow(clippy::cast_precision_loss)]
            let o = (i as f64 - (TAPS / 2) as f64) * h;
            *k /= total;
            change[i] = *k * (o * o - moment / total) * state.sigma / (inner * inner);
        }
        let mut value = [0.0; 3];
        let mut by_ground = [0.0; 3];
        let mut cover = [(0.0, 0.0, Point::default()); MOST];
        let mut under = [[0.0; 3]; MOST];
        for j in 0..TAPS {
            for i in 0..TAPS {
                let g = kernel[i] * kernel[j];
                let dg = change[i] * kernel[j] + kernel[i] * change[j];
                #[allow(clippy::cast_precision_loss)]
                let (u, v) = (
                    (i as f64 - (TAPS / 2) as f64) * h,
                    (j as f64 - (TAPS / 2) as f64) * h,
                );
                let offset = self.steps[0] * u + self.steps[1] * v;
                let mut r = *light;
                for (n, l) in layers.iter().enumerate() {
                    cover[n] = self.cover(state, l, offset, width);
                    under[n] = r;
                    if cover[n].0 > 0.0 {
                        r = l.laid.over(r, cover[n].0);
                    }
                }
                for ch in 0..3 {
                    value[ch] += g * r[ch];
                    out.by_sigma[ch] += dg * r[ch];
                }
                let mut by = [g; 3];
                for (n, l) in layers.iter().enumerate().rev() {
                    let (c, rate, slope) = cover[n];
                    if c <= 0.0 {
                        continue;
                    }
                    l.tell(c, under[n], by, out);
                    let changes = l.slope(c, under[n]);
                    for ch in 0..3 {
                        if rate != 0.0 {
                            let r = under[n][ch];
                            let by = by[ch] * (l.laid.shown(ch, r) - r) * rate;
                            out.by_distance[l.layer][ch] += by;
                            out.by_place[l.layer][ch][0] += by * slope.x;
                            out.by_place[l.layer][ch][1] += by * slope.y;
                        }
                        by[ch] *= changes[ch];
                    }
                }
                for ch in 0..3 {
                    by_ground[ch] += by[ch];
                }
            }
        }
        *light = value;
        by_ground
    }

    /// Share of a tap that a layer covers, its change with the distance to the edge, and that
    /// distance's slope.
    fn cover(&self, state: &State, l: &Here, offset: Point, width: f64) -> (f64, f64, Point) {
        if !l.near {
            return (1.0, 0.0, Point::default());
        }
        let Some(s) = self.layers[l.layer].edges.sample(l.place + offset) else {
            return (0.0, 0.0, Point::default());
        };
        let c = (0.5 - (s.distance + state.retreat[l.layer]) / width).clamp(0.0, 1.0);
        let sloped = l.edge && c > 0.0 && c < 1.0;
        (c, if sloped { -1.0 / width } else { 0.0 }, s.slope)
    }
}
