//! Accuracy of the whole tool over synthetic impressions with known truth: the
//! scans are rendered to files, the pipeline runs on them as it does for
//! anybody, and its tables are held against the truth.
//!
//! `cargo run -p restrike-tests --bin accuracy -- --help` prints the reports.

mod cut_outs;
pub mod deskew;
pub mod drift;
pub mod editions;
pub mod editions_equal;
mod editions_plants;
pub mod grading;
pub mod identity;
pub mod pairs;
mod recorded;
pub mod recut;
pub mod registration;
pub mod separation;
mod separation_outline;
mod separation_truth;
pub mod spread;
pub mod story;
pub mod wear;
mod wear_classes;
mod wear_corners;
pub mod wear_counts;
pub mod wear_lines;
pub mod whole;
