//! Which columns are looked at.

pub(crate) use restrike_stage::columns::{fits, unit};

/// Whether a column of a table is among those named and not among the exceptions.
pub(crate) fn chosen(columns: &[String], except: &[String], table: &str, column: &str) -> bool {
    let full = format!("{table}.{column}");
    let any = |patterns: &[String]| patterns.iter().any(|p| fits(p, &full));
    any(columns) && !any(except)
}
