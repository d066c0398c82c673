//! Tables as CSV.
//!
//! Plain RFC 4180 records in UTF-8, ended by a line feed, under one header
//! line of column names. A null is an empty cell, a truth value is `true` or
//! `false`. A number has its column's decimal places; without them it is the
//! shortest text that reads back as the same number. Text is written as it
//! stands: a cell that begins with `=`, `+`, `-` or `@` is text here, though a
//! spreadsheet may take it for a formula.

use std::io::Write;

use restrike_model::{ColumnSpec, TableSpec, Value};
use thiserror::Error;

/// A row that does not fit its table.
#[derive(Debug, Error)]
pub enum CsvError {
    /// A row has another number of cells than the table has columns.
    #[error("table `{table}`, row {row}: {cells} cells for {columns} columns")]
    Length {
        /// The table's name.
        table: String,
        /// The row, from 1.
        row: u64,
        /// Cells the row has.
        cells: usize,
        /// Columns the table has.
        columns: usize,
    },
    /// A value is of another kind than its column.
    #[error("table `{table}`, row {row}, column `{column}`: {value} is no {kind}")]
    Kind {
        /// The table's name.
        table: String,
        /// The row, from 1.
        row: u64,
        /// The column's name.
        column: String,
        /// The value.
        value: String,
        /// The kind the column holds.
        kind: &'static str,
    },
    /// The bytes could not be passed on.
    #[error(transparent)]
    Io(#[from] std::io::Error),
}

impl From<::csv::Error> for CsvError {
    fn from(e: ::csv::Error) -> Self {
        match e.into_kind() {
            ::csv::ErrorKind::Io(e) => Self::Io(e),
            other => Self::Io(std::io::Error::other(format!("{other:?}"))),
        }
    }
}

/// Writes one table row by row; memory does not grow with the rows.
pub struct CsvWriter<'s, W: Write> {
    spec: &'s TableSpec,
    inner: ::csv::Writer<W>,
    cell: String,
    rows: u64,
}

impl<'s, W: Write> CsvWriter<'s, W> {
    /// Starts a table with its header line.
    ///
    /// # Errors
    /// When `to` takes no bytes.
    pub fn new(spec: &'s TableSpec, to: W) -> Result<Self, CsvError> {
        let mut inner = ::csv::WriterBuilder::new()
            .terminator(::csv::Terminator::Any(b'\n'))
            .quote_style(::csv::QuoteStyle::Necessary)
            .from_writer(to);
        inner.write_record(spec.columns.iter().map(|c| &c.name))?;
        Ok(Self {
            spec,
            inner,
            cell: String::new(),
            rows: 0,
        })
    }

    /// Adds a row, its values in the order of the columns.
    ///
    /// # Errors
    /// When the row does not fit the columns, or no more bytes are taken.
    pub fn row(&mut self, values: &[Value]) -> Result<(), CsvError> {
        self.rows += 1;
        let columns = &self.spec.columns;
        if values.len() != columns.len() {
            return Err(CsvError::Length {
                table: self.spec.name.clone(),
                row: self.rows,
                cells: values.len(),
                columns: columns.len(),
            });
        }
        if let Some((column, value)) = columns.iter().zip(values).find(|(c, v)| !v.fits(c.kind)) {
            return Err(CsvError::Kind {
                table: self.spec.name.clone(),
                row: self.rows,
                column: column.name.clone(),
                value: format!("{value:?}"),
                kind: kind_name(column),
            });
        }
        for (column, value) in columns.iter().zip(values) {
            self.cell.clear();
            write_cell(&mut self.cell, column, value);
            self.inner.write_field(&self.cell)?;
        }
        self.inner.write_record(None::<&[u8]>)?;
        Ok(())
    }

    /// Rows so far.
    pub fn rows(&self) -> u64 {
        self.rows
    }

    /// Passes on what is still held back.
    ///
    /// # Errors
    /// When no more bytes are taken.
    pub fn finish(mut self) -> Result<W, CsvError> {
        self.inner.flush()?;
        self.inner
            .into_inner()
            .map_err(|e| CsvError::Io(std::io::Error::other(e.error().to_string())))
    }
}

