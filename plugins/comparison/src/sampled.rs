//! One sheet on the record's grid: each cell sampled from the scan once,
//! through the whole map of the block whose edge is nearest, against the
//! sheet's own paper, with its inks brought to the record's strengths.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector};
use restrike_ops::area_shrink::shrunk_scan;
use restrike_ops::cubic_sample::cubic_sample;
use restrike_ops::placement::Placement;
use restrike_ops::stats::median;
use restrike_stage::{ImageView, Point, Raster};

use crate::ground::Ground;
use crate::register::{Added, take_out};

/// Cells between nodes at which the map is worked out; it bends by far less
/// than a micrometre between them.
const STEP: usize = 8;
/// Blur that every sheet is brought to where it is less, standard deviation, mm.
pub(crate) const BLUR_MM: f64 = 0.09;
/// How far from an edge its retreat is still taken out in full, and not at all, mm.
const FADE_MM: [f64; 2] = [0.15, 0.5];
/// The key's lines darken cells nearer than this, mm.
const KEY_NEAR_MM: f64 = 0.2;
/// Every so-manieth cell says how strong the inks are.
const THIN: usize = 5;
/// Least cells that say anything of a zone.
const ENOUGH: usize = 60;
/// Most that registration's strength is corrected by, in absorption.
const MOST: f64 = 0.3;

/// A sheet on the grid.
pub(crate) struct Sampled {
    /// Linear light against paper, three channels a cell; not-a-number where
    /// the sheet does not tell.
    pub(crate) light: Vec<[f32; 3]>,
    /// What of that was added to take the blocks' register out.
    pub(crate) register: Added,
    /// Absorption of each block's solid on this sheet; none where not located.
    pub(crate) inks: Vec<Option<[f64; 3]>>,
    /// The paper at the sheet's centre, linear reflectance.
    pub(crate) paper: [f64; 3],
    /// Blur of the scan, standard deviation, mm.
    pub(crate) blur_mm: f64,
    /// Blocks whose place is not known, with the reason.
    pub(crate) lost: Vec<(String, String)>,
}

/// Nodes of a map over the grid.
#[derive(Clone)]
struct Lattice {
    width: usize,
    places: Vec<Point>,
}

impl Lattice {
    fn new(ground: &Ground, map: &dyn Fn(Point) -> Option<Point>) -> Option<Self> {
        let g = ground.grid;
        let (width, height) = (g.width / STEP + 2, g.height / STEP + 2);
        let mut places = Vec::with_capacity(width * height);
        for j in 0..height {
            for i in 0..width {
                places.push(map(g.place(i * STEP, j * STEP))?);
            }
        }
        Some(Self { width, places })
    }

    #[allow(clippy::cast_precision_loss)]
    fn at(&self, i: usize, j: usize) -> Point {
        let at = (j / STEP) * self.width + i / STEP;
        let (u, v) = (
            (i % STEP) as f64 / STEP as f64,
            (j % STEP) as f64 / STEP as f64,
        );
        let p = |k: usize| self.places[k];
        let top = p(at) * (1.0 - u) + p(at + 1) * u;
        let low = p(at + self.width) * (1.0 - u) + p(at + self.width + 1) * u;
        top * (1.0 - v) + low * v
    }
}

