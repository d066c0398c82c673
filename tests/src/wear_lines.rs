//! How well the stage `edge-wear` measures width, raggedness and blur of lines.

use std::fmt::Write as _;

use anyhow::Result;
use restrike_ops::smooth_course::raggedness;
use restrike_synth::design::{Block, Line};
use restrike_synth::shapes::arc_length;
use restrike_synth::stroke::Ragged;
use restrike_synth::truth::BlockTruth;
use restrike_synth::{Design, DesignSpec, RunSpec, Truth, line_edges};

use crate::spread::Spread;
use crate::wear::{Trial, retreating, to_design};
use crate::wear_counts::apart;
use crate::whole::{Measured, cell, measure_sheets};

/// Errors over the lines of sheets.
#[derive(Debug, Default, Clone)]
pub struct LineErrors {
    /// Width, um.
    width: Spread,
    /// Raggedness of edges planted as sines and as smooth noise on lines of which enough
    /// is seen, and of all others; blur; % of the true.
    ragged: [Spread; 3],
    blur: Spread,
    unmeasured: usize,
    /// Retreat of colour blocks' edges, um, and their raggedness, % of the true.
    retreat: Spread,
    solid_ragged: Spread,
    solids_unmeasured: usize,
}

/// Shortest stretch that a width is judged over, mm.
const LEAST_MM: f64 = 3.0;
/// Length of a line from which its raggedness is that of all of it, mm: a dozen waves or so.
const LONG_MM: f64 = 10.0;
/// A record's line further off the design's, mm, is more than that line alone.
const OFF_MM: f64 = 0.04;
/// Distance of the places at which planted edges are read, mm.
const STEP_MM: f64 = 0.02;
/// Waves longer than this are a line's course, as the stage has it, mm.
const COURSE_MM: f64 = 2.5;

impl LineErrors {
    /// Adds the lines of all sheets of a run: those of one width, long enough to judge.
    ///
    /// # Errors
    /// When a table is missing.
    pub fn add(&mut self, m: &Measured) -> Result<()> {
        let Some(key) = m.design.key() else {
            return Ok(());
        };
        let to_design = to_design(m)?;
        let table = m.table("wear_lines")?;
        for row in &table.rows {
            let truth = m.truth_of(table, row)?;
            let number = |c: &str| cell(table, row, c).as_f64();
            let (Some(x), Some(y)) = (number("x_mm"), number("y_mm")) else {
                continue;
            };
            let Some(width) = number("width_t50_mm") else {
                self.unmeasured += 1;
                continue;
            };
            let state = truth.blocks.iter().find(|b| b.name == key.name);
            let (Some(state), Some(measured)) = (state, number("measured_mm")) else {
                continue;
            };
            let Some((line, off, arc)) = nearest(&key.lines, to_design.apply([x, y])) else {
                continue;
            };
            if line.taper > 0.0 || off > OFF_MM || measured < LEAST_MM {
                continue;
            }
            let at = m.design.images.iter().position(|i| i.name == line.image);
            let of_image = |v: &[f64]| at.and_then(|i| v.get(i)).copied().unwrap_or(0.0);
            let growth = of_image(&state.widen_mm) - of_image(&state.retreat_mm);
            let mut edges = state
                .ragged
                .map(|r| line_edges(line, r, STEP_MM))
                .unwrap_or_default();
            // What the record's line is of the design's, which joins and damage divide.
            let length = number("length_mm").unwrap_or(0.0);
            if length < 0.9 * arc_length(&line.points) {
                edges = piece(&edges, arc, length);
            }
            // What the ragged edges add to the width in the mean over the line.
            #[allow(clippy::cast_precision_loss)]
            let wave = edges.iter().flatten().sum::<f64>() / edges.len().max(1) as f64;
            let blurred = blur(truth, line.width_mm + 2.0 * growth);
            // The paper's stretch is in the scan but not in the record's millimetres.
            let error = 1000.0 * (width - (line.width_mm + 2.0 * growth + wave));
            let se = number("width_t50_se_mm").map(|s| 1000.0 * s);
            if std::env::var_os("RESTRIKE_WIDTHS").is_some() {
                eprintln!(
                    "width {} line {} of {:.3} mm, {measured:.1} mm measured: error {error:+.1} um, stated {:.1}, blur {:.1} of {:.1}, ragged {:.1} of {:.1}",
                    truth.name,
                    line.id,
                    line.width_mm,
                    se.unwrap_or(0.0),
                    1000.0 * number("blur_mm").unwrap_or(0.0),
                    1000.0 * blurred,
                    1000.0 * number("raggedness_mm").unwrap_or(0.0),
                    1000.0 * planted(&edges),
                );
            }
            self.width.add(error, se);
            let mut relative = |column: &str, of: f64| {
                if let Some(v) = number(&format!("{column}_mm"))
                    && of > 0.0
                {
                    let se = number(&format!("{column}_se_mm"));
                    let into = match column {
                        "blur" => &mut self.blur,
                        _ if measured < LONG_MM => &mut self.ragged[2],
                        _ => &mut self.ragged[usize::from(!is_sine(state))],
                    };
                    into.add(100.0 * (v / of - 1.0), se.map(|s| 100.0 * s / of));
                }
            };
            relative("blur", blurred);
            relative("raggedness", planted(&edges));
        }
        self.solids(m, key)
    }

