//! Reads the rows of the table `registration` that the advice rests on.

use std::collections::BTreeSet;

use restrike_stage::{Impression, Point, Project, Role, Summary, Table};

use super::MarkOptions;
use crate::basis::Basis;

/// A measured motion: dx, dy in mm, theta in radians, stretch along x and y.
pub(crate) type Motion = [f64; 5];

/// Standard errors of a block's zero, about the middle of all it prints, where they do not correlate.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct ZeroError {
    /// The middle, mm.
    pub(crate) at: Point,
    /// Of the shift along either axis in mm, of the turn in radians, of the stretch
    /// along x and y.
    pub(crate) se: [f64; 4],
}

impl ZeroError {
    /// The motions about the sheet's centre that are one standard error each.
    pub(crate) fn motions(&self) -> [Motion; 5] {
        let [shift, turn, x, y] = self.se;
        let c = self.at;
        [
            [shift, 0.0, 0.0, 0.0, 0.0],
            [0.0, shift, 0.0, 0.0, 0.0],
            [turn * c.y, -turn * c.x, turn, 0.0, 0.0],
            [-x * c.x, 0.0, 0.0, x, 0.0],
            [0.0, -y * c.y, 0.0, 0.0, y],
        ]
    }
}

/// One measured motion of a block on a sheet.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Reading {
    /// Place in the sheet list.
    pub(crate) sheet: usize,
    /// Image it was measured on.
    pub(crate) image: String,
    /// The block.
    pub(crate) block: String,
    /// What it is against.
    pub(crate) basis: Basis,
    /// The motion about the sheet's centre; stretch 0 where it was not fitted.
    pub(crate) motion: Motion,
    /// Whether the stretch was fitted.
    pub(crate) stretched: bool,
    /// Covariance of the motion from measuring.
    pub(crate) covariance: [[f64; 5]; 5],
    /// What is common to all sheets.
    pub(crate) zero: ZeroError,
}

/// A block that could not be located on a sheet, and what is known all the same.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hidden {
    /// Place in the sheet list.
    pub(crate) sheet: usize,
    /// The block.
    pub(crate) block: String,
    /// Why.
    pub(crate) reason: String,
    /// Interval of dx, mm.
    pub(crate) dx: Option<(f64, f64)>,
    /// Interval of dy, mm.
    pub(crate) dy: Option<(f64, f64)>,
}

/// What the table says.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Readings {
    /// Motions, in the order of the table.
    pub(crate) found: Vec<Reading>,
    /// What is hidden.
    pub(crate) hidden: Vec<Hidden>,
}

impl Readings {
    /// The blocks that no sheet gives a place for, in words.
    pub(crate) fn never_located(&self) -> Option<String> {
        let found: BTreeSet<&str> = self.found.iter().map(|r| r.block.as_str()).collect();
        let hidden: BTreeSet<&str> = self.hidden.iter().map(|h| h.block.as_str()).collect();
        let never: Vec<&str> = hidden.difference(&found).copied().collect();
        let which = match never.as_slice() {
            [] => return None,
            _ if found.is_empty() => "any colour block".to_owned(),
            [one] => format!("the block {one}"),
            some => format!("the blocks {}", some.join(", ")),
        };
        Some(format!(
            "no sheet tells where {which} landed: the column `why` of the table registration says what is missing"
        ))
    }
}

/// The edition whose marks are asked about: the proofs', or the last one listed.
/// Sheets of another edition were laid against marks that may since have been cut.
pub(crate) fn edition(impressions: &[Impression]) -> Option<&str> {
    let proof = impressions
        .iter()
        .find(|i| matches!(i.role, Role::Proof(_)));
    proof.or(impressions.last()).map(|i| i.edition.as_str())
}

/// The sheets that count, in stack order: of one edition, impressions of the whole set (a
/// proof of a single block shows no register), the first so many if asked.
pub(crate) fn chosen_sheets(
    impressions: &[Impression],
    table: &Table,
    options: &MarkOptions,
) -> Vec<usize> {
    let measured: BTreeSet<i64> = (0..table.rows.len())
        .filter_map(|r| table.get(r, "sheet").as_i64())
        .collect();
    let edition = edition(impressions);
    let mut sheets: Vec<&Impression> = impressions
        .iter()
        .filter(|i| !matches!(i.role, Role::Proof(_)))
        .filter(|i| edition.is_none_or(|e| i.edition == e))
        .filter(|i| i64::try_from(i.sheet).is_ok_and(|s| measured.contains(&s)))
        .collect();
    if sheets.iter().all(|i| i.position.is_some()) {
        sheets.sort_by_key(|i| (i.position, i.sheet));
    }
    let first = options
        .first_sheets
        .and_then(|n| usize::try_from(n).ok())
        .unwrap_or(usize::MAX);
    sheets.iter().take(first).map(|i| i.sheet).collect()
}

