//! Stage drift: what crept or jumped over a stack or over the years.
//!
//! See the README for what is tested and how.

mod assess;
mod charts;
mod choose;
mod copies;
mod editions;
mod model;
mod plots;
mod series;
mod settings;
mod stage;
mod tables;
mod words;

#[cfg(test)]
mod tests;

use stage::Drift;

restrike_stage::export!(Drift);
