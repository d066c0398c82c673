//! Pieces: what one overprint covers within one cell of the sheet. Which
//! blocks printed there is chosen for the piece as a whole, from its mean
//! colour and the placed shapes.

use std::collections::BTreeMap;

use restrike_ops::grid::Grid;
use restrike_ops::overprints::Subset;

use crate::gaussian::{Covariance, dot};
use crate::sheet::{Here, Sheet, cell_of};

/// Side of a cell, mm.
pub(crate) const CELL_MM: f64 = 4.0;
/// Pixels looked at lie about so far apart, mm.
const STEP_MM: f64 = 0.17;
/// A pixel this far off what the shapes say, in absorption, counts half.
const OFF: f64 = 0.15;
/// Fewest pixels that make a piece.
const FEWEST: f64 = 12.0;
/// Ink near an edge is another than inside: so near is left out, mm.
const RIM_MM: f64 = 0.1;
/// Paper under a piece is known so well, in logarithm: all channels together, each.
const PAPER_SD: [f64; 2] = [0.025, 0.01];
/// Flare and a scanner's black level leave so much light unknown in each channel, as a share
/// of full scale: in dark overprints it passes for ink.
const DARK_SD: f64 = 0.003;
/// Mean strength of a piece about what is expected, relative; of a gradation.
const STRENGTH_SD: f64 = 0.1;
const FADE_SD: f64 = 0.25;
/// Ink where no shape has any: strength about the usual, relative.
const STRAY_SD: f64 = 0.3;
/// Logarithm of the odds that a located block prints all over its shape, and
/// that it does not print elsewhere.
const INSIDE: f64 = 6.0;
const OUTSIDE: f64 = 8.0;
/// The same for a block whose place is not known, well inside and well outside, and for a
/// shape that was read off an impression of all blocks.
const LOST_INSIDE: f64 = 2.0;
const LOST_OUTSIDE: f64 = 4.0;
/// An answer has to be better than any other by so much, in logarithm of odds.
pub(crate) const DECIDED: f64 = 3.0;
/// A block is seen if the colour alone speaks for or against it so clearly.
const SEEN: f64 = 2.0;

/// Sums over the pixels of a piece.
#[derive(Debug, Clone)]
pub(crate) struct Piece {
    /// Blocks by the placed shapes.
    pub(crate) shapes: Subset,
    /// Cell it lies in.
    pub(crate) cell: usize,
    /// Pixels.
    pub(crate) count: f64,
    /// Their weights.
    weight: f64,
    /// Mean absorption beyond what the shapes say.
    pub(crate) beyond: [f64; 3],
    /// Mean reflectance.
    pub(crate) light: [f64; 3],
    /// Mean strength expected of each block.
    pub(crate) strength: Vec<f64>,
    /// Mean distance to each block's edge, mm.
    distance: Vec<f64>,
    /// Mean square of the pixels' beyond, channels together, about its mean.
    pub(crate) spread: f64,
    /// Blocks that printed.
    pub(crate) label: Subset,
    /// Another answer that fits as well.
    pub(crate) rival: Option<Subset>,
    /// Blocks whose presence the colour itself tells.
    pub(crate) seen: Subset,
}

/// All pieces of a sheet.
#[derive(Debug, Clone)]
pub(crate) struct Pieces {
    /// The cells.
    pub(crate) grid: Grid,
    /// By cell and blocks.
    pub(crate) map: BTreeMap<(usize, u32), Piece>,
    /// Blocks whose strength is that of where they lie alone ([`crate::alone`]).
    pub(crate) anchored: Subset,
}

