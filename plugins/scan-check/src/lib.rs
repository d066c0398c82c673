//! Stage scan-check: is the scan fit to be measured, and for what?
//!
//! Runs first and needs nothing but the scan. See the README for the methods
//! and their sources.

mod columns;
mod edges;
mod flat;
mod levels;
mod overview;
mod paper;
mod pixels;
mod settings;
mod target;
mod verdict;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use restrike_stage::{
    Dpi, Given, Level, MM_PER_INCH, Manifest, Mark, Measure, Needs, Output, Phases, Picture, Point,
    Project, Row, Size, Stage, StageError, Stroke, Tone,
};

use crate::columns::TABLE;
use crate::edges::{Direction, FEWEST, Focus, focus};
use crate::flat::Flat;
use crate::levels::{Metric, colour_would_meet, would_meet};
use crate::overview::Overview;
use crate::paper::Paper;
use crate::settings::{Settings, TargetSettings};
use crate::target::TargetResult;
use crate::verdict::{Findings, verdict};

/// Smallest side of a scan that is looked at, pixels.
const SMALLEST: usize = 64;

/// The stage.
#[derive(Debug, Clone)]
pub struct ScanCheck {
    settings: Settings,
    sheet: Option<Size>,
}

impl Stage for ScanCheck {
    fn manifest() -> Manifest {
        Manifest {
            name: "scan-check".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Says what a scan is fit for: resolution, clipping, focus, noise, evenness of light, colour target.".to_owned(),
            settings: schemars::schema_for!(Settings).to_value(),
            needs: Needs::default(),
            gives: Given {
                tables: vec![columns::table()],
                pictures: vec!["check".to_owned()],
                ..Given::default()
            },
            phases: Phases {
                measure: true,
                ..Phases::default()
            },
            bytes_per_pixel: 0.2,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        _records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let settings: Settings = if settings.is_null() {
            Settings::default()
        } else {
            serde_json::from_value(settings.clone())
                .map_err(|e| StageError::new(format!("scan-check: {e}")))?
        };
        if let Some(target) = &settings.target {
            target.check().map_err(StageError::new)?;
        }
        let sheet = project
            .sheet
            .filter(|s| s.width_mm > 0.0 && s.height_mm > 0.0);
        Ok(Self { settings, sheet })
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let (scan, info) = (input.scan, input.info);
        if !matches!(scan.channels(), 1 | 3) {
            return Err(StageError::new(format!(
                "a scan of {} channels cannot be checked (1 or 3 are needed)",
                scan.channels()
            )));
        }
        if scan.width() < SMALLEST || scan.height() < SMALLEST {
            return Err(StageError::new(format!(
                "a scan of {} x {} pixels is too small to be checked",
                scan.width(),
                scan.height()
            )));
        }
        if !(info.dpi.x > 0.0 && info.dpi.y > 0.0) {
            return Err(StageError::new("the scan has no resolution"));
        }
        let overview = Overview::new(scan);
        let paper = paper::find(scan, &overview, self.sheet, info.dpi);
        let focus = [Direction::Across, Direction::Down].map(|d| focus(scan, &overview, &paper, d));
        let flat = flat::look(scan, &overview, &paper);
        let target = self
            .settings
            .target
            .as_ref()
            .map(|t| target::read(scan, t, info.dpi));

        let (row, resolution) = resolution(Row::new(), self.sheet, &paper, info);
        let row = row.set(
            "resolution_contradicts",
            resolution.contradicts(self.settings.resolution_tolerance_pct),
        );
        let (row, clipped) = clipping(row, &overview, &paper, scan.channels());
        let row = focus_columns(row, &focus, info.dpi);
        let row = paper_columns(row, &paper, &flat);
        let row = target_columns(row, target.as_ref());
        let row = level_columns(row, &focus, &flat, target.as_ref(), info.dpi);
        let coarse = info.dpi.x.min(info.dpi.y);

        let (fit_for, remarks) = verdict(&Findings {
            settings: &self.settings,
            info,
            overview: &overview,
            paper: &paper,
            implied: resolution.implied,
            ratios: resolution.ratios,
            clipped,
            focus: &focus,
            flat: &flat,
            target_reason: target
                .as_ref()
                .and_then(|t| t.as_ref().err().map(String::as_str)),
        });
        for remark in remarks.iter().filter(|r| r.contains("contradicts")) {
            out.note(Level::Warning, remark);
        }
        let row = row
            .set("line_100um_px", 0.10 * coarse / MM_PER_INCH)
            .set("line_150um_px", 0.15 * coarse / MM_PER_INCH)
            .set("line_300um_px", 0.30 * coarse / MM_PER_INCH)
            .set("line_limit_mm", 3.0 * MM_PER_INCH / coarse)
            .set("fit_for", fit_for.as_str())
            .set("remarks", remarks.join("; "));
        out.row(TABLE, row)?;
        out.picture(&picture(
            &paper,
            &focus,
            self.settings.target.as_ref(),
            info.dpi,
            &fit_for,
        ))
    }
}

struct Resolution {
    implied: Option<paper::Implied>,
    ratios: [Option<f64>; 2],
}

impl Resolution {
    fn contradicts(&self, tolerance_pct: f64) -> Option<bool> {
        let mut known = self.ratios.iter().flatten().peekable();
        known.peek()?;
        Some(known.any(|r| (r - 1.0).abs() > tolerance_pct / 100.0))
    }
}

fn resolution(
    row: Row,
    sheet: Option<Size>,
    paper: &Paper,
    info: &restrike_stage::ScanInfo,
) -> (Row, Resolution) {
    let implied = sheet.map(|s| paper::implied(paper, s, info.dpi));
    let (x, y) = (implied.and_then(|i| i.x), implied.and_then(|i| i.y));
    let reason = match (&implied, x, y) {
        (None, ..) => Some("the sheet's size is not in the config"),
        (_, Some(_), Some(_)) => None,
        (_, None, None) => Some("no two opposite sides of the paper lie in the scan"),
        (_, None, _) => Some("the left or the right side of the paper is outside the scan"),
        (_, _, None) => Some("the upper or the lower side of the paper is outside the scan"),
    };
    let ratios = [x.map(|x| x / info.dpi.x), y.map(|y| y / info.dpi.y)];
    let row = row
        .set("stated_x_dpi", info.dpi.x)
        .set("stated_y_dpi", info.dpi.y)
        .set("stated_source", info.dpi_source.as_str())
        .set("measured_x_dpi", x)
        .set("measured_y_dpi", y)
        .set("ratio_x", ratios[0])
        .set("ratio_y", ratios[1])
        .set("measured_reason", reason);
    (row, Resolution { implied, ratios })
}

/// Clipped shares over the cells on the sheet; with the worst channel of each kind, per cent.
fn clipping(row: Row, o: &Overview, paper: &Paper, channels: usize) -> (Row, [f64; 2]) {
    let mut sums = [[0.0_f64; 3]; 2];
    let mut cells = 0.0;
    for r in 0..o.rows {
        for c in 0..o.cols {
            let (x, y) = o.centre(c, r);
            #[allow(clippy::cast_precision_loss)]
            if paper.contains(x, y, o.cell as f64) {
                let cell = o.at(c, r);
                for (sum, part) in sums.iter_mut().zip([cell.full, cell.zero]) {
                    for (s, p) in sum.iter_mut().zip(part) {
                        *s += f64::from(p);
                    }
                }
                cells += 1.0;
            }
        }
    }
    let share = sums.map(|s| s.map(|v| 100.0 * v / f64::max(cells, 1.0)));
    let worst = share.map(|s| s.into_iter().fold(0.0, f64::max));
    let mut row = row
        .set("levels_used", o.levels)
        .set("code_gaps_pct", o.code_gaps);
    for ((name, share), worst) in ["highlights", "shadows"].iter().zip(share).zip(worst) {
        row = row.set(&format!("{name}_clipped_pct"), worst);
        if channels == 3 {
            for (channel, v) in ["red", "green", "blue"].iter().zip(share) {
                row = row.set(&format!("{name}_{channel}_pct"), v);
            }
        }
    }
    (row, worst)
}

/// MTF10 over Nyquist, at most 1.
fn sampling_efficiency(f: &Focus) -> Option<f64> {
    f.figures.map(|[_, mtf10]| (mtf10.value / 0.5).min(1.0))
}

fn focus_columns(mut row: Row, focus: &[Focus; 2], dpi: Dpi) -> Row {
    let mut reasons = Vec::new();
    let per_mm = dpi.mm_per_px().map(|mm| 1.0 / mm);
    for ((name, f), px_per_mm) in ["across", "down"].iter().zip(focus).zip(per_mm) {
        row = row.set(&format!("edges_{name}"), f.edges.len()).set(
            &format!("sampling_efficiency_{name}"),
            sampling_efficiency(f),
        );
        let Some(figures) = f.figures else {
            reasons.push(format!(
                "{name}: {} sharp straight edges, {FEWEST} are needed",
                f.edges.len()
            ));
            continue;
        };
        for (mtf, figure) in ["mtf50", "mtf10"].iter().zip(figures) {
            row = row
                .set(&format!("{mtf}_{name}_cy_px"), figure.value)
                .set(&format!("{mtf}_{name}_low_cy_px"), figure.low)
                .set(&format!("{mtf}_{name}_high_cy_px"), figure.high)
                .set(&format!("{mtf}_{name}_cy_mm"), figure.value * px_per_mm);
        }
    }
    row.set(
        "focus_reason",
        (!reasons.is_empty()).then(|| reasons.join("; ")),
    )
}

fn paper_columns(row: Row, paper: &Paper, flat: &Result<Flat, String>) -> Row {
    let row = row.set("paper_sides", paper.seen.iter().filter(|s| **s).count());
    match flat {
        Err(reason) => row.set("paper_reason", reason.as_str()),
        Ok(f) => row
            .set("paper_area_pct", f.area_pct)
            .set("noise_sd_l", f.noise.map(|n| n.fine))
            .set("texture_sd_l", f.noise.map(|n| n.texture))
            .set("signal_to_noise", f.noise.map(|n| n.signal_to_noise))
            .set("falloff_pct", f.falloff.map(|v| v.pct))
            .set("falloff_l", f.falloff.map(|v| v.lightness))
            .set("falloff_residual_l", f.falloff.map(|v| v.residual))
            .set("paper_l", f.lab[0])
            .set("paper_a", f.lab[1])
            .set("paper_b", f.lab[2])
            .set("paper_spread_de76", f.spread)
            .set(
                "paper_reason",
                match (&f.noise, &f.falloff) {
                    (Some(_), Some(_)) => None,
                    (None, _) => Some("too few flat places for the noise"),
                    (_, None) => Some("the paper seen does not span the sheet"),
                },
            ),
    }
}

type Target<'a> = Option<&'a Result<TargetResult, String>>;

fn target_columns(row: Row, target: Target<'_>) -> Row {
    match target {
        None => row.set("target_reason", "no target in the settings"),
        Some(Err(reason)) => row.set("target_reason", reason.as_str()),
        Some(Ok(t)) => row
            .set("target_mean_de00", t.colour.mean)
            .set("target_p90_de00", t.colour.p90)
            .set("target_max_de00", t.colour.max)
            .set("target_tone_dl", t.tone)
            .set("target_white_balance", t.white_balance),
    }
}

fn level_columns(
    row: Row,
    focus: &[Focus; 2],
    flat: &Result<Flat, String>,
    target: Target<'_>,
    dpi: Dpi,
) -> Row {
    let efficiency = match [&focus[0], &focus[1]].map(sampling_efficiency) {
        [Some(a), Some(b)] => Some(a.min(b)),
        _ => None,
    };
    let flat = flat.as_ref().ok();
    let target = target.and_then(|t| t.as_ref().ok());
    let level = |metric: Metric, v: Option<f64>| v.map(|v| would_meet(metric, v));
    row.set(
        "would_meet_resolution",
        would_meet(Metric::Resolution, dpi.x.min(dpi.y)),
    )
    .set(
        "would_meet_sampling_efficiency",
        level(Metric::SamplingEfficiency, efficiency),
    )
    .set(
        "would_meet_noise",
        level(Metric::Noise, flat.and_then(|f| f.noise).map(|n| n.fine)),
    )
    .set(
        "would_meet_uniformity",
        level(
            Metric::NonUniformity,
            flat.and_then(|f| f.falloff).map(|v| v.pct),
        ),
    )
    .set(
        "would_meet_colour",
        target.map(|t| colour_would_meet(t.colour)),
    )
    .set(
        "would_meet_tone",
        level(Metric::Tone, target.and_then(|t| t.tone)),
    )
    .set(
        "would_meet_white_balance",
        level(Metric::WhiteBalance, target.and_then(|t| t.white_balance)),
    )
}

fn picture(
    paper: &Paper,
    focus: &[Focus; 2],
    target: Option<&TargetSettings>,
    dpi: Dpi,
    fit_for: &str,
) -> Picture {
    let mut marks = Vec::new();
    for i in 0..4 {
        // Left, top, right, bottom run between these corners.
        let (a, b) = [(0, 3), (0, 1), (1, 2), (3, 2)][i];
        let seen = paper.seen[i];
        marks.push(Mark::Line {
            points: vec![paper.corners[a], paper.corners[b]],
            closed: false,
            tone: if seen { Tone::Measured } else { Tone::Guide },
            stroke: if seen { Stroke::Solid } else { Stroke::Dashed },
        });
    }
    for f in focus {
        for e in &f.edges {
            marks.push(Mark::Line {
                points: e.ends.iter().map(|&(x, y)| Point::new(x, y)).collect(),
                closed: false,
                tone: Tone::Measured,
                stroke: Stroke::Solid,
            });
        }
        if let Some(e) = f.edges.first() {
            marks.push(Mark::Text {
                at: Point::new(e.ends[1].0, e.ends[1].1),
                text: format!("MTF50 {:.2} cy/px", e.mtf50()),
                tone: Tone::Guide,
            });
        }
    }
    for [a, b] in target.map(|t| target::patches(t, dpi)).unwrap_or_default() {
        marks.push(Mark::Line {
            points: vec![a, Point::new(b.x, a.y), b, Point::new(a.x, b.y)],
            closed: true,
            tone: Tone::Expected,
            stroke: Stroke::Dashed,
        });
    }
    Picture {
        name: "check".to_owned(),
        caption: format!(
            "The paper found{}{}. Fit for: {fit_for}.",
            if focus.iter().any(|f| !f.edges.is_empty()) {
                ", the edges the focus was measured on"
            } else {
                ""
            },
            if target.is_some() {
                ", the target's patches (dashed)"
            } else {
                ""
            }
        ),
        base: "scan".to_owned(),
        frame: None,
        marks,
    }
}

restrike_stage::export!(ScanCheck);
