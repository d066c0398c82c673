//! Plans a run, reads scans, runs stages over them.
//!
//! A [`Plan`] is made from a config and checked whole; [`run`] learns from the
//! reference impressions, measures every sheet in parallel within a budget of
//! memory, keeps each finished sheet in a journal, and lets the stages sum up.

mod checks;
mod config;
mod hash;
mod journal;
mod learn;
mod lists;
mod memory;
mod observe;
mod origin;
mod outcome;
mod plan;
pub mod read;
mod record;
mod refusal;
mod run;
mod sheet;
mod store;
mod tables;
mod warnings;

pub use config::{Config, PictureOptions};
pub use lists::SheetLine;
pub use observe::{Event, Observer, Silent};
pub use outcome::{MEASURED, Note, PictureRef, SheetOutcome, StageOutcome};
pub use plan::{Overrides, Plan, SheetPlan, StagePlan, schema_choices};
pub use record::{Part, Record};
pub use refusal::Refusal;
pub use run::{RunError, RunResult, run};
pub use sheet::{Base, PictureError, PictureSink};
pub use tables::FinalTable;
