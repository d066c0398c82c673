//! Stage edge-wear: how the key's lines print, where they are broken, and what
//! of that is damage to the block.
//!
//! See the README for what is measured and how.

mod beside;
mod blame;
mod course;
mod damage;
mod dust;
mod edge_spread;
mod edges;
mod fill_ins;
mod gaps;
mod holes;
mod kinds;
mod labels;
mod local;
mod map;
mod outline;
mod overlaps;
mod own_solid;
mod parted;
mod pictures;
mod repair;
mod rows;
mod run_ons;
mod settings;
mod sheet;
mod solids;
mod stage;
mod strip;
mod tables;

use stage::EdgeWear;

restrike_stage::export!(EdgeWear);
