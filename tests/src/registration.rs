//! How well the stage `registration` finds where each colour block lies.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use anyhow::{Context, Result};
use restrike_model::{Affine, Point, Value};
use restrike_synth::run::{Change, Quantity};
use restrike_synth::shapes::inside;
use restrike_synth::truth::BlockTruth;
use restrike_synth::{Design, Difficulty, Family, SheetKind, Truth};

use crate::recorded::recorded;
use crate::spread::Spread;
use crate::whole::{Batch, Measured, batches, cell, measure};

/// What was found of one block over many sheets.
#[derive(Debug, Default)]
pub struct BlockErrors {
    /// Rows of the block.
    pub rows: usize,
    /// Of these, called identified.
    pub identified: usize,
    /// Of these, not identified, but given as a number with its error.
    pub faint: usize,
    /// Error of the motion of rows called identified, rms over the block's printed area, px, a value a sheet.
    pub motion_px: Vec<f64>,
    /// The same of rows that are given and not identified.
    pub faint_px: Vec<f64>,
    /// Error of the shift at the block's middle, px, each axis, with its interval.
    pub middle_px: Spread,
    /// The same of blocks that are not given: do their intervals hold?
    pub hidden_px: Spread,
    /// Error of the register against the key, rms over the printed area, mm, where it is called absolute.
    pub register_mm: Vec<f64>,
    /// Error of that at the block's middle, mm, each axis, with its interval.
    pub register_middle_mm: Spread,
    /// Error of the retreat, mm.
    pub retreat_mm: Spread,
    /// Share of what the edges tell that fits, of rows that are right.
    pub fitting: Vec<f64>,
    /// The same of rows that are astray.
    pub astray: Vec<f64>,
}

/// One given row held against the truth, for a table to look into.
#[derive(Debug, Clone, serde::Serialize)]
pub struct RowError {
    design: String,
    block: String,
    image: String,
    sheet: String,
    identified: bool,
    /// Displacement, rms over what the block prints on the image, mm.
    area_mm: f64,
    area_se_mm: Option<f64>,
    /// Shift at the middle of that, mm.
    x_mm: f64,
    x_se_mm: Option<f64>,
    y_mm: f64,
    y_se_mm: Option<f64>,
    pieces: Option<f64>,
}

/// Errors by block over the designs.
#[derive(Debug, Default)]
pub struct Report {
    /// Every given row.
    pub rows: Vec<RowError>,
    /// By design and block.
    pub blocks: BTreeMap<(String, String), BlockErrors>,
    /// Good sheets without figures.
    pub refused: usize,
    /// Rows given that are off by more than a pixel and by more than
    /// four stated standard errors.
    pub astray: usize,
    /// Why rows are not given, with their number.
    pub reasons: BTreeMap<String, usize>,
    /// Side of a pixel, mm.
    pixel: f64,
}

/// Designs that the stage may be tuned on; no figure is reported for them.
const TUNING: [(Family, u64, bool); 5] = [
    (Family::Landscape, 21, false),
    (Family::Figure, 32, false),
    (Family::Pattern, 43, false),
    (Family::Lettering, 54, false),
    (Family::Figure, 65, true),
];

fn affine(a: &restrike_synth::transform::Affine) -> Affine {
    Affine(a.0)
}

fn block<'t>(truth: &'t Truth, name: &str) -> Option<&'t BlockTruth> {
    truth.blocks.iter().find(|b| b.name == name)
}

/// Places all over what a block prints, design mm, within an image if one is named.
pub(crate) fn printed(design: &Design, name: &str, image: &str) -> Vec<Point> {
    let Some(b) = design.block(name) else {
        return Vec::new();
    };
    let mut out = Vec::new();
    let [w, h] = design.sheet_mm;
    let step = 1.1;
    let n = |v: f64| (v / 2.0 / step) as i64;
    for j in -n(h)..=n(h) {
        for i in -n(w)..=n(w) {
            let p = [i as f64 * step, j as f64 * step];
            let mut inked = false;
            for a in b
                .areas
                .iter()
                .filter(|a| image == "whole" || a.image == image)
            {
                if a.rings.iter().filter(|r| inside(r, p)).count() % 2 == 1 {
                    inked = !a.cleared;
                }
            }
            if inked {
                out.push(Point::new(p[0], p[1]));
            }
        }
    }
    out
}

fn median(v: &[f64]) -> f64 {
    let mut v = v.to_vec();
    v.sort_by(f64::total_cmp);
    v.get(v.len() / 2).copied().unwrap_or(0.0)
}

