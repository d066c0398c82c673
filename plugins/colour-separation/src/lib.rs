//! Stage colour-separation: one plane of ink for each block.
//!
//! See the README for what is told apart and how.

mod alone;
mod blur;
mod doubts;
mod fields;
mod fine;
mod gaussian;
mod gradation;
mod inks;
mod learned_tables;
mod learning;
mod level;
mod pictures;
mod pieces;
mod pixel;
mod rim;
mod separate;
mod settings;
mod sheet;
mod stage;
mod tables;
mod tally;
mod thin;

#[cfg(test)]
mod tests;

use stage::ColourSeparation;

restrike_stage::export!(ColourSeparation);
