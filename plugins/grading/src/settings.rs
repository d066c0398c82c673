//! Settings of the stage.

use std::collections::BTreeMap;

use restrike_stage::StageError;
use schemars::JsonSchema;
use serde::Deserialize;

use crate::grade::Grade;

/// What being outside a tolerance leads to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize, JsonSchema)]
pub(crate) enum Leads {
    /// Sold as second quality.
    #[serde(rename = "second")]
    Second,
    /// Not sold.
    #[serde(rename = "reject")]
    Reject,
    /// A person decides.
    #[serde(rename = "look again")]
    LookAgain,
}

impl Leads {
    /// The worst grade it may end in.
    pub(crate) fn worst(self) -> Grade {
        match self {
            Self::Second => Grade::Second,
            Self::Reject | Self::LookAgain => Grade::Reject,
        }
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Second => "second",
            Self::Reject => "reject",
            Self::LookAgain => "look again",
        }
    }
}

/// What an empty cell means.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
pub(crate) enum Missing {
    /// The sheet may be anything: look again.
    #[default]
    #[serde(rename = "look again")]
    LookAgain,
    /// It counts as inside.
    #[serde(rename = "ignore")]
    Ignore,
}

/// Where on an image the register counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
pub(crate) enum At {
    /// Where it is farthest off of all it prints on the image.
    #[default]
    #[serde(rename = "worst place")]
    WorstPlace,
    /// At the block's own middle.
    #[serde(rename = "middle")]
    Middle,
}

/// How far a colour block may be off.
#[derive(Debug, Clone, PartialEq, Default, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Register {
    /// Blocks it is about, `*` for any run of characters; without it, all but the key.
    pub(crate) block: Option<String>,
    /// Images it is about, likewise.
    pub(crate) image: Option<String>,
    /// Second when off by more, mm.
    #[schemars(range(min = 0.0))]
    pub(crate) second_mm: Option<f64>,
    /// Reject when off by more, mm.
    #[schemars(range(min = 0.0))]
    pub(crate) reject_mm: Option<f64>,
    /// Where on the image.
    pub(crate) at: At,
}

/// A cell's value that is a fault.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub(crate) enum Faulty {
    /// Truth value.
    Boolean(bool),
    /// Text, `*` for any run of characters.
    Text(String),
}

/// One column or several.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(untagged)]
pub(crate) enum Columns {
    /// One.
    One(String),
    /// Several, independent of each other: their squares are added.
    Several(Vec<String>),
}

impl Columns {
    pub(crate) fn names(&self) -> &[String] {
        match self {
            Self::One(name) => std::slice::from_ref(name),
            Self::Several(names) => names,
        }
    }
}

/// A tolerance on a column of a table of a stage before.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Tolerance {
    /// What it is called in reasons and in the chart; without it, the table and column.
    pub(crate) name: Option<String>,
    /// The table.
    pub(crate) table: String,
    /// The column; without it, the number of the sheet's rows in the table.
    pub(crate) column: Option<String>,
    /// Blocks it is about, `*` for any run of characters; without it, all.
    pub(crate) block: Option<String>,
    /// Images it is about, likewise.
    pub(crate) image: Option<String>,
    /// Editions it is about, likewise.
    pub(crate) edition: Option<String>,
    /// Rows it is about, by other columns of the table: a column and what it holds, likewise.
    #[serde(default)]
    pub(crate) rows: BTreeMap<String, String>,
    /// Least value that is inside.
    pub(crate) low: Option<f64>,
    /// Largest value that is inside.
    pub(crate) high: Option<f64>,
    /// Texts or truth values that are faults.
    #[serde(default)]
    pub(crate) faulty: Vec<Faulty>,
    /// Column of its standard error, or several whose squares are added; without
    /// it, that of the same name with `_se` before the unit, if there is one.
    pub(crate) se: Option<Columns>,
    /// Columns of the lower and upper end of its 90 % interval, in place of a
    /// standard error; without it, those of the same name with `_low` and `_high`
    /// before the unit, if there are any and no standard error.
    pub(crate) interval: Option<[String; 2]>,
    /// Column that says why a cell is empty; without it, `why` or `reason`, if there is one.
    pub(crate) why: Option<String>,
    /// What being outside leads to.
    pub(crate) grade: Leads,
    /// What an empty cell means.
    #[serde(default)]
    pub(crate) missing: Missing,
}

/// What is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Of {
    /// Images: a two-up sheet is two copies.
    #[default]
    Copies,
    /// Sheets, good all over.
    Sheets,
}

