//! How strong an ink is where it lies alone.
//!
//! Registration reads a block's strength off all it prints, with the bodies it finds in the
//! model of the inks. Where layered light is another still, a block that mostly lies under or over
//! others is given a strength by which the overprint comes out right and the ink itself does not.
//! Where it lies alone on the paper its strength is what it is. If the two differ it is taken from
//! there, and the overprint is what is to be learned.

use restrike_ops::overprints::Subset;
use restrike_ops::stats::{mad_sigma, median};

use crate::gaussian::dot;
use crate::pieces::Pieces;
use crate::sheet::Sheet;

/// Fewest pieces, and pixels in them together, that tell a strength.
const PIECES: usize = 3;
const PIXELS: f64 = 150.0;
/// Paper under an ink is known so well, in logarithm.
const PAPER_SD: f64 = 0.02;
/// Strengths differ if by this share and by so many standard errors.
const APART: f64 = 0.12;
const CLEARLY: f64 = 3.0;
/// What a piece shows beside the ink's colour, as a share of that: another ink is there.
const BESIDE: f64 = 0.2;

/// A sheet's pieces, gathered anew once the strengths of inks are put right that lie alone with
/// another than registration found. `may` says of which blocks that is to be looked at.
pub(crate) fn pieces(sheet: &mut Sheet<'_>, may: fn(&Sheet<'_>, usize) -> bool) -> Pieces {
    let mut pieces = Pieces::of(sheet);
    let mut anchored = Subset(0);
    for n in 0..sheet.blocks.len() {
        if let Some(strength) = another(sheet, &pieces, n).filter(|_| may(sheet, n)) {
            let place = &mut sheet.blocks[n].place;
            place.strength = strength;
            // What varies over the sheet is how much of it lies under others.
            place.local_strength.values.fill(1.0);
            anchored = anchored.flipped(n);
        }
    }
    if anchored != Subset(0) {
        pieces = Pieces::of(sheet);
        pieces.anchored = anchored;
    }
    pieces
}

/// A block's strength where it lies alone, if that is clearly another than over all it prints.
fn another(sheet: &Sheet<'_>, pieces: &Pieces, n: usize) -> Option<f64> {
    let block = &sheet.blocks[n];
    if block.fade || !block.place.located() {
        return None;
    }
    let a = block.absorption;
    let aa = dot(a, a).max(1e-9);
    let alone = Subset(0).flipped(n);
    let mut found = Vec::new();
    let mut pixels = 0.0;
    let (mut usual, mut count) = (0.0, 0.0);
    for p in pieces.map.values().filter(|p| p.shapes.has(n)) {
        usual += p.count * p.strength[n];
        count += p.count;
        if p.shapes != alone {
            continue;
        }
        // Whatever is called there: with the wrong strength it may pass for another overprint.
        let all = [0, 1, 2].map(|c| p.beyond[c] + p.strength[n] * a[c]);
        let strength = dot(all, a) / aa;
        let beside = [0, 1, 2].map(|c| all[c] - strength * a[c]);
        if strength > 0.0 && dot(beside, beside) < BESIDE * BESIDE * strength * strength * aa {
            found.push(strength);
            pixels += p.count;
        }
    }
    if found.len() < PIECES || pixels < PIXELS {
        return None;
    }
    let usual = usual / count;
    let middle = median(&found)?;
    #[allow(clippy::cast_precision_loss)]
    let scatter = mad_sigma(&found)? / (found.len() as f64).sqrt();
    let se = libm::hypot(PAPER_SD / aa.sqrt(), scatter);
    let apart = (middle - usual).abs();
    (apart > APART * usual && apart > CLEARLY * se).then_some(middle)
}
