//! Stage edge-wear: how the key's lines print, where they are broken, and what
//! of that is damage to the block.
//!
//! See the README for what is measured and how.

mod blame;
mod course;
mod damage;
mod edges;
mod fill_ins;
mod gaps;
mod holes;
mod kinds;
mod labels;
mod map;
mod pictures;
mod repair;
mod settings;
mod sheet;
mod stage;
mod strip;
mod tables;

use stage::EdgeWear;

restrike_stage::export!(EdgeWear);