impl Pieces {
    /// Gathers the pieces and chooses each one's blocks.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn of(sheet: &Sheet<'_>) -> Self {
        let grid = sheet.cells(CELL_MM);
        let mut map: BTreeMap<(usize, u32), Piece> = BTreeMap::new();
        let step = ((STEP_MM / sheet.pixel).round() as usize).max(1);
        let rim = RIM_MM.max(2.0 * sheet.pixel);
        let blocks = sheet.blocks.len();
        let mut here = Here::new();
        for y in (0..sheet.scan.height()).step_by(step) {
            for x in (0..sheet.scan.width()).step_by(step) {
                if !sheet.look(x, y, &mut here) {
                    continue;
                }
                if (0..blocks).any(|n| here.distance[n].abs() < rim) {
                    continue;
                }
                let cell = cell_of(grid, here.place);
                let seen = sheet.seen(x, y);
                let beyond = beyond(sheet, &here, seen);
                let piece = map.entry((cell, here.inside.0)).or_insert_with(|| Piece {
                    shapes: here.inside,
                    cell,
                    count: 0.0,
                    weight: 0.0,
                    beyond: [0.0; 3],
                    light: [0.0; 3],
                    strength: vec![0.0; blocks],
                    distance: vec![0.0; blocks],
                    spread: 0.0,
                    label: here.inside,
                    rival: None,
                    seen: Subset(0),
                });
                piece.count += 1.0;
                // What is otherwise in a part of the piece must not speak for all of it;
                // where all of it is, all count the same.
                let off = dot(beyond, beyond);
                let weight = 1.0 / (1.0 + off / (OFF * OFF));
                piece.weight += weight;
                let mut mean = 0.0;
                for (sum, v) in piece.beyond.iter_mut().zip(beyond) {
                    *sum += weight * v;
                    mean += v / 3.0;
                }
                piece.spread += weight * mean * mean;
                for (sum, v) in piece.light.iter_mut().zip(seen) {
                    *sum += v;
                }
                for n in 0..blocks {
                    piece.distance[n] += here.distance[n];
                    piece.strength[n] += here.strength[n];
                }
            }
        }
        map.retain(|_, p| p.count >= FEWEST);
        for p in map.values_mut() {
            let k = 1.0 / p.count;
            let own = 1.0 / p.weight;
            p.beyond = p.beyond.map(|v| v * own);
            let mean = p.beyond.iter().sum::<f64>() / 3.0;
            p.spread = (p.spread * own - mean * mean).max(0.0);
            p.light = p.light.map(|v| v * k);
            for n in 0..blocks {
                p.strength[n] *= k;
                p.distance[n] *= k;
            }
            p.choose(sheet);
        }
        Self {
            grid,
            map,
            anchored: Subset(0),
        }
    }

    /// Leaves out overprints of inks whose strength is from where they lie alone: they would be
    /// fitted by another strength.
    pub(crate) fn leave_out_overprints(&mut self) {
        let anchored = self.anchored.0;
        self.map
            .retain(|_, p| p.shapes.count() < 2 || p.shapes.0 & anchored == 0);
    }

    /// What was chosen for a pixel's piece.
    pub(crate) fn of_pixel(&self, here: &Here) -> Option<&Piece> {
        self.map
            .get(&(cell_of(self.grid, here.place), here.inside.0))
    }
}

/// Absorption of a pixel beyond what the shapes say.
fn beyond(sheet: &Sheet<'_>, here: &Here, seen: [f64; 3]) -> [f64; 3] {
    let paper = sheet.log_paper(here.place);
    let more = sheet.overprint(here.inside, &here.strength);
    let mut out = [0.0; 3];
    for c in 0..3 {
        let mut said = 0.0;
        for (n, b) in sheet.blocks.iter().enumerate() {
            if here.inside.has(n) {
                said += here.strength[n] * b.absorption[c];
            }
        }
        out[c] = (paper[c] - libm::log(seen[c].max(0.004)) - said - more[c]).clamp(-3.0, 3.0);
    }
    out
}

impl Piece {
    /// How far flare and a scanner's black level leave its light unknown, in logarithm.
    pub(crate) fn dark(&self, c: usize) -> f64 {
        DARK_SD / self.light[c].max(DARK_SD)
    }