/// Samples a sheet.
///
/// # Errors
/// When the key's place is not known.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn sample(
    ground: &Ground,
    placement: &Placement,
    scan: ImageView<'_, u16>,
) -> Result<Sampled, String> {
    let pixel = placement.pixel_mm();
    let factor = (ground.grid.pitch / pixel + 0.05).floor().max(1.0) as usize;
    let small: Raster<u16>;
    let view = if factor > 1 {
        small = shrunk_scan(scan, factor);
        small.view()
    } else {
        scan
    };
    let k = factor as f64;
    let back = placement
        .to_print
        .inverse()
        .ok_or("the map from scan to print cannot be turned round")?;
    let paper = Lattice::new(ground, &|b| placement.scan_place_of_record(b))
        .ok_or("the map from record to scan cannot be worked out")?;
    let mut lost = Vec::new();
    let mut maps = Vec::new();
    let mut inks = Vec::new();
    let mut retreat = Vec::new();
    let mut rides = Vec::new();
    for block in &ground.blocks {
        let place = placement
            .block(&block.name)
            .ok_or_else(|| format!("the placement has no block {}", block.name))?;
        if let Some(why) = &place.why {
            if block.key {
                return Err(format!("the key's place is not known: {why}"));
            }
            lost.push((block.name.clone(), why.clone()));
            inks.push(None);
            // A guess at its place may be far off; the key's is never far.
            maps.push(Some(paper.clone()));
            retreat.push(0.0);
            rides.push(None);
        } else {
            inks.push(Some(place.absorption.map(|a| a * place.strength)));
            maps.push(Lattice::new(ground, &|b| placement.scan_place(place, b)));
            retreat.push(place.retreat_mm);
            rides.push(if block.key { None } else { place.ride.map() });
        }
    }
    let white = paper_nodes(ground, placement, &paper);
    let mut light = vec![[f32::NAN; 3]; ground.len()];
    for j in 0..ground.grid.height {
        for i in 0..ground.grid.width {
            let at = j * ground.grid.width + i;
            let owner = usize::from(ground.owner[at]);
            let Some(map) = &maps[owner] else { continue };
            // A colour block out of register brings the key's lines over cells
            // where the record has none: on this sheet they do not tell.
            if let Some(ride) = &rides[owner] {
                let b = ground.grid.place(i, j);
                let k = ride.apply(b);
                let key = &ground.blocks[ground.key].shape.edges;
                if key.at(k) < KEY_NEAR_MM && key.at(b) >= KEY_NEAR_MM {
                    continue;
                }
            }
            let mut px = map.at(i, j);
            // The sheet's edge is read where the record has it.
            let d = f64::from(ground.edge[at]).abs();
            let fade = ((FADE_MM[1] - d) / (FADE_MM[1] - FADE_MM[0])).clamp(0.0, 1.0);
            let [nx, ny] = ground.normal[at].map(f64::from);
            let by = -retreat[owner].clamp(-0.2, 0.2) * fade;
            px = px + back.apply_vector(Point::new(nx * by, ny * by));
            let Some(r) = cubic_sample(view, px * (1.0 / k)) else {
                continue;
            };
            let [(u, v), (w, _)] = [white[0].at(i, j), white[1].at(i, j)].map(|p| (p.x, p.y));
            for (c, white) in [u, v, w].into_iter().enumerate() {
                light[at][c] = (r[c] / white as f32).clamp(0.0, 2.0);
            }
        }
    }
    let centre = Point::new(0.0, 0.0);
    let mut out = Sampled {
        light,
        register: Vec::new(),
        inks,
        paper: [0, 1, 2].map(|c| libm::exp(placement.paper[c].at(centre))),
        blur_mm: pixel * (placement.blur_px * placement.blur_px + k * k / 12.0).sqrt(),
        lost,
    };
    out.normalise(ground);
    out.register = take_out(ground, placement, out.blur_mm, &mut out.light);
    let add = BLUR_MM * BLUR_MM - out.blur_mm * out.blur_mm;
    if add > 0.0 {
        let cells = add.sqrt() / ground.grid.pitch;
        out.light = blurred(
            &out.light,
            ground.grid.width,
            ground.grid.height,
            cells * cells,
        );
    }
    Ok(out)
}

/// The paper's reflectance at the lattice's nodes: red and green, blue and none.
fn paper_nodes(ground: &Ground, placement: &Placement, map: &Lattice) -> [Lattice; 2] {
    let white =
        |c: usize, px: Point| libm::exp(placement.paper[c].at(placement.to_print.apply(px)));
    let width = ground.grid.width / STEP + 2;
    let of = |f: &dyn Fn(Point) -> Point| Lattice {
        width,
        places: map.places.iter().map(|px| f(*px)).collect(),
    };
    [
        of(&|px| Point::new(white(0, px), white(1, px))),
        of(&|px| Point::new(white(2, px), 0.0)),
    ]
}

impl Sampled {
    /// Absorptions of the blocks' solids here; the record's where not located.
    fn absorptions(&self, ground: &Ground) -> Vec<[f64; 3]> {
        self.inks
            .iter()
            .zip(&ground.blocks)
            .map(|(i, b)| i.unwrap_or(b.absorption))
            .collect()
    }

