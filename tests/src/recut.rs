//! How well stage `comparison` tells worn, re-cut and plugged blocks apart.

use std::fmt::Write as _;

use anyhow::Result;
use restrike_synth::rng::Rng;
use restrike_synth::sheet::{DamageKind, Recut};
use restrike_synth::transform::{Warp, Wave};
use restrike_synth::{Design, DesignSpec, Family, RunSpec};

use crate::editions::Trial;
use crate::whole::{cell, measure_sheets};

/// Designs of the report, and those the stage may be tuned on.
const DESIGNS: [&[(Family, u64)]; 2] = [
    &[
        (Family::Landscape, 9111),
        (Family::Figure, 9222),
        (Family::Pattern, 9333),
        (Family::Heron, 9444),
        (Family::Landscape, 9555),
    ],
    &[
        (Family::Figure, 271),
        (Family::Landscape, 282),
        (Family::Pattern, 293),
    ],
];

/// A block between two editions.
#[derive(Debug, Clone)]
pub struct Case {
    what: String,
    recut: bool,
    plugged: bool,
    verdict: String,
    /// Natural logarithm of the likelihood ratio.
    log_ratio: Option<f64>,
    deviation: Option<f64>,
    moved: Option<f64>,
    least: Option<f64>,
    typical: Option<f64>,
    tiles: Option<i64>,
    /// Amplitude of the new cut, mm.
    amplitude: f64,
    why: String,
}

/// The report.
#[derive(Debug, Default)]
pub struct Report {
    /// Block pairs.
    pub cases: Vec<Case>,
    plugs: usize,
    plugs_found: usize,
    patches_false: usize,
}

impl Report {
    /// Area under the curve: probability that a re-cut block's ratio is over
    /// another's; pairs without a ratio are left out.
    pub fn auc(&self) -> f64 {
        let of = |recut: bool| -> Vec<f64> {
            self.cases
                .iter()
                .filter(|c| c.recut == recut)
                .filter_map(|c| c.log_ratio)
                .collect()
        };
        let (worn, new) = (of(false), of(true));
        let mut sum = 0.0;
        for n in &new {
            for w in &worn {
                sum += match n.total_cmp(w) {
                    std::cmp::Ordering::Greater => 1.0,
                    std::cmp::Ordering::Equal => 0.5,
                    std::cmp::Ordering::Less => 0.0,
                };
            }
        }
        sum / (worn.len() * new.len()).max(1) as f64
    }

    fn decided(&self) -> (usize, usize) {
        let decided = self.cases.iter().filter(|c| c.verdict != "undecided");
        let wrong = decided
            .clone()
            .filter(|c| (c.verdict == "re-cut") != c.recut)
            .count();
        (decided.count(), wrong)
    }

    /// Share of the decided that are wrong, per cent.
    pub fn wrong_pct(&self) -> f64 {
        let (decided, wrong) = self.decided();
        100.0 * wrong as f64 / decided.max(1) as f64
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        let (decided, wrong) = self.decided();
        let ratio = self.cases.iter().filter(|c| c.log_ratio.is_some()).count();
        let _ = writeln!(
            out,
            "{} block pairs ({} re-cut); {ratio} with a ratio: AUC {:.4}",
            self.cases.len(),
            self.cases.iter().filter(|c| c.recut).count(),
            self.auc()
        );
        let _ = writeln!(
            out,
            "decided {decided}, wrong {wrong} ({:.1} %), undecided {}",
            self.wrong_pct(),
            self.cases.len() - decided
        );
        let _ = writeln!(
            out,
            "plugs: {} of {} found as patches; {} patches where there is none",
            self.plugs_found, self.plugs, self.patches_false
        );
        let mut sorted = self.cases.clone();
        sorted.sort_by(|a, b| {
            a.recut.cmp(&b.recut).then(
                a.deviation
                    .unwrap_or(-1.0)
                    .total_cmp(&b.deviation.unwrap_or(-1.0)),
            )
        });
        for c in &sorted {
            let _ = writeln!(
                out,
                "  {} {:30} {:10} ln ratio {:6.2} deviation {:.4} mm typical {:.4} of {:.4} in {:4} tiles, moved {:5.1} % amplitude {:.3}{} {}",
                if c.recut { "re-cut" } else { "same  " },
                c.what,
                c.verdict,
                c.log_ratio.unwrap_or(f64::NAN),
                c.deviation.unwrap_or(f64::NAN),
                c.typical.unwrap_or(f64::NAN),
                c.least.unwrap_or(f64::NAN),
                c.tiles.unwrap_or(0),
                c.moved.unwrap_or(f64::NAN),
                c.amplitude,
                if c.plugged { " plug" } else { "" },
                c.why
            );
        }
        out
    }
}

