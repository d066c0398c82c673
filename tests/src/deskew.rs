//! How well the stage `deskew` finds the turn and the corners.

use anyhow::Result;
use restrike_engine::MEASURED;
use restrike_synth::{Difficulty, SheetKind};

use crate::spread::Spread;
use crate::whole::{Measured, batches, cell, measure};

/// Errors of one or more batches.
#[derive(Debug, Default)]
pub struct Report {
    /// Turn of the printed border, degrees.
    pub border_deg: Spread,
    /// Turn of the sheet, degrees.
    pub sheet_deg: Spread,
    /// Corners of the printed border, px, each coordinate.
    pub border_px: Spread,
    /// Corners of the sheet, px, each coordinate.
    pub sheet_px: Spread,
    /// Good sheets that were not measured.
    pub refused: usize,
}

/// Turn of a quadrilateral as seen, degrees counter-clockwise: the mean over its
/// four sides. Corners: upper left, upper right, lower right, lower left.
fn turn(c: &[[f64; 2]; 4]) -> f64 {
    let heading = |a: [f64; 2], b: [f64; 2]| libm::atan2(a[1] - b[1], b[0] - a[0]).to_degrees();
    let level = heading(c[0], c[1]) + heading(c[3], c[2]);
    let upright = heading(c[3], c[0]) + heading(c[2], c[1]) - 180.0;
    (level + upright) / 4.0
}

const CORNERS: [&str; 4] = ["upper_left", "upper_right", "lower_right", "lower_left"];

impl Report {
    fn add(&mut self, m: &Measured) -> Result<()> {
        let borders = m.table("deskew")?;
        for row in &borders.rows {
            let truth = m.truth_of(borders, row)?;
            if truth.kind != SheetKind::Good {
                continue;
            }
            if cell(borders, row, "status").as_str() != Some(MEASURED) {
                self.refused += 1;
                continue;
            }
            let name = cell(borders, row, "image").as_str();
            let Some(image) = truth.images.iter().find(|i| Some(i.name.as_str()) == name) else {
                continue;
            };
            if cell(borders, row, "border_found").as_bool() != Some(true) {
                self.refused += 1;
                continue;
            }
            let number = |c: &str| cell(borders, row, c).as_f64();
            let corners = image.outer_px.to_array();
            if let Some(found) = number("rotation_deg") {
                self.border_deg
                    .add(found - turn(&corners), number("rotation_se_deg"));
            }
            let se = number("corner_se_px");
            for (name, truth) in CORNERS.iter().zip(corners) {
                for (axis, t) in ["x", "y"].iter().zip(truth) {
                    if let Some(f) = number(&format!("{name}_{axis}_px")) {
                        self.border_px.add(f - t, se);
                    }
                }
            }
        }
        let sheets = m.table("deskew_sheet")?;
        for row in &sheets.rows {
            let truth = m.truth_of(sheets, row)?;
            if truth.kind != SheetKind::Good
                || cell(sheets, row, "status").as_str() != Some(MEASURED)
            {
                continue;
            }
            let number = |c: &str| cell(sheets, row, c).as_f64();
            let corners = truth.sheet_px.to_array();
            if let Some(found) = number("sheet_rotation_deg") {
                self.sheet_deg
                    .add(found - turn(&corners), number("sheet_rotation_se_deg"));
            }
            let se = number("sheet_corner_se_px");
            for (name, truth) in CORNERS.iter().zip(corners) {
                for (axis, t) in ["x", "y"].iter().zip(truth) {
                    if let Some(f) = number(&format!("sheet_{name}_{axis}_px")) {
                        self.sheet_px.add(f - t, se);
                    }
                }
            }
        }
        Ok(())
    }

    /// The figures as lines of text.
    pub fn text(&self) -> String {
        [
            self.border_deg.line("turn of the printed border", "deg"),
            self.sheet_deg.line("turn of the sheet", "deg"),
            self.border_px
                .line("border corners (each coordinate)", "px"),
            self.sheet_px.line("sheet corners (each coordinate)", "px"),
            format!("images of good sheets without figures: {}", self.refused),
        ]
        .join("\n")
    }
}

/// Renders and measures `sheets` sheets of each design.
///
/// # Errors
/// When a batch cannot be rendered or run.
pub fn report(sheets: u32, dpi: f64, difficulty: Difficulty) -> Result<Report> {
    let mut report = Report::default();
    for batch in batches(sheets, dpi, difficulty, &[]) {
        report.add(&measure(&batch, &["deskew"])?)?;
    }
    Ok(report)
}
