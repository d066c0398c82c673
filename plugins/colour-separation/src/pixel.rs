//! One pixel: which blocks printed there, with how much ink, over how much of it.
//!
//! The placed shapes, smooth strengths and paper predict the pixel; light is
//! mixed within it in linear reflectance. What the pixel shows beyond that is
//! shared out among its causes (strength of each ink, place of each edge,
//! paper, noise) by their variances: one step of an extended Kalman filter
//! (Kalman 1960). A pixel that this cannot explain is held against other
//! answers: a block that did not print, printed weakly, printed where it has
//! no shape; or dust.

use restrike_ops::ink_body::Laid;
use restrike_ops::overprints::Subset;
use restrike_stage::Point;

use crate::blur::Blur;
use crate::gaussian::{Covariance, dot};
use crate::pieces::Piece;
use crate::rim::{Rim, WIDTH};
use crate::sheet::{Here, MOST, PRINTED, Sheet};

mod other;

/// Squared distance from which other answers are looked at: one pixel in a hundred by chance.
const ODD: f64 = 11.3;
/// An edge is decided if it is so many standard deviations away.
const EDGE_DECIDED: f64 = 1.0;
/// Sensor noise in the dark and as a share of the light.
const READ: f64 = 0.003;
const SHARE: f64 = 0.008;

/// How uneven paper and inks are, by pixel.
#[derive(Debug, Clone)]
pub(crate) struct Noise {
    /// Paper, relative.
    pub(crate) paper: f64,
    /// Strength of each block's ink, relative.
    pub(crate) mottle: Vec<f64>,
}

/// What is said of a pixel.
#[derive(Debug, Clone)]
pub(crate) struct Answer {
    /// Blocks that printed at its centre.
    pub(crate) label: Subset,
    /// Whether no other answer is nearly as good.
    pub(crate) sure: bool,
    /// The other answer, where one is.
    pub(crate) rival: Option<Subset>,
    /// Nothing explains it: dust or damage to the paper.
    pub(crate) strange: bool,
    /// Strength of each block's ink where it covers the pixel.
    pub(crate) strength: [f64; MOST],
    /// Smooth strength it was expected to have.
    pub(crate) expected: [f64; MOST],
    /// Share of the pixel each block covers.
    pub(crate) cover: [f64; MOST],
    /// The same blurred as the scan.
    blurred: [f64; MOST],
    /// Reflectance by paper, strengths and covers.
    pub(crate) model: [f64; 3],
    /// The bare paper's.
    pub(crate) paper: [f64; 3],
}

impl Answer {
    /// To be filled.
    pub(crate) fn new() -> Self {
        Self {
            label: Subset(0),
            sure: true,
            rival: None,
            strange: false,
            strength: [0.0; MOST],
            expected: [0.0; MOST],
            cover: [0.0; MOST],
            blurred: [0.0; MOST],
            model: [0.0; 3],
            paper: [0.0; 3],
        }
    }
}

/// A block that may have ink in the pixel.
#[derive(Debug, Clone, Copy)]
struct Item {
    block: usize,
    strength: f64,
    strength_sd: f64,
    /// So much of it.
    laid: Laid,
    /// Inside and in the rim, where its edge is near.
    inner: Laid,
    outer: Laid,
    cover: f64,
    /// Its edge runs through the pixel's blur.
    near: bool,
    /// Change of the pixel with strength and with the edge's place.
    by_strength: [f64; 3],
    by_edge: [f64; 3],
}

impl Item {
    const NONE: Self = Self {
        block: 0,
        strength: 0.0,
        strength_sd: 0.0,
        laid: Laid::NONE,
        inner: Laid::NONE,
        outer: Laid::NONE,
        cover: 0.0,
        near: false,
        by_strength: [0.0; 3],
        by_edge: [0.0; 3],
    };
}

/// What answers a pixel of a sheet.
pub(crate) struct Reader<'s> {
    sheet: &'s Sheet<'s>,
    noise: Noise,
    blur: Blur,
}

impl<'s> Reader<'s> {
    /// For a sheet with this noise.
    pub(crate) fn new(sheet: &'s Sheet<'s>, noise: Noise) -> Self {
        Self {
            sheet,
            noise,
            blur: Blur::new(sheet),
        }
    }