/// What is to be delivered.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(crate) struct Order {
    /// Good ones wanted.
    #[schemars(range(min = 1, max = 10_000))]
    pub(crate) good: u32,
    /// Copies or sheets.
    #[serde(default)]
    pub(crate) of: Of,
    /// Edition that is being printed; without it, the last one in the sheet list.
    pub(crate) edition: Option<String>,
    /// Whether seconds count as good.
    #[serde(default)]
    pub(crate) seconds: bool,
    /// How sure it shall be that the number is reached.
    #[serde(default = "sure")]
    #[schemars(range(min = 0.5, max = 0.9999))]
    pub(crate) confidence: f64,
}

fn sure() -> f64 {
    0.95
}

/// Kind of interval for a yield.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub(crate) enum IntervalKind {
    /// Jeffreys' interval.
    #[default]
    Jeffreys,
    /// Clopper and Pearson's: never covers less than it says.
    Exact,
}

impl IntervalKind {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Jeffreys => "Jeffreys",
            Self::Exact => "exact (Clopper-Pearson)",
        }
    }
}

/// Settings of the stage.
#[derive(Debug, Clone, PartialEq, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct Settings {
    /// Register of the colour blocks against the key. The first entry that fits
    /// a block and an image counts. Without it: second when off by more than
    /// `register_mm` of the config's `[tolerances]` (0.1 without one), reject when
    /// off by more than `register_reject_mm` (twice as much without one).
    pub(crate) register: Option<Vec<Register>>,
    /// Tolerances on columns of the tables of the stages before.
    pub(crate) tolerance: Vec<Tolerance>,
    /// Confidence of the interval in which a measured value is taken to lie.
    #[schemars(range(min = 0.5, max = 0.999))]
    pub(crate) confidence: f64,
    /// Kind of interval for yields.
    pub(crate) interval: IntervalKind,
    /// Confidence of the interval for yields.
    #[schemars(range(min = 0.5, max = 0.999))]
    pub(crate) yield_confidence: f64,
    /// What is to be delivered: how many more sheets to print.
    pub(crate) order: Option<Order>,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            register: None,
            tolerance: Vec::new(),
            confidence: 0.9,
            interval: IntervalKind::default(),
            yield_confidence: 0.95,
            order: None,
        }
    }
}

impl Settings {
    pub(crate) fn schema() -> serde_json::Value {
        schemars::schema_for!(Settings).to_value()
    }

    pub(crate) fn read(value: &serde_json::Value) -> Result<Self, StageError> {
        let settings: Self = restrike_stage::settings::read(value)?;
        for (k, r) in settings.register.iter().flatten().enumerate() {
            let what = format!("settings: register entry {}", k + 1);
            match (r.second_mm, r.reject_mm) {
                (None, None) => {
                    return Err(StageError::new(format!(
                        "{what} has neither `second_mm` nor `reject_mm`"
                    )));
                }
                (Some(s), Some(r)) if s > r => {
                    return Err(StageError::new(format!(
                        "{what}: `second_mm` = {s} is over `reject_mm` = {r}"
                    )));
                }
                _ => {}
            }
        }
        for t in &settings.tolerance {
            t.check()?;
        }
        Ok(settings)
    }
}

impl Tolerance {
    /// What it is called.
    pub(crate) fn called(&self) -> String {
        match (&self.name, &self.column) {
            (Some(name), _) => name.clone(),
            (None, Some(column)) => format!("{}.{column}", self.table),
            (None, None) => format!("rows of {}", self.table),
        }
    }

    fn check(&self) -> Result<(), StageError> {
        let wrong = |what: &str| {
            Err(StageError::new(format!(
                "settings: tolerance `{}` {what}",
                self.called()
            )))
        };
        let limits = self.low.is_some() || self.high.is_some();
        match (limits, self.faulty.is_empty()) {
            (false, true) => return wrong("has none of `low`, `high` and `faulty`"),
            (true, false) => return wrong("has limits and `faulty`: make it two"),
            _ => {}
        }
        if self.low.zip(self.high).is_some_and(|(a, b)| a > b) {
            return wrong("has `low` over `high`");
        }
        if self.column.is_none() && !limits {
            return wrong("counts rows and needs `low` or `high`");
        }
        if self.se.is_some() && self.interval.is_some() {
            return wrong("has `se` and `interval`: one is enough");
        }
        Ok(())
    }
}
