//! The joint fit: all blocks' motion, retreat, strength and the scan's blur
//! together, by Gauss-Newton on the pixels about the visible edges.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use restrike_stage::Point;

use crate::layers::{Layer, Model, Pixel};
use crate::level::Level;
use crate::local::Local;
use crate::prior::Prior;
use crate::sites::Sites;
use crate::state::{KEY, RIDE, State};
use crate::tile_levels::{self, Levels, Tile};

/// Cauchy's constant.
const CAUCHY: f64 = 2.385;
/// How uneven an ink's body is, relative.
pub(crate) const VEIL_SD: f64 = 0.15;
/// How far a learned edge is off, mm: part of every edge pixel's variance.
const SHAPE_SD_MM: f64 = 0.012;

/// What a fit ended with.
pub(crate) struct Fitted {
    /// The parameters.
    pub(crate) state: State,
    /// Their covariance.
    pub(crate) covariance: DMatrix<f64>,
    /// Weighted root mean square residual over its expected size.
    pub(crate) chi: f64,
    /// By layer: number of pieces of the sheet that show its edges.
    pub(crate) pieces: Vec<f64>,
    /// By layer: share of what its edges tell that fits the model.
    pub(crate) fitting: Vec<f64>,
    /// By layer: whether the last step was small against what is known of it.
    pub(crate) settled: Vec<bool>,
    /// By layer: why a block whose edges were not all seen has no place.
    pub(crate) why: Vec<Option<String>>,
}

impl Fitted {
    /// A colour block's veil and its standard error.
    pub(crate) fn veil(&self, layer: usize) -> Option<(f64, f64)> {
        let at = self.state.slots(layer).veil?;
        let se = self.covariance[(at, at)].max(0.0).sqrt();
        Some((self.state.veil[layer], se))
    }

    /// The median of the blocks' shares that fit.
    pub(crate) fn usual_fitting(&self) -> f64 {
        let mut all = self.fitting.clone();
        all.sort_by(f64::total_cmp);
        all.get(all.len() / 2).copied().unwrap_or(0.0)
    }
}

/// Sums of one pass over the pixels.
struct Pass {
    normal: DMatrix<f64>,
    gradient: DVector<f64>,
    cost: f64,
    weight: f64,
    tiles: std::collections::BTreeMap<u32, Tile>,
    /// What the levels of each piece come to.
    levels: Levels,
    /// By layer: what its edge pixels could tell, and what they do after
    /// those that do not fit are set aside.
    could: Vec<f64>,
    does: Vec<f64>,
}

/// Fits on one level.
pub(crate) struct Joint<'a> {
    /// The blocks.
    pub(crate) layers: &'a [Layer],
    /// Local paper and strengths.
    pub(crate) local: &'a Local,
    /// The scan at this resolution.
    pub(crate) level: &'a Level<'a>,
    /// What is likely before looking.
    pub(crate) prior: Prior,
    /// Whether retreat is fitted.
    pub(crate) retreat: bool,
}

