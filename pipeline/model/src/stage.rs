//! The trait a stage implements, and what it is given and may answer.

use std::collections::BTreeMap;

use thiserror::Error;

use crate::context::{Impression, Project, ScanInfo};
use crate::image::ImageView;
use crate::manifest::Manifest;
use crate::picture::Picture;
use crate::table::{Table, Value};

/// Why a stage could not do what it was asked.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("{0}")]
pub struct StageError(pub String);

impl StageError {
    /// An error with a reason a person can act on.
    pub fn new(reason: impl Into<String>) -> Self {
        Self(reason.into())
    }
}

/// How grave a note is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Level {
    /// Good to know.
    Info,
    /// Look at this.
    Warning,
}

/// A sheet that is not to be measured, and why.
#[derive(Debug, Clone, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Verdict {
    /// Place of the sheet in the sheet list, from 1.
    pub sheet: usize,
    /// A short name (`blank`, `verso`, `upside down`, `other design`, `duplicate`, `crop`, `unreadable`, ...).
    pub status: String,
    /// The reason, in a sentence with its number.
    pub reason: String,
}

/// One row, by column name.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Row(pub BTreeMap<String, Value>);

impl Row {
    /// An empty row: every column is null until set.
    pub fn new() -> Self {
        Self::default()
    }

    /// Sets a column.
    #[must_use]
    pub fn set(mut self, column: &str, value: impl Into<Value>) -> Self {
        self.0.insert(column.to_owned(), value.into());
        self
    }
}

/// A table of an earlier stage about the sheet at hand.
pub type SheetTable = Table;

/// The impression at hand.
#[derive(Debug, Clone, Copy)]
pub struct Measure<'a> {
    /// Line of the sheet list.
    pub impression: &'a Impression,
    /// What is known of the scan.
    pub info: &'a ScanInfo,
    /// The scan: linear light, sRGB primaries, 1 or 3 channels, 65535 = 1.0.
    pub scan: ImageView<'a, u16>,
    /// Tables of earlier stages about this sheet: those named in `needs`.
    pub tables: &'a [SheetTable],
    /// Images of earlier stages about this sheet: those named in `needs`.
    pub images: &'a [(String, ImageView<'a, f32>)],
}

impl Measure<'_> {
    /// A table of an earlier stage about this sheet.
    pub fn table(&self, name: &str) -> Option<&SheetTable> {
        self.tables.iter().find(|t| t.name == name)
    }

    /// An image of an earlier stage about this sheet.
    pub fn image(&self, name: &str) -> Option<ImageView<'_, f32>> {
        self.images.iter().find(|i| i.0 == name).map(|i| i.1)
    }
}

/// A step of learning: each reference impression in list order, then the end.
#[derive(Debug, Clone, Copy)]
pub enum Learn<'a> {
    /// A reference impression.
    Impression(Measure<'a>),
    /// There are no more: put the parts of the record out now.
    Finish,
}

/// The whole run.
#[derive(Debug, Clone, Copy)]
pub struct Summary<'a> {
    /// All impressions, in list order.
    pub impressions: &'a [Impression],
    /// Tables named in `needs` and the stage's own, each with the column `sheet`
    /// first (place in the sheet list) where its scope is a sheet. Rows of
    /// sheets that were not measured are left out.
    pub tables: &'a [Table],
}

impl Summary<'_> {
    /// A table by name.
    pub fn table(&self, name: &str) -> Option<&Table> {
        self.tables.iter().find(|t| t.name == name)
    }
}

/// Where a stage puts what it found.
pub trait Output {
    /// A row of one of the stage's tables.
    ///
    /// # Errors
    /// When the table or a column is not declared, or a value is of another kind.
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError>;

    /// An image for later stages and for pictures; copied before the call returns.
    ///
    /// # Errors
    /// When the host cannot take it.
    fn image(&mut self, name: &str, image: ImageView<'_, f32>) -> Result<(), StageError>;

    /// A picture for people.
    ///
    /// # Errors
    /// When the host cannot take it.
    fn picture(&mut self, picture: &Picture) -> Result<(), StageError>;

    /// A part of the block record (in `learn` only), named as in `gives`.
    ///
    /// # Errors
    /// When the host cannot take it.
    fn record(&mut self, name: &str, bytes: &[u8]) -> Result<(), StageError>;

    /// A remark for the run's log and `run.json`.
    fn note(&mut self, level: Level, text: &str);

    /// This sheet (in `measure`: the one at hand) is not to be measured.
    fn not_measured(&mut self, verdict: &Verdict);

    /// Whether the run is being stopped: long work should end soon.
    fn cancelled(&self) -> bool {
        false
    }
}

/// A stage of the pipeline.
pub trait Stage: Send + Sync + Sized {
    /// What the stage says of itself.
    fn manifest() -> Manifest;

    /// Makes the stage ready. `settings` fit the manifest's schema; `records`
    /// holds the parts of the block record named in `needs` or `gives` that are there.
    ///
    /// # Errors
    /// When the settings make no sense together, or a record part is unreadable.
    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError>;

    /// Learns from reference impressions.
    ///
    /// # Errors
    /// When nothing can be learned, with the reason.
    fn learn(&self, _step: Learn<'_>, _out: &mut dyn Output) -> Result<(), StageError> {
        Err(StageError::new("this stage does not learn"))
    }

    /// Measures one impression.
    ///
    /// # Errors
    /// When this sheet cannot be measured, with the reason.
    fn measure(&self, _input: Measure<'_>, _out: &mut dyn Output) -> Result<(), StageError> {
        Err(StageError::new("this stage does not measure"))
    }

    /// Looks at the whole run.
    ///
    /// # Errors
    /// When it cannot be summed up, with the reason.
    fn summarise(&self, _input: Summary<'_>, _out: &mut dyn Output) -> Result<(), StageError> {
        Err(StageError::new("this stage does not summarise"))
    }
}
