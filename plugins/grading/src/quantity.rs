//! A measured value with its interval, read off a row.

use restrike_stage::{Table, Value, columns};

use crate::settings::{Columns, Tolerance};

/// A value with the interval in which it is taken to lie.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Quantity {
    pub(crate) value: f64,
    /// Standard error, where one is known.
    pub(crate) se: Option<f64>,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

impl Quantity {
    /// A value known exactly.
    pub(crate) fn exact(value: f64) -> Self {
        Self {
            value,
            se: None,
            low: value,
            high: value,
        }
    }

    /// A value with its standard error, `z` of which reach to the interval's ends.
    pub(crate) fn with_se(value: f64, se: f64, z: f64) -> Self {
        Self {
            value,
            se: Some(se),
            low: value - z * se,
            high: value + z * se,
        }
    }
}

/// Where a column's uncertainty stands.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Uncertainty {
    /// In columns of standard errors.
    Errors(Vec<usize>),
    /// In the ends of an interval.
    Interval([usize; 2]),
    /// Nowhere.
    Unstated,
}

/// Finds a column's uncertainty.
///
/// # Errors
/// With the name of a column that is not there.
pub(crate) fn uncertainty(t: &Tolerance, table: &Table) -> Result<Uncertainty, String> {
    let at = |name: &String| table.column(name).ok_or_else(|| name.clone());
    if let Some(names) = &t.se {
        let found: Result<Vec<usize>, String> = Columns::names(names).iter().map(at).collect();
        return Ok(Uncertainty::Errors(found?));
    }
    if let Some([low, high]) = &t.interval {
        return Ok(Uncertainty::Interval([at(low)?, at(high)?]));
    }
    let Some(column) = &t.column else {
        return Ok(Uncertainty::Unstated);
    };
    if let Some(se) = beside(table, column, "se") {
        return Ok(Uncertainty::Errors(vec![se]));
    }
    let ends = beside(table, column, "low").zip(beside(table, column, "high"));
    Ok(ends.map_or(Uncertainty::Unstated, |(low, high)| {
        Uncertainty::Interval([low, high])
    }))
}

/// The column of the same name with a word before the unit or at the end.
fn beside(table: &Table, column: &str, word: &str) -> Option<usize> {
    let unit = columns::UNITS
        .iter()
        .map(|u| u.0)
        .find(|end| column.ends_with(end));
    let with = unit.and_then(|end| {
        let stem = column.strip_suffix(end)?;
        table.column(&format!("{stem}_{word}{end}"))
    });
    with.or_else(|| table.column(&format!("{column}_{word}")))
}

/// Reads a value.
///
/// # Errors
/// With what is missing, in words; an empty text where nothing is known of the value.
pub(crate) fn read(
    row: &[Value],
    column: usize,
    uncertainty: &Uncertainty,
    z: f64,
) -> Result<Quantity, String> {
    let number = |c: usize| row.get(c).and_then(Value::as_f64).filter(|v| v.is_finite());
    let value = number(column).ok_or_else(String::new)?;
    match uncertainty {
        Uncertainty::Unstated => Ok(Quantity::exact(value)),
        Uncertainty::Errors(columns) => {
            let mut square = 0.0;
            for c in columns {
                let se = number(*c)
                    .filter(|se| *se >= 0.0)
                    .ok_or("its standard error is not known")?;
                square += se * se;
            }
            Ok(Quantity::with_se(value, square.sqrt(), z))
        }
        Uncertainty::Interval([low, high]) => {
            let (low, high) = number(*low)
                .zip(number(*high))
                .ok_or("the ends of its interval are not known")?;
            Ok(Quantity {
                value,
                se: None,
                low: low.min(value),
                high: high.max(value),
            })
        }
    }
}
