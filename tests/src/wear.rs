//! How well the stage `edge-wear` finds breaks of key lines and measures widths.

use std::fmt::Write as _;
use std::path::PathBuf;

use anyhow::{Context, Result};
use restrike_model::Value;
use restrike_synth::damage;
use restrike_synth::run::{Change, Quantity};
use restrike_synth::transform::Affine;
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetKind, SheetSpec};

use crate::cut_outs;
use crate::wear_classes::plant_inking;
use crate::wear_corners;
use crate::wear_counts::{Case, Counts};
use crate::whole::{Measured, cell, measure_sheets};

/// What to render.
#[derive(Debug, Clone)]
pub struct Trial {
    /// Good sheets of each design.
    pub sheets: u32,
    /// Resolution, pixels per inch.
    pub dpi: f64,
    /// How hard.
    pub difficulty: Difficulty,
    /// On the designs that the stage may be tuned on.
    pub tuning: bool,
    /// The record is of the block before any damage.
    pub sound: bool,
    /// Breaks are planted near sharp corners of lines as well.
    pub corners: bool,
    /// Another seed for the designs.
    pub seed: Option<u64>,
    /// Only this one of the designs.
    pub design: Option<usize>,
    /// Folder for a picture of each case that is counted as wrong.
    pub cut_outs: Option<PathBuf>,
}

impl Trial {
    /// The designs to render.
    pub(crate) fn designs(&self) -> impl Iterator<Item = (Family, u64)> {
        let (only, seed) = (self.design, self.seed);
        DESIGNS[usize::from(self.tuning)]
            .into_iter()
            .enumerate()
            .filter(move |(n, _)| only.is_none_or(|d| d == *n))
            .map(move |(_, (family, own))| (family, seed.unwrap_or(own)))
    }
}

/// Designs of the report, and those the stage may be tuned on.
const DESIGNS: [[(Family, u64); 5]; 2] = [
    [
        (Family::Landscape, 8101),
        (Family::Figure, 8202),
        (Family::Pattern, 8303),
        (Family::Lettering, 8404),
        (Family::Heron, 8505),
    ],
    [
        (Family::Landscape, 121),
        (Family::Figure, 132),
        (Family::Pattern, 143),
        (Family::Lettering, 154),
        (Family::Heron, 165),
    ],
];

/// Small sheets, so that the report is not a day's work.
const SHEET_MM: [f64; 2] = [90.0, 62.0];
/// Fill-ins planted on each design.
const FILL_INS: usize = 4;
/// Retreat of the colour blocks' edges from sheet to sheet, mm.
const RETREAT_MM: f64 = 0.003;

/// The report.
#[derive(Debug, Default)]
pub struct Report {
    /// By design.
    pub designs: Vec<(String, Counts)>,
    /// Breaks not found and false ones, for looking.
    pub cases: Vec<Case>,
}

/// From the record's places of the key to the design's.
pub(crate) fn to_design(m: &Measured) -> Result<Affine> {
    let key = m.design.key().context("no key")?;
    let record = m.record.as_ref().context("no record")?;
    let part = record["blocks"]
        .as_array()
        .and_then(|b| b.iter().find(|b| b["key"] == true))
        .context("no key in the record")?;
    let numbers: Vec<f64> = part["source"]["scan_to_mm"]
        .as_array()
        .context("no map")?
        .iter()
        .filter_map(serde_json::Value::as_f64)
        .collect();
    let to_mm = Affine(numbers.try_into().ok().context("no map")?);
    let role = format!("proof:{}", key.name);
    let proof = m
        .truth
        .iter()
        .find(|t| t.role == role)
        .context("no proof")?;
    let printed = proof
        .blocks
        .iter()
        .find(|b| b.name == key.name)
        .context("no key")?;
    Ok(to_mm
        .inverse()
        .context("singular")?
        .then(&printed.block_to_scan.inverse().context("singular")?))
}

