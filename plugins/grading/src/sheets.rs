//! The sheets to be graded, their images, and what is known to be wrong with
//! a sheet as a whole.

use std::collections::BTreeMap;

use restrike_stage::{Impression, Project, Role, SHEET_STATUS, Summary, Table};

/// Statuses that say what a stage met with, not what the sheet is.
const OF_THE_STAGE: [&str; 2] = ["failed", "skipped"];
/// A scan of a sheet that was scanned before: no sheet of its own.
const DUPLICATE: &str = "duplicate";

/// Why a sheet stands in no table, or not in one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Trouble {
    pub(crate) stage: String,
    pub(crate) status: String,
    pub(crate) reason: String,
}

impl Trouble {
    pub(crate) fn words(&self) -> String {
        if self.reason.is_empty() {
            format!("{} (stage {})", self.status, self.stage)
        } else {
            format!("{} (stage {}): {}", self.status, self.stage, self.reason)
        }
    }
}

/// A sheet of the stack.
#[derive(Debug, Clone)]
pub(crate) struct Sheet<'a> {
    pub(crate) impression: &'a Impression,
    /// What is wrong with it as a whole.
    pub(crate) trouble: Option<Trouble>,
    /// Tables it is not in.
    pub(crate) missing: BTreeMap<String, Trouble>,
}

impl Sheet<'_> {
    /// Whether it is a second scan of another sheet of the list.
    pub(crate) fn is_duplicate(&self) -> bool {
        self.trouble.as_ref().is_some_and(|t| t.status == DUPLICATE)
    }
}

/// All sheets but proofs of one block, in list order.
pub(crate) fn sheets<'a>(input: &Summary<'a>) -> Vec<Sheet<'a>> {
    let mut missing: BTreeMap<usize, BTreeMap<String, Trouble>> = BTreeMap::new();
    let mut troubles: BTreeMap<usize, Trouble> = BTreeMap::new();
    if let Some(table) = input.table(SHEET_STATUS) {
        for row in 0..table.rows.len() {
            let Some(sheet) = sheet_of(table, row) else {
                continue;
            };
            let text = |column: &str| table.get(row, column).as_str().unwrap_or("").to_owned();
            let found = Trouble {
                stage: text("stage"),
                status: text("status"),
                reason: text("reason"),
            };
            let of = missing.entry(sheet).or_default();
            of.entry(text("table")).or_insert_with(|| found.clone());
            if !OF_THE_STAGE.contains(&found.status.as_str()) {
                troubles.entry(sheet).or_insert(found);
            }
        }
    }
    input
        .impressions
        .iter()
        .filter(|i| !matches!(i.role, Role::Proof(_)))
        .map(|impression| Sheet {
            impression,
            trouble: troubles.remove(&impression.sheet),
            missing: missing.remove(&impression.sheet).unwrap_or_default(),
        })
        .collect()
}

fn sheet_of(table: &Table, row: usize) -> Option<usize> {
    usize::try_from(table.get(row, "sheet").as_i64()?).ok()
}

/// Rows of a table by sheet; none where the table is not about sheets.
pub(crate) fn rows_by_sheet(table: &Table) -> Option<BTreeMap<usize, Vec<usize>>> {
    table.column("sheet")?;
    let mut rows: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for row in 0..table.rows.len() {
        if let Some(sheet) = sheet_of(table, row) {
            rows.entry(sheet).or_default().push(row);
        }
    }
    Some(rows)
}

/// What a sheet with one image calls it.
pub(crate) const WHOLE: &str = "whole";

/// The images that are graded: those of the config, or the whole sheet.
pub(crate) fn images(project: &Project) -> Vec<String> {
    match project.images.as_slice() {
        [] => vec![WHOLE.to_owned()],
        images => images.iter().map(|i| i.name.clone()).collect(),
    }
}
