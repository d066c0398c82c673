//! Tables: what a column holds, and rows of values.

use serde::{Deserialize, Serialize};

/// What kind of values a column holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ValueKind {
    /// `true` or `false`.
    Boolean,
    /// A whole number.
    Integer,
    /// A real number.
    Number,
    /// Text.
    Text,
}

/// One cell.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Value {
    /// Not known, or does not apply.
    #[default]
    Null,
    /// `true` or `false`.
    Boolean(bool),
    /// A whole number.
    Integer(i64),
    /// A real number, always finite: the conversion from `f64` turns the rest into [`Value::Null`].
    Number(f64),
    /// Text.
    Text(String),
}

impl Value {
    /// Whether this value may stand in a column of that kind.
    pub fn fits(&self, kind: ValueKind) -> bool {
        matches!(
            (self, kind),
            (Self::Null, _)
                | (Self::Boolean(_), ValueKind::Boolean)
                | (Self::Integer(_), ValueKind::Integer | ValueKind::Number)
                | (Self::Number(_), ValueKind::Number)
                | (Self::Text(_), ValueKind::Text)
        )
    }

    /// The number, if it is one.
    pub fn as_f64(&self) -> Option<f64> {
        match self {
            Self::Number(v) => Some(*v),
            #[allow(clippy::cast_precision_loss)]
            Self::Integer(v) => Some(*v as f64),
            _ => None,
        }
    }

    /// The whole number, if it is one.
    pub fn as_i64(&self) -> Option<i64> {
        match self {
            Self::Integer(v) => Some(*v),
            _ => None,
        }
    }

    /// The text, if it is one.
    pub fn as_str(&self) -> Option<&str> {
        match self {
            Self::Text(v) => Some(v),
            _ => None,
        }
    }

    /// The truth value, if it is one.
    pub fn as_bool(&self) -> Option<bool> {
        match self {
            Self::Boolean(v) => Some(*v),
            _ => None,
        }
    }
}

impl From<f64> for Value {
    fn from(v: f64) -> Self {
        if v.is_finite() {
            // -0 would print as another text than 0.
            Self::Number(v + 0.0)
        } else {
            Self::Null
        }
    }
}

impl From<i64> for Value {
    fn from(v: i64) -> Self {
        Self::Integer(v)
    }
}

impl From<usize> for Value {
    fn from(v: usize) -> Self {
        Self::Integer(i64::try_from(v).unwrap_or(i64::MAX))
    }
}

impl From<bool> for Value {
    fn from(v: bool) -> Self {
        Self::Boolean(v)
    }
}

impl From<&str> for Value {
    fn from(v: &str) -> Self {
        Self::Text(v.to_owned())
    }
}

impl From<String> for Value {
    fn from(v: String) -> Self {
        Self::Text(v)
    }
}

impl<T: Into<Value>> From<Option<T>> for Value {
    fn from(v: Option<T>) -> Self {
        v.map_or(Self::Null, Into::into)
    }
}

/// A column's declaration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ColumnSpec {
    /// Its name, with the unit at the end where it has one (`width_mm`).
    pub name: String,
    /// What it holds.
    pub kind: ValueKind,
    /// The unit, empty for none.
    #[serde(default)]
    pub unit: String,
    /// What it means, in a sentence.
    pub description: String,
    /// Decimal places in the CSV; without it, the shortest text that reads back the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decimals: Option<u8>,
}

impl ColumnSpec {
    /// A column of real numbers, printed with `decimals` places.
    pub fn number(name: &str, unit: &str, decimals: u8, description: &str) -> Self {
        Self {
            name: name.to_owned(),
            kind: ValueKind::Number,
            unit: unit.to_owned(),
            description: description.to_owned(),
            decimals: Some(decimals),
        }
    }

    /// A column of real numbers of any size, printed as they are: those who fill it round.
    pub fn any_size(name: &str, unit: &str, description: &str) -> Self {
        Self::plain(name, ValueKind::Number, unit, description)
    }

    /// A column of whole numbers.
    pub fn integer(name: &str, unit: &str, description: &str) -> Self {
        Self::plain(name, ValueKind::Integer, unit, description)
    }

    /// A column of text.
    pub fn text(name: &str, description: &str) -> Self {
        Self::plain(name, ValueKind::Text, "", description)
    }

    /// A column of truth values.
    pub fn boolean(name: &str, description: &str) -> Self {
        Self::plain(name, ValueKind::Boolean, "", description)
    }

    fn plain(name: &str, kind: ValueKind, unit: &str, description: &str) -> Self {
        Self {
            name: name.to_owned(),
            kind,
            unit: unit.to_owned(),
            description: description.to_owned(),
            decimals: None,
        }
    }
}

/// What the rows of a table are about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Scope {
    /// A row or more for each sheet; the sheet's own columns are put before them.
    Sheet,
    /// Rows about the run as a whole.
    Run,
}

/// A table's declaration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TableSpec {
    /// Its name; the CSV is called after it.
    pub name: String,
    /// What it is, in a few words.
    pub title: String,
    /// What its rows are about.
    pub scope: Scope,
    /// Kept for later stages and `summarise`, not written as a CSV.
    #[serde(default)]
    pub internal: bool,
    /// The columns, in order.
    pub columns: Vec<ColumnSpec>,
}

impl TableSpec {
    /// Where a column stands.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| c.name == name)
    }
}

/// Rows under named columns.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Table {
    /// Its name.
    pub name: String,
    /// The columns' names, in order.
    pub columns: Vec<String>,
    /// The rows, each as long as `columns`.
    pub rows: Vec<Vec<Value>>,
}

impl Table {
    /// Where a column stands.
    pub fn column(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| c == name)
    }

    /// The value in a row under a column's name; [`Value::Null`] where there is none.
    pub fn get(&self, row: usize, column: &str) -> &Value {
        const NONE: &Value = &Value::Null;
        self.column(column)
            .and_then(|c| self.rows.get(row)?.get(c))
            .unwrap_or(NONE)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_finite_numbers_become_numbers() {
        assert_eq!(Value::from(f64::NAN), Value::Null);
        assert_eq!(Value::from(f64::INFINITY), Value::Null);
        assert_eq!(format!("{:?}", Value::from(-0.0)), "Number(0.0)");
    }

    #[test]
    fn values_survive_json_to_the_last_bit() {
        for v in [
            Value::Null,
            Value::Boolean(true),
            Value::Integer(-7),
            Value::Number(0.1 + 0.2),
            Value::Number(3.0),
            Value::Text("x".into()),
        ] {
            let text = serde_json::to_string(&v).unwrap();
            assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), v, "{text}");
        }
    }
}