    /// Adds the edges of the colour blocks, by image.
    fn solids(&mut self, m: &Measured, key: &Block) -> Result<()> {
        let table = m.table("wear_solids")?;
        let longest = key
            .lines
            .iter()
            .max_by(|a, b| arc_length(&a.points).total_cmp(&arc_length(&b.points)));
        for row in &table.rows {
            let truth = m.truth_of(table, row)?;
            let text = |c: &str| cell(table, row, c).as_str().unwrap_or("").to_owned();
            let number = |c: &str| cell(table, row, c).as_f64();
            let (image, block) = (text("image"), text("block"));
            let Some(at) = m.design.images.iter().position(|i| i.name == image) else {
                continue;
            };
            let Some(got) = number("retreat_mm") else {
                self.solids_unmeasured += 1;
                continue;
            };
            let role = format!("proof:{block}");
            let proof = m.truth.iter().find(|t| t.role == role);
            let state = |t: &Truth| t.blocks.iter().find(|b| b.name == block).cloned();
            let (Some(now), Some(then)) = (state(truth), proof.and_then(state)) else {
                continue;
            };
            let back = |b: &BlockTruth| b.retreat_mm[at] - b.widen_mm[at];
            let error = 1000.0 * (got - (back(&now) - back(&then)));
            let se = number("retreat_se_mm").map(|s| 1000.0 * s);
            if std::env::var_os("RESTRIKE_WIDTHS").is_some() {
                eprintln!(
                    "solid {} {image} {block}, {:.1} mm measured: retreat {:.1} um, error {error:+.1}, stated {:.1}, blur {:.1}, ragged {:.1}",
                    truth.name,
                    number("measured_mm").unwrap_or(0.0),
                    1000.0 * got,
                    se.unwrap_or(0.0),
                    1000.0 * number("blur_mm").unwrap_or(0.0),
                    1000.0 * number("raggedness_mm").unwrap_or(0.0),
                );
            }
            self.retreat.add(error, se);
            // The same process makes all edges: as ragged as the key's longest line is planted.
            if let (Some(r), Some(line)) = (now.ragged, longest)
                && let Some(got) = number("raggedness_mm")
            {
                let of = planted(&line_edges(line, r, STEP_MM));
                if std::env::var_os("RESTRIKE_WIDTHS").is_some() {
                    eprintln!("planted {:.2}", 1000.0 * of);
                }
                let se = number("raggedness_se_mm").map(|s| 100.0 * s / of);
                self.solid_ragged.add(100.0 * (got / of - 1.0), se);
            }
        }
        Ok(())
    }

    /// Adds another's.
    pub fn join(&mut self, o: &Self) {
        self.width.join(&o.width);
        for (mine, other) in self.ragged.iter_mut().zip(&o.ragged) {
            mine.join(other);
        }
        self.blur.join(&o.blur);
        self.unmeasured += o.unmeasured;
        self.retreat.join(&o.retreat);
        self.solid_ragged.join(&o.solid_ragged);
        self.solids_unmeasured += o.solids_unmeasured;
    }

    /// The figures in a line.
    pub fn text(&self) -> String {
        let one = |s: &Spread, unit: &str| {
            let hold = s
                .coverage_pct()
                .map_or("-".to_owned(), |c| format!("{c:.0}"));
            format!(
                "{:+.2} {unit} mean, {:.2} rms, intervals hold {hold} %",
                s.mean(),
                s.rms()
            )
        };
        format!(
            "{} lines: width {}; raggedness over {LONG_MM} mm and more of sines ({}) {}, of noise ({}) {}, over less ({}) {}; blur {}; {} unresolved or unmeasured. {} edges of solids: retreat {}; raggedness {}; {} unmeasured",
            self.width.count(),
            one(&self.width, "um"),
            self.ragged[0].count(),
            one(&self.ragged[0], "%"),
            self.ragged[1].count(),
            one(&self.ragged[1], "%"),
            self.ragged[2].count(),
            one(&self.ragged[2], "%"),
            one(&self.blur, "%"),
            self.unmeasured,
            self.retreat.count(),
            one(&self.retreat, "um"),
            one(&self.solid_ragged, "%"),
            self.solids_unmeasured
        )
    }
}

