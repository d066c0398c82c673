//! Breaks, fill-ins and widths of a design, held against what was planted.

use restrike_engine::FinalTable;
use restrike_model::Value;
use restrike_synth::design::Line;
use restrike_synth::shapes::inside;
use restrike_synth::sheet::DamageKind;
use restrike_synth::truth::DamageTruth;
use restrike_synth::{Design, Truth, line_width};

use crate::spread::Spread;
use crate::wear_classes::Classes;
use crate::wear_corners::shown_share;
use crate::wear_lines::LineErrors;
use crate::whole::{Measured, cell};

/// Lines narrower than this many pixels are unresolved.
const LEAST_PX: f64 = 3.0;
/// Breaks shorter than this are not asked for, mm.
const LEAST_MM: f64 = 0.10;
/// Light that a break lets through, of full white, below which nothing shows.
const LEAST_LIGHT: f64 = 0.12;
/// Where the line itself comes back at a sharp angle and prints over more of a break's
/// width than this leaves, as much shows as of a nick.
const LEAST_SHOWN: f64 = 0.75;

/// Counts over the sheets of a design.
#[derive(Debug, Default, Clone)]
pub struct Counts {
    sheets: usize,
    /// Breaks of 0.10 mm and more that show, and those found as breaks.
    breaks: usize,
    found: usize,
    /// Breaks of lines too fine to be resolved, and those of them called breaks.
    fine: usize,
    fine_found: usize,
    /// Breaks that lie under dark ink, and those of them called breaks.
    hidden: usize,
    hidden_found: usize,
    /// Breaks that the line itself mostly prints over, and those of them called breaks.
    covered: usize,
    covered_found: usize,
    /// What was called a break or a hole.
    called: usize,
    /// Of these: at a break, whatever its length, or a hole.
    right: usize,
    /// At a nick.
    nick: usize,
    /// At a plug's rim.
    plug: usize,
    /// A second time at the same break.
    twice: usize,
    nicks: usize,
    nicks_found: usize,
    /// Fill-ins, those found, and what was called one where there is none.
    fill_ins: usize,
    fill_ins_found: usize,
    fill_ins_false: usize,
    pub(crate) seen_dm: f64,
    length: Spread,
    pub(crate) lines: LineErrors,
    /// What the places over the run were told to be.
    pub(crate) classes: Classes,
}

/// Something counted as wrong.
#[derive(Debug)]
pub struct Case {
    /// What and where.
    pub(crate) text: String,
    pub(crate) sheet: String,
    pub(crate) px: [f64; 2],
}

/// Light of the paper and the colour blocks at a place of a scan, the lightest
/// channel, less what the key lets through.
fn light(design: &Design, truth: &Truth, px: [f64; 2]) -> f64 {
    let mut light = truth.paper;
    let mut key = [0.0; 3];
    for b in &truth.blocks {
        let Some(block) = design.block(&b.name) else {
            continue;
        };
        if block.key {
            key = b.absorption.map(|a| libm::exp(-a * b.strength));
            continue;
        }
        let Some(back) = b.block_to_scan.inverse() else {
            continue;
        };
        let p = back.apply(px);
        let mut inked = false;
        for a in &block.areas {
            if a.rings.iter().filter(|r| inside(r, p)).count() % 2 == 1 {
                inked = !a.cleared;
            }
        }
        if inked {
            for (l, a) in light.iter_mut().zip(b.absorption) {
                *l *= libm::exp(-a * b.strength);
            }
        }
    }
    (0..3)
        .map(|c| light[c] * (1.0 - key[c]))
        .fold(0.0, f64::max)
}

pub(crate) fn apart(a: [f64; 2], b: [f64; 2]) -> f64 {
    ((a[0] - b[0]) * (a[0] - b[0]) + (a[1] - b[1]) * (a[1] - b[1])).sqrt()
}

/// The line that damage is on.
fn line_of<'m>(m: &'m Measured, d: &DamageTruth) -> Option<&'m Line> {
    let mut lines = m.design.key()?.lines.iter();
    lines.find(|l| Some(l.id) == d.damage.line && l.image == d.damage.image)
}

