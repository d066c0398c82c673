//! What stage `comparison` finds between editions: planted differences, and
//! false ones where nothing was planted.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use restrike_engine::FinalTable;
use restrike_model::Value;
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetSpec};

use crate::editions_plants::{PLANTED, Plant, inks_at, plant};
use crate::whole::{Measured, cell, measure_sheets};

/// What to render.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// Impressions of each edition.
    pub sheets: u32,
    /// Resolution, pixels per inch.
    pub dpi: f64,
    /// How hard.
    pub difficulty: Difficulty,
    /// On the designs that the stage may be tuned on.
    pub tuning: bool,
    /// Only this one of the designs, from 0 on.
    pub design: Option<usize>,
}

impl Trial {
    /// The designs to render, of a list.
    pub(crate) fn chosen(self, all: &[(Family, u64)]) -> Vec<(Family, u64)> {
        let wanted = |n: usize| self.design.is_none_or(|d| d == n);
        let designs = all.iter().enumerate().filter(|(n, _)| wanted(*n));
        designs.map(|(_, d)| *d).collect()
    }

    /// The sheets of a run of `count` editions with nothing planted; `name`: of each, from 0 on.
    pub(crate) fn sheets_of(
        self,
        design: &Design,
        seed: u64,
        count: u32,
        name: impl Fn(u32) -> String,
    ) -> Vec<SheetSpec> {
        let run = RunSpec {
            sheets: self.sheets * count,
            references: u32::MAX,
            seed,
            dpi: self.dpi,
            proofs: true,
            age_step: 0.0,
            damage: Some(Vec::new()),
            ..RunSpec::new(self.difficulty)
        };
        let mut specs = run.sheets(design);
        for s in specs.iter_mut().filter(|s| s.position > 0) {
            let n = (s.position - 1) / self.sheets;
            s.edition = name(n);
            s.year = Some(1900 + n as i32);
        }
        specs
    }
}

/// Designs of the report, and those the stage may be tuned on.
const DESIGNS: [&[(Family, u64)]; 2] = [
    &[
        (Family::Landscape, 9101),
        (Family::Figure, 9202),
        (Family::Pattern, 9303),
        (Family::Landscape, 9404),
    ],
    &[
        (Family::Figure, 171),
        (Family::Landscape, 182),
        (Family::Pattern, 193),
        (Family::Pattern, 194),
    ],
];

/// Editions without planted differences; one more has them.
const SAME: usize = 3;
/// A difference belongs to a plant whose rim is nearer than this, mm.
const NEAR_MM: f64 = 0.8;
/// Counts of a kind of plant.
#[derive(Debug, Default, Clone, Copy)]
struct Found {
    all: usize,
    found: usize,
    asked: usize,
    asked_found: usize,
    right: usize,
}

/// The report.
#[derive(Debug, Default)]
pub struct Report {
    kinds: BTreeMap<String, Found>,
    /// What the found ones were called, the largest difference at each.
    named: BTreeMap<(String, String), usize>,
    same_pairs: usize,
    same_with_any: usize,
    same_regions: usize,
    planted_pairs: usize,
    regions: usize,
    beside: usize,
    /// Plants not found and differences where nothing was planted.
    pub cases: Vec<String>,
}

