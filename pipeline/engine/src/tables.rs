//! The tables of a run: each stage's columns, with the sheet's own before and
//! its status behind.

use restrike_model::{ColumnSpec, SHEET_STATUS, Scope, Table, TableSpec, Value};

use crate::outcome::{MEASURED, SheetOutcome};
use crate::plan::{Plan, SheetPlan};

/// A table ready to be written.
#[derive(Debug, Clone, PartialEq)]
pub struct FinalTable {
    /// The stage that gives it.
    pub stage: String,
    /// Its columns.
    pub spec: TableSpec,
    /// Its rows.
    pub rows: Vec<Vec<Value>>,
}

fn leading() -> Vec<ColumnSpec> {
    vec![
        ColumnSpec::integer("sheet", "", "Place in the sheet list, from 1."),
        ColumnSpec::text("file", "The scan's file, as the sheet list spells it."),
        ColumnSpec::text("impression", "The impression's own name or number."),
        ColumnSpec::text("edition", "Edition it belongs to."),
        ColumnSpec::integer("year", "", "Year of printing."),
        ColumnSpec::integer("position", "", "Place in the stack, from 1."),
        ColumnSpec::text("role", "reference, proof:BLOCK or run."),
    ]
}

fn trailing() -> Vec<ColumnSpec> {
    vec![
        ColumnSpec::text(
            "status",
            "measured, or why not: unreadable, blank, verso, upside down, other design, crop, \
             duplicate, failed, skipped, ...",
        ),
        ColumnSpec::text("reason", "The reason when it was not measured."),
    ]
}

fn leading_values(sheet: &SheetPlan) -> Vec<Value> {
    let i = &sheet.line.impression;
    vec![
        i.sheet.into(),
        i.file.as_str().into(),
        i.impression.as_str().into(),
        text(&i.edition),
        i.year.map(i64::from).into(),
        i.position.into(),
        i.role.to_string().into(),
    ]
}

fn text(t: &str) -> Value {
    if t.is_empty() { Value::Null } else { t.into() }
}

/// All tables that are written, in stage order. `run_rows` are those that
/// stages gave about the run: (stage, table, row).
pub(crate) fn assemble(
    plan: &Plan,
    outcomes: &[SheetOutcome],
    run_rows: &[(String, String, Vec<Value>)],
) -> Vec<FinalTable> {
    let mut tables = Vec::new();
    for (at, stage) in plan.stages.iter().enumerate() {
        let m = stage.manifest();
        for spec in m.gives.tables.iter().filter(|t| !t.internal) {
            let table = match spec.scope {
                Scope::Run => FinalTable {
                    stage: m.name.clone(),
                    spec: spec.clone(),
                    rows: run_rows
                        .iter()
                        .filter(|r| r.0 == m.name && r.1 == spec.name)
                        .map(|r| r.2.clone())
                        .collect(),
                },
                Scope::Sheet => sheet_table(plan, outcomes, at, &m.name, spec),
            };
            tables.push(table);
        }
    }
    tables
}

fn sheet_table(
    plan: &Plan,
    outcomes: &[SheetOutcome],
    stage_at: usize,
    stage: &str,
    spec: &TableSpec,
) -> FinalTable {
    let mut full = spec.clone();
    full.columns = leading();
    full.columns.extend(spec.columns.iter().cloned());
    full.columns.extend(trailing());
    let mut rows = Vec::new();
    for (sheet, outcome) in plan.sheets.iter().zip(outcomes) {
        let Some(done) = outcome.stages.get(stage_at) else {
            continue;
        };
        let mut push = |middle: Vec<Value>| {
            let mut row = leading_values(sheet);
            row.extend(middle);
            row.push(done.status.as_str().into());
            row.push(text(&done.reason));
            rows.push(row);
        };
        if done.status == MEASURED {
            for r in done.rows.get(&spec.name).into_iter().flatten() {
                push(r.clone());
            }
        } else {
            push(vec![Value::Null; spec.columns.len()]);
        }
    }
    FinalTable {
        stage: stage.to_owned(),
        spec: full,
        rows,
    }
}

/// Which sheets are missing from the tables of the stages before `until`, and why.
pub(crate) fn missing(plan: &Plan, outcomes: &[SheetOutcome], until: usize) -> Table {
    let mut rows = Vec::new();
    for outcome in outcomes {
        for (stage, done) in plan.stages.iter().zip(&outcome.stages).take(until) {
            let m = stage.manifest();
            let tables = m.gives.tables.iter().filter(|t| t.scope == Scope::Sheet);
            for t in tables.filter(|_| done.status != MEASURED) {
                rows.push(vec![
                    outcome.sheet.into(),
                    t.name.as_str().into(),
                    m.name.as_str().into(),
                    done.status.as_str().into(),
                    text(&done.reason),
                ]);
            }
        }
    }
    Table {
        name: SHEET_STATUS.to_owned(),
        columns: ["sheet", "table", "stage", "status", "reason"]
            .map(str::to_owned)
            .to_vec(),
        rows,
    }
}

/// A table over all measured sheets, as `summarise` sees it.
pub(crate) fn for_summary(
    plan: &Plan,
    outcomes: &[SheetOutcome],
    run_rows: &[(String, String, Vec<Value>)],
    name: &str,
) -> Option<Table> {
    let (at, stage, spec) = plan.stages.iter().enumerate().find_map(|(at, s)| {
        let m = s.manifest();
        let spec = m.gives.tables.iter().find(|t| t.name == name)?;
        Some((at, &m.name, spec))
    })?;
    let mut columns: Vec<String> = spec.columns.iter().map(|c| c.name.clone()).collect();
    let rows = match spec.scope {
        Scope::Run => run_rows
            .iter()
            .filter(|r| &r.0 == stage && r.1 == name)
            .map(|r| r.2.clone())
            .collect(),
        Scope::Sheet => {
            columns.insert(0, "sheet".to_owned());
            let mut rows = Vec::new();
            for outcome in outcomes {
                let measured = outcome.stages.get(at).filter(|s| s.status == MEASURED);
                for r in measured
                    .and_then(|s| s.rows.get(name))
                    .into_iter()
                    .flatten()
                {
                    let mut row = Vec::with_capacity(r.len() + 1);
                    row.push(outcome.sheet.into());
                    row.extend(r.iter().cloned());
                    rows.push(row);
                }
            }
            rows
        }
    };
    Some(Table {
        name: name.to_owned(),
        columns,
        rows,
    })
}
