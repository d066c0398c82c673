//! What stage `comparison` finds between editions: planted differences, and
//! false ones where nothing was planted.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::Result;
use restrike_engine::FinalTable;
use restrike_model::Value;
use restrike_synth::design::{Block, Line};
use restrike_synth::rng::Rng;
use restrike_synth::shapes::{P, arc_length, at_arc, inside};
use restrike_synth::sheet::{Damage, DamageKind, Void};
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetSpec};

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
/// Name of the edition with planted differences; it stands last.
const PLANTED: &str = "planted";
/// A difference belongs to a plant whose rim is nearer than this, mm.
const NEAR_MM: f64 = 0.8;
/// Stated limits: length of a gap in a line at 300 dpi, diameter of a hole, mm.
const LEAST_GAP_MM: f64 = 0.2;
const LEAST_HOLE_MM: f64 = 0.4;

/// A planted difference.
#[derive(Debug, Clone)]
struct Plant {
    kind: &'static str,
    at: P,
    /// Length, diameter or radius, mm.
    size: f64,
    /// Whether it is twice the stated limit or more.
    asked: bool,
    /// Share of the ink, of a change of tone.
    depth: f64,
}

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

fn prints(b: &Block, p: P) -> bool {
    let mut inked = false;
    for a in &b.areas {
        if a.rings.iter().filter(|r| inside(r, p)).count() % 2 == 1 {
            inked = !a.cleared;
        }
    }
    inked
}

/// Colour blocks that print at a place, in order.
fn inks_at(design: &Design, p: P) -> Vec<&Block> {
    design
        .blocks
        .iter()
        .filter(|b| !b.key && prints(b, p))
        .collect()
}

fn clear_of_lines(lines: &[Line], p: P, reach: f64) -> bool {
    lines.iter().all(|l| {
        let total = arc_length(&l.points);
        let n = (total / 0.3).ceil().max(1.0);
        (0..=n as usize).all(|k| {
            at_arc(&l.points, total * k as f64 / n).is_none_or(|(q, _)| {
                ((q[0] - p[0]).powi(2) + (q[1] - p[1]).powi(2)).sqrt() > reach + l.width_mm / 2.0
            })
        })
    })
}

/// A place amid one colour, clear of every edge.
fn place(design: &Design, rng: &mut Rng, reach: f64, taken: &[P]) -> Option<(P, String)> {
    let key = design.key()?;
    let [w, h] = design.sheet_mm;
    for _ in 0..4000 {
        let p = [rng.range(-0.45, 0.45) * w, rng.range(-0.45, 0.45) * h];
        let names =
            |q: P| -> Vec<&str> { inks_at(design, q).iter().map(|b| b.name.as_str()).collect() };
        let here = names(p);
        let Some(top) = inks_at(design, p).pop() else {
            continue;
        };
        if !top.bokashi.is_empty()
            || top.absorption.iter().sum::<f64>() < 0.45
            || taken
                .iter()
                .any(|t| ((t[0] - p[0]).powi(2) + (t[1] - p[1]).powi(2)).sqrt() < reach + 3.0)
            || prints(key, p)
        {
            continue;
        }
        let round = (0..16).all(|k| {
            let (s, c) = libm::sincos(std::f64::consts::TAU * f64::from(k) / 16.0);
            [0.5, 1.0].iter().all(|f| {
                let q = [p[0] + f * reach * c, p[1] + f * reach * s];
                names(q) == here && !prints(key, q)
            })
        });
        if round && clear_of_lines(&key.lines, p, reach) {
            return Some((p, top.name.clone()));
        }
    }
    None
}

fn hole(block: &str, at: P, diameter: f64, id: u32) -> Damage {
    Damage {
        id,
        kind: DamageKind::WormHole,
        block: block.to_owned(),
        image: "whole".to_owned(),
        line: None,
        arc_mm: 0.0,
        length_mm: diameter,
        growth_mm: 0.0,
        side: 0.0,
        shift_mm: [0.0; 2],
        at,
        birth_age: 0.0,
        healed_age: None,
        birth_sheet: None,
    }
}

/// Gaps lost and gained, nicks, holes and changes of tone: added to the planted
/// edition's sheets, or taken away from all others.
fn plant(design: &Design, specs: &mut [SheetSpec], seed: u64) -> Vec<Plant> {
    let mut rng = Rng::new(seed, "plants");
    let mut knobs = Difficulty::Standard.knobs();
    (knobs.breaks, knobs.nicks, knobs.worm_holes) = (14.0, 4.0, 0.0);
    let mut sites = restrike_synth::damage::plan(design, &knobs, seed + 5, 1000.0, 0.0, &[1.0]);
    let lengths = [0.25, 0.3, 0.4, 0.5, 0.7, 1.0];
    let mut plants = Vec::new();
    let (mut added, mut healed) = (Vec::new(), Vec::new());
    for (k, d) in sites.iter_mut().enumerate() {
        d.birth_age = 0.0;
        d.growth_mm = 0.0;
        d.healed_age = None;
        d.id = 9000 + k as u32;
        match d.kind {
            DamageKind::Break => {
                d.length_mm = lengths[k % lengths.len()];
                let gained = k % 3 == 0;
                plants.push(Plant {
                    kind: if gained { "line gained" } else { "line lost" },
                    at: d.at,
                    size: d.length_mm,
                    asked: d.length_mm >= 2.0 * LEAST_GAP_MM,
                    depth: 0.0,
                });
                if gained {
                    healed.push(d.clone());
                } else {
                    added.push(d.clone());
                }
            }
            DamageKind::Nick => {
                d.length_mm = d.length_mm.max(0.6);
                plants.push(Plant {
                    kind: "edge moved (nick)",
                    at: d.at,
                    size: d.length_mm,
                    asked: false,
                    depth: 0.0,
                });
                added.push(d.clone());
            }
            DamageKind::WormHole | DamageKind::Plug | DamageKind::FillIn => {}
        }
    }
    let mut taken: Vec<P> = plants.iter().map(|p| p.at).collect();
    for (k, d) in [0.5, 0.8, 1.2, 2.0].into_iter().enumerate() {
        if let Some((at, block)) = place(design, &mut rng, d / 2.0 + 0.8, &taken) {
            taken.push(at);
            added.push(hole(&block, at, d, 9500 + k as u32));
            plants.push(Plant {
                kind: "area lost (hole)",
                at,
                size: d,
                asked: d >= 2.0 * LEAST_HOLE_MM,
                depth: 0.0,
            });
        }
    }
    let mut voids = Vec::new();
    for (radius, depth) in [(1.6, 0.8), (2.0, 0.6), (2.6, 0.45), (2.0, 0.3), (3.0, 0.7)] {
        if let Some((at, block)) = place(design, &mut rng, radius + 0.4, &taken) {
            taken.push(at);
            voids.push(Void {
                block,
                at,
                radii: [radius, radius],
                depth,
            });
            plants.push(Plant {
                kind: "tone",
                at,
                size: radius,
                asked: true,
                depth,
            });
        }
    }
    for s in specs.iter_mut() {
        if s.edition == PLANTED {
            s.damage.extend(added.iter().cloned());
            s.voids.extend(voids.iter().cloned());
        } else {
            s.damage.extend(healed.iter().cloned());
        }
    }
    plants
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
