//! A first look: where each block lies within a few millimetres.
//!
//! At a low resolution absorptions add up, so the sheet less the other blocks'
//! ink is compared with a block's mask, place by place; the best place is the
//! one that explains most.

use restrike_ops::edge_map::REACH_MM;
use restrike_stage::Point;

use crate::layers::Layer;
use crate::level::Level;
use crate::paper::Paper;
use crate::state::State;

/// A block that seems to have printed with no more than this share of its ink, wherever
/// it is put, does not show at this resolution (the first idea of the paper may have taken
/// a wash for paper): the place that explains most is then chance.
const UNSEEN: f64 = 0.3;

/// Absorption of the sheet over its paper.
pub(crate) struct Absorbed {
    places: Vec<Point>,
    values: Vec<[f64; 3]>,
    pixel: f64,
}

/// What a layer's shifts are judged by.
#[derive(Default)]
struct Seen {
    /// Weight of all places near the layer, and their weighted sum.
    weight: f64,
    value: f64,
    /// Those it may come to lie on: the layer's own place, what is left of the
    /// sheet there, its weight.
    places: Vec<(Point, f64, f64)>,
}

/// Places to try.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Places<'a> {
    /// Shifts of up to so many steps each way.
    pub(crate) reach: i32,
    /// A step, mm.
    pub(crate) step: f64,
    /// Turns, radians.
    pub(crate) turns: &'a [f64],
    /// Another place has to explain more by this share to be taken.
    pub(crate) margin: f64,
}

