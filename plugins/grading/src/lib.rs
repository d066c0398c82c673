//! Stage grading: pass, second, reject or look again, for each sheet and each
//! of its images; yield, and how many more sheets to print.
//!
//! See the README for the rules and the sources.

mod cut;
mod grade;
mod judge;
mod odds;
mod order;
mod picture;
mod quantity;
mod register;
mod settings;
mod sheets;
mod stage;
mod tables;
mod tolerance;
mod words;

#[cfg(test)]
mod tests;

use stage::Grading;

restrike_stage::export!(Grading);