fn kind_name(column: &ColumnSpec) -> &'static str {
    use restrike_model::ValueKind as K;
    match column.kind {
        K::Boolean => "truth value",
        K::Integer => "whole number",
        K::Number => "number",
        K::Text => "text",
    }
}

/// A whole table as bytes.
///
/// # Errors
/// When a row does not fit the columns.
pub fn to_bytes<R: AsRef<[Value]>>(
    spec: &TableSpec,
    rows: impl IntoIterator<Item = R>,
) -> Result<Vec<u8>, CsvError> {
    let mut writer = CsvWriter::new(spec, Vec::new())?;
    for row in rows {
        writer.row(row.as_ref())?;
    }
    writer.finish()
}

/// A value as the text of its cell.
pub fn cell_text(column: &ColumnSpec, value: &Value) -> String {
    let mut text = String::new();
    write_cell(&mut text, column, value);
    text
}

fn write_cell(out: &mut String, column: &ColumnSpec, value: &Value) {
    use std::fmt::Write as _;
    // Writing to a String does not fail.
    let _ = match value {
        Value::Null => Ok(()),
        Value::Boolean(v) => write!(out, "{v}"),
        Value::Integer(v) => {
            let done = write!(out, "{v}");
            match (column.kind, column.decimals) {
                (restrike_model::ValueKind::Number, Some(n)) if n > 0 => {
                    out.push('.');
                    out.extend(std::iter::repeat_n('0', usize::from(n)));
                    done
                }
                _ => done,
            }
        }
        Value::Number(v) if !v.is_finite() => Ok(()),
        Value::Number(v) => write_number(out, *v, column.decimals),
        Value::Text(v) => write!(out, "{v}"),
    };
}

/// Rust's formatting rounds the exact binary value (ties to even), so only
/// the sign of a result that is all zeros needs care.
fn write_number(out: &mut String, v: f64, decimals: Option<u8>) -> std::fmt::Result {
    use std::fmt::Write as _;
    let Some(n) = decimals else {
        let plain = v == 0.0 || (1e-5..1e16).contains(&v.abs());
        return if plain {
            write!(out, "{}", v + 0.0)
        } else {
            write!(out, "{v:E}")
        };
    };
    let start = out.len();
    write!(out, "{v:.*}", usize::from(n))?;
    let written = &out[start..];
    if written.starts_with('-') && written.bytes().all(|b| matches!(b, b'-' | b'.' | b'0')) {
        out.remove(start);
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn number(decimals: Option<u8>, v: f64) -> String {
        let mut column = ColumnSpec::number("x_mm", "mm", 0, "A length.");
        column.decimals = decimals;
        cell_text(&column, &Value::Number(v))
    }

    #[test]
    fn numbers_have_their_columns_places() {
        assert_eq!(number(Some(3), -0.0004), "0.000");
        assert_eq!(number(Some(3), -0.0006), "-0.001");
        assert_eq!(number(Some(0), -0.2), "0");
        assert_eq!(number(Some(2), 1.005), "1.00", "1.005 is below 1.005");
        assert_eq!(number(Some(2), 1e22), "10000000000000000000000.00");
        assert_eq!(number(Some(1), f64::NAN), "");
        let column = ColumnSpec::number("x_mm", "mm", 2, "A length.");
        let big = Value::Integer(i64::MIN);
        assert_eq!(cell_text(&column, &big), "-9223372036854775808.00");
    }

    #[test]
    fn numbers_without_places_read_back_the_same() {
        for v in [0.1 + 0.2, 1e300, 5e-324, -1.5e-7, 123_456.75, -0.0, 1e16] {
            let text = number(None, v);
            assert_eq!(text.parse::<f64>().unwrap(), v, "{text}");
            assert!(text.len() < 25, "{text}");
        }
        assert_eq!(number(None, -0.0), "0");
        assert_eq!(number(None, 3.0), "3");
    }
}