impl Report {
    /// Adds a design's sheets.
    ///
    /// # Errors
    /// When a table is missing.
    pub fn add(&mut self, name: &str, m: &Measured, specs: &[SheetSpec], dpi: f64) -> Result<()> {
        let mut counts = Counts::default();
        let table = m.table("wear_sites")?;
        for (n, truth) in m.truth.iter().enumerate() {
            if truth.kind != SheetKind::Good || truth.role.starts_with("proof") {
                continue;
            }
            let rows: Vec<&Vec<Value>> = table
                .rows
                .iter()
                .filter(|r| cell(table, r, "sheet").as_i64() == i64::try_from(n + 1).ok())
                .collect();
            counts.sheet(m, table, truth, &rows, dpi, &mut self.cases);
        }
        let sheets = m.table("wear_sheet")?;
        counts.seen_dm = sheets
            .rows
            .iter()
            .filter(|r| cell(sheets, r, "image").as_str() == Some("whole"))
            .filter_map(|r| cell(sheets, r, "seen_mm").as_f64())
            .sum::<f64>()
            / 100.0;
        counts.lines.add(m)?;
        counts.classes.add(m, specs)?;
        self.designs.push((name.to_owned(), counts));
        Ok(())
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        for (n, case) in self.cases.iter().enumerate() {
            let _ = writeln!(out, "{:>3} {}", n + 1, case.text);
        }
        let _ = writeln!(
            out,
            "design, sheets | breaks of 0.10 mm and more that show, recall | called break or hole, precision | the wrong ones: at nicks, plugs, the same break twice, nothing; false a dm of line | breaks of lines under three pixels called | hidden breaks called | breaks that the line itself mostly prints over called | nicks found | fill-ins found, false ones | length, mean and rms error, 90 % intervals hold"
        );
        let mut all = Counts::default();
        for (name, c) in &self.designs {
            let _ = writeln!(out, "{}", c.text(name));
            all.join(c);
        }
        let _ = writeln!(out, "{}", all.text("all"));
        for (name, c) in &self.designs {
            let _ = writeln!(out, "{name}: {}", c.lines.text());
        }
        let _ = writeln!(out, "all: {}", all.lines.text());
        for (name, c) in &self.designs {
            let _ = writeln!(out, "{name}, places over the run: {}", c.classes.text());
        }
        let _ = writeln!(out, "all places over the run: {}", all.classes.text());
        out
    }
}

/// Renders and measures the designs.
///
/// # Errors
/// When one fails.
pub fn report(trial: &Trial) -> Result<Report> {
    let mut out = Report::default();
    for (family, seed) in trial.designs() {
        let design = Design::generate(&DesignSpec {
            seed,
            family,
            sheet_mm: SHEET_MM,
            two_up: family == Family::Heron,
            ..DesignSpec::default()
        });
        let run = RunSpec {
            sheets: trial.sheets,
            references: 2,
            seed,
            dpi: trial.dpi,
            proofs: true,
            changes: retreating(&design),
            ..RunSpec::new(trial.difficulty)
        };
        // Clogged places come with the last third of the run: no record has them.
        let late = run.age + f64::from(trial.sheets - trial.sheets.div_ceil(3));
        let mut specs = run.sheets(&design);
        for s in &mut specs {
            if trial.corners {
                wear_corners::plant(s, &design, seed);
            }
            damage::fill_ins(&mut s.damage, &design, seed, FILL_INS, late);
        }
        plant_inking(&mut specs, &design, seed);
        if trial.sound {
            for s in specs.iter_mut().filter(|s| s.role.starts_with("proof")) {
                s.age = 0.0;
            }
        }
        let m = measure_sheets(
            design,
            &specs,
            &["deskew", "registration", "edge-wear"],
            true,
        )?;
        let from = out.cases.len();
        out.add(&format!("{family:?} {seed}"), &m, &specs, trial.dpi)?;
        if let Some(folder) = &trial.cut_outs {
            std::fs::create_dir_all(folder)?;
            for (n, case) in out.cases.iter().enumerate().skip(from) {
                let path = folder.join(format!("{:03}-{}.png", n + 1, case.sheet));
                cut_outs::write(&m.scan(&case.sheet)?, case.px, &path)?;
            }
        }
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}

/// Colour blocks wear from sheet to sheet as they do over a long edition.
pub(crate) fn retreating(design: &Design) -> Vec<Change> {
    design
        .blocks
        .iter()
        .filter(|b| !b.key)
        .map(|b| Change {
            block: b.name.clone(),
            quantity: Quantity::Widen,
            per_sheet: -RETREAT_MM,
            step: 0.0,
            at_sheet: 1,
        })
        .collect()
}