/// Sheets of the report on lines, and the waves planted on their edges: about as
/// long as those of old wood, and in whole numbers on any line.
const LINES_MM: [f64; 2] = [70.0, 50.0];
const WAVES: Ragged = Ragged::Sine {
    amplitude_mm: 0.012,
    wavelength_mm: 0.6,
};

/// As high, and independent at distances beyond its length: about as short as the sines are.
const NOISE: Ragged = Ragged::Noise {
    sd_mm: 0.0085,
    length_mm: 0.3,
};

/// Renders and measures designs whose edges are planted sines and noise by turns.
///
/// # Errors
/// When one fails.
pub fn report(trial: &Trial) -> Result<String> {
    let mut out = String::new();
    let mut all = LineErrors::default();
    for (family, seed) in trial.designs() {
        let design = Design::generate(&DesignSpec {
            seed,
            family,
            sheet_mm: LINES_MM,
            ..DesignSpec::default()
        });
        let run = RunSpec {
            sheets: trial.sheets,
            references: 1,
            seed,
            dpi: trial.dpi,
            proofs: true,
            changes: retreating(&design),
            ..RunSpec::new(trial.difficulty)
        };
        let mut specs = run.sheets(&design);
        for (n, s) in specs.iter_mut().enumerate() {
            for b in &mut s.blocks {
                b.ragged = Some(if n % 2 == 0 { WAVES } else { NOISE });
            }
        }
        let stages = ["deskew", "registration", "edge-wear"];
        let m = measure_sheets(design, &specs, &stages, true)?;
        let mut errors = LineErrors::default();
        errors.add(&m)?;
        let text = format!("{family:?} {seed}: {}", errors.text());
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{text}");
        }
        let _ = writeln!(out, "{text}");
        all.join(&errors);
    }
    let _ = write!(out, "all: {}", all.text());
    Ok(out)
}

/// Raggedness of planted edges about their course, both together, mm.
fn planted(edges: &[[f64; 2]]) -> f64 {
    let side = |k: usize| -> Vec<f64> { edges.iter().map(|e| e[k]).collect() };
    let sd = [0, 1].map(|k| raggedness(&side(k), STEP_MM, COURSE_MM).unwrap_or(0.0));
    (0.5 * (sd[0] * sd[0] + sd[1] * sd[1])).sqrt()
}

/// T10 to T90 of the edge of a line under the scanner's blur, the pixel's square
/// included, mm: a box blurred by a Gaussian, in closed form but for the search.
fn blur(truth: &Truth, width: f64) -> f64 {
    let sigma = (truth.psf_sigma_px * truth.psf_sigma_px + 1.0 / 12.0).sqrt() * 25.4 / truth.dpi;
    let phi = |z: f64| 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2);
    let dark = |t: f64| phi((t + 0.5 * width) / sigma) - phi((t - 0.5 * width) / sigma);
    let place = |share: f64| {
        let (mut low, mut high) = (0.0, 0.5 * width + 8.0 * sigma);
        for _ in 0..60 {
            let mid = 0.5 * (low + high);
            if dark(mid) > share {
                low = mid;
            } else {
                high = mid;
            }
        }
        low
    };
    // A line too narrow to get so dark has no such edge.
    if dark(0.0) > 0.9 {
        place(0.1) - place(0.9)
    } else {
        0.0
    }
}

fn is_sine(state: &BlockTruth) -> bool {
    matches!(state.ragged, Some(Ragged::Sine { .. }))
}

/// The part of planted edges about an arc length, so long in all, mm.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn piece(edges: &[[f64; 2]], arc: f64, length: f64) -> Vec<[f64; 2]> {
    let at = |s: f64| ((s / STEP_MM).max(0.0) as usize).min(edges.len());
    edges[at(arc - 0.5 * length)..at(arc + 0.5 * length)].to_vec()
}

/// The line of the design that passes nearest to a design place, with the distance
/// and the arc length there.
fn nearest(lines: &[Line], p: [f64; 2]) -> Option<(&Line, f64, f64)> {
    let to = |l: &Line| {
        let mut from = 0.0;
        l.points
            .windows(2)
            .map(|w| {
                let d = [w[1][0] - w[0][0], w[1][1] - w[0][1]];
                let n = d[0] * d[0] + d[1] * d[1];
                let t = ((p[0] - w[0][0]) * d[0] + (p[1] - w[0][1]) * d[1]) / n.max(1e-12);
                let t = t.clamp(0.0, 1.0);
                let arc = from + t * n.sqrt();
                from += n.sqrt();
                (apart(p, [w[0][0] + t * d[0], w[0][1] + t * d[1]]), arc)
            })
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    lines
        .iter()
        .filter_map(|l| to(l).map(|(off, arc)| (l, off, arc)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
}
