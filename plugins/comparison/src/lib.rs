//! Stage comparison: what differs between editions beyond the scatter within
//! each, and whether the key block was re-cut.
//!
//! See the README for what is compared and how.

// Three channels of several arrays side by side read better by index.
#![allow(clippy::needless_range_loop)]

mod consensus;
mod differ;
mod edition;
mod ground;
mod key_line;
mod kinds;
mod patches;
mod pictures;
mod recut;
mod register;
mod sampled;
mod scatter;
mod settings;
mod smooth;
mod stage;
mod streams;
mod summary;
mod tables;
mod verdict;

#[cfg(test)]
mod tests;

use stage::Comparison;

restrike_stage::export!(Comparison);
