//! Settings of the stage.

use restrike_stage::{StageError, serde_json};
use schemars::JsonSchema;
use serde::Deserialize;

use crate::align::Rules;
use crate::marks::MarkOptions;

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// How far a block may lie from where its proof has it, mm.
    #[schemars(range(min = 0.2, max = 10.0))]
    pub(crate) reach_mm: f64,
    /// Largest standard error of a block's displacement, root mean square over what
    /// it prints, at which it counts as identified, mm.
    #[schemars(range(min = 0.002, max = 1.0))]
    pub(crate) identified_se_mm: f64,
    /// The same at which its displacement is still given: between the two it is
    /// a number with its error, `identified` is false and `why` says what is seen faintly. mm.
    #[schemars(range(min = 0.002, max = 1.0))]
    pub(crate) given_se_mm: f64,
    /// Whether wear of the edges (retreat) is fitted beside the motion. Without it
    /// wear is taken for misregister.
    pub(crate) retreat: bool,
    /// Most edge pixels a block is judged by; more cost time.
    #[schemars(range(min = 500, max = 200_000))]
    pub(crate) edge_pixels: usize,
    /// Whether pictures are made.
    pub(crate) pictures: bool,
    /// By how much arrows are drawn longer than the displacements they show.
    #[schemars(range(min = 1.0, max = 200.0))]
    pub(crate) exaggeration: f64,
    /// The advice about the registration marks.
    pub(crate) marks: MarkOptions,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            reach_mm: 5.0,
            identified_se_mm: 0.012,
            given_se_mm: 0.05,
            retreat: true,
            edge_pixels: 6000,
            pictures: true,
            exaggeration: 20.0,
            marks: MarkOptions::default(),
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

    /// Rules of the fit.
    pub(crate) fn rules(&self, find_key: bool) -> Rules {
        Rules {
            reach: self.reach_mm,
            find_key,
            retreat: self.retreat,
            quota: self.edge_pixels,
            ..Rules::default()
        }
    }
}
