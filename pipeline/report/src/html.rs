//! `index.html`: a page that shows the run. It stands alone (no script, no
//! style sheet, nothing from elsewhere), prints, and stays light on long runs:
//! pictures are loaded only when their sheet is opened.

use std::collections::{BTreeMap, BTreeSet};

use restrike_model::{ColumnSpec, Level, ValueKind};
use serde::Serialize;

use crate::datapackage::{Package, TableFile};
use crate::runjson::{Note, RunRecord, StageRecord};
use crate::writer::PictureFile;

/// Sheets in one fold of the page.
const GROUP: usize = 50;
/// Sheets the page shows at most; the rest is in the picture table.
const MOST_SHEETS: usize = 2000;
/// Lines of a list the page shows at most; the rest is in `run.json`.
const MOST_LINES: usize = 500;

/// A table as the page shows it.
#[derive(Debug, Clone, PartialEq)]
pub struct TableView {
    /// The file.
    pub file: TableFile,
    /// The first rows, as the CSV has them.
    pub first_rows: Vec<Vec<String>>,
}

#[derive(Serialize)]
struct Page<'a> {
    title: &'a str,
    description: &'a str,
    program: String,
    sheets: usize,
    measured: usize,
    unmeasured: usize,
    not_measured: Vec<Missing<'a>>,
    not_measured_more: usize,
    notes: Vec<Remark<'a>>,
    notes_more: usize,
    stages: Vec<Stage<'a>>,
    groups: Vec<Group<'a>>,
    sheets_more: usize,
}

#[derive(Serialize)]
struct Missing<'a> {
    sheet: String,
    /// Whether the page shows pictures of it.
    shown: bool,
    impression: &'a str,
    stage: &'a str,
    status: &'a str,
    reason: &'a str,
}

#[derive(Serialize)]
struct Remark<'a> {
    warning: bool,
    text: &'a str,
    about: String,
}

#[derive(Serialize)]
struct Stage<'a> {
    name: &'a str,
    version: &'a str,
    summary: &'a str,
    library: &'a str,
    hash: &'a str,
    tables: Vec<Table<'a>>,
    pictures: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct Table<'a> {
    id: String,
    title: &'a str,
    path: &'a str,
    rows: u64,
    columns: Vec<Column<'a>>,
    /// Columns in the order the page shows them, the telling ones first.
    heads: Vec<Column<'a>>,
    preview: Vec<Line<'a>>,
}

/// A row of the preview, in the order of the heads.
#[derive(Serialize)]
struct Line<'a> {
    bad: bool,
    cells: Vec<&'a str>,
}

#[derive(Serialize)]
struct Column<'a> {
    name: &'a str,
    kind: &'static str,
    unit: &'a str,
    description: &'a str,
    numeric: bool,
}

#[derive(Serialize)]
struct Group<'a> {
    first: usize,
    last: usize,
    sheets: Vec<Sheet<'a>>,
}

#[derive(Serialize)]
struct Sheet<'a> {
    number: usize,
    impression: &'a str,
    /// What it is instead of measured, and why.
    problem: &'a str,
    reason: &'a str,
    pictures: Vec<Shown<'a>>,
}

#[derive(Serialize)]
struct Shown<'a> {
    stage: &'a str,
    path: &'a str,
    caption: &'a str,
    alt: String,
    width: usize,
    height: usize,
}

/// The page.
///
/// # Errors
/// When the template cannot be filled.
pub fn render(
    package: &Package,
    run: &RunRecord,
    tables: &[TableView],
    pictures: &[PictureFile],
) -> Result<String, minijinja::Error> {
    let mut environment = minijinja::Environment::new();
    environment.add_template("index.html", include_str!("index.html"))?;
    environment
        .get_template("index.html")?
        .render(minijinja::value::Serde(page(
            package, run, tables, pictures,
        )))
}

