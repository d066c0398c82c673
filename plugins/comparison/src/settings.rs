//! Settings of the stage.

use restrike_stage::{StageError, serde_json};
use schemars::JsonSchema;
use serde::Deserialize;

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Side of a cell of the record's grid, mm. Taken coarser where the sheet
    /// would have more than six million cells.
    #[schemars(range(min = 0.05, max = 1.0))]
    pub(crate) cell_mm: f64,
    /// Share of the listed differences that may be false (Benjamini-Hochberg).
    #[schemars(range(min = 0.0001, max = 0.5))]
    pub(crate) false_rate: f64,
    /// Regions smaller than this are not listed, mm2.
    #[schemars(range(min = 0.0, max = 100.0))]
    pub(crate) least_mm2: f64,
    /// Regions that differ by less than this are not listed, CIEDE2000.
    #[schemars(range(min = 0.0, max = 20.0))]
    pub(crate) least_de00: f64,
    /// Compare each edition with every other; otherwise with the next by year,
    /// and the first with the last.
    pub(crate) every_pair: bool,
    /// Whether pictures are made.
    pub(crate) pictures: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            cell_mm: 0.1,
            false_rate: 0.05,
            least_mm2: 0.1,
            least_de00: 1.5,
            every_pair: false,
            pictures: true,
        }
    }
}

impl Settings {
    /// JSON Schema of the settings.
    pub(crate) fn schema() -> serde_json::Value {
        schemars::schema_for!(Settings).to_value()
    }

    /// Reads settings that fit the schema.
    ///
    /// # Errors
    /// When they do not.
    pub(crate) fn read(value: &serde_json::Value) -> Result<Self, StageError> {
        restrike_stage::settings::read(value)
    }
}
