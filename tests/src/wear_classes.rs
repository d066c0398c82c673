//! Whether places that sheets of a run show are told to be damage to the block,
//! inking or the scan.

use std::fmt::Write as _;

use anyhow::{Context, Result};
use restrike_model::Value;
use restrike_synth::rng::Rng;
use restrike_synth::shapes::{arc_length, at_arc};
use restrike_synth::sheet::{Dust, Void};
use restrike_synth::{Design, SheetSpec, Truth, line_width};

use crate::wear::to_design;
use crate::wear_counts::apart;
use crate::whole::{Measured, cell};

/// What a place is, and what else the rows of the table count: where nothing is planted.
const TRUE: [&str; 4] = ["block damage", "inking", "scan", "nothing planted"];
/// What a place is told to be.
const TOLD: [&str; 4] = ["block damage", "inking", "scan", "undecided"];

/// Places of the key that take ink badly, on each design.
const INKED_BADLY: usize = 16;
/// Their radii, mm, the share of the ink that misses in the middle, and the share of
/// the sheets that show each.
const RADII_MM: [[f64; 2]; 2] = [[1.5, 4.0], [1.0, 3.0]];
const DEPTH: [f64; 2] = [0.85, 0.98];
const RATE: [f64; 2] = [0.1, 0.5];
/// They keep so far from the block's damage, mm.
const CLEAR_MM: f64 = 5.0;
/// Dust reaches so far over its rim, mm, where the scan blurs it.
const DUST_MM: f64 = 0.2;

/// How often each was told to be what.
#[derive(Debug, Default, Clone)]
pub(crate) struct Classes([[usize; 4]; 4]);

/// Plants places of the key that take ink badly: each sheet for itself shows each or not.
pub(crate) fn plant_inking(specs: &mut [SheetSpec], design: &Design, seed: u64) {
    let Some(key) = design.key() else { return };
    let lines: Vec<_> = key
        .lines
        .iter()
        .filter(|l| l.width_mm >= 0.12 && arc_length(&l.points) > 3.0)
        .collect();
    if lines.is_empty() {
        return;
    }
    let mut rng = Rng::new(seed, "inking");
    let mut left = INKED_BADLY;
    for _ in 0..200 * INKED_BADLY {
        let line = lines[rng.below(lines.len())];
        let arc = rng.unit() * arc_length(&line.points);
        let Some((at, _)) = at_arc(&line.points, arc) else {
            continue;
        };
        let clear = specs
            .iter()
            .flat_map(|s| &s.damage)
            .all(|d| d.block != key.name || apart(d.at, at) > CLEAR_MM);
        if left == 0 || !clear || line_width(line, arc) < 0.12 {
            continue;
        }
        left -= 1;
        let radii = RADII_MM.map(|r| rng.range(r[0], r[1]));
        let rate = rng.range(RATE[0], RATE[1]);
        for s in specs.iter_mut().filter(|s| !s.role.starts_with("proof")) {
            let depth = rng.range(DEPTH[0], DEPTH[1]);
            if rng.chance(rate) {
                s.voids.push(Void {
                    block: key.name.clone(),
                    at,
                    radii,
                    depth,
                });
            }
        }
    }
}

/// Whether dust of a scan lies at a place of it, px.
fn dusty(dust: &[Dust], px: [f64; 2], mm: f64) -> bool {
    dust.iter().any(|d| {
        let reach = d.radius + DUST_MM / mm;
        let between = |a: [f64; 2], b: [f64; 2]| {
            let way = [b[0] - a[0], b[1] - a[1]];
            let square = way[0] * way[0] + way[1] * way[1];
            let t = ((px[0] - a[0]) * way[0] + (px[1] - a[1]) * way[1]) / square.max(1e-12);
            let t = t.clamp(0.0, 1.0);
            apart(px, [a[0] + t * way[0], a[1] + t * way[1]])
        };
        match d.points.as_slice() {
            [one] => apart(px, *one) < reach,
            more => more.windows(2).any(|w| between(w[0], w[1]) < reach),
        }
    })
}

/// Whether the key took too little ink at a place of the block, on that sheet.
fn void(truth: &Truth, key: &str, p: [f64; 2]) -> bool {
    truth.voids.iter().filter(|v| v.block == key).any(|v| {
        let d = [(p[0] - v.at[0]) / v.radii[0], (p[1] - v.at[1]) / v.radii[1]];
        d[0] * d[0] + d[1] * d[1] < 1.0
    })
}