/// Its nominal width there, mm.
fn width_at(m: &Measured, d: &DamageTruth) -> Option<f64> {
    Some(line_width(line_of(m, d)?, d.damage.arc_mm))
}

impl Counts {
    pub(crate) fn sheet(
        &mut self,
        m: &Measured,
        table: &FinalTable,
        truth: &Truth,
        rows: &[&Vec<Value>],
        dpi: f64,
        cases: &mut Vec<Case>,
    ) {
        self.sheets += 1;
        let mm = 25.4 / dpi;
        let key = m.design.key().map(|k| k.name.clone()).unwrap_or_default();
        let damage: Vec<&DamageTruth> = truth
            .damage
            .iter()
            .filter(|d| d.damage.block == key)
            .collect();
        let number = |row: &[Value], c: &str| cell(table, row, c).as_f64().unwrap_or(f64::NAN);
        let near = |row: &[Value], d: &DamageTruth| {
            let at = [number(row, "scan_x_px"), number(row, "scan_y_px")];
            let reach = match d.damage.kind {
                DamageKind::WormHole => d.length_now_mm / 2.0 + 0.45,
                DamageKind::Plug => d.length_now_mm / 2.0 + 0.3,
                // Its middle lies beside the line.
                DamageKind::FillIn => d.length_now_mm / 2.0 + 0.6,
                _ => d.length_now_mm / 2.0 + 0.2,
            };
            apart(at, d.at_px) * mm < reach
        };
        let kind = |row: &[Value]| cell(table, row, "kind").as_str().unwrap_or("").to_owned();
        let mut taken = vec![false; damage.len()];
        for row in rows {
            let there = |d: &&DamageTruth| d.damage.kind == DamageKind::FillIn && near(row, d);
            if kind(row) == "fill-in" && !damage.iter().any(|d| there(&&**d)) {
                self.fill_ins_false += 1;
            }
            if !matches!(kind(row).as_str(), "break" | "hole") {
                continue;
            }
            self.called += 1;
            let of = |kind: DamageKind| {
                (0..damage.len()).find(|n| damage[*n].damage.kind == kind && near(row, damage[*n]))
            };
            if let Some(n) = of(DamageKind::Break) {
                if taken[n] {
                    self.twice += 1;
                } else {
                    self.right += 1;
                    if damage[n].length_now_mm >= LEAST_MM {
                        self.length.add(
                            number(row, "length_mm") - damage[n].length_now_mm,
                            cell(table, row, "length_se_mm").as_f64(),
                        );
                    }
                }
                taken[n] = true;
            } else if of(DamageKind::WormHole).is_some() {
                self.right += 1;
            } else {
                let what = if of(DamageKind::Nick).is_some() {
                    self.nick += 1;
                    "nick"
                } else if of(DamageKind::Plug).is_some() {
                    self.plug += 1;
                    "plug"
                } else {
                    "nothing"
                };
                let text = format!(
                    "{} false {} at {what}: px {:.0} {:.0} length {:.3} width {:.3} confidence {:.2} line {:?} arc {:.2}{}",
                    truth.name,
                    kind(row),
                    number(row, "scan_x_px"),
                    number(row, "scan_y_px"),
                    number(row, "length_mm"),
                    number(row, "line_width_mm"),
                    number(row, "confidence"),
                    cell(table, row, "line").as_i64(),
                    number(row, "from_mm"),
                    match cell(table, row, "in_record").as_bool() {
                        Some(true) => ", in the record",
                        _ => "",
                    },
                );
                cases.push(Case {
                    text,
                    sheet: truth.name.clone(),
                    px: [number(row, "scan_x_px"), number(row, "scan_y_px")],
                });
            }
        }
        for (n, d) in damage.iter().enumerate() {
            match d.damage.kind {
                DamageKind::Break if d.length_now_mm >= LEAST_MM => {
                    if light(&m.design, truth, d.at_px) < LEAST_LIGHT {
                        self.hidden += 1;
                        self.hidden_found += usize::from(taken[n]);
                        continue;
                    }
                    if width_at(m, d).is_some_and(|w| w < LEAST_PX * mm) {
                        self.fine += 1;
                        self.fine_found += usize::from(taken[n]);
                        continue;
                    }
                    let shown =
                        line_of(m, d).map_or(1.0, |l| shown_share(l, &d.damage, d.length_now_mm));
                    if shown < LEAST_SHOWN {
                        self.covered += 1;
                        self.covered_found += usize::from(taken[n]);
                        continue;
                    }
                    self.breaks += 1;
                    self.found += usize::from(taken[n]);
                    if !taken[n] {
                        let as_what = rows
                            .iter()
                            .find(|r| near(r, d))
                            .map_or("nothing".to_owned(), |r| kind(r));
                        let text = format!(
                            "{} missed break {} of {:.3} mm, line {:?} arc {:.2}: px {:.0} {:.0}, found as {as_what}",
                            truth.name,
                            d.damage.id,
                            d.length_now_mm,
                            d.damage.line,
                            d.damage.arc_mm,
                            d.at_px[0],
                            d.at_px[1],
                        );
                        cases.push(Case {
                            text,
                            sheet: truth.name.clone(),
                            px: d.at_px,
                        });
                    }
                }
                DamageKind::FillIn => {
                    self.fill_ins += 1;
                    self.fill_ins_found +=
                        usize::from(rows.iter().any(|r| near(r, d) && kind(r) == "fill-in"));
                }
                DamageKind::Nick => {
                    self.nicks += 1;
                    self.nicks_found +=
                        usize::from(rows.iter().any(|r| near(r, d) && kind(r) == "nick"));
                }
                _ => {}
            }
        }
    }

