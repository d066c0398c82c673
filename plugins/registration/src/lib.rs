//! Stage registration: where each colour block landed against the key, how
//! sure that is, and what to cut or pad at the registration marks.

// Channels and axes are indexed side by side in several arrays.
#![allow(clippy::needless_range_loop)]

mod marks;

mod align;
mod basis;
mod coarse;
mod doubts;
mod edge_levels;
mod frame;
mod joint;
mod layers;
mod learned;
mod learning;
mod level;
mod local;
mod located;
mod off;
mod outline;
mod paper;
mod parted;
mod pictures;
mod placement;
mod places;
mod printable;
mod prior;
mod record;
mod relative;
mod seen;
mod settings;
mod shape;
mod sites;
mod stage;
mod state;
mod tables;
mod tile_levels;
mod zero;

#[cfg(test)]
mod tests;

use stage::Registration;

restrike_stage::export!(Registration);