impl Joint<'_> {
    fn model(&self) -> Model<'_> {
        Model {
            layers: self.layers,
            local: self.local,
            steps: [
                self.level.to_print.apply_vector(Point::new(1.0, 0.0)),
                self.level.to_print.apply_vector(Point::new(0.0, 1.0)),
            ],
            pixel: self.level.pixel,
        }
    }

    /// Steps until they are small.
    pub(crate) fn run(&self, sites: &Sites, start: &State, rounds: usize) -> Option<Fitted> {
        let mut state = start.clone();
        let mut noise = self.noise(sites, &state);
        let mut levels = Levels::new();
        let mut last = DVector::zeros(state.len());
        let (mut before, mut relax) = (f64::MAX, 1.0);
        for _ in 0..rounds {
            let pass = self.pass(sites, &state, noise, &levels);
            let solver = self.solver(&pass, &state, 1e-3)?;
            let step = solver.solve(&self.pull(&pass, &state));
            // A step longer than the blur's reach would jump over what it aims at.
            let longest = self.longest(&step, &state);
            // Steps that go to and fro are shortened.
            if longest > 0.7 * before {
                relax *= 0.6;
            }
            before = longest;
            let scale = (1.2 * self.level.pixel / longest.max(1e-12)).min(relax);
            last = step * scale;
            state.step(last.as_slice());
            levels = pass.levels;
            noise = self.noise(sites, &state);
            if longest < 0.03 * self.level.pixel {
                break;
            }
        }
        let pass = self.pass(sites, &state, noise, &levels);
        let solver = self.solver(&pass, &state, 0.0)?;
        let inverse = solver.inverse();
        let n = state.len();
        // Sandwich over pieces of the sheet.
        let mut meat = DMatrix::<f64>::zeros(n, n);
        for tile in pass.tiles.values() {
            meat.ger(1.0, &tile.pull, &tile.pull, 1.0);
        }
        #[allow(clippy::cast_precision_loss)]
        let tiles = pass.tiles.len() as f64;
        meat *= tiles / (tiles - 1.0).max(1.0);
        let prior = self.prior_precision(&state);
        for i in 0..n {
            meat[(i, i)] += prior[i];
        }
        let sandwich = between(&inverse, &meat);
        let chi2 = (pass.cost / pass.weight.max(1.0)).max(1e-12);
        let least = &inverse * chi2.max(1.0);
        let mut covariance = sandwich;
        for i in 0..n {
            // The larger of the two, correlations kept.
            let k = (least[(i, i)] / covariance[(i, i)].max(1e-300)).sqrt();
            if k > 1.0 {
                for j in 0..n {
                    covariance[(i, j)] *= k;
                    covariance[(j, i)] *= k;
                }
            }
        }
        let pieces = self.pieces(&pass);
        let settled = self.settled(&last, &state, &covariance);
        let fitting = pass
            .does
            .iter()
            .zip(&pass.could)
            .map(|(d, c)| if *c > 0.0 { d / c } else { 0.0 })
            .collect();
        Some(Fitted {
            state,
            covariance,
            chi: chi2.sqrt(),
            pieces,
            fitting,
            settled,
            why: vec![None; self.layers.len()],
        })
    }

    /// Number of pieces that count for each layer: (sum)^2 / sum of squares.
    fn pieces(&self, pass: &Pass) -> Vec<f64> {
        (0..self.layers.len())
            .map(|n| {
                let (mut sum, mut square) = (0.0, 0.0);
                for tile in pass.tiles.values() {
                    sum += tile.told[n];
                    square += tile.told[n] * tile.told[n];
                }
                if square > 0.0 {
                    sum * sum / square
                } else {
                    0.0
                }
            })
            .collect()
    }

    fn settled(&self, last: &DVector<f64>, state: &State, c: &DMatrix<f64>) -> Vec<bool> {
        (0..self.layers.len())
            .map(|n| {
                let slots = state.slots(n);
                let own = slots.ride.map_or(0..KEY, |at| at..at + RIDE);
                own.into_iter().all(|i| {
                    let se = c[(i, i)].max(0.0).sqrt();
                    last[i].abs() < (0.5 * se).max(0.05 * self.level.pixel)
                })
            })
            .collect()
    }

    /// Longest move that a step gives a block's edge, mm.
    fn longest(&self, step: &DVector<f64>, state: &State) -> f64 {
        let mut most: f64 = 0.0;
        for (n, _) in self.layers.iter().enumerate() {
            let s = state.slots(n);
            let moves = match s.ride {
                Some(at) => {
                    let d = (step[at].powi(2) + step[at + 1].powi(2)).sqrt();
                    let t = (step[at + 2].powi(2)
                        + step[at + 3].powi(2)
                        + step[at + 4].powi(2)
                        + step[at + 5].powi(2))
                    .sqrt();
                    d.max(t) + step[s.retreat].abs()
                }
                None => {
                    let x: f64 = step.rows(0, 6).iter().map(|v| v.abs()).sum();
                    let y: f64 = step.rows(6, 6).iter().map(|v| v.abs()).sum();
                    x.max(y) * 0.7
                }
            };
            most = most.max(moves);
        }
        most
    }

    fn prior_precision(&self, state: &State) -> Vec<f64> {
        let p = self.prior;
        let n = state.len();
        let mut out = vec![0.0; n];
        let inverse = |sd: f64| 1.0 / (sd * sd);
        for axis in 0..2 {
            out[6 * axis] = inverse(4.0);
            for i in 1..3 {
                out[6 * axis + i] = inverse(0.02 * state.half);
            }
            for i in 3..6 {
                out[6 * axis + i] = inverse(p.bend);
            }
        }
        for (layer, ride) in state.rides.iter().enumerate() {
            let s = state.slots(layer);
            if let Some(at) = s.ride {
                for (i, sd) in p.ride(ride.radius).into_iter().enumerate() {
                    out[at + i] = inverse(sd);
                }
            }
            out[s.retreat] = inverse(if self.retreat { p.retreat } else { 1e-5 });
            out[s.strength] = inverse(0.5);
            if let Some(at) = s.veil {
                out[at] = inverse(p.veil);
            }
        }
        out[n - 1] = inverse(0.6);
        out
    }

    /// Right-hand side: the data's pull and the priors'.
    fn pull(&self, pass: &Pass, state: &State) -> DVector<f64> {
        let mut g = pass.gradient.clone();
        let prior = self.prior_precision(state);
        let values = state.values();
        let last = state.len() - 1;
        for i in 0..state.len() {
            let rest = if i == last {
                0.8
            } else if (0..state.rides.len()).any(|n| state.slots(n).strength == i) {
                1.0
            } else {
                0.0
            };
            g[i] -= prior[i] * (values[i] - rest);
        }
        g
    }

    fn solver(&self, pass: &Pass, state: &State, damping: f64) -> Option<Cholesky<f64, Dyn>> {
        let mut m = pass.normal.clone();
        for (i, p) in self.prior_precision(state).into_iter().enumerate() {
            m[(i, i)] += p + damping * pass.normal[(i, i)] + 1e-12;
        }
        m.cholesky()
    }

    /// Size of the residuals by channel, relative to what light there is.
    fn noise(&self, sites: &Sites, state: &State) -> [f64; 3] {
        let model = self.model();
        let mut pixel = Pixel::new(self.layers.len());
        let mut sizes: [Vec<f64>; 3] = Default::default();
        let step = (sites.places.len() / 3000).max(1);
        for s in sites.places.iter().step_by(step) {
            model.pixel(state, s.place, &mut pixel);
            for c in 0..3 {
                sizes[c].push((s.value[c] - pixel.value[c]).abs() / light(&pixel, c));
            }
        }
        sizes.map(|mut v| {
            if v.is_empty() {
                return 0.05;
            }
            let mid = v.len() / 2;
            let (_, m, _) = v.select_nth_unstable_by(mid, f64::total_cmp);
            (*m * 1.4826).max(0.002)
        })
    }

    fn pass(&self, sites: &Sites, state: &State, noise: [f64; 3], before: &Levels) -> Pass {
        let n = state.len();
        let model = self.model();
        let mut out = Pass {
            normal: DMatrix::zeros(n, n),
            gradient: DVector::zeros(n),
            cost: 0.0,
            weight: 0.0,
            tiles: std::collections::BTreeMap::new(),
            levels: Levels::new(),
            could: vec![0.0; self.layers.len()],
            does: vec![0.0; self.layers.len()],
        };
        let mut pixel = Pixel::new(self.layers.len());
        let mut entries: Vec<(usize, [f64; 3])> = Vec::with_capacity(n);
        let mut tones: Vec<(usize, [f64; 3])> = Vec::new();
        for site in &sites.places {
            model.pixel(state, site.place, &mut pixel);
            entries.clear();
            jacobian(state, site.place, &pixel, &mut entries);
            tile_levels::changes(state, &pixel, &mut tones);
            let known = before.get(&site.tile);
            let mut inverse = [0.0; 3];
            let mut residual = [0.0; 3];
            let mut rho = 0.0;
            for c in 0..3 {
                residual[c] = site.value[c] - pixel.value[c];
                let plain = noise[c] * light(&pixel, c);
                let edge: f64 = pixel.by_distance.iter().map(|d| d[c] * d[c]).sum();
                let veil: f64 = pixel
                    .by_veil
                    .iter()
                    .zip(&state.veil)
                    .map(|(by, v)| by[c] * v)
                    .sum();
                let variance = plain * plain
                    + edge * SHAPE_SD_MM * SHAPE_SD_MM
                    + veil * veil * VEIL_SD * VEIL_SD;
                inverse[c] = 1.0 / variance;
                // What the piece's levels explain is no misfit.
                let explained =
                    known.map_or(0.0, |l| tones.iter().map(|(a, j)| l[*a] * j[c]).sum());
                rho += (residual[c] - explained).powi(2) / variance / 3.0;
            }
            let robust = 1.0 / (1.0 + rho / (CAUCHY * CAUCHY));
            out.cost += robust * rho;
            out.weight += robust;
            // The three channels share paper and mottle: together they say
            // little more than one.
            let k = robust / 2.0;
            let tile = out
                .tiles
                .entry(site.tile)
                .or_insert_with(|| Tile::new(n, self.layers.len()));
            tile.add(&tones, &entries, inverse.map(|v| k * v), residual);
            let normal = out.normal.as_mut_slice();
            for (a, (i, ji)) in entries.iter().enumerate() {
                let mut pull = 0.0;
                let mut weighted = [0.0; 3];
                for c in 0..3 {
                    weighted[c] = k * inverse[c] * ji[c];
                    pull += weighted[c] * residual[c];
                }
                tile.pull[*i] += pull;
                for (j, jj) in &entries[..=a] {
                    let v = weighted[0] * jj[0] + weighted[1] * jj[1] + weighted[2] * jj[2];
                    normal[j * n + i] += v;
                }
            }
            for (n, d) in pixel.by_distance.iter().enumerate() {
                let told = (0..3).map(|c| inverse[c] * d[c] * d[c]).sum::<f64>();
                tile.told[n] += k * told;
                out.could[n] += told;
                out.does[n] += robust * told;
            }
        }
        // Entries come in the order of the parameters, so only one half is filled.
        for i in 0..n {
            for j in 0..i {
                let v = out.normal[(i, j)] + out.normal[(j, i)];
                out.normal[(i, j)] = v;
                out.normal[(j, i)] = v;
            }
        }
        let mut tiles = std::mem::take(&mut out.tiles);
        for (at, tile) in &mut tiles {
            let levels = tile.reduce(self.layers, &mut out.normal);
            out.gradient += &tile.pull;
            out.levels.insert(*at, levels);
        }
        out.tiles = tiles;
        out
    }
}

