//! The columns that say which sheet a row is about, put before those of every
//! table whose scope is a sheet.

use restrike_model::{ColumnSpec, Impression, Scope, TableSpec, Value};

/// Their declarations.
pub fn sheet_columns() -> Vec<ColumnSpec> {
    vec![
        ColumnSpec::integer("sheet", "", "Place of the sheet in the sheet list, from 1."),
        ColumnSpec::text("impression", "Name or number of the impression."),
        ColumnSpec::text("edition", "Edition the impression belongs to."),
        ColumnSpec::integer("year", "", "Year of printing."),
        ColumnSpec::integer("position", "", "Place of the sheet in the stack, from 1."),
    ]
}

/// Their values for one impression.
pub fn sheet_values(impression: &Impression) -> Vec<Value> {
    let text = |s: &str| {
        if s.is_empty() {
            Value::Null
        } else {
            Value::from(s)
        }
    };
    vec![
        impression.sheet.into(),
        text(&impression.impression),
        text(&impression.edition),
        impression.year.map(i64::from).into(),
        impression.position.into(),
    ]
}

/// A stage's table as it is written: with the sheet's columns first where its
/// scope is a sheet.
pub fn with_sheet_columns(spec: &TableSpec) -> TableSpec {
    let mut spec = spec.clone();
    if spec.scope == Scope::Sheet {
        let own = std::mem::take(&mut spec.columns);
        spec.columns = sheet_columns();
        spec.columns
            .extend(own.into_iter().filter(|c| c.name != "sheet"));
    }
    spec
}
