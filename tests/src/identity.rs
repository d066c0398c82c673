//! Whether wrong sheets are told by name, and good ones let through.

use std::collections::BTreeMap;

use anyhow::{Result, anyhow};
use restrike_engine::MEASURED;
use restrike_synth::{Difficulty, SheetKind, Truth, Wrong};

use crate::whole::{batches, cell, measure};

/// Wrong sheets of each kind in each design.
const WRONG: [&str; 7] = [
    "blank:2",
    "verso:2",
    "upside-down:2",
    "other-design:2",
    "duplicate:1",
    "reencoded:1",
    "crop:2",
];

/// The name the stage gives to each sheet. Of two scans of one impression the
/// later in the list is the duplicate, whichever was made from the other.
fn expected(truth: &[Truth]) -> Vec<&'static str> {
    let mut names: Vec<&str> = truth
        .iter()
        .map(|t| match t.kind {
            SheetKind::Blank => "blank",
            SheetKind::Verso => "verso",
            SheetKind::UpsideDown => "upside down",
            SheetKind::OtherDesign => "other design",
            SheetKind::Crop => "crop",
            SheetKind::Good | SheetKind::Duplicate { .. } | SheetKind::Reencoded { .. } => MEASURED,
        })
        .collect();
    for (at, t) in truth.iter().enumerate() {
        if let SheetKind::Duplicate { of } | SheetKind::Reencoded { of } = &t.kind
            && let Some(other) = truth.iter().position(|o| &o.name == of)
        {
            names[at.max(other)] = "duplicate";
        }
    }
    names
}

/// Counts of (what the sheet is, what it was called).
#[derive(Debug, Default)]
pub struct Report {
    counts: BTreeMap<(String, String), usize>,
    /// What was said of duplicates, right or wrong, and of all wrong names.
    reasons: Vec<String>,
}

impl Report {
    /// Sheets that were called by another name than theirs.
    pub fn wrong(&self) -> usize {
        self.counts
            .iter()
            .filter(|((is, called), _)| is != called)
            .map(|(_, n)| n)
            .sum()
    }

    /// The counts as lines of text.
    pub fn text(&self) -> String {
        let lines: Vec<String> = self
            .counts
            .iter()
            .map(|((is, called), n)| {
                let mark = if is == called { "" } else { "   <- wrong" };
                format!("{is:<14} called {called:<14} {n:4}{mark}")
            })
            .collect();
        format!(
            "{}\n{}\nwrong names: {}",
            lines.join("\n"),
            self.reasons.join("\n"),
            self.wrong()
        )
    }
}

/// Renders and measures `sheets` good sheets of each design among wrong ones.
///
/// # Errors
/// When a batch cannot be rendered or run.
pub fn report(sheets: u32, dpi: f64, difficulty: Difficulty) -> Result<Report> {
    let mut report = Report::default();
    let wrong = WRONG
        .iter()
        .map(|w| w.parse().map_err(|e| anyhow!("{w}: {e}")))
        .collect::<Result<Vec<Wrong>>>()?;
    for batch in batches(sheets, dpi, difficulty, &wrong) {
        let measured = measure(&batch, &["deskew"])?;
        let table = measured.table("deskew_sheet")?;
        let names = expected(&measured.truth);
        for (row, is) in table.rows.iter().zip(names) {
            let called = cell(table, row, "status")
                .as_str()
                .unwrap_or_default()
                .to_owned();
            if called != is || is == "duplicate" {
                let reason = cell(table, row, "reason").as_str().unwrap_or_default();
                report.reasons.push(format!(
                    "{:?} {}: {is} called {called}: {reason}",
                    batch.family, batch.seed
                ));
            }
            *report.counts.entry((is.to_owned(), called)).or_default() += 1;
        }
    }
    Ok(report)
}