    /// Reads a pixel. `fields` are the corrections at its place.
    pub(crate) fn read(
        &self,
        here: &Here,
        piece: Option<&Piece>,
        fields: &[f64],
        seen: [f64; 3],
        out: &mut Answer,
    ) {
        let sheet = self.sheet;
        let changed = piece.map_or(Subset(0), |p| Subset(p.label.0 ^ p.shapes.0));
        let log_paper = sheet.log_paper(here.place);
        let paper = [0, 1, 2].map(|c| libm::exp(log_paper[c] + fields[c]));
        let mut items = [Item::NONE; MOST];
        let mut count = 0;
        out.paper = paper;
        out.rival = piece.and_then(|p| p.rival).map(|r| {
            // The piece's rival as seen from this pixel.
            Subset(here.inside.0 ^ piece.map_or(0, |p| p.shapes.0) ^ r.0)
        });
        for n in sheet.printed.iter().copied() {
            out.strength[n] = 0.0;
            out.expected[n] = 0.0;
            out.cover[n] = 0.0;
            out.blurred[n] = 0.0;
            let (inside, near) = (here.inside.has(n), here.near.has(n));
            let put_in = changed.has(n) && !inside;
            let taken_out = changed.has(n) && inside;
            if taken_out || !(inside || near || put_in) {
                continue;
            }
            let item = self.item(n, here, fields[3 + n], put_in);
            out.expected[n] = item.strength;
            items[count] = item;
            count += 1;
        }
        let items = &mut items[..count];
        let model = self.predict(here, paper, items);
        self.slopes(here, model, items);
        let covariance = self.covariance(model, items, None, None);
        let precision = covariance.precision();
        let left = [0, 1, 2].map(|c| seen[c] - model[c]);
        let pull = precision.times(left);
        let square = dot(left, pull);
        let mut label = Subset(here.inside.0 ^ changed.0);
        out.sure = out.rival.is_none();
        out.strange = false;
        let mut switched = None;
        if square > ODD {
            switched = self.other(here, model, items, seen, precision.log_density(left), out);
        }
        for item in items.iter() {
            let n = item.block;
            let mut s =
                item.strength + item.strength_sd * item.strength_sd * dot(item.by_strength, pull);
            let mut blurred = item.cover;
            let mut cover = 1.0;
            if item.near {
                let sd = sheet.blocks[n].edge_sd;
                let moved = sd * sd * dot(item.by_edge, pull);
                let left = (1.0 - sd * sd * dot(item.by_edge, precision.times(item.by_edge)))
                    .clamp(0.0, 1.0);
                let d = here.distance[n] + moved.clamp(-3.0 * sd, 3.0 * sd);
                blurred = (blurred + self.edge_rate(here.distance[n]) * moved).clamp(0.0, 1.0);
                cover = (0.5 - d / sheet.pixel).clamp(0.0, 1.0);
                if label.has(n) != (d < 0.0) {
                    label = label.flipped(n);
                }
                if d.abs() < EDGE_DECIDED * sd * left.sqrt() && item.strength > PRINTED {
                    out.sure = false;
                }
            }
            if let Some((other, weak)) = switched {
                if other == n && weak {
                    s = self.weak_strength(item, model, items, seen);
                } else if other == n {
                    s = 0.0;
                }
            }
            out.strength[n] = s.max(0.0);
            out.cover[n] = cover;
            out.blurred[n] = blurred;
        }
        match switched {
            Some((n, false)) => {
                if out.expected[n] == 0.0 {
                    // Ink where the block has no shape.
                    out.strength[n] = sheet.usual_strength(n);
                    out.cover[n] = 1.0;
                    out.blurred[n] = 1.0;
                }
                label = label.flipped(n);
            }
            Some((n, true)) => {
                let there = out.strength[n] >= PRINTED;
                if label.has(n) != there {
                    label = label.flipped(n);
                }
            }
            None => {}
        }
        // Ink too thin to be called printed.
        for (n, b) in sheet.blocks.iter().enumerate() {
            if b.fade && label.has(n) {
                let s = out.expected[n];
                if s < PRINTED {
                    label = label.flipped(n);
                }
                if (s - PRINTED).abs() < 0.3 * PRINTED {
                    out.sure = false;
                }
            }
        }
        out.label = label;
        out.model = self.composed(paper, out);
    }

