//! A planted story, told back from the tables alone: over a run of two-up
//! sheets the paper dries, a corner mark gives way, a line of the right half
//! chips.

use std::fmt::Write as _;

use anyhow::{Context, Result};
use restrike_model::Value;
use restrike_synth::run::{Change, Quantity};
use restrike_synth::shapes::{arc_length, at_arc};
use restrike_synth::sheet::{Damage, DamageKind};
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec};

use crate::whole::{cell, measure_sheets};

/// The preset whose tables tell the story. Its grades are left out, for their
/// tolerances are of the sample's blocks, and so are the scans' own properties.
const PRESET: &str = include_str!("../../configs/stack-check.toml");

/// Stretch of the paper from sheet to sheet.
const DRYING: f64 = -2.0e-5;
/// How far the block lands off when its corner mark gives way, mm.
const STEP_MM: f64 = 0.25;
/// Length of the chip, mm.
const CHIP_MM: f64 = 0.9;

/// What the tables said.
#[derive(Debug, Default)]
pub struct Report {
    /// Sheet of the step and of the chip, as planted.
    planted: [u32; 2],
    /// Sentences of series said to creep along x with the paper.
    trend: Vec<String>,
    /// What was said of other series that the drying should show in.
    untold: Vec<String>,
    /// Positions of steps of the block whose mark gave way, each with its interval.
    step: Vec<[f64; 3]>,
    /// Positions at which damage in the right half was first seen, with its words.
    chip: Vec<(i64, String)>,
}

impl Report {
    /// Whether all three are named, the sheets within two.
    pub fn told(&self) -> bool {
        let near = |v: f64, sheet: u32| (v - f64::from(sheet)).abs() <= 2.0;
        #[allow(clippy::cast_precision_loss)]
        let chip = self.chip.iter().any(|c| near(c.0 as f64, self.planted[1]));
        !self.trend.is_empty() && self.step.iter().any(|s| near(s[0], self.planted[0])) && chip
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for t in &self.trend {
            let _ = writeln!(out, "trend: {t}");
        }
        for t in &self.untold {
            let _ = writeln!(out, "no trend: {t}");
        }
        let _ = writeln!(
            out,
            "step planted at {}, told at {:?}",
            self.planted[0], self.step
        );
        for (at, words) in &self.chip {
            let _ = writeln!(
                out,
                "chip planted at {}, told at {at}: {words}",
                self.planted[1]
            );
        }
        let _ = writeln!(out, "told back: {}", self.told());
        out
    }
}

/// Area a block prints, mm2.
fn area(block: &restrike_synth::design::Block) -> f64 {
    block
        .areas
        .iter()
        .filter(|a| !a.cleared)
        .filter_map(|a| a.rings.first())
        .map(|r| restrike_synth::shapes::signed_area(r).abs())
        .sum()
}

/// Names of the preset's stages that measure prints, and of drift.
fn stages() -> Vec<&'static str> {
    let mut lines = PRESET.lines();
    let mut out = Vec::new();
    while lines.any(|l| l == "[[stage]]") {
        let name = lines
            .next()
            .and_then(|l| l.strip_prefix("name = \"")?.strip_suffix('"'));
        out.extend(name.filter(|n| !matches!(*n, "grading" | "scan-check")));
    }
    out
}

/// A chip in the middle of the longest clear line of the right half.
fn chip(design: &Design, age: f64) -> Result<Damage> {
    let key = design.key().context("no key")?;
    let line = key
        .lines
        .iter()
        .filter(|l| l.image == "right" && l.width_mm >= 0.15)
        .max_by(|a, b| arc_length(&a.points).total_cmp(&arc_length(&b.points)))
        .context("no line in the right half")?;
    let arc_mm = 0.37 * arc_length(&line.points);
    let (at, _) = at_arc(&line.points, arc_mm).context("no place on the line")?;
    Ok(Damage {
        id: 0,
        kind: DamageKind::Break,
        block: key.name.clone(),
        image: line.image.clone(),
        line: Some(line.id),
        arc_mm,
        length_mm: CHIP_MM,
        growth_mm: 0.0,
        side: 0.0,
        shift_mm: [0.0; 2],
        at,
        birth_age: age,
        healed_age: None,
        birth_sheet: None,
    })
}

/// Renders the run and reads the tables.
///
/// # Errors
/// When rendering or measuring fails.
pub fn report(sheets: u32) -> Result<Report> {
    let planted = [sheets * 70 / 120, sheets * 95 / 120];
    let design = Design::generate(&DesignSpec {
        seed: 9106,
        family: Family::Heron,
        two_up: true,
        sheet_mm: [110.0, 75.0],
        ..DesignSpec::default()
    });
    let mover = design
        .blocks
        .iter()
        .filter(|b| !b.key && b.bokashi.is_empty())
        .max_by(|a, b| area(a).total_cmp(&area(b)))
        .context("no colour block")?
        .name
        .clone();
    let age = 3000.0;
    let run = RunSpec {
        sheets,
        references: 2,
        seed: 9106,
        dpi: 300.0,
        age,
        proofs: true,
        image_wear: vec![1.0, 1.0],
        damage: Some(vec![chip(&design, age + f64::from(planted[1] - 1))?]),
        changes: vec![
            Change {
                block: String::new(),
                quantity: Quantity::EpsX,
                per_sheet: DRYING,
                step: 0.0,
                at_sheet: 1,
            },
            Change {
                block: mover.clone(),
                quantity: Quantity::Dx,
                per_sheet: 0.0,
                step: STEP_MM,
                at_sheet: planted[0],
            },
        ],
        ..RunSpec::new(Difficulty::Easy)
    };
    let mut run = run;
    // Room for the drying.
    run.knobs.paper_stretch = 0.004;
    run.knobs.breaks = 0.0;
    let specs = run.sheets(&design);
    let m = measure_sheets(design, &specs, &stages(), true)?;
    let mut out = Report {
        planted,
        ..Report::default()
    };
    let text = |t, r: &[Value], c: &str| cell(t, r, c).as_str().unwrap_or("").to_owned();
    let series = m.table("drift_series")?;
    for row in &series.rows {
        let column = text(series, row, "column");
        let table = text(series, row, "table");
        // The print's own length along x, on each half, and the key's on the sheet.
        let along = matches!(
            (table.as_str(), column.as_str()),
            ("deskew", "scale_x") | ("registration_sheet", "key_stretch_x_permille")
        );
        if !along {
            continue;
        }
        let words = text(series, row, "words");
        if text(series, row, "verdict") == "trend" {
            out.trend.push(words);
        } else {
            out.untold
                .push(format!("{words} q {:?}", cell(series, row, "q").as_f64()));
        }
    }
    let changes = m.table("drift_changes")?;
    for row in &changes.rows {
        if text(changes, row, "block") == mover
            && text(changes, row, "column").starts_with("dx")
            && let [Some(at), Some(low), Some(high)] =
                ["at", "at_low", "at_high"].map(|c| cell(changes, row, c).as_f64())
        {
            out.step.push([at, low, high]);
        }
    }
    let damage = m.table("damage_sites")?;
    for row in &damage.rows {
        if text(damage, row, "image") == "right"
            && text(damage, row, "class") == "block damage"
            && text(damage, row, "kind") == "break"
            && let Some(at) = cell(damage, row, "first_position").as_i64()
        {
            out.chip.push((at, text(damage, row, "words")));
        }
    }
    Ok(out)
}
