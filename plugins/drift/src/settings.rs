//! Settings of the stage.

use restrike_stage::StageError;
use schemars::JsonSchema;
use serde::Deserialize;

/// What a series runs along.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum AxisChoice {
    /// By position within each edition, and by year where there are several.
    #[default]
    Auto,
    /// By position in the stack, each edition for itself.
    Position,
    /// By year, editions together.
    Year,
}

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Columns to look at, as `table.column` with `*` for any run of characters.
    /// A column counts if it holds numbers.
    pub(crate) columns: Vec<String>,
    /// Columns to leave out, likewise: standard errors, ends of intervals,
    /// places in the scan, what another column says as well, and other numbers that
    /// are no property of print or scan.
    pub(crate) except: Vec<String>,
    /// Columns that split a table with several rows a sheet into series of their own.
    pub(crate) keys: Vec<String>,
    /// What series run along.
    pub(crate) axis: AxisChoice,
    /// Least number of sheets of a series by position.
    #[schemars(range(min = 8, max = 1000))]
    pub(crate) least_sheets: usize,
    /// Least number of sheets between two changes of level.
    #[schemars(range(min = 2, max = 1000))]
    pub(crate) shortest_stretch: usize,
    /// Years of printing from which a series by year that does not drift is said not
    /// to; with fewer nobody can tell.
    #[schemars(range(min = 3, max = 100))]
    pub(crate) least_years: usize,
    /// Largest order of the model of correlated neighbours.
    #[schemars(range(min = 0, max = 10))]
    pub(crate) most_lag: usize,
    /// Confidence of the intervals.
    #[schemars(range(min = 0.5, max = 0.999))]
    pub(crate) confidence: f64,
    /// Share of false ones among the series said to drift or jump.
    #[schemars(range(min = 0.0001, max = 0.5))]
    pub(crate) false_discovery_rate: f64,
    /// Sheets from the first on that set the charts' centre; 0: the first
    /// stretch without a change of level.
    #[schemars(range(min = 0, max = 1_000_000))]
    pub(crate) baseline_sheets: usize,
    /// Chart signals listed of a series and chart at most.
    #[schemars(range(min = 1, max = 1_000_000))]
    pub(crate) most_signals: usize,
    /// Charts drawn at most: of series that drift first, then of those with signals.
    #[schemars(range(min = 0, max = 10_000))]
    pub(crate) most_charts: usize,
}

const EXCEPT: [&str; 48] = [
    "*_se",
    "*_se_*",
    "*_low",
    "*_low_*",
    "*_high",
    "*_high_*",
    "*.to_print_*",
    "*_left_x_px",
    "*_left_y_px",
    "*_right_x_px",
    "*_right_y_px",
    "*.points*",
    "*.edges_*",
    "*.*_sides",
    "*.*_edges",
    "*.stated_*",
    "*.levels_used",
    "wear_*.least_*",
    "wear_*.lines",
    "wear_*.unseen_mm",
    // How much of a line was looked at, and where on it: places, not measures.
    "wear_*.measured_mm",
    "wear_*.u_mm",
    "wear_*.v_mm",
    "wear_*.x_mm",
    "wear_*.y_mm",
    "wear_*.length_mm",
    // A flaw's growth stands in the table of damage.
    "wear_sites.*",
    "*_cy_mm",
    "scan-check.measured_*",
    "scan-check.line_*",
    "deskew_sheet.response_*",
    "deskew_sheet.cut_off_mm",
    "deskew_edges.*",
    "*.cov_*",
    "*.pieces",
    "*.weakest*",
    "*.edge_pixels",
    "*.zero_*",
    // An ink's body, which no printer sets from sheet to sheet: it follows what lies beneath.
    "*.veil",
    // Where a block's middle and its worst place are, and which way that is off:
    // what moves there is the place.
    "*.middle_*",
    "*.off_at_*",
    "*.off_right_*",
    "*.off_up_*",
    "*.target_patches",
    "*.year",
    "*.position",
    "deskew_duplicates.*",
    "pictures.*",
];

const KEYS: [&str; 12] = [
    "image", "block", "side", "face", "line", "line_id", "zone", "site", "edge", "channel", "of",
    "name",
];

impl Default for Settings {
    fn default() -> Self {
        let list = |names: &[&str]| names.iter().map(|s| (*s).to_owned()).collect();
        Self {
            columns: list(&["*.*"]),
            except: list(&EXCEPT),
            keys: list(&KEYS),
            axis: AxisChoice::Auto,
            least_sheets: 10,
            shortest_stretch: 5,
            least_years: 5,
            most_lag: 3,
            confidence: 0.95,
            false_discovery_rate: 0.05,
            baseline_sheets: 0,
            most_signals: 100,
            most_charts: 24,
        }
    }
}

impl Settings {
    pub(crate) fn schema() -> serde_json::Value {
        schemars::schema_for!(Settings).to_value()
    }

    pub(crate) fn read(value: &serde_json::Value) -> Result<Self, StageError> {
        let settings: Self = restrike_stage::settings::read(value)?;
        for pattern in settings.columns.iter().chain(&settings.except) {
            if !pattern.contains(['.', '*']) {
                return Err(StageError::new(format!(
                    "settings: `{pattern}` names no table; write `table.{pattern}`, or `*.{pattern}` for any table"
                )));
            }
        }
        Ok(settings)
    }
}