fn page<'a>(
    package: &'a Package,
    run: &'a RunRecord,
    tables: &'a [TableView],
    pictures: &'a [PictureFile],
) -> Page<'a> {
    let names: BTreeMap<usize, &str> = run
        .scans
        .iter()
        .map(|s| (s.impression.sheet, s.impression.impression.as_str()))
        .collect();
    let (sheets, measured) = run.counts();
    let (groups, sheets_more) = groups(run, pictures, &names);
    Page {
        title: &package.title,
        description: &package.description,
        program: format!("{} {}", run.program.name, run.program.version),
        sheets,
        measured,
        unmeasured: sheets - measured,
        not_measured: missing(run, &names, &groups),
        not_measured_more: run.not_measured.len().saturating_sub(MOST_LINES),
        notes: remarks(&run.notes),
        notes_more: run.notes.len().saturating_sub(MOST_LINES),
        stages: stages(run, tables, pictures),
        groups,
        sheets_more,
    }
}

fn missing<'a>(
    run: &'a RunRecord,
    names: &BTreeMap<usize, &'a str>,
    groups: &[Group<'_>],
) -> Vec<Missing<'a>> {
    let with_pictures: BTreeSet<usize> = groups
        .iter()
        .flat_map(|g| g.sheets.iter().map(|s| s.number))
        .collect();
    run.not_measured
        .iter()
        .take(MOST_LINES)
        .map(|n| Missing {
            sheet: n.sheet.map(|s| s.to_string()).unwrap_or_default(),
            shown: n.sheet.is_some_and(|s| with_pictures.contains(&s)),
            impression: n
                .sheet
                .and_then(|s| names.get(&s).copied())
                .unwrap_or_default(),
            stage: n.stage.as_deref().unwrap_or_default(),
            status: &n.status,
            reason: &n.reason,
        })
        .collect()
}

/// Warnings before the rest, else in order.
fn remarks(notes: &[Note]) -> Vec<Remark<'_>> {
    let of = |level| notes.iter().filter(move |n| n.level == level);
    of(Level::Warning)
        .chain(of(Level::Info))
        .take(MOST_LINES)
        .map(|n| Remark {
            warning: n.level == Level::Warning,
            text: &n.text,
            about: about(n),
        })
        .collect()
}

fn about(note: &Note) -> String {
    let stage = note.stage.as_deref().unwrap_or("run");
    match note.sheet {
        Some(sheet) => format!("{stage}, sheet {sheet}"),
        None => stage.to_owned(),
    }
}

fn stages<'a>(
    run: &'a RunRecord,
    tables: &'a [TableView],
    pictures: &'a [PictureFile],
) -> Vec<Stage<'a>> {
    let mut stages: Vec<Stage<'_>> = run
        .stages
        .iter()
        .map(|s| stage(s, tables, pictures))
        .collect();
    let known = |name: &str| run.stages.iter().any(|s| s.name == name);
    let others: Vec<_> = tables
        .iter()
        .filter(|t| !known(&t.file.stage))
        .map(table)
        .collect();
    if !others.is_empty() {
        stages.push(Stage {
            name: "Other tables",
            version: "",
            summary: "",
            library: "",
            hash: "",
            tables: others,
            pictures: Vec::new(),
        });
    }
    stages
}

fn stage<'a>(
    record: &'a StageRecord,
    tables: &'a [TableView],
    pictures: &'a [PictureFile],
) -> Stage<'a> {
    Stage {
        name: &record.name,
        version: &record.version,
        summary: &record.summary,
        library: &record.library,
        hash: record
            .library_sha256
            .get(..12)
            .unwrap_or(&record.library_sha256),
        tables: tables
            .iter()
            .filter(|t| t.file.stage == record.name)
            .map(table)
            .collect(),
        pictures: pictures
            .iter()
            .filter(|p| p.sheet.is_none() && p.stage == record.name)
            .map(shown)
            .collect(),
    }
}

/// Columns a reader looks for first, by name: which sheet and part of it, what
/// became of it, what it is good for.
const FIRST: [&str; 8] = [
    "sheet",
    "impression",
    "image",
    "block",
    "status",
    "reason",
    "verdict",
    "fit_for",
];
/// Columns that repeat the sheet list.
const LAST: [&str; 5] = ["file", "edition", "year", "position", "role"];
/// The status of a row with numbers.
const MEASURED: &str = "measured";