    fn item(&self, n: usize, here: &Here, correction: f64, put_in: bool) -> Item {
        let block = &self.sheet.blocks[n];
        let strength = if put_in {
            self.sheet.usual_strength(n)
        } else {
            (here.strength[n] * (1.0 + correction)).max(0.0)
        };
        let near = here.near.has(n) && !put_in;
        let rim = &block.rim;
        let (mut inner, mut outer) = (Laid::NONE, Laid::NONE);
        if near {
            (inner, outer) = (
                block.laid(strength),
                block.laid(strength * (1.0 + rim.more)),
            );
        }
        // What the pixel itself holds of the rim.
        let strength = if here.distance[n] > -WIDTH - self.sheet.pixel && !put_in {
            strength * (1.0 + rim.more * Rim::share(here.distance[n], self.sheet.pixel))
        } else {
            strength
        };
        let floor = if block.fade { 0.02 } else { 0.0 };
        Item {
            block: n,
            strength,
            strength_sd: self.noise.mottle[n] * strength + floor,
            laid: block.laid(strength),
            inner,
            outer,
            cover: 1.0,
            near,
            ..Item::NONE
        }
    }

    /// Reflectance by the model: sharp shapes over each other, then blurred.
    fn predict(&self, here: &Here, paper: [f64; 3], items: &mut [Item]) -> [f64; 3] {
        let mut ground = paper;
        for i in items.iter().filter(|i| !i.near) {
            for (g, t) in ground.iter_mut().zip(i.laid.through()) {
                *g *= t;
            }
        }
        if items.iter().all(|i| !i.near) {
            return self.overprinted(ground, items, [0.0; MOST]);
        }
        let mut value = [0.0; 3];
        for i in items.iter_mut().filter(|i| i.near) {
            i.cover = 0.0;
        }
        let places: [Point; MOST] = std::array::from_fn(|i| {
            items.get(i).map_or(Point::default(), |item| {
                self.sheet.own_place(item.block, here.record)
            })
        });
        let mut covers = [0.0; MOST];
        let mut passed = [Laid::NONE; MOST];
        for (g, offset) in self.blur.kernel.iter().zip(&self.blur.offsets) {
            for (n, (i, at)) in items.iter_mut().zip(places).enumerate() {
                covers[n] = 1.0;
                passed[n] = i.laid;
                if !i.near {
                    continue;
                }
                let block = &self.sheet.blocks[i.block];
                let d = block.shape.edges.at(at + *offset) + block.place.retreat_mm;
                let c = self.blur.cover(d);
                i.cover += g * c;
                covers[n] = c;
                let rim = Rim::share(d, self.blur.step());
                passed[n] = i.inner.towards(&i.outer, rim);
            }
            let layers = items.iter().zip(covers).zip(&passed);
            let light = if self.sheet.by_body(covering(items, covers)) {
                let light = over(layers.map(|((_, c), laid)| (c, *laid)));
                [0, 1, 2].map(|k| paper[k] * light[k])
            } else {
                let mut light = ground;
                for ((_, c), laid) in layers.filter(|((i, _), _)| i.near) {
                    for (l, t) in light.iter_mut().zip(laid.through()) {
                        *l *= 1.0 - c * (1.0 - t);
                    }
                }
                self.overprinted(light, items, covers)
            };
            for (v, l) in value.iter_mut().zip(light) {
                *v += g * l;
            }
        }
        value
    }

    /// Light that layers let pass, with what the overprint there has beyond their sum. Items
    /// near their edge are there where they cover half.
    fn overprinted(&self, light: [f64; 3], items: &[Item], covers: [f64; MOST]) -> [f64; 3] {
        if self.sheet.adds_up() {
            return light;
        }
        let mut strength = [0.0; MOST];
        for i in items {
            strength[i.block] = i.strength;
        }
        let more = self.sheet.overprint(covering(items, covers), &strength);
        [0, 1, 2].map(|c| light[c] * libm::exp(-more[c]))
    }

