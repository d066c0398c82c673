//! The layered model of a sheet: paper under the blocks' inks, blurred by the scan.
//!
//! Each ink multiplies the light by exp(-strength x absorption) where it lies
//! (Bouguer-Lambert law). Sharp shapes are laid over each other first and the
//! result is blurred: the blur mixes light, not density.
//!
//! Real inks have a little body: over a dark ground they give back light of their own. On
//! paper that is part of the colour learned from their proof, under or over other colours it
//! is small beside them; but over the key a twentieth doubles the light, and a line half
//! covered would look like one that lies elsewhere. So each block may lessen what the key
//! takes away by a share of its own, its `veil`, whichever of the two was printed first.

use std::sync::Arc;

use restrike_stage::{Point, Raster, Rect};

use crate::local::Local;
use crate::shape;
use crate::state::State;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;

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
    /// Change with each layer's veil over the key.
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
#[derive(Debug, Clone, Copy, Default)]
struct Here {
    layer: usize,
    place: Point,
    /// Transmittance of its ink.
    through: [f64; 3],
    /// Absorption times local strength: transmittance is exp(-this x strength).
    ink: [f64; 3],
    /// What it takes from the key's darkness where it covers: its veil by how much ink there is.
    veil: f64,
    laid: f64,
    near: bool,
    /// Whether its edge here is one: the fading side of a gradation is none.
    edge: bool,
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
        let mut here = [Here::default(); MOST];
        let mut count = 0;
        for n in 0..self.layers.len() {
            out.near[n] = false;
            out.by_place[n] = [[0.0; 2]; 3];
            out.by_distance[n] = [0.0; 3];
            out.by_strength[n] = [0.0; 3];
            out.by_veil[n] = [0.0; 3];
        }
        for (n, layer) in self.layers.iter().enumerate() {
            let b = state.block_place(n, k);
            let d = layer.distance(b, reach + state.retreat[n].abs()) + state.retreat[n];
            if d > reach {
                continue;
            }
            let relative = layer.ink_at(b);
            let strength = relative * self.local.strength(n, p);
            let ink = layer.absorption.map(|a| a * strength);
            let through = ink.map(|i| libm::exp(-i * state.strength[n]));
            let near = d > -reach;
            out.near[n] = near;
            if count == MOST {
                break;
            }
            // A solid's worth of ink has all of the body; a little thinner one has less (how that
            // changes with its strength is left out: over the key it is small).
            let laid = (strength * state.strength[n]).clamp(0.0, 1.0);
            here[count] = Here {
                layer: n,
                veil: state.veil[n] * laid,
                laid,
                place: b,
                through,
                ink,
                near,
                edge: !layer.fade || relative > FADING,
            };
            count += 1;
        }
        let paper = self.local.paper(p).map(libm::exp);
        out.paper = paper;
        out.by_sigma = [0.0; 3];
        // Layers that cover the whole of the pixel's blur; the key never, for what it
        // takes away depends on the others.
        let mut ground = paper;
        let here = &here[..count];
        let apart = |h: &Here| h.near || h.layer == state.key_at;
        for h in here.iter().filter(|h| !apart(h)) {
            for c in 0..3 {
                ground[c] *= h.through[c];
            }
        }
        let mut near = [Here::default(); MOST];
        let mut close = 0;
        for h in here.iter().filter(|h| apart(h)) {
            near[close] = *h;
            close += 1;
        }
        if close == 0 {
            out.value = ground;
        } else {
            let veil: f64 = here.iter().filter(|h| !apart(h)).map(|h| h.veil).sum();
            let veiled = self.blurred(state, &near[..close], ground, veil, out);
            for h in here.iter().filter(|h| !apart(h)) {
                out.by_veil[h.layer] = veiled.map(|v| v * h.laid);
            }
        }
        for h in here.iter().filter(|h| !apart(h)) {
            for c in 0..3 {
                out.by_strength[h.layer][c] = -h.ink[c] * out.value[c];
            }
        }
    }

    /// The blurred sum over the taps; `veil` is that of the layers that cover all of them.
    /// Returns the change of the value with that.
    fn blurred(
        &self,
        state: &State,
        near: &[Here],
        ground: [f64; 3],
        veil: f64,
        out: &mut Pixel,
    ) -> [f64; 3] {
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
        let mut veiled = [0.0; 3];
        let mut cover = [(0.0, 0.0, Point::default()); MOST];
        let key = near.iter().position(|l| l.layer == state.key_at);
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
                // Light as if the key were not there, and what share of the key's darkening is lost.
                let mut light = ground;
                let mut lost = veil;
                for (n, l) in near.iter().enumerate() {
                    let layer = &self.layers[l.layer];
                    let (d, slope) = if l.near {
                        layer
                            .edges
                            .sample(l.place + offset)
                            .map_or((f64::MAX, Point::default()), |s| {
                                (s.distance + state.retreat[l.layer], s.slope)
                            })
                    } else {
                        (f64::MIN, Point::default())
                    };
                    let c = (0.5 - d / width).clamp(0.0, 1.0);
                    let rate = if l.edge && c > 0.0 && c < 1.0 {
                        -1.0 / width
                    } else {
                        0.0
                    };
                    cover[n] = (c, rate, slope);
                    if Some(n) != key {
                        lost += c * l.veil;
                        for ch in 0..3 {
                            light[ch] *= 1.0 - c * (1.0 - l.through[ch]);
                        }
                    }
                }
                let mut taken = [0.0; 3];
                if let Some(k) = key {
                    taken = near[k].through.map(|t| cover[k].0 * (1.0 - t));
                }
                for ch in 0..3 {
                    let seen = light[ch] * (1.0 - (1.0 - lost) * taken[ch]);
                    value[ch] += g * seen;
                    out.by_sigma[ch] += dg * seen;
                    veiled[ch] += g * light[ch] * taken[ch];
                }
                for (n, l) in near.iter().enumerate() {
                    let (c, rate, slope) = cover[n];
                    if c <= 0.0 {
                        continue;
                    }
                    for ch in 0..3 {
                        // Change with the layer's cover, and with its transmittance.
                        let (by_cover, by_through) = if Some(n) == key {
                            let all = g * light[ch] * (1.0 - lost);
                            (-all * (1.0 - l.through[ch]), all * c)
                        } else {
                            let own = 1.0 - c * (1.0 - l.through[ch]);
                            let others = g * light[ch] / own.max(1e-9);
                            let key = 1.0 - (1.0 - lost) * taken[ch];
                            let veil = g * light[ch] * taken[ch];
                            out.by_veil[l.layer][ch] += veil * c * l.laid;
                            (
                                -others * key * (1.0 - l.through[ch]) + veil * l.veil,
                                others * key * c,
                            )
                        };
                        out.by_strength[l.layer][ch] -= by_through * l.through[ch] * l.ink[ch];
                        if rate != 0.0 {
                            let by = by_cover * rate;
                            out.by_distance[l.layer][ch] += by;
                            out.by_place[l.layer][ch][0] += by * slope.x;
                            out.by_place[l.layer][ch][1] += by * slope.y;
                        }
                    }
                }
            }
        }
        out.value = value;
        veiled
    }
}