/// The order in which the page shows a table's columns. The file has its own.
fn reading_order(columns: &[ColumnSpec]) -> Vec<usize> {
    // Elsewhere a column of such a name is the table's own.
    let of_list = LAST.iter().all(|n| columns.iter().any(|c| c.name == *n));
    let place = |name: &str| {
        let first = FIRST.iter().position(|n| *n == name);
        let last = LAST.iter().position(|n| of_list && *n == name);
        first
            .or(last.map(|n| FIRST.len() + 1 + n))
            .unwrap_or(FIRST.len())
    };
    let mut order: Vec<usize> = (0..columns.len()).collect();
    // Stable: all others stay as the stage has them.
    order.sort_by_key(|at| place(&columns[*at].name));
    order
}

fn column(c: &ColumnSpec) -> Column<'_> {
    Column {
        name: &c.name,
        kind: match c.kind {
            ValueKind::Boolean => "true or false",
            ValueKind::Integer => "whole number",
            ValueKind::Number => "number",
            ValueKind::Text => "text",
        },
        unit: &c.unit,
        description: &c.description,
        numeric: matches!(c.kind, ValueKind::Integer | ValueKind::Number),
    }
}

fn table(view: &TableView) -> Table<'_> {
    let columns = &view.file.spec.columns;
    let order = reading_order(columns);
    let status = columns.iter().position(|c| c.name == "status");
    let preview = view.first_rows.iter().map(|row| {
        let cell = |at: usize| row.get(at).map_or("", String::as_str);
        Line {
            bad: status.is_some_and(|at| cell(at) != MEASURED),
            cells: order.iter().map(|at| cell(*at)).collect(),
        }
    });
    Table {
        id: crate::names::safe(&view.file.spec.name),
        title: &view.file.spec.title,
        path: &view.file.path,
        rows: view.file.rows,
        columns: columns.iter().map(column).collect(),
        heads: order.iter().map(|at| column(&columns[*at])).collect(),
        preview: preview.collect(),
    }
}

fn groups<'a>(
    run: &'a RunRecord,
    pictures: &'a [PictureFile],
    names: &BTreeMap<usize, &'a str>,
) -> (Vec<Group<'a>>, usize) {
    let mut by_sheet: BTreeMap<usize, Vec<Shown<'_>>> = BTreeMap::new();
    for picture in pictures {
        if let Some(sheet) = picture.sheet {
            by_sheet.entry(sheet).or_default().push(shown(picture));
        }
    }
    let mut problems: BTreeMap<usize, (&str, &str)> = BTreeMap::new();
    for n in &run.not_measured {
        if let Some(sheet) = n.sheet {
            problems.entry(sheet).or_insert((&n.status, &n.reason));
        }
    }
    let more = by_sheet.len().saturating_sub(MOST_SHEETS);
    let mut sheets: Vec<Sheet<'_>> = by_sheet
        .into_iter()
        .take(MOST_SHEETS)
        .map(|(number, pictures)| {
            let (problem, reason) = problems.get(&number).copied().unwrap_or_default();
            Sheet {
                number,
                impression: names.get(&number).copied().unwrap_or_default(),
                problem,
                reason,
                pictures,
            }
        })
        .collect();
    let mut groups = Vec::new();
    while !sheets.is_empty() {
        let rest = sheets.split_off(sheets.len().min(GROUP));
        let of = |s: Option<&Sheet<'_>>| s.map_or(0, |s| s.number);
        groups.push(Group {
            first: of(sheets.first()),
            last: of(sheets.last()),
            sheets: std::mem::replace(&mut sheets, rest),
        });
    }
    (groups, more)
}

fn shown(picture: &PictureFile) -> Shown<'_> {
    let of = match picture.sheet {
        Some(sheet) => format!("Sheet {sheet}, {}", picture.stage),
        None => format!("The run, {}", picture.stage),
    };
    Shown {
        stage: &picture.stage,
        path: &picture.path,
        caption: &picture.caption,
        alt: format!("{of}, picture {}: {}", picture.name, picture.caption),
        width: picture.width,
        height: picture.height,
    }
}