impl Report {
    #[allow(clippy::too_many_lines)]
    fn add(&mut self, name: &str, m: &Measured) -> Result<()> {
        let record = m.record.as_ref().context("no record was learned")?;
        let known = recorded(record)?;
        let key = m.design.key().context("no key")?.name.clone();
        let source = |b: &str| {
            let name = &known.get(b)?.source;
            m.truth.iter().find(|t| &t.name == name)
        };
        let table = m.table("registration")?;
        let mut places: BTreeMap<(String, String), Vec<Point>> = BTreeMap::new();
        for row in &table.rows {
            let truth = m.truth_of(table, row)?;
            if truth.kind != SheetKind::Good || truth.role.starts_with("proof") {
                continue;
            }
            let text = |c: &str| cell(table, row, c).as_str().unwrap_or("").to_owned();
            let number = |c: &str| cell(table, row, c).as_f64();
            let (image, name_b) = (text("image"), text("block"));
            let (Some(of_key), Some(of_block)) = (source(&key), source(&name_b)) else {
                self.refused += 1;
                continue;
            };
            let (Some(rk), Some(rb)) = (known.get(&key), known.get(&name_b)) else {
                self.refused += 1;
                continue;
            };
            let entry = (name.to_owned(), format!("{name_b} {image}"));
            let e = self.blocks.entry(entry).or_default();
            e.rows += 1;
            let points = places
                .entry((name_b.clone(), image.clone()))
                .or_insert_with(|| printed(&m.design, &name_b, &image));
            let find = |t: &Truth, b: &str| {
                block(t, b).map(|b| (affine(&b.motion.affine()), b.warp.clone()))
            };
            let (Some((ks, wk)), Some((bs, wb))) = (find(truth, &key), find(truth, &name_b)) else {
                continue;
            };
            let (Some((kp, _)), Some((bp, _))) = (find(of_key, &key), find(of_block, &name_b))
            else {
                continue;
            };
            let inverse = |a: &Affine| a.inverse().context("singular");
            // Design place of a block, after its warp -> record mm, by its proof.
            let key_record = kp.then(&affine(&of_key.print_to_scan)).then(&rk.scan_to_mm);
            let block_record = bp
                .then(&affine(&of_block.print_to_scan))
                .then(&rb.scan_to_mm);
            // True T: record place of the block's shape -> record place it printed at.
            let t_true = inverse(&block_record)?
                .then(&bs)
                .then(&inverse(&ks)?)
                .then(&key_record);
            let middle = points.iter().fold(Point::default(), |s, p| s + *p)
                * (1.0 / points.len().max(1) as f64);
            let identified = cell(table, row, "identified").as_bool() == Some(true);
            if !identified && number("dx_mm").is_none() {
                // Without the numbers in it.
                let why = text("why").replace(|c: char| c.is_ascii_digit() || c == '.', "");
                *self.reasons.entry(why).or_default() += 1;
                // The interval of dx, dy alone: about the sheet's centre.
                let c = t_true.apply(inverse(&rb.zero)?.apply(Point::default()));
                for (v, low, high) in [
                    (c.x, "dx_low_mm", "dx_high_mm"),
                    (c.y, "dy_low_mm", "dy_high_mm"),
                ] {
                    if let (Some(low), Some(high)) = (number(low), number(high)) {
                        let half = (high - low) / 2.0;
                        e.hidden_px.add(
                            (v - (low + high) / 2.0) / self.pixel,
                            Some(half / 1.644_85 / self.pixel),
                        );
                    }
                }
                continue;
            }
            e.identified += usize::from(identified);
            e.faint += usize::from(!identified);
            let v = |c: &str| number(c).unwrap_or(f64::NAN);
            let (dx, dy, t) = (v("dx_mm"), v("dy_mm"), v("theta_mrad") / 1000.0);
            let (ex, ey) = (
                v("stretch_x_permille") / 1000.0,
                v("stretch_y_permille") / 1000.0,
            );
            let shear = v("shear_mrad") / 1000.0;
            let found = Affine([1.0 + ex, shear - t, dx, shear + t, 1.0 + ey, dy]);
            let mut square = 0.0;
            let mut register = 0.0;
            for q in points.iter() {
                let w = wb.apply([q.x, q.y]);
                let b = block_record.apply(Point::new(w[0], w[1]));
                let measured = found.apply(rb.zero.apply(b));
                let d = measured - t_true.apply(b);
                square += d.dot(d);
                // Against the key: where the key says this place should be.
                let k = wk.apply([q.x, q.y]);
                let should = key_record.apply(Point::new(k[0], k[1]));
                let printed = t_true.apply(b);
                let d = (found.apply(should) - should) - (printed - should);
                register += d.dot(d);
            }
            let n = points.len().max(1) as f64;
            if identified {
                &mut e.motion_px
            } else {
                &mut e.faint_px
            }
            .push((square / n).sqrt() / self.pixel);
            let stated = number("weakest_se_mm").unwrap_or(0.0);
            if (square / n).sqrt() > self.pixel.max(4.0 * stated) {
                self.astray += 1;
                e.astray.push(number("fitting").unwrap_or(0.0));
            } else {
                e.fitting.push(number("fitting").unwrap_or(0.0));
            }
            let w = wb.apply([middle.x, middle.y]);
            let b = block_record.apply(Point::new(w[0], w[1]));
            let d = found.apply(rb.zero.apply(b)) - t_true.apply(b);
            e.middle_px.add(
                d.x / self.pixel,
                number("shift_x_se_mm").map(|s| s / self.pixel),
            );
            e.middle_px.add(
                d.y / self.pixel,
                number("shift_y_se_mm").map(|s| s / self.pixel),
            );
            self.rows.push(RowError {
                design: name.to_owned(),
                block: name_b.clone(),
                image: image.clone(),
                sheet: truth.name.clone(),
                identified,
                area_mm: (square / n).sqrt(),
                area_se_mm: number("area_se_mm"),
                x_mm: d.x,
                x_se_mm: number("shift_x_se_mm"),
                y_mm: d.y,
                y_se_mm: number("shift_y_se_mm"),
                pieces: number("pieces"),
            });
            if text("basis") == "absolute" {
                e.register_mm.push((register / n).sqrt());
                // Mean over the printed area, warps included.
                let mut mean = Point::default();
                for q in points.iter() {
                    let k = wk.apply([q.x, q.y]);
                    let should = key_record.apply(Point::new(k[0], k[1]));
                    let w = wb.apply([q.x, q.y]);
                    let printed = t_true.apply(block_record.apply(Point::new(w[0], w[1])));
                    mean = mean + ((found.apply(should) - should) - (printed - should)) * (1.0 / n);
                }
                let zero = number("zero_se_mm").unwrap_or(0.0);
                for (d, se) in [(mean.x, "shift_x_se_mm"), (mean.y, "shift_y_se_mm")] {
                    e.register_middle_mm
                        .add(d, number(se).map(|s| (s * s + zero * zero).sqrt()));
                }
            }
            let growth = |t: &Truth| {
                block(t, &name_b).map(|b| {
                    let at = t.images.iter().position(|i| i.name == image).unwrap_or(0);
                    let get = |v: &[f64]| v.get(at).copied().unwrap_or(0.0);
                    get(&b.widen_mm) - get(&b.retreat_mm)
                })
            };
            if let (Some(now), Some(then)) = (growth(truth), growth(of_block)) {
                e.retreat_mm
                    .add(v("retreat_mm") - (then - now), number("retreat_se_mm"));
            }
        }
        let sheets = m.table("registration_sheet")?;
        for row in &sheets.rows {
            let truth = m.truth_of(sheets, row)?;
            if truth.kind == SheetKind::Good
                && !truth.role.starts_with("proof")
                && matches!(cell(sheets, row, "blur_px"), Value::Null)
            {
                self.refused += 1;
            }
        }
        Ok(())
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        let rms = |v: &[f64]| (v.iter().map(|e| e * e).sum::<f64>() / v.len().max(1) as f64).sqrt();
        let part = |c: Option<f64>| c.map_or("   -".to_owned(), |c| format!("{c:4.0}"));
        let _ = writeln!(
            out,
            "{:<16} {:<16} {:>4} {:>6} {:>5} | {:>14} {:>6} {:>5} | {:>8} {:>5} | {:>7} {:>7} | hidden, intervals hold %",
            "design",
            "block",
            "n",
            "ident.",
            "faint",
            "motion, ident.",
            "faint",
            "holds",
            "register",
            "holds",
            "retreat",
            "mean"
        );
        let _ = writeln!(
            out,
            "{:<16} {:<16} {:>4} {:>6} {:>5} | {:>14} {:>6} {:>5} | {:>8} {:>5} | {:>7} {:>7}",
            "", "", "", "%", "%", "median, rms px", "rms", "%", "rms mm", "%", "rms mm", "mm"
        );
        let mut all = BlockErrors::default();
        let mut worst: f64 = 0.0;
        for ((design, name), e) in &self.blocks {
            let _ = writeln!(
                out,
                "{design:<16} {name:<16} {:>4} {:>6.0} {:>5.0} | {:>7.3} {:>6.3} {:>6} {:>5} | {:>8.4} {:>5} | {:>7.4} {:>+7.4} | {:>3} {} | {:.2} {:.2?}",
                e.rows,
                100.0 * e.identified as f64 / e.rows.max(1) as f64,
                100.0 * e.faint as f64 / e.rows.max(1) as f64,
                median(&e.motion_px),
                rms(&e.motion_px),
                if e.faint_px.is_empty() {
                    "-".to_owned()
                } else {
                    format!("{:.3}", rms(&e.faint_px))
                },
                part(e.middle_px.coverage_pct()),
                rms(&e.register_mm),
                part(e.register_middle_mm.coverage_pct()),
                e.retreat_mm.rms(),
                e.retreat_mm.mean(),
                e.hidden_px.count(),
                part(e.hidden_px.coverage_pct()),
                e.fitting.iter().copied().fold(1.0, f64::min),
                e.astray,
            );
            all.rows += e.rows;
            all.identified += e.identified;
            all.faint += e.faint;
            all.motion_px.extend(&e.motion_px);
            all.faint_px.extend(&e.faint_px);
            all.middle_px.join(&e.middle_px);
            all.hidden_px.join(&e.hidden_px);
            all.register_mm.extend(&e.register_mm);
            all.register_middle_mm.join(&e.register_middle_mm);
            all.retreat_mm.join(&e.retreat_mm);
            worst = worst.max(rms(&e.motion_px));
        }
        let _ = writeln!(
            out,
            "all: {} rows, {:.1} % identified, {:.1} % seen faintly; motion {:.3} px rms where identified (median {:.3}, worst block {:.3}), {:.3} where faint, 90 % intervals hold {} %; register {:.4} mm rms, hold {} %; retreat {:.4} mm rms, hold {} %; hidden intervals hold {} % of {}; good sheets without figures {}; astray {}",
            all.rows,
            100.0 * all.identified as f64 / all.rows.max(1) as f64,
            100.0 * all.faint as f64 / all.rows.max(1) as f64,
            rms(&all.motion_px),
            median(&all.motion_px),
            worst,
            rms(&all.faint_px),
            part(all.middle_px.coverage_pct()),
            rms(&all.register_mm),
            part(all.register_middle_mm.coverage_pct()),
            all.retreat_mm.rms(),
            part(all.retreat_mm.coverage_pct()),
            part(all.hidden_px.coverage_pct()),
            all.hidden_px.count(),
            self.refused,
            self.astray
        );
        for (why, n) in &self.reasons {
            let _ = writeln!(out, "not given, {n} rows: {why}");
        }
        out
    }
}