impl Classes {
    /// Adds what each place over a run was held to be, against the truth.
    pub(crate) fn add(&mut self, m: &Measured, specs: &[SheetSpec]) -> Result<()> {
        let key = m.design.key().context("no key")?;
        let to_design = to_design(m)?;
        let (table, sites) = (m.table("damage_sites")?, m.table("wear_sites")?);
        for row in &table.rows {
            let number = |c: &str| cell(table, row, c).as_f64().unwrap_or(f64::NAN);
            let at = [number("x_mm"), number("y_mm")];
            let p = to_design.apply(at);
            let lasting = m.truth.iter().flat_map(|t| &t.damage).any(|d| {
                d.damage.block == key.name && apart(p, d.damage.at) < d.length_now_mm / 2.0 + 0.35
            });
            let reach = 0.35 + 0.35 * number("length_mm");
            let of = |row: &[Value], c: &str| cell(sites, row, c).as_f64().unwrap_or(f64::NAN);
            let shown: Vec<(usize, [f64; 2], &Vec<Value>)> = sites
                .rows
                .iter()
                .filter(|r| apart([of(r, "x_mm"), of(r, "y_mm")], at) < reach)
                .filter_map(|r| {
                    let sheet = usize::try_from(cell(sites, r, "sheet").as_i64()? - 1).ok()?;
                    Some((sheet, [of(r, "scan_x_px"), of(r, "scan_y_px")], r))
                })
                .collect();
            let dust = shown.iter().any(|(n, px, _)| {
                specs
                    .get(*n)
                    .is_some_and(|s| dusty(&s.scan.dust, *px, 25.4 / s.scan.dpi))
            });
            let ink = shown
                .iter()
                .any(|(n, _, _)| m.truth.get(*n).is_some_and(|t| void(t, &key.name, p)));
            let is = if lasting {
                0
            } else if ink {
                1
            } else if dust {
                2
            } else {
                3
            };
            let class = cell(table, row, "class").as_str().unwrap_or("");
            let told = TOLD.iter().position(|t| *t == class).unwrap_or(3);
            self.0[is][told] += 1;
            if told != is && std::env::var_os("RESTRIKE_PROGRESS").is_some() {
                let words = cell(table, row, "words").as_str().unwrap_or("");
                eprintln!(
                    "{} told as {}: {words}, at {:.1} {:.1}, block {:.3} inking {:.3} scan {:.3}, shown {:?}",
                    TRUE[is],
                    TOLD[told],
                    at[0],
                    at[1],
                    number("p_block"),
                    number("p_inking"),
                    number("p_scan"),
                    shown
                        .iter()
                        .map(|(n, px, r)| format!(
                            "{} {:.0} {:.0} {} {:.2}",
                            n + 1,
                            px[0],
                            px[1],
                            cell(sites, r, "kind").as_str().unwrap_or(""),
                            of(r, "ink_beside"),
                        ))
                        .collect::<Vec<_>>(),
                );
            }
        }
        Ok(())
    }

    /// Adds another's.
    pub(crate) fn join(&mut self, o: &Self) {
        for (mine, other) in self.0.iter_mut().flatten().zip(o.0.iter().flatten()) {
            *mine += other;
        }
    }

    /// Places told right of those where something is planted, and all of those.
    pub(crate) fn right(&self) -> [usize; 2] {
        let right = (0..3).map(|n| self.0[n][n]).sum();
        [right, self.0[..3].iter().flatten().sum()]
    }

    /// The table: what each is by what it was told to be.
    pub(crate) fn text(&self) -> String {
        let mut out = String::new();
        for (is, row) in TRUE.iter().zip(self.0) {
            let told: Vec<String> = TOLD
                .iter()
                .zip(row)
                .map(|(t, n)| format!("{n} {t}"))
                .collect();
            let _ = write!(out, "{is}: told {}; ", told.join(", "));
        }
        let [right, all] = self.right();
        let _ = write!(
            out,
            "{right} of {all} right ({:.1} %)",
            100.0 * right as f64 / all.max(1) as f64
        );
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dust_is_at_its_rim_and_along_a_hair() {
        let of = |points: Vec<[f64; 2]>| Dust {
            points,
            radius: 2.0,
            reflectance: 0.9,
        };
        // A pixel of 0.1 mm: dust reaches two pixels over its rim.
        let speck = [of(vec![[10.0, 10.0]])];
        assert!(dusty(&speck, [13.9, 10.0], 0.1) && !dusty(&speck, [14.1, 10.0], 0.1));
        let hair = [of(vec![[0.0, 0.0], [10.0, 0.0], [10.0, 20.0]])];
        assert!(dusty(&hair, [5.0, 3.0], 0.1) && dusty(&hair, [12.0, 15.0], 0.1));
        assert!(!dusty(&hair, [5.0, 12.0], 0.1));
    }
}
