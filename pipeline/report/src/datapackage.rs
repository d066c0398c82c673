//! `datapackage.json`: what each file holds, column by column.
//!
//! Follows the Data Package standard, version 2.0, by the text of
//! <https://datapackage.org/standard/data-package/>, `data-resource/`,
//! `table-dialect/` and `table-schema/` there; `profile` is kept beside `type`
//! for readers of version 1 (<https://specs.frictionlessdata.io/>).

use restrike_model::{ColumnSpec, Scope, TableSpec, ValueKind};
use serde::Serialize;

use crate::names;

/// Profile the descriptor keeps to.
pub const PROFILE: &str = "https://datapackage.org/profiles/2.0/datapackage.json";

/// A CSV that is part of the package.
#[derive(Debug, Clone, PartialEq)]
pub struct TableFile {
    /// Its columns.
    pub spec: TableSpec,
    /// Stage it is from, empty if from none.
    pub stage: String,
    /// Where it is, relative to the output folder.
    pub path: String,
    /// Rows below the header.
    pub rows: u64,
    /// Size in bytes.
    pub bytes: u64,
    /// SHA-256, hexadecimal.
    pub sha256: String,
}

/// What the package is.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Package {
    /// A name to be made safe (`heron at the salt pans`).
    pub name: String,
    /// One line for people.
    pub title: String,
    /// More, in plain text or CommonMark.
    pub description: String,
}

// Structs rather than free-form values: their keys keep this order whatever
// features of `serde_json` a build turns on.
#[derive(Serialize)]
struct Descriptor<'a> {
    #[serde(rename = "$schema")]
    schema: &'static str,
    name: String,
    title: &'a str,
    #[serde(skip_serializing_if = "str::is_empty")]
    description: &'a str,
    resources: Vec<Resource<'a>>,
}

#[derive(Serialize)]
#[serde(untagged)]
enum Resource<'a> {
    Table(TableResource<'a>),
    Plain(PlainResource),
}

#[derive(Serialize)]
struct TableResource<'a> {
    name: String,
    r#type: &'static str,
    profile: &'static str,
    path: &'a str,
    title: &'a str,
    format: &'static str,
    mediatype: &'static str,
    encoding: &'static str,
    bytes: u64,
    hash: String,
    dialect: Dialect,
    schema: TableSchema<'a>,
}

#[derive(Serialize)]
struct PlainResource {
    name: &'static str,
    path: &'static str,
    title: &'static str,
    format: &'static str,
    mediatype: &'static str,
    encoding: &'static str,
}

#[derive(Serialize)]
#[serde(rename_all = "camelCase")]
struct Dialect {
    delimiter: &'static str,
    line_terminator: &'static str,
    quote_char: &'static str,
    double_quote: bool,
    skip_initial_space: bool,
    header: bool,
}

/// Table Schema of a table.
#[derive(Debug, Clone, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct TableSchema<'a> {
    fields: Vec<Field<'a>>,
    missing_values: [&'static str; 1],
}

#[derive(Debug, Clone, Serialize)]
struct Field<'a> {
    name: &'a str,
    r#type: &'static str,
    description: &'a str,
    /// A property of our own: the standard has none for units and allows others.
    #[serde(skip_serializing_if = "str::is_empty")]
    unit: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    constraints: Option<Constraints>,
}

#[derive(Debug, Clone, Serialize)]
struct Constraints {
    required: bool,
    minimum: i64,
}

/// The text of `datapackage.json`: a resource for each table, one for `run.json`.
///
/// # Errors
/// Never for this data; the type is that of the writer.
pub fn to_bytes(package: &Package, tables: &[TableFile]) -> Result<Vec<u8>, serde_json::Error> {
    let mut resources: Vec<_> = tables
        .iter()
        .map(|t| Resource::Table(table_resource(t)))
        .collect();
    resources.push(Resource::Plain(PlainResource {
        name: "run.json",
        path: "run.json",
        title: "What was run on what, and what was not measured",
        format: "json",
        mediatype: "application/json",
        encoding: "utf-8",
    }));
    let name = names::safe(&package.name);
    let descriptor = Descriptor {
        schema: PROFILE,
        name: if name.is_empty() { "run".into() } else { name },
        title: &package.title,
        description: &package.description,
        resources,
    };
    let mut bytes = serde_json::to_vec_pretty(&descriptor)?;
    bytes.push(b'\n');
    Ok(bytes)
}

fn table_resource(table: &TableFile) -> TableResource<'_> {
    TableResource {
        name: resource_name(&table.spec.name),
        r#type: "table",
        profile: "tabular-data-resource",
        path: &table.path,
        title: &table.spec.title,
        format: "csv",
        mediatype: "text/csv",
        encoding: "utf-8",
        bytes: table.bytes,
        hash: format!("sha256:{}", table.sha256),
        dialect: Dialect {
            delimiter: ",",
            line_terminator: "\n",
            quote_char: "\"",
            double_quote: true,
            skip_initial_space: false,
            header: true,
        },
        schema: table_schema(&table.spec),
    }
}

/// A table's name as a resource name, which has to be unique: that of its
/// file. `run.json` is free for the run's own, as no table's name ends so.
fn resource_name(table: &str) -> String {
    let path = names::table_path(table);
    let name = path.trim_start_matches("tables/").trim_end_matches(".csv");
    name.to_owned()
}

/// Table Schema of a table.
pub fn table_schema(spec: &TableSpec) -> TableSchema<'_> {
    TableSchema {
        fields: spec.columns.iter().map(|c| field(spec.scope, c)).collect(),
        missing_values: [""],
    }
}

fn field(scope: Scope, column: &ColumnSpec) -> Field<'_> {
    Field {
        name: &column.name,
        r#type: field_type(column.kind),
        description: &column.description,
        unit: &column.unit,
        constraints: (scope == Scope::Sheet && column.name == "sheet").then_some(Constraints {
            required: true,
            minimum: 1,
        }),
    }
}

fn field_type(kind: ValueKind) -> &'static str {
    match kind {
        ValueKind::Boolean => "boolean",
        ValueKind::Integer => "integer",
        ValueKind::Number => "number",
        ValueKind::Text => "string",
    }
}
