//! `run.json`: what was run on what, and what could not be measured.
//!
//! Two runs of the same programs over the same scans with the same settings
//! give the same bytes. What differs from run to run (when, how long, how many
//! threads, which machine) has its own part, [`Circumstances`], which a caller
//! may leave out. Keys have a fixed order; those of settings are sorted.

use restrike_model::{Impression, Level, ScanInfo};
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// The whole of `run.json`.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct RunRecord {
    /// The program.
    pub program: Program,
    /// Name of the design.
    pub design: String,
    /// The settings the run started with, as they were understood.
    pub settings: Value,
    /// The stages, in the order they ran.
    pub stages: Vec<StageRecord>,
    /// The scans, in the order of the sheet list.
    pub scans: Vec<ScanRecord>,
    /// What was not measured, and why.
    pub not_measured: Vec<NotMeasured>,
    /// Remarks.
    pub notes: Vec<Note>,
    /// What differs from run to run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub circumstances: Option<Circumstances>,
}

/// The program that ran.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Program {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// Version of the interface between it and the stages.
    pub abi_version: u32,
}

/// A stage that ran.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct StageRecord {
    /// Its name.
    pub name: String,
    /// Its version.
    pub version: String,
    /// What it does.
    pub summary: String,
    /// The library's file name, without its folder.
    pub library: String,
    /// SHA-256 of the library, hexadecimal.
    pub library_sha256: String,
    /// Its settings, defaults filled in.
    pub settings: Value,
    /// Names of the tables it gave.
    pub tables: Vec<String>,
}

/// A scan that was looked at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ScanRecord {
    /// Its line in the sheet list.
    #[serde(flatten)]
    pub impression: Impression,
    /// SHA-256 of the file, hexadecimal; none if it could not be read.
    pub sha256: Option<String>,
    /// What the file says of itself; none if it could not be read.
    pub info: Option<ScanInfo>,
    /// Whether every stage measured it.
    pub measured: bool,
}

/// Something that was not measured.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NotMeasured {
    /// Place of the sheet in the sheet list, from 1; none for the run as a whole.
    pub sheet: Option<usize>,
    /// The stage that did not measure it; none if no stage did.
    pub stage: Option<String>,
    /// A short name (`blank`, `unreadable`, `failed`, ...).
    pub status: String,
    /// The reason, in a sentence.
    pub reason: String,
}

/// A remark of a stage or of the program.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Note {
    /// How grave it is.
    pub level: Level,
    /// The stage, none for the program itself.
    pub stage: Option<String>,
    /// The sheet it is about, from 1.
    pub sheet: Option<usize>,
    /// The words.
    pub text: String,
}

/// What differs between two runs that give the same results.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Circumstances {
    /// When it started, RFC 3339.
    pub started: Option<String>,
    /// How long it took, seconds.
    pub seconds: Option<f64>,
    /// Threads in use.
    pub threads: Option<usize>,
    /// Operating system and processor (`linux x86_64`).
    pub system: Option<String>,
    /// Sheets taken over from an earlier run that was stopped.
    pub taken_over: Option<usize>,
}

impl RunRecord {
    /// Sheets that are to be measured and those of them that were.
    pub fn counts(&self) -> (usize, usize) {
        let measured = self.scans.iter().filter(|s| s.measured).count();
        (self.scans.len(), measured)
    }

    /// The text of `run.json`.
    ///
    /// # Errors
    /// When a number in it is not finite.
    pub fn to_bytes(&self) -> Result<Vec<u8>, serde_json::Error> {
        let mut sorted = self.clone();
        sorted.settings.sort_all_objects();
        for stage in &mut sorted.stages {
            stage.settings.sort_all_objects();
        }
        let mut bytes = serde_json::to_vec_pretty(&sorted)?;
        bytes.push(b'\n');
        Ok(bytes)
    }
}