/// A M A, term by term: a library's matrix product picks its instructions by
/// the processor, and tables must not depend on that.
fn between(a: &DMatrix<f64>, m: &DMatrix<f64>) -> DMatrix<f64> {
    let product = |x: &DMatrix<f64>, y: &DMatrix<f64>| {
        let n = x.nrows();
        let mut out = DMatrix::<f64>::zeros(n, n);
        for j in 0..n {
            for k in 0..n {
                let v = y[(k, j)];
                if v != 0.0 {
                    for i in 0..n {
                        out[(i, j)] += x[(i, k)] * v;
                    }
                }
            }
        }
        out
    };
    product(&product(a, m), a)
}

/// Light that noise and mottle are proportional to.
fn light(pixel: &Pixel, c: usize) -> f64 {
    0.06 + pixel.value[c] / pixel.paper[c].max(0.05)
}

/// Change of a pixel's value with every parameter it depends on.
fn jacobian(state: &State, p: Point, pixel: &Pixel, out: &mut Vec<(usize, [f64; 3])>) {
    let mut total = [[0.0; 2]; 3];
    for g in &pixel.by_place {
        for c in 0..3 {
            total[c][0] += g[c][0];
            total[c][1] += g[c][1];
        }
    }
    if pixel.near.iter().any(|n| *n) {
        let f = state.basis(p);
        for axis in 0..2 {
            for (i, f) in f.iter().enumerate() {
                out.push((6 * axis + i, [0, 1, 2].map(|c| -total[c][axis] * f)));
            }
        }
    }
    for (n, near) in pixel.near.iter().enumerate() {
        let s = state.slots(n);
        if *near {
            if let Some(at) = s.ride {
                let q = state.rides[n].relative(pixel.record);
                let g = &pixel.by_place[n];
                out.push((at, [0, 1, 2].map(|c| -g[c][0])));
                out.push((at + 1, [0, 1, 2].map(|c| -g[c][1])));
                out.push((at + 2, [0, 1, 2].map(|c| g[c][0] * q.y - g[c][1] * q.x)));
                out.push((at + 3, [0, 1, 2].map(|c| -g[c][0] * q.x)));
                out.push((at + 4, [0, 1, 2].map(|c| -g[c][1] * q.y)));
                out.push((at + 5, [0, 1, 2].map(|c| -g[c][0] * q.y - g[c][1] * q.x)));
            }
            out.push((s.retreat, pixel.by_distance[n]));
        }
        if pixel.by_strength[n] != [0.0; 3] {
            out.push((s.strength, pixel.by_strength[n]));
        }
        if let Some(at) = s.veil
            && pixel.by_veil[n] != [0.0; 3]
        {
            out.push((at, pixel.by_veil[n]));
        }
    }
    if pixel.by_sigma != [0.0; 3] {
        out.push((state.len() - 1, pixel.by_sigma));
    }
}