    /// Change of a straight edge's cover with its distance, per mm.
    fn edge_rate(&self, d: f64) -> f64 {
        let b = self.sheet.blur;
        -libm::exp(-0.5 * (d / b) * (d / b)) / (b * (2.0 * std::f64::consts::PI).sqrt())
    }

    fn slopes(&self, here: &Here, model: [f64; 3], items: &mut [Item]) {
        let set = covering(
            items,
            std::array::from_fn(|n| items.get(n).map_or(0.0, |i| i.cover)),
        );
        let body = self.sheet.by_body(set);
        let mut under = [[1.0; 3]; MOST];
        let mut light = [1.0; 3];
        let laid = |i: &Item| {
            if body { i.laid } else { i.laid.transparent() }
        };
        for (n, i) in items.iter().enumerate() {
            under[n] = light;
            light = laid(i).over(light, i.cover);
        }
        // How the light over all changes with that over each, from the top down.
        let mut by = [0, 1, 2].map(|c| model[c] / light[c].max(1e-6));
        for (n, i) in items.iter_mut().enumerate().rev() {
            let block = &self.sheet.blocks[i.block];
            let more_veil = if body { block.place.veil } else { 0.0 };
            let laid = laid(i);
            let rate = if i.near {
                self.edge_rate(here.distance[i.block])
            } else {
                0.0
            };
            for c in 0..3 {
                let r = under[n][c];
                i.by_strength[c] = by[c]
                    * i.cover
                    * (laid.by_absorbed(c, r) * block.absorption[c]
                        + laid.by_veil(c, r) * more_veil);
                i.by_edge[c] = by[c] * (laid.shown(c, r) - r) * rate;
                by[c] *= 1.0 - i.cover + i.cover * laid.by_light(c, r);
            }
        }
    }

    /// Covariance of a pixel about the model; without a block, or with one's
    /// strength known less well.
    fn covariance(
        &self,
        model: [f64; 3],
        items: &[Item],
        without: Option<usize>,
        loose: Option<(usize, f64)>,
    ) -> Covariance {
        let mut c = Covariance::diagonal(
            model.map(|m| READ * READ + SHARE * SHARE * m.max(0.0) * m.max(0.0)),
        );
        c.add(self.noise.paper * self.noise.paper, model);
        for i in items.iter().filter(|i| without != Some(i.block)) {
            let sd = match loose {
                Some((n, sd)) if n == i.block => sd,
                _ => i.strength_sd,
            };
            c.add(sd * sd, i.by_strength);
            if i.near {
                let sd = self.sheet.blocks[i.block].edge_sd;
                c.add(sd * sd, i.by_edge);
            }
        }
        c
    }

    /// Reflectance by what was found.
    fn composed(&self, paper: [f64; 3], out: &Answer) -> [f64; 3] {
        let printed = || {
            let printed = self.sheet.printed.iter().copied();
            printed.filter(|n| out.strength[*n] > 0.0 && out.blurred[*n] > 0.0)
        };
        let mut set = Subset(0);
        for n in printed().filter(|n| out.blurred[*n] > 0.5) {
            set = set.flipped(n);
        }
        let body = self.sheet.by_body(set);
        let light = over(printed().map(|n| {
            let laid = self.sheet.blocks[n].laid(out.strength[n]);
            let laid = if body { laid } else { laid.transparent() };
            (out.blurred[n], laid)
        }));
        let more = if body || self.sheet.adds_up() {
            [0.0; 3]
        } else {
            self.sheet.overprint(set, &out.strength)
        };
        [0, 1, 2].map(|c| paper[c] * light[c] * libm::exp(-more[c]))
    }
}

/// Blocks that cover a place; those away from their edge cover all of it.
fn covering(items: &[Item], covers: [f64; MOST]) -> Subset {
    let mut set = Subset(0);
    for (i, c) in items.iter().zip(covers) {
        if !i.near || c > 0.5 {
            set = set.flipped(i.block);
        }
    }
    set
}

/// Light relative to the paper's over layers from the lowest up: share covered, and the ink.
fn over(layers: impl Iterator<Item = (f64, Laid)>) -> [f64; 3] {
    layers.fold([1.0; 3], |r, (cover, laid)| laid.over(r, cover))
}