/// Reads the rows of the chosen sheets. A reference impression says nothing
/// about register against itself, so its relative rows are left out.
pub(crate) fn read(
    project: &Project,
    summary: &Summary<'_>,
    table: &Table,
    sheets: &[usize],
) -> Readings {
    let key = project.blocks.iter().find(|b| b.key).map(|b| &b.name);
    let sheets: BTreeSet<usize> = sheets.iter().copied().collect();
    let references: BTreeSet<usize> = summary
        .impressions
        .iter()
        .filter(|i| i.role == Role::Reference)
        .map(|i| i.sheet)
        .collect();
    let mut out = Readings::default();
    for row in 0..table.rows.len() {
        let number = |column: &str| table.get(row, column).as_f64();
        let text = |column: &str| table.get(row, column).as_str().unwrap_or("").to_owned();
        let Some(sheet) = table
            .get(row, "sheet")
            .as_i64()
            .and_then(|s| usize::try_from(s).ok())
            .filter(|s| sheets.contains(s))
        else {
            continue;
        };
        let block = text("block");
        if block.is_empty() || key == Some(&block) {
            continue;
        }
        let basis = Basis::of(&text("basis"));
        if basis == Basis::Reference && references.contains(&sheet) {
            continue;
        }
        let place = (number("dx_mm"), number("dy_mm"), number("theta_mrad"));
        let covariance = covariance(&number);
        // What is seen faintly counts by its error, as all does.
        let ((Some(dx), Some(dy), Some(theta)), Some(covariance)) = (place, covariance) else {
            let pair = |low: &str, high: &str| Some((number(low)?, number(high)?));
            out.hidden.push(Hidden {
                sheet,
                block,
                reason: match text("why") {
                    why if why.is_empty() => "its standard errors are not given".to_owned(),
                    why => why,
                },
                dx: pair("dx_low_mm", "dx_high_mm"),
                dy: pair("dy_low_mm", "dy_high_mm"),
            });
            continue;
        };
        let stretch = (number("stretch_x_permille"), number("stretch_y_permille"));
        let unit = |v: Option<f64>| v.unwrap_or(0.0) / 1000.0;
        out.found.push(Reading {
            sheet,
            image: text("image"),
            block,
            basis,
            motion: [dx, dy, theta / 1000.0, unit(stretch.0), unit(stretch.1)],
            stretched: stretch.0.is_some() && stretch.1.is_some(),
            covariance,
            zero: zero_error(&number),
        });
    }
    out
}

/// The errors of the zero; those that are not given are none.
fn zero_error(number: &impl Fn(&str) -> Option<f64>) -> ZeroError {
    let se = |column: &str| {
        number(column)
            .filter(|v| v.is_finite())
            .unwrap_or(0.0)
            .abs()
    };
    ZeroError {
        at: Point::new(
            number("zero_at_x_mm").unwrap_or(0.0),
            number("zero_at_y_mm").unwrap_or(0.0),
        ),
        se: [
            se("zero_at_se_mm"),
            se("zero_theta_se_mrad") / 1000.0,
            se("zero_stretch_x_se_permille") / 1000.0,
            se("zero_stretch_y_se_permille") / 1000.0,
        ],
    }
}

/// Covariance of a motion; none when a standard error is missing. The stretch's
/// may be: then it was not fitted and is 0 for certain.
fn covariance(number: &impl Fn(&str) -> Option<f64>) -> Option<[[f64; 5]; 5]> {
    let mut c = [[0.0; 5]; 5];
    let errors = [
        ("dx_se_mm", 1.0),
        ("dy_se_mm", 1.0),
        ("theta_se_mrad", 1e-3),
        ("stretch_x_se_permille", 1e-3),
        ("stretch_y_se_permille", 1e-3),
    ];
    for (i, (column, unit)) in errors.into_iter().enumerate() {
        let se = match number(column) {
            Some(se) if se.is_finite() && se >= 0.0 => se * unit,
            None if i > 2 => 0.0,
            _ => return None,
        };
        c[i][i] = se * se;
    }
    let pairs = [
        (0, 1, "cov_dx_dy_mm2", 1.0),
        (0, 2, "cov_dx_theta", 1e-3),
        (1, 2, "cov_dy_theta", 1e-3),
    ];
    for (i, j, column, unit) in pairs {
        let v = number(column).unwrap_or(0.0) * unit;
        c[i][j] = v;
        c[j][i] = v;
    }
    Some(c)
}
