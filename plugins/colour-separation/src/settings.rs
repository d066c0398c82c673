//! Settings of the stage.

use restrike_stage::{StageError, serde_json};
use schemars::JsonSchema;
use serde::Deserialize;

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Resolution of the planes, pixels per inch, at most: scans of more are
    /// averaged over whole pixels. The sheet is measured at the scan's own.
    #[schemars(range(min = 50.0, max = 4800.0))]
    pub(crate) plane_dpi: f64,
    /// Whether a plane of each block is written, as 16-bit grey PNG.
    pub(crate) planes: bool,
    /// Whether pictures for people are made.
    pub(crate) pictures: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            plane_dpi: 300.0,
            planes: true,
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
