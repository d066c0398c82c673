//! What stage `comparison` lists between editions that are equal: nothing, but
//! for the stated rate.
//!
//! With nothing to be found every region listed is false, so that a pair lists
//! any at the rate of false discoveries (Benjamini and Hochberg, "Controlling the
//! false discovery rate", Journal of the Royal Statistical Society B 57(1), 1995).

use std::fmt::Write as _;

use anyhow::Result;
use restrike_model::Value;
use restrike_synth::{Design, DesignSpec, Family};

use crate::editions::{Trial, words};
use crate::whole::{Measured, cell, measure_sheets};

const FAMILIES: [Family; 4] = [
    Family::Pattern,
    Family::Landscape,
    Family::Figure,
    Family::Heron,
];
/// Editions of a design: ten pairs, each edition in four of them.
const EDITIONS: u32 = 5;
/// Small sheets: so many pairs take hours on larger ones.
const SHEET_MM: [f64; 2] = [90.0, 66.0];

/// The report.
#[derive(Debug, Default)]
pub struct Report {
    designs: usize,
    pairs: usize,
    with_any: usize,
    not_compared: usize,
    regions: usize,
    compared_mm2: f64,
    cases: Vec<String>,
}

impl Report {
    /// Share of the compared pairs with a region listed, per cent.
    #[allow(clippy::cast_precision_loss)]
    pub fn false_pct(&self) -> f64 {
        100.0 * self.with_any as f64 / self.pairs.max(1) as f64
    }

    /// The report as text.
    #[allow(clippy::cast_precision_loss)]
    pub fn text(&self) -> String {
        let mut out = String::new();
        for c in &self.cases {
            let _ = writeln!(out, "  {c}");
        }
        let _ = writeln!(
            out,
            "{} pairs of equal editions of {} designs: {} with a region listed ({:.1} %), {} regions in all; {} not compared; {:.0} mm2 compared in a pair of {:.0}",
            self.pairs,
            self.designs,
            self.with_any,
            self.false_pct(),
            self.regions,
            self.not_compared,
            self.compared_mm2 / self.pairs.max(1) as f64,
            SHEET_MM[0] * SHEET_MM[1]
        );
        out
    }

    fn add(&mut self, name: &str, m: &Measured) -> Result<()> {
        let pairs = m.table("comparison_pairs")?;
        let table = m.table("comparison_differences")?;
        self.designs += 1;
        for pair in &pairs.rows {
            if cell(pairs, pair, "status").as_str() != Some("compared") {
                self.not_compared += 1;
                continue;
            }
            let own = |r: &&Vec<Value>| {
                ["first", "second"]
                    .iter()
                    .all(|c| cell(table, r, c) == cell(pairs, pair, c))
            };
            let rows: Vec<&Vec<Value>> = table.rows.iter().filter(own).collect();
            self.pairs += 1;
            self.compared_mm2 += cell(pairs, pair, "compared_mm2").as_f64().unwrap_or(0.0);
            self.with_any += usize::from(!rows.is_empty());
            self.regions += rows.len();
            let [a, b] =
                ["first", "second"].map(|c| cell(pairs, pair, c).as_str().unwrap_or_default());
            for r in rows {
                self.cases
                    .push(format!("{name} {a}-{b}: {}", words(table, r)));
            }
        }
        Ok(())
    }
}

/// Renders so many designs, `trial.sheets` impressions of each edition, and
/// compares every pair of editions; `seed`: of the first design.
///
/// # Errors
/// When one fails.
pub fn report(trial: Trial, designs: usize, seed: Option<u64>) -> Result<Report> {
    let mut out = Report::default();
    let first = seed.unwrap_or(if trial.tuning { 1700 } else { 91_700 });
    for n in 0..designs {
        let family = FAMILIES[trial.design.unwrap_or(n) % FAMILIES.len()];
        let seed = first + n as u64;
        let design = Design::generate(&DesignSpec {
            seed,
            family,
            sheet_mm: SHEET_MM,
            ..DesignSpec::default()
        });
        let specs = trial.sheets_of(&design, seed, EDITIONS, |n| format!("equal-{}", n + 1));
        let stages = ["deskew", "registration", "comparison"];
        let m = measure_sheets(design, &specs, &stages, true)?;
        out.add(&format!("{family:?} {seed}"), &m)?;
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}