/// What to render.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// Good sheets of each design.
    pub sheets: u32,
    /// Resolution, pixels per inch.
    pub dpi: f64,
    /// How hard.
    pub difficulty: Difficulty,
    /// On the designs that the stage may be tuned on.
    pub tuning: bool,
    /// All designs two-up.
    pub two_up: bool,
    /// Edges of all colour blocks retreat by up to this over the run, mm.
    pub retreat_mm: f64,
    /// Blocks lie up to 3 mm and 10 mrad off the key, on proofs too.
    pub far: bool,
    /// Largest body of the colours' inks.
    pub body: Option<f64>,
    /// No proofs: shapes from a reference impression.
    pub no_proofs: bool,
    /// Only this design, counted from 0.
    pub design: Option<usize>,
}

/// Renders and measures the designs with proofs.
///
/// # Errors
/// When a batch fails.
pub fn report(trial: Trial) -> Result<Report> {
    let Trial {
        sheets,
        dpi,
        difficulty,
        tuning,
        ..
    } = trial;
    let mut out = Report {
        pixel: 25.4 / dpi,
        ..Report::default()
    };
    let chosen: Vec<Batch> = batches(sheets, dpi, difficulty, &[])
        .enumerate()
        .filter(|(n, _)| trial.design.is_none_or(|d| d == *n))
        .map(|(n, mut b)| {
            if tuning {
                (b.family, b.seed, b.two_up) = TUNING[n];
            }
            b.proofs = !trial.no_proofs;
            b.blocks = true;
            b.two_up |= trial.two_up;
            b.far = trial.far;
            b.body = trial.body;
            if trial.retreat_mm > 0.0 {
                // The key's lines are no wider than twice that.
                let design = b.design();
                b.changes = design
                    .blocks
                    .iter()
                    .filter(|block| !block.key)
                    .map(|block| Change {
                        block: block.name.clone(),
                        quantity: Quantity::Widen,
                        per_sheet: -trial.retreat_mm / f64::from(sheets.max(2) - 1),
                        step: 0.0,
                        at_sheet: 1,
                    })
                    .collect();
            }
            b
        })
        .collect();
    for b in chosen {
        let m = measure(&b, &["deskew", "registration"])?;
        out.add(&format!("{:?} {}", b.family, b.seed), &m)?;
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}