impl Report {
    /// Share of the plants of twice the limit and more that were found, per cent.
    pub fn found_pct(&self) -> f64 {
        let (n, all) = self
            .kinds
            .values()
            .fold((0, 0), |s, k| (s.0 + k.asked_found, s.1 + k.asked));
        100.0 * n as f64 / (all as f64).max(1.0)
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "planted: found / all; of twice the stated limit and more: found / all; kind named rightly"
        );
        for (k, f) in &self.kinds {
            let _ = writeln!(
                out,
                "  {k:22} {:3} / {:3}   {:3} / {:3}   {:3}",
                f.found, f.all, f.asked_found, f.asked, f.right
            );
        }
        for ((is, called), n) in self
            .named
            .iter()
            .filter(|((i, c), _)| !i.starts_with(c.as_str()))
        {
            let _ = writeln!(out, "  {is} called `{called}`: {n}");
        }
        let _ = writeln!(
            out,
            "of twice the limit and more: {:.1} % found",
            self.found_pct()
        );
        let _ = writeln!(
            out,
            "{} pairs with plants: {} differences listed, {} beside any plant",
            self.planted_pairs, self.regions, self.beside
        );
        let _ = writeln!(
            out,
            "{} pairs without any difference: {} with a region listed, {} regions in all",
            self.same_pairs, self.same_with_any, self.same_regions
        );
        for c in self.cases.iter().take(60) {
            let _ = writeln!(out, "  {c}");
        }
        out
    }

    fn add(&mut self, name: &str, m: &Measured, plants: &[Plant]) -> Result<()> {
        let pairs = m.table("comparison_pairs")?;
        let table = m.table("comparison_differences")?;
        for pair in &pairs.rows {
            let names = ["first", "second"].map(|c| cell(pairs, pair, c).clone());
            let rows: Vec<&Vec<Value>> = table
                .rows
                .iter()
                .filter(|r| {
                    cell(table, r, "first") == &names[0] && cell(table, r, "second") == &names[1]
                })
                .collect();
            let [a, b] = names.each_ref().map(|n| n.as_str().unwrap_or_default());
            if b == PLANTED {
                let least = cell(pairs, pair, "least_de00").as_f64();
                self.planted(&format!("{name} {a}-{b}"), m, table, &rows, plants, least);
            } else {
                self.same_pairs += 1;
                self.same_with_any += usize::from(!rows.is_empty());
                self.same_regions += rows.len();
                for r in rows {
                    self.cases
                        .push(format!("{name} {a}-{b} false: {}", words(table, r)));
                }
            }
        }
        Ok(())
    }

    fn planted(
        &mut self,
        name: &str,
        m: &Measured,
        table: &FinalTable,
        rows: &[&Vec<Value>],
        plants: &[Plant],
        least: Option<f64>,
    ) {
        self.planted_pairs += 1;
        self.regions += rows.len();
        let mut used = vec![false; rows.len()];
        for p in plants {
            let hits: Vec<usize> = (0..rows.len())
                .filter(|r| {
                    let number = |c| cell(table, rows[*r], c).as_f64().unwrap_or(f64::NAN);
                    let (x, y) = (number("x_mm"), number("y_mm"));
                    let off = ((x - p.at[0]).powi(2) + (y - p.at[1]).powi(2)).sqrt();
                    off < NEAR_MM + p.size.max(0.5 * number("extent_mm"))
                })
                .collect();
            let f = self.kinds.entry(p.kind.to_owned()).or_default();
            let found = !hits.is_empty();
            f.all += 1;
            f.found += usize::from(found);
            // Tone: twice the pair's stated limit, by the ink's own colour.
            let asked = p.asked
                && (p.depth == 0.0
                    || tone_of(&m.design, p) >= 2.0 * least.unwrap_or(f64::INFINITY));
            if asked {
                f.asked += 1;
                f.asked_found += usize::from(found);
            }
            if let Some(r) = hits.first() {
                let called = cell(table, rows[*r], "kind").as_str().unwrap_or_default();
                let key = (p.kind.to_owned(), called.to_owned());
                *self.named.entry(key).or_default() += 1;
            }
            let right = hits.iter().any(|r| {
                let kind = cell(table, rows[*r], "kind").as_str().unwrap_or_default();
                p.kind.starts_with(kind)
            });
            f.right += usize::from(right);
            for h in hits {
                used[h] = true;
            }
            if !found {
                self.cases.push(format!(
                    "{name} missed: {} {:.2} mm depth {:.2} at {:.1}, {:.1}{}",
                    p.kind,
                    p.size,
                    p.depth,
                    p.at[0],
                    p.at[1],
                    if asked { " (asked for)" } else { "" }
                ));
            }
        }
        for (r, _) in rows.iter().zip(&used).filter(|(_, u)| !**u) {
            self.beside += 1;
            self.cases
                .push(format!("{name} beside: {}", words(table, r)));
        }
    }
}

/// Change of tone that a void leaves at its middle, CIEDE2000.
fn tone_of(design: &Design, p: &Plant) -> f64 {
    use restrike_ops::ciede2000::ciede2000;
    use restrike_ops::cielab::{LabOfRgb, White};
    let lab = LabOfRgb::new(White::D50);
    let inks = inks_at(design, p.at);
    let light = |share: f64| {
        let mut v = [1.0; 3];
        for (k, b) in inks.iter().enumerate() {
            // The void is in the topmost block.
            let s = if k + 1 == inks.len() { share } else { 1.0 };
            for (v, a) in v.iter_mut().zip(b.absorption) {
                *v *= libm::exp(-a * s);
            }
        }
        lab.lab(v)
    };
    // A void falls off smoothly: over 1.6 mm its mean is less than its middle.
    ciede2000(light(1.0), light(1.0 - 0.6 * p.depth))
}

pub(crate) fn words(table: &FinalTable, r: &[Value]) -> String {
    let number = |c| cell(table, r, c).as_f64().unwrap_or(f64::NAN);
    format!(
        "{} {} at {:.1}, {:.1}: {:.2} mm2, {:.1} dE, peak {:.1}, q {:.4}, cell {:.2}",
        cell(table, r, "kind").as_str().unwrap_or_default(),
        cell(table, r, "block").as_str().unwrap_or_default(),
        number("x_mm"),
        number("y_mm"),
        number("area_mm2"),
        number("size_de00"),
        number("peak_sd"),
        number("adjusted_p"),
        number("cell_mm"),
    )
}

/// Renders and compares the designs.
///
/// # Errors
/// When one fails.
pub fn report(trial: Trial) -> Result<Report> {
    let mut out = Report::default();
    for (family, seed) in trial.chosen(DESIGNS[usize::from(trial.tuning)]) {
        let design = Design::generate(&DesignSpec {
            seed,
            family,
            sheet_mm: [110.0, 80.0],
            ..DesignSpec::default()
        });
        let mut specs = trial.sheets_of(&design, seed, SAME as u32 + 1, |n| {
            if (n as usize) < SAME {
                format!("same-{}", n + 1)
            } else {
                PLANTED.to_owned()
            }
        });
        let plants = plant(&design, &mut specs, seed);
        let m = measure_sheets(
            design,
            &specs,
            &["deskew", "registration", "comparison"],
            true,
        )?;
        out.add(&format!("{family:?} {seed}"), &m, &plants)?;
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}
