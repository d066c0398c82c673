//! Whether an ink runs out smoothly: a gradation.

use super::pixels::size;

/// Strengths between a solid's own scatter and paper, relative to the ink where it is strongest.
const FROM: f64 = 0.35;
const TO: f64 = 0.8;
/// Into so many steps that range is parted; a gradation passes through all of them.
const STEPS: usize = 5;
/// Least share of the ink's places in each step.
const EACH: f64 = 0.015;
/// Least share of its places in all of them.
const ALL: f64 = 0.12;
/// A place is the ink alone if its colour is within this, and this share of its size, of the ink's line.
const NEAR: [f64; 2] = [0.03, 0.07];

/// A paler ink cannot be told from the end of another's gradation, nor from the paper's own unevenness.
const LEAST: f64 = 0.4;

/// Whether even places show an ink at every strength between its own and little,
/// which edges and overprints do not.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(super) fn runs_out(even: &[[f64; 3]], ink: [f64; 3]) -> bool {
    let long = size(ink);
    if long < LEAST {
        return false;
    }
    let mut steps = [0_usize; STEPS];
    let mut solid = 0_usize;
    for a in even {
        let along = (0..3).map(|c| a[c] * ink[c]).sum::<f64>() / (long * long);
        let off = size([0, 1, 2].map(|c| a[c] - along * ink[c]));
        if along < FROM || off > NEAR[0] + NEAR[1] * along * long {
            continue;
        }
        if along < TO {
            steps[(STEPS as f64 * (along - FROM) / (TO - FROM)) as usize % STEPS] += 1;
        } else {
            solid += 1;
        }
    }
    let fading: usize = steps.iter().sum();
    let places = (solid + fading) as f64;
    fading as f64 > ALL * places && steps.iter().all(|s| *s as f64 > EACH * places)
}
