//! Settings of the stage.

use restrike_stage::{StageError, serde_json};
use schemars::JsonSchema;
use serde::Deserialize;

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Lines shorter than this are not looked at, mm.
    #[schemars(range(min = 0.2, max = 20.0))]
    pub(crate) least_line_mm: f64,
    /// Sites less sure than this are left out, 0 to 1.
    #[schemars(range(min = 0.0, max = 0.99))]
    pub(crate) least_confidence: f64,
    /// Least probability of block damage for a place on the repair map.
    #[schemars(range(min = 0.01, max = 0.99))]
    pub(crate) repair_probability: f64,
    /// Whether pictures are made.
    pub(crate) pictures: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            least_line_mm: 0.8,
            least_confidence: 0.4,
            repair_probability: 0.5,
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
