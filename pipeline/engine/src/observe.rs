//! What a run says while it goes on.

use restrike_model::Level;

/// Something happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// Work starts.
    Started {
        /// Sheets in the list.
        sheets: usize,
        /// Stages, in order.
        stages: Vec<String>,
    },
    /// A stage learns from reference impressions.
    Learning {
        /// The stage.
        stage: String,
        /// Impressions it learns from.
        impressions: usize,
    },
    /// What was learned before still holds.
    LearnedBefore {
        /// The stage.
        stage: String,
    },
    /// A sheet is done.
    SheetDone {
        /// Its number in the list.
        sheet: usize,
        /// Its file.
        file: String,
        /// `measured`, or what it is instead.
        status: String,
        /// The reason when it was not measured.
        reason: String,
        /// Whether an earlier run had done it.
        earlier: bool,
    },
    /// The run as a whole showed that a sheet is not what it seemed.
    Verdict {
        /// Its number in the list.
        sheet: usize,
        /// Its file.
        file: String,
        /// What it is.
        status: String,
        /// Why.
        reason: String,
    },
    /// A remark of a stage.
    Note {
        /// The sheet's number in the list; none for the run.
        sheet: Option<usize>,
        /// The stage.
        stage: String,
        /// How grave.
        level: Level,
        /// The words.
        text: String,
    },
    /// A stage looks at the whole run.
    Summarising {
        /// The stage.
        stage: String,
    },
}

/// Somebody who listens. Called from several threads.
pub trait Observer: Sync {
    /// Takes an event.
    fn event(&self, event: &Event);
}

/// Nobody listens.
#[derive(Debug, Clone, Copy)]
pub struct Silent;

impl Observer for Silent {
    fn event(&self, _: &Event) {}
}
