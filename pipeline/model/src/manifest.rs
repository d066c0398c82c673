//! What a stage says of itself before it is asked to work.

use serde::{Deserialize, Serialize};

use crate::table::TableSpec;

/// A stage's declaration; it crosses the plugin boundary as JSON.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Manifest {
    /// The stage's name, as a config spells it.
    pub name: String,
    /// The stage's version; a changed version is measured anew on resume.
    pub version: String,
    /// What it does, in a sentence.
    pub summary: String,
    /// JSON Schema (draft 2020-12) of its settings.
    pub settings: serde_json::Value,
    /// What must be there before it can work.
    #[serde(default)]
    pub needs: Needs,
    /// What it gives to later stages and to the report.
    #[serde(default)]
    pub gives: Given,
    /// Which of the three calls it answers.
    pub phases: Phases,
    /// Working memory it takes beside the scan, in bytes for each scan pixel.
    #[serde(default)]
    pub bytes_per_pixel: f64,
}

/// What a stage takes from stages before it.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Needs {
    /// Tables, by name.
    pub tables: Vec<String>,
    /// Images, by name (the scan is always there).
    pub images: Vec<String>,
    /// Tables it uses where they are there; [`EVERY_TABLE`] for all tables of
    /// all stages before it.
    pub optional_tables: Vec<String>,
    /// Parts of the block record, by name, it uses where they are there.
    pub records: Vec<String>,
}

/// In [`Needs::optional_tables`]: all tables of all stages before.
pub const EVERY_TABLE: &str = "*";

/// In [`Needs::optional_tables`] of a stage that answers `summarise`: which
/// sheets are missing from the tables of the stages before, and why. Columns
/// `sheet` (place in the sheet list), `table`, `stage`, `status`, `reason`: a
/// row for each table that a sheet was not measured for.
pub const SHEET_STATUS: &str = "sheet_status";

/// What a stage gives.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Given {
    /// Tables.
    pub tables: Vec<TableSpec>,
    /// Images for later stages, by name.
    pub images: Vec<String>,
    /// Pictures for people, by name; a picture of one image of a two-up sheet may
    /// add `-` and the image's name.
    pub pictures: Vec<String>,
    /// Parts of the block record, by name.
    pub records: Vec<String>,
}

/// The calls a stage answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Phases {
    /// `learn`, over reference impressions.
    pub learn: bool,
    /// `measure`, one impression at a time.
    pub measure: bool,
    /// `summarise`, over the whole run.
    pub summarise: bool,
}