impl Absorbed {
    /// A level's absorption, averaged over `factor` x `factor` of its pixels
    /// after the logarithm, within the sheet.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn new(
        level: &Level<'_>,
        paper: &Paper,
        area: restrike_stage::Rect,
        factor: usize,
    ) -> Self {
        let (w, h) = level.size();
        let (w, h) = (w / factor, h / factor);
        let mut places = Vec::new();
        let mut values = Vec::new();
        for j in 0..h {
            for i in 0..w {
                let mut sum = [0.0; 3];
                for y in j * factor..(j + 1) * factor {
                    for x in i * factor..(i + 1) * factor {
                        let v = level.pixel(x, y);
                        for c in 0..3 {
                            sum[c] -= libm::log(v[c].max(5e-3));
                        }
                    }
                }
                let n = (factor * factor) as f64;
                let half = factor as f64 / 2.0;
                let p = level.to_print.apply(Point::new(
                    i as f64 * factor as f64 + half,
                    j as f64 * factor as f64 + half,
                ));
                let base = paper.at(p);
                places.push(p);
                values.push(if area.contains(p) {
                    [0, 1, 2].map(|c| sum[c] / n + base[c])
                } else {
                    [f64::NAN; 3]
                });
            }
        }
        Self {
            places,
            values,
            pixel: level.pixel * factor as f64,
        }
    }

    /// Side of a pixel, mm.
    pub(crate) fn pixel(&self) -> f64 {
        self.pixel
    }

    /// A layer's coverage at a place, softened to this resolution.
    fn cover(&self, layer: &Layer, b: Point) -> f64 {
        let d = layer.rough.at(b);
        let c = (0.5 - d / self.pixel).clamp(0.0, 1.0);
        if c > 0.0 { c * layer.ink_at(b) } else { 0.0 }
    }

    /// The sheet less what all layers but one print; places outside are none.
    fn without(&self, layers: &[Layer], state: &State, but: usize) -> Vec<Option<(f64, f64)>> {
        let a = layers[but].absorption;
        let square: f64 = a.iter().map(|a| a * a).sum();
        self.places
            .iter()
            .zip(&self.values)
            .map(|(p, v)| {
                if v[0].is_nan() {
                    return None;
                }
                let k = state.record_place(*p);
                let mut left = *v;
                // The other blocks are laid only roughly yet: at their edges what
                // is left says little, and little is seen through their ink.
                let mut doubt = 0.05 * 0.05;
                for (n, layer) in layers.iter().enumerate() {
                    if n == but {
                        continue;
                    }
                    let c = self.cover(layer, state.block_place(n, k));
                    if c <= 0.0 {
                        continue;
                    }
                    let mut along = 0.0;
                    for ch in 0..3 {
                        left[ch] -= c * state.strength[n] * layer.absorption[ch];
                        along += layer.absorption[ch] * a[ch];
                    }
                    let edge = (4.0 * c * (1.0 - c)).max(0.0);
                    let off = along / square * (edge * edge * 0.25 + 0.01 * c).sqrt();
                    doubt += off * off;
                }
                let y = left.iter().zip(a).map(|(l, a)| l * a).sum::<f64>() / square;
                Some((y, 0.05 * 0.05 / doubt))
            })
            .collect()
    }

    /// What of the sheet a layer could explain within `most` mm of where it is.
    fn seen(
        &self,
        rest: &[Option<(f64, f64)>],
        layer: &Layer,
        place: &dyn Fn(Point) -> Point,
        most: f64,
    ) -> Seen {
        let near = layer.extent.grown(3.0 * self.pixel + 4.0);
        let mut seen = Seen::default();
        // Farther than this it prints nothing here wherever it is moved to;
        // beyond their reach distances tell no more than that.
        let far = (most + self.pixel / 2.0 + layer.rough.pitch).min(f64::from(REACH_MM));
        for (p, r) in self.places.iter().zip(rest) {
            let Some((y, k)) = *r else { continue };
            if k <= 0.0 || !near.contains(*p) {
                continue;
            }
            seen.weight += k;
            seen.value += k * y;
            let b = place(*p);
            if layer.rough.at(b) <= far {
                seen.places.push((b, y, k));
            }
        }
        seen
    }

    /// How much a block explains when moved by a shift, and its strength there.
    fn gain(&self, seen: &Seen, layer: &Layer, by: Point) -> (f64, f64) {
        let (w, sy) = (seen.weight, seen.value);
        let (mut sm, mut smm, mut smy) = (0.0, 0.0, 0.0);
        for (b, y, k) in &seen.places {
            let m = self.cover(layer, *b - by);
            if m > 0.0 {
                sm += k * m;
                smm += k * m * m;
                smy += k * m * y;
            }
        }
        if w <= 0.0 || smm <= 0.0 {
            return (0.0, 0.0);
        }
        let var = smm - sm * sm / w;
        let cov = smy - sm * sy / w;
        if var <= 1e-9 * smm || cov <= 0.0 {
            return (0.0, 0.0);
        }
        (cov * cov / var, cov / var)
    }

    /// Moves one layer to the best of a few places about where it is; one that is not seen stays.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn search(
        &self,
        layers: &[Layer],
        state: &mut State,
        which: usize,
        places: &Places<'_>,
    ) {
        let Places {
            reach,
            step,
            turns,
            margin,
        } = *places;
        let rest = self.without(layers, state, which);
        let layer = &layers[which];
        let key = which == state.key_at;
        let mut best = (f64::MIN, [0.0; 3], 0.0);
        for turn in turns.iter().copied() {
            // A shift moves all places alike: only the turn needs them anew.
            let turned = moved(state, which, [0.0, 0.0, turn]);
            let place = |p: Point| {
                let k = turned.record_place(p);
                if key { k } else { turned.block_place(which, k) }
            };
            let most = f64::from(reach) * step * std::f64::consts::SQRT_2;
            let seen = self.seen(&rest, layer, &place, most);
            for j in -reach..=reach {
                for i in -reach..=reach {
                    let by = [f64::from(i) * step, f64::from(j) * step, turn];
                    let gain = self.gain(&seen, layer, Point::new(by[0], by[1]));
                    // Of equal places the nearest.
                    let mut score = gain.0 * (1.0 - 1e-6 * f64::from(i * i + j * j));
                    if i != 0 || j != 0 {
                        score *= 1.0 - margin;
                    }
                    if score > best.0 {
                        best = (score, by, gain.1);
                    }
                }
            }
        }
        let stays = best.1 == [0.0; 3];
        if best.2 > UNSEEN && !(stays && margin > 0.0) {
            *state = moved(state, which, best.1);
            state.strength[which] = best.2.clamp(0.2, 2.5);
        }
    }
}

/// The state with one layer moved: shift in mm, turn in radians.
fn moved(state: &State, which: usize, by: [f64; 3]) -> State {
    let mut out = state.clone();
    if which == state.key_at {
        let turn = by[2] * state.half;
        out.key[0] += by[0];
        out.key[6] += by[1];
        out.key[2] -= turn;
        out.key[7] += turn;
    } else {
        let r = &mut out.rides[which];
        r.by[0] += by[0];
        r.by[1] += by[1];
        r.by[2] += by[2] * r.radius;
    }
    out
}