    pub(crate) fn join(&mut self, o: &Self) {
        self.sheets += o.sheets;
        self.breaks += o.breaks;
        self.found += o.found;
        self.fine += o.fine;
        self.fine_found += o.fine_found;
        self.hidden += o.hidden;
        self.hidden_found += o.hidden_found;
        self.covered += o.covered;
        self.covered_found += o.covered_found;
        self.called += o.called;
        self.right += o.right;
        self.nick += o.nick;
        self.plug += o.plug;
        self.twice += o.twice;
        self.nicks += o.nicks;
        self.nicks_found += o.nicks_found;
        self.fill_ins += o.fill_ins;
        self.fill_ins_found += o.fill_ins_found;
        self.fill_ins_false += o.fill_ins_false;
        self.seen_dm += o.seen_dm;
        self.length.join(&o.length);
        self.lines.join(&o.lines);
        self.classes.join(&o.classes);
    }

    pub(crate) fn text(&self, name: &str) -> String {
        let share = |a: usize, b: usize| a as f64 / b.max(1) as f64;
        let wrong = self.called - self.right - self.twice;
        format!(
            "{name:<16} {:>3} | {:>5} {:>6.3} | {:>5} {:>6.3} | nick {:>2} plug {:>2} twice {:>2} else {:>2}, {:.3} a dm | {:>3}/{:<3} | {:>3}/{:<3} | {:>3}/{:<3} | {:>3}/{:<3} | {:>3}/{:<3} {:>2} | {:+.3} {:.3} {}",
            self.sheets,
            self.breaks,
            share(self.found, self.breaks),
            self.called,
            share(self.right, self.called),
            self.nick,
            self.plug,
            self.twice,
            wrong - self.nick - self.plug,
            wrong as f64 / self.seen_dm.max(1e-9),
            self.fine_found,
            self.fine,
            self.hidden_found,
            self.hidden,
            self.covered_found,
            self.covered,
            self.nicks_found,
            self.nicks,
            self.fill_ins_found,
            self.fill_ins,
            self.fill_ins_false,
            self.length.mean(),
            self.length.rms(),
            self.length
                .coverage_pct()
                .map_or("-".to_owned(), |c| format!("{c:.0} %")),
        )
    }
}
