//! Settings of the stage.

use restrike_stage::StageError;
use schemars::JsonSchema;
use serde::Deserialize;

/// How light the scanner's bed (or lid) is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Bed {
    /// Found out from the scan.
    #[default]
    Auto,
    /// Darker than the paper.
    Dark,
    /// Lighter than the paper, or as light.
    Light,
    /// No bed is to be seen: the scan shows paper up to its border.
    None,
}

/// Where the rotation is taken from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum AngleChoice {
    /// Printed border, else paper edges, else texture; for a sheet of which
    /// nothing is known (no sheet size, no images) texture before paper edges.
    #[default]
    Auto,
    /// The printed border only.
    Border,
    /// The paper's edges only.
    Paper,
    /// The direction of lines of text or pattern only.
    Texture,
}

/// When a cut-off sheet is refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum CropRule {
    /// When part of the sheet lies outside the scan (needs the sheet's size).
    #[default]
    Sheet,
    /// Only when part of a printed image lies outside the scan.
    Image,
    /// Never.
    Never,
}

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// How light the scanner's bed is against the paper.
    pub(crate) bed: Bed,
    /// Largest turn of the sheet on the bed, degrees either way.
    #[schemars(range(min = 0.1, max = 30.0))]
    pub(crate) max_rotation_deg: f64,
    /// How far the sheet's size may differ from the stated one, mm.
    #[schemars(range(min = 0.1, max = 100.0))]
    pub(crate) size_tolerance_mm: f64,
    /// How far the printed border may lie from its stated place, mm.
    #[schemars(range(min = 0.5, max = 30.0))]
    pub(crate) border_reach_mm: f64,
    /// Where the rotation is taken from.
    pub(crate) angle: AngleChoice,
    /// When a cut-off sheet is refused.
    pub(crate) crop: CropRule,
    /// Whether sheets are compared with the learned design.
    pub(crate) identity: bool,
    /// Least response (0 to 1) of a sheet of the learned design.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub(crate) least_response: f64,
    /// Contrast (SD of the absorption at a scale of 1 to 15 mm) under which a
    /// sheet counts as blank.
    #[schemars(range(min = 0.0, max = 1.0))]
    pub(crate) blank_contrast: f64,
    /// Whether sheets are compared with each other to find one scanned twice.
    pub(crate) duplicates: bool,
    /// Least correlation of fine texture of two scans of one impression.
    #[schemars(range(min = 0.1, max = 1.0))]
    pub(crate) duplicate_correlation: f64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            bed: Bed::Auto,
            max_rotation_deg: 10.0,
            size_tolerance_mm: 3.0,
            border_reach_mm: 5.0,
            angle: AngleChoice::Auto,
            crop: CropRule::Sheet,
            identity: true,
            least_response: 0.35,
            blank_contrast: 0.02,
            duplicates: true,
            duplicate_correlation: 0.80,
        }
    }
}

impl Settings {
    pub(crate) fn schema() -> serde_json::Value {
        schemars::schema_for!(Settings).to_value()
    }

    pub(crate) fn read(value: &serde_json::Value) -> Result<Self, StageError> {
        restrike_stage::settings::read(value)
    }
}
