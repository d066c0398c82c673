//! What is known of a sheet after its stages ran; it is what the journal keeps.

use std::collections::BTreeMap;

use restrike_model::{Level, ScanInfo, Value};
use serde::{Deserialize, Serialize};

/// Status of a sheet that was measured.
pub const MEASURED: &str = "measured";

/// A sheet after its stages ran.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SheetOutcome {
    /// Fingerprint of all that went into it.
    pub key: String,
    /// Place in the sheet list, from 1.
    pub sheet: usize,
    /// SHA-256 of the scan's file; empty if it could not be read.
    pub sha256: String,
    /// The scan, if it was read.
    pub info: Option<ScanInfo>,
    /// What became of each stage, in order.
    pub stages: Vec<StageOutcome>,
    /// Remarks.
    pub notes: Vec<Note>,
    /// Pictures written.
    pub pictures: Vec<PictureRef>,
}

/// What became of a stage on a sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StageOutcome {
    /// The stage.
    pub stage: String,
    /// `measured`, or what the sheet is instead (`blank`, `failed`, ...).
    pub status: String,
    /// The reason when it was not measured.
    pub reason: String,
    /// Rows by table.
    pub rows: BTreeMap<String, Vec<Vec<Value>>>,
}

/// A remark of a stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Note {
    /// The stage.
    pub stage: String,
    /// How grave.
    pub level: Level,
    /// The words.
    pub text: String,
}

/// A picture that was written.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PictureRef {
    /// The stage.
    pub stage: String,
    /// The picture's name.
    pub name: String,
    /// What a person sees.
    pub caption: String,
    /// Its file, relative to the output folder, with forward slashes.
    pub file: String,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
}

impl SheetOutcome {
    /// The first stage's status that is not `measured`, with its reason.
    pub fn trouble(&self) -> Option<(&str, &str)> {
        self.stages
            .iter()
            .find(|s| s.status != MEASURED)
            .map(|s| (s.status.as_str(), s.reason.as_str()))
    }
}
