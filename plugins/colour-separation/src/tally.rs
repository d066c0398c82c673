//! What is counted of a block over a sheet or one of its images.

use std::collections::BTreeMap;

use restrike_ops::overprints::Subset;
use restrike_stage::Point;

use crate::pixel::Answer;
use crate::sheet::{Here, Sheet};

/// Side of the tiles that mottle and gradations are taken from, mm.
pub(crate) const TILE_MM: f64 = 1.0;
/// A pixel is covered whole from here on.
const WHOLE: f64 = 0.97;

/// Sums over a tile of a block.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Tile {
    /// Pixels.
    pub(crate) count: f64,
    /// Sum of strengths.
    pub(crate) strength: f64,
    /// Pixels where the block lies alone on the paper, and the sum of their
    /// strengths over the smooth one less one, read off the pixel alone.
    pub(crate) alone: f64,
    pub(crate) uneven: f64,
}

/// Sums over what a block printed.
#[derive(Debug, Clone, Default)]
pub(crate) struct BlockTally {
    /// Pixels it printed.
    pub(crate) printed: f64,
    /// Pixels of its placed shape; of a gradation's, where the record has ink.
    pub(crate) shape: f64,
    /// Pixels of both, and of either.
    pub(crate) both: f64,
    pub(crate) either: f64,
    /// Of either: those where the answer is sure; those where the colour itself tells.
    pub(crate) sure: f64,
    pub(crate) seen: f64,
    /// Pixels covered whole, with the sum of strengths.
    pub(crate) whole: f64,
    pub(crate) strength: f64,
    /// Pixels where it lies alone, and the sum of their reflectances and of the paper's.
    pub(crate) alone: f64,
    pub(crate) light: [f64; 3],
    /// Sum of the paper's reflectance over all it printed.
    pub(crate) paper: [f64; 3],
    /// Pairs of answers between which a pixel could not be decided.
    pub(crate) pairs: BTreeMap<(Subset, Subset), f64>,
    /// Tiles by cell.
    pub(crate) tiles: BTreeMap<(i32, i32), Tile>,
}

/// Sums over a sheet or an image.
#[derive(Debug, Clone, Default)]
pub(crate) struct Tally {
    /// By block.
    pub(crate) blocks: Vec<BlockTally>,
    /// Pixels; sure ones; ones that nothing explains.
    pub(crate) pixels: f64,
    pub(crate) sure: f64,
    pub(crate) strange: f64,
    /// Sum of squared residuals in absorption.
    pub(crate) square: f64,
}

impl Tally {
    /// For so many blocks.
    pub(crate) fn new(blocks: usize) -> Self {
        Self {
            blocks: vec![BlockTally::default(); blocks],
            ..Self::default()
        }
    }

    /// Counts a pixel.
    #[allow(clippy::cast_possible_truncation)]
    pub(crate) fn add(
        &mut self,
        sheet: &Sheet<'_>,
        here: &Here,
        answer: &Answer,
        seen: [f64; 3],
        told: Subset,
    ) {
        self.pixels += 1.0;
        self.sure += f64::from(u8::from(answer.sure));
        self.strange += f64::from(u8::from(answer.strange));
        let residual = (0..3)
            .map(|c| libm::log(answer.model[c].max(0.004) / seen[c].max(0.004)))
            .sum::<f64>()
            / 3.0;
        self.square += residual * residual;
        let cell = (
            (here.place.x / TILE_MM).floor() as i32,
            (here.place.y / TILE_MM).floor() as i32,
        );
        for (n, b) in sheet.blocks.iter().enumerate() {
            // Past a gradation's end nothing is missing.
            let shape = here.inside.has(n) && !here.faded.has(n);
            let label = answer.label.has(n);
            if !(label || here.inside.has(n)) {
                if let Some(r) = answer.rival.filter(|r| r.has(n) && !answer.sure) {
                    *self.blocks[n].pairs.entry((answer.label, r)).or_default() += 1.0;
                }
                continue;
            }
            let t = &mut self.blocks[n];
            if label || shape {
                t.either += 1.0;
                if answer.sure {
                    t.sure += 1.0;
                } else if let Some(r) = answer.rival.filter(|r| r.has(n) != label) {
                    *t.pairs.entry((answer.label, r)).or_default() += 1.0;
                }
                t.seen += f64::from(u8::from(told.has(n)));
                t.shape += f64::from(u8::from(shape));
            }
            if !label {
                // Where a gradation has faded out its profile goes on with nothing. (A void counts
                // too; voids are few.)
                if b.fade && answer.sure && !answer.strange && !here.near.has(n) {
                    t.tiles.entry(cell).or_default().count += 1.0;
                }
                continue;
            }
            t.printed += 1.0;
            t.both += f64::from(u8::from(shape));
            for c in 0..3 {
                t.paper[c] += answer.paper[c];
            }
            if answer.cover[n] < WHOLE || answer.strange {
                continue;
            }
            t.whole += 1.0;
            t.strength += answer.strength[n];
            let tile = t.tiles.entry(cell).or_default();
            tile.count += 1.0;
            tile.strength += answer.strength[n];
            let expected = answer.expected[n];
            if answer.label == Subset(0).flipped(n)
                && here.near == Subset(0)
                && expected > 0.3
                && answer.sure
            {
                t.alone += 1.0;
                let (mut up, mut down) = (0.0, 0.0);
                for c in 0..3 {
                    t.light[c] += seen[c];
                    let a = b.absorption[c];
                    let seen = libm::log(answer.paper[c] / seen[c].max(0.004));
                    up += a * (seen - a * expected);
                    down += a * a * expected;
                }
                tile.alone += 1.0;
                tile.uneven += up / down.max(1e-6);
            }
        }
    }
}

impl BlockTally {
    /// Standard deviation of the ink over tiles where it lies alone, relative to
    /// the smooth strength; none from too few.
    pub(crate) fn mottle(&self) -> Option<f64> {
        let means: Vec<f64> = self
            .tiles
            .values()
            .filter(|t| t.alone >= 20.0)
            .map(|t| t.uneven / t.alone)
            .collect();
        if means.len() < 12 {
            return None;
        }
        #[allow(clippy::cast_precision_loss)]
        let n = means.len() as f64;
        let mean = means.iter().sum::<f64>() / n;
        Some((means.iter().map(|m| (m - mean) * (m - mean)).sum::<f64>() / (n - 1.0)).sqrt())
    }

    /// Middles of tiles with their mean strength.
    pub(crate) fn strengths(&self) -> Vec<(Point, f64, f64)> {
        self.tiles
            .iter()
            .filter(|(_, t)| t.count > 0.0)
            .map(|((i, j), t)| {
                let at = Point::new(
                    (f64::from(*i) + 0.5) * TILE_MM,
                    (f64::from(*j) + 0.5) * TILE_MM,
                );
                (at, t.strength / t.count, t.count)
            })
            .collect()
    }
}