/// A new cut: waves of 4 to 20 mm.
fn cut(rng: &mut Rng, amplitude: f64) -> Recut {
    let mut waves = Vec::new();
    for _ in 0..4 {
        let (s, c) = libm::sincos(rng.range(0.0, std::f64::consts::TAU));
        let q = std::f64::consts::TAU / rng.range(4.0, 20.0);
        waves.push(Wave {
            k: [q * c, q * s],
            phase: rng.range(0.0, std::f64::consts::TAU),
            amplitude: [(); 2].map(|()| amplitude * 0.5 * rng.normal()),
        });
    }
    Recut {
        course: Warp(waves),
        width_mm: rng.range(-0.02, 0.02),
    }
}

const EDITIONS: [&str; 4] = ["new", "worn", "plugged", "re-cut"];

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
        let mut rng = Rng::new(seed, "editions");
        // Half of the blocks are cut anew for the last edition; the record is of the old ones.
        let cuts: Vec<Option<(f64, Recut)>> = design
            .blocks
            .iter()
            .map(|_| {
                let amplitude = rng.range(0.03, 0.08);
                let r = cut(&mut rng, amplitude);
                rng.chance(0.55).then_some((amplitude, r))
            })
            .collect();
        let run = RunSpec {
            sheets: trial.sheets * EDITIONS.len() as u32,
            references: u32::MAX,
            seed,
            dpi: trial.dpi,
            proofs: true,
            age: 6000.0,
            age_step: 0.0,
            ..RunSpec::new(trial.difficulty)
        };
        let mut specs = run.sheets(&design);
        let mut plug = None;
        if let Some(first) = specs.first().cloned() {
            let mut plan = first.damage;
            let old: Vec<usize> = (0..plan.len())
                .filter(|k| plan[*k].line.is_some() && plan[*k].birth_age < 5000.0)
                .collect();
            if let Some(k) = old.first() {
                restrike_synth::damage::plug(&mut plan, *k, 7.0, 6500.0);
                plug = plan
                    .iter()
                    .find(|d| d.kind == DamageKind::Plug)
                    .map(|d| d.at);
            }
            for s in &mut specs {
                s.damage.clone_from(&plan);
            }
        }
        for s in specs.iter_mut().filter(|s| s.position > 0) {
            let n = ((s.position - 1) / trial.sheets) as usize;
            s.edition = EDITIONS[n].to_owned();
            s.year = Some(1900 + 10 * n as i32);
            s.age = [200.0, 6000.0, 7000.0, 6000.0][n];
            for b in &mut s.blocks {
                let key = design.key().is_some_and(|k| k.name == b.block);
                if n > 0 {
                    if key {
                        b.widen_mm += 0.02;
                    } else {
                        b.retreat_mm += 0.03;
                    }
                }
                if n == 3 {
                    let at = design.blocks.iter().position(|d| d.name == b.block);
                    if let Some(Some((_, r))) = at.map(|k| &cuts[k]) {
                        b.recut = Some(r.clone());
                    }
                }
            }
        }
        let m = measure_sheets(
            design,
            &specs,
            &["deskew", "registration", "comparison"],
            true,
        )?;
        let table = m.table("comparison_blocks")?;
        for r in &table.rows {
            let text = |c| cell(table, r, c).as_str().unwrap_or_default().to_owned();
            let number = |c| cell(table, r, c).as_f64();
            let at = m.design.blocks.iter().position(|b| b.name == text("block"));
            let cut = at
                .and_then(|k| cuts[k].as_ref())
                .filter(|_| text("second") == "re-cut" || text("first") == "re-cut");
            let key = at.is_some_and(|k| m.design.blocks[k].key);
            let plugged = plug.is_some()
                && key
                && (text("first") == "plugged") != (text("second") == "plugged");
            out.cases.push(Case {
                what: format!(
                    "{family:?} {seed} {}-{} {}",
                    text("first"),
                    text("second"),
                    text("block")
                ),
                recut: cut.is_some(),
                plugged,
                verdict: text("verdict"),
                log_ratio: number("likelihood_ratio").map(libm::log),
                deviation: number("deviation_mm"),
                moved: number("moved_pct"),
                least: number("seen_from_mm"),
                typical: number("typical_move_mm"),
                tiles: cell(table, r, "tiles").as_i64(),
                amplitude: cut.map_or(0.0, |c| c.0),
                why: text("why"),
            });
            if plugged && cut.is_none() {
                out.plugs += 1;
            }
            let patches = m.table("comparison_patches")?;
            let mut hit = false;
            for p in patches.rows.iter().filter(|p| {
                ["first", "second", "block"]
                    .iter()
                    .all(|c| cell(patches, p, c) == cell(table, r, c))
            }) {
                let number = |c| cell(patches, p, c).as_f64().unwrap_or(f64::NAN);
                let near = plug.is_some_and(|q| {
                    ((number("x_mm") - q[0]).powi(2) + (number("y_mm") - q[1]).powi(2)).sqrt() < 4.0
                });
                if plugged && near {
                    hit = true;
                } else {
                    out.patches_false += 1;
                }
            }
            if plugged && cut.is_none() {
                out.plugs_found += usize::from(hit);
            }
        }
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}