    /// How well a set of blocks explains the piece: the colour's part and the shapes'.
    fn score(&self, sheet: &Sheet<'_>, label: Subset) -> (f64, f64) {
        let mut mean = self.beyond;
        let mut c = Covariance::diagonal([0, 1, 2].map(|c| {
            let dark = self.dark(c);
            PAPER_SD[1] * PAPER_SD[1] + dark * dark
        }));
        c.add(PAPER_SD[0] * PAPER_SD[0], [1.0; 3]);
        let mut odds = 0.0;
        if label != self.shapes {
            let (was, is) = (
                sheet.overprint(self.shapes, &self.strength),
                sheet.overprint(label, &self.strength),
            );
            for c in 0..3 {
                mean[c] += was[c] - is[c];
            }
        }
        for (n, b) in sheet.blocks.iter().enumerate() {
            let (was, is) = (self.shapes.has(n), label.has(n));
            let expected = if was {
                self.strength[n]
            } else {
                sheet.usual_strength(n)
            };
            if was != is {
                let sign = if is { -1.0 } else { 1.0 };
                for (m, a) in mean.iter_mut().zip(b.absorption) {
                    *m += sign * expected * a;
                }
            }
            if is {
                let relative = match (was, b.fade) {
                    (false, _) => STRAY_SD,
                    (true, false) => STRENGTH_SD,
                    (true, true) => FADE_SD,
                };
                let sd = relative * expected + if b.fade { 0.03 } else { 0.0 };
                c.add(sd * sd, b.absorption);
            }
            odds -= self.against(sheet, n, is);
        }
        (c.precision().log_density(mean), odds)
    }

    /// Logarithm of the odds against a block's printing here, or not printing here.
    fn against(&self, sheet: &Sheet<'_>, n: usize, printed: bool) -> f64 {
        let block = &sheet.blocks[n];
        // Near its outline a block that is known roughly may or may not be there.
        let far = if block.place.located() {
            1.0
        } else {
            (self.distance[n].abs() / block.within).min(1.0)
        };
        let [inside, outside] = if block.proved && block.place.se_mm.is_some() {
            [INSIDE, OUTSIDE]
        } else {
            [LOST_INSIDE, LOST_OUTSIDE]
        };
        match (self.shapes.has(n), printed) {
            (true, false) => inside * far,
            (false, true) => outside * far,
            _ => 0.0,
        }
    }

    /// Chooses the blocks by going from answer to better answer, one block put
    /// in or taken out at a time or one exchanged for another.
    fn choose(&mut self, sheet: &Sheet<'_>) {
        let blocks = sheet.blocks.len();
        let total = |label| {
            let (colour, odds) = self.score(sheet, label);
            colour + odds
        };
        let mut label = self.shapes;
        let mut best = total(label);
        let mut rival = None;
        for _ in 0..6 {
            rival = None;
            for other in neighbours(label, blocks) {
                let score = total(other);
                if rival.is_none_or(|(s, _)| score > s) {
                    rival = Some((score, other));
                }
            }
            match rival {
                Some((score, other)) if score > best => {
                    (best, label) = (score, other);
                }
                _ => break,
            }
        }
        let colour = self.score(sheet, label).0;
        let mut seen = Subset(0);
        for n in 0..blocks {
            if colour - self.score(sheet, label.flipped(n)).0 > SEEN {
                seen = seen.flipped(n);
            }
        }
        self.rival = rival
            .filter(|(score, other)| best - score < DECIDED && *other != label)
            .map(|r| r.1);
        self.label = label;
        self.seen = seen;
    }
}

/// Answers one step away.
fn neighbours(label: Subset, blocks: usize) -> impl Iterator<Item = Subset> {
    let one = (0..blocks).map(move |n| label.flipped(n));
    let two = (0..blocks)
        .filter(move |n| label.has(*n))
        .flat_map(move |n| {
            (0..blocks)
                .filter(move |m| !label.has(*m))
                .map(move |m| label.flipped(n).flipped(m))
        });
    one.chain(two)
}