    /// Brings the inks to the record's strengths: what light each zone lets
    /// through says how far registration's strengths are off, block by block.
    fn normalise(&mut self, ground: &Ground) {
        let mut own = self.absorptions(ground);
        let by = self.corrections(ground, &own);
        for (b, a) in own.iter_mut().enumerate() {
            for c in 0..3 {
                a[c] = (a[c] + by[b + 1][c]).max(0.0);
            }
            if self.inks[b].is_some() {
                self.inks[b] = Some(*a);
            }
        }
        let recorded = ground.recorded();
        let ground_light = by[0].map(libm::exp);
        let mut known: Vec<(u32, [[f64; 3]; 2])> = Vec::new();
        let fades: u32 = (0..ground.blocks.len())
            .filter(|b| ground.blocks[*b].bokashi)
            .map(|b| 1 << b)
            .sum();
        for at in 0..self.light.len() {
            if !self.light[at][0].is_finite() {
                continue;
            }
            let p = ground.place(at);
            let mut both = |label: u32| -> [[f64; 3]; 2] {
                let make = || {
                    let e = |a: &[[f64; 3]]| ground.log_light(a, label, p).map(libm::exp);
                    [e(&own), e(&recorded)]
                };
                if label & fades != 0 {
                    return make();
                }
                // A few dozen at most, and neighbours are alike: the last ones first.
                if let Some((_, v)) = known.iter().rev().find(|k| k.0 == label) {
                    return *v;
                }
                let v = make();
                known.push((label, v));
                v
            };
            let label = ground.label[at];
            let [from, to] = both(label);
            let bit = 1 << ground.owner[at];
            let other = (f64::from(ground.edge[at]).abs() < crate::ground::EDGE_MM)
                .then(|| both(label ^ bit));
            for c in 0..3 {
                let t = f64::from(self.light[at][c]) * ground_light[c];
                let gain = to[c] / from[c].max(0.01);
                // Across an edge light mixes in proportion to area.
                let new = match other {
                    Some([f, g]) if (f[c] - from[c]).abs() > 0.04 => {
                        let share = (t - f[c]) / (from[c] - f[c]);
                        let within = share.clamp(-0.1, 1.1);
                        // Beyond both: something else, kept as it is.
                        g[c] + within * (to[c] - g[c]) + (share - within) * (from[c] - f[c])
                    }
                    _ => t * gain,
                };
                #[allow(clippy::cast_possible_truncation)]
                {
                    self.light[at][c] = new.clamp(0.0, 2.0) as f32;
                }
            }
        }
    }

    /// Corrections of the paper's logarithm (first) and of each block's
    /// absorption: weighted least squares over the zones, held near none.
    #[allow(clippy::cast_precision_loss)]
    fn corrections(&self, ground: &Ground, own: &[[f64; 3]]) -> Vec<[f64; 3]> {
        let n = ground.blocks.len() + 1;
        let mut zones: BTreeMap<u32, [Vec<f64>; 3]> = BTreeMap::new();
        for at in (0..ground.len()).step_by(THIN) {
            let v = self.light[at];
            if !ground.deep[at] || !v[0].is_finite() {
                continue;
            }
            let label = ground.label[at];
            let model = ground.log_light(own, label, ground.place(at));
            let zone = zones.entry(label).or_default();
            for c in 0..3 {
                zone[c].push(libm::log(f64::from(v[c]).max(0.003)) - model[c]);
            }
        }
        let mut out = vec![[0.0; 3]; n];
        for c in 0..3 {
            let mut normal = DMatrix::<f64>::zeros(n, n);
            let mut right = DVector::<f64>::zeros(n);
            for (label, values) in &zones {
                if values[c].len() < ENOUGH {
                    continue;
                }
                let weight = (values[c].len() as f64).sqrt();
                let Some(r) = median(&values[c]) else {
                    continue;
                };
                // log light seen = model - correction of the inks - of the paper
                let row = |b: usize| b == 0 || label >> (b - 1) & 1 == 1;
                for a in (0..n).filter(|a| row(*a)) {
                    right[a] -= weight * r;
                    for b in (0..n).filter(|b| row(*b)) {
                        normal[(a, b)] += weight;
                    }
                }
            }
            for a in 0..n {
                normal[(a, a)] += 5.0;
            }
            if let Some(chol) = normal.cholesky() {
                let x = chol.solve(&right);
                for a in 0..n {
                    out[a][c] = x[a].clamp(-MOST, MOST);
                }
            }
        }
        out
    }
}

/// Blurs by a variance in cells, unseen cells left out. The three weights have
/// the variance asked for up to one; more takes more rounds.
fn blurred(light: &[[f32; 3]], width: usize, height: usize, variance: f64) -> Vec<[f32; 3]> {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let rounds = (variance / 0.5).ceil().max(1.0) as usize;
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    let side = (variance / rounds as f64 / 2.0) as f32;
    let mut from = light.to_vec();
    for _ in 0..rounds {
        for step in [1, width] {
            let last = from.clone();
            for (at, v) in from.iter_mut().enumerate() {
                if !v[0].is_finite() {
                    continue;
                }
                let x = if step == 1 { at % width } else { at / width };
                let end = if step == 1 { width } else { height };
                let (mut sum, mut weight) =
                    (last[at].map(|v| v * (1.0 - 2.0 * side)), 1.0 - 2.0 * side);
                let mut add = |k: usize| {
                    if last[k][0].is_finite() {
                        for c in 0..3 {
                            sum[c] += side * last[k][c];
                        }
                        weight += side;
                    }
                };
                if x > 0 {
                    add(at - step);
                }
                if x + 1 < end {
                    add(at + step);
                }
                *v = sum.map(|s| s / weight);
            }
        }
    }
    from
}
