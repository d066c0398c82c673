//! Register of the colour blocks: how far off an image a block is at its worst
//! corner, and how sure that is.
//!
//! A row of the table `registration` says where a block landed: its shift at
//! its own middle, turn, stretch and shear, each with a standard error. The
//! middle m follows from the row itself, as the shift there is d + A m, with d
//! the shift at the sheet's centre and A the turn, stretch and shear. At a
//! corner p the error is then shift + A (p - m); errors of the shift at the
//! middle and of A are nearly independent there, so their variances are added.
//! The table has no standard error of the shear; it is taken as that of the
//! turn, as where edges of all directions are seen.

use std::collections::BTreeMap;

use restrike_stage::{Point, Project, Rect, Table, columns};

use crate::judge::{Limits, Stand};
use crate::quantity::Quantity;
use crate::settings::{At, Leads, Register};
use crate::sheets::{Sheet, WHOLE, rows_by_sheet};
use crate::tolerance::Finding;

/// The table.
pub(crate) const TABLE: &str = "registration";
/// Off by more, mm, a block makes a second where the config has no tolerance
/// (common practice, no source).
const SECOND_MM: f64 = 0.1;
/// What the derived quantity is called.
const QUANTITY: &str = "register_mm";

/// Tolerances where the settings have none: those of the config.
pub(crate) fn usual(project: &Project) -> Vec<Register> {
    let named = |name: &str| {
        let given = project.tolerances.get(name).copied();
        given.filter(|t| t.is_finite() && *t > 0.0)
    };
    let second = named("register_mm").unwrap_or(SECOND_MM);
    let reject = named("register_reject_mm").unwrap_or(2.0 * second);
    vec![Register {
        second_mm: Some(second.min(reject)),
        reject_mm: Some(reject),
        ..Register::default()
    }]
}

/// The colour blocks' register on all sheets.
pub(crate) struct Blocks<'a> {
    table: &'a Table,
    rows: BTreeMap<usize, Vec<usize>>,
    blocks: Vec<String>,
    limits: &'a [Register],
    project: &'a Project,
}

/// Names of the colour blocks: the config's, or else those of the table.
pub(crate) fn colour_blocks(project: &Project, table: &Table) -> Vec<String> {
    let mut names: Vec<String> = project
        .blocks
        .iter()
        .filter(|b| !b.key)
        .map(|b| b.name.clone())
        .collect();
    if project.blocks.is_empty() {
        for row in 0..table.rows.len() {
            if let Some(b) = table.get(row, "block").as_str()
                && !names.iter().any(|n| n == b)
            {
                names.push(b.to_owned());
            }
        }
    }
    names
}

/// How far off, and where.
struct Off {
    quantity: Quantity,
    note: String,
}

const CORNERS: [&str; 4] = ["lower left", "lower right", "upper right", "upper left"];

impl<'a> Blocks<'a> {
    pub(crate) fn new(table: &'a Table, limits: &'a [Register], project: &'a Project) -> Self {
        Self {
            rows: rows_by_sheet(table).unwrap_or_default(),
            blocks: colour_blocks(project, table),
            table,
            limits,
            project,
        }
    }

    /// The entry that counts for a block on an image.
    fn limit(&self, block: &str, image: &str) -> Option<&Register> {
        let about =
            |p: &Option<String>, what: &str| p.as_ref().is_none_or(|p| columns::fits(p, what));
        self.limits
            .iter()
            .find(|r| about(&r.block, block) && about(&r.image, image))
    }

    /// What it says of an image of a sheet, block by block.
    pub(crate) fn findings(&self, sheet: &Sheet<'_>, image: &str, z: f64) -> Vec<Finding> {
        let mut found = Vec::new();
        for block in &self.blocks {
            let Some(limit) = self.limit(block, image) else {
                continue;
            };
            let off = match sheet.missing.get(TABLE) {
                Some(trouble) => Err(trouble.words()),
                None => self.off(sheet.impression.sheet, block, image, limit.at, z),
            };
            found.extend(judged(block, limit, &off));
        }
        found
    }

    /// How far off a block is, or why that is not known. Where the image's own
    /// fit does not tell, the whole sheet's does, at this image's corners.
    fn off(&self, sheet: usize, block: &str, image: &str, at: At, z: f64) -> Result<Off, String> {
        let rows = self.rows.get(&sheet).map_or(&[][..], Vec::as_slice);
        let find = |name: &str| {
            rows.iter().copied().find(|r| {
                self.table.get(*r, "block").as_str() == Some(block)
                    && self.table.get(*r, "image").as_str() == Some(name)
            })
        };
        let mut why = String::new();
        for name in [image, WHOLE, "both"] {
            let Some(row) = find(name) else { continue };
            let identified = self.table.get(row, "identified").as_bool() == Some(true);
            let told = self.table.get(row, "shift_x_mm").as_f64().is_some();
            if !identified && !told {
                if why.is_empty() {
                    let reason = self
                        .table
                        .get(row, "why")
                        .as_str()
                        .unwrap_or("no reason given");
                    why = format!("not identified: {reason}");
                }
                continue;
            }
            let mut off = self
                .measured(row, image, at, z)
                .ok_or("its standard errors are not given")?;
            if !identified {
                off.note.push_str(", seen faintly");
            }
            if name != image {
                off.note.push_str(", by the whole sheet's fit");
            }
            if self
                .table
                .get(row, "basis")
                .as_str()
                .is_some_and(|b| b != "absolute")
            {
                off.note.push_str(", against the reference");
            }
            return Ok(off);
        }
        Err(if why.is_empty() {
            "the table has no row about it".to_owned()
        } else {
            why
        })
    }

    fn measured(&self, row: usize, image: &str, at: At, z: f64) -> Option<Off> {
        let n = |column: &str| {
            self.table
                .get(row, column)
                .as_f64()
                .filter(|v| v.is_finite())
        };
        let shift = Point::new(n("shift_x_mm")?, n("shift_y_mm")?);
        let zero = n("zero_se_mm").unwrap_or(0.0);
        let own = [
            libm::hypot(n("shift_x_se_mm")?, zero),
            libm::hypot(n("shift_y_se_mm")?, zero),
        ];
        let area = self.area(image);
        let (At::WorstCorner, Some(area)) = (at, area) else {
            let quantity = radial(shift, [own[0] * own[0], own[1] * own[1]], z);
            return Some(Off {
                quantity,
                note: "at its middle".to_owned(),
            });
        };
        let permille = |c: &str| n(c).map(|v| v / 1000.0);
        let turn = permille("theta_mrad").unwrap_or(0.0);
        let shear = permille("shear_mrad").unwrap_or(0.0);
        let stretch = [
            permille("stretch_x_permille").unwrap_or(0.0),
            permille("stretch_y_permille").unwrap_or(0.0),
        ];
        let both = |measured: &str, zero: &str| {
            libm::hypot(
                permille(measured).unwrap_or(0.0),
                permille(zero).unwrap_or(0.0),
            )
        };
        let across = libm::hypot(
            both("theta_se_mrad", "zero_theta_se_mrad"),
            both("shear_se_mrad", "zero_shear_se_mrad"),
        );
        let se = [
            both("stretch_x_se_permille", "zero_stretch_x_se_permille"),
            both("stretch_y_se_permille", "zero_stretch_y_se_permille"),
            across,
        ];
        let a = [[stretch[0], shear - turn], [shear + turn, stretch[1]]];
        let centre = Point::new(n("dx_mm")?, n("dy_mm")?);
        let middle = middle(a, shift - centre, &area);
        let mut worst: Option<(Quantity, &str)> = None;
        for (p, name) in area.corners().into_iter().zip(CORNERS) {
            let arm = p - middle;
            let moved = Point::new(
                a[0][0] * arm.x + a[0][1] * arm.y,
                a[1][0] * arm.x + a[1][1] * arm.y,
            );
            let square = |v: f64| v * v;
            let variance = [
                square(own[0]) + square(arm.x * se[0]) + square(arm.y * se[2]),
                square(own[1]) + square(arm.y * se[1]) + square(arm.x * se[2]),
            ];
            let q = radial(shift + moved, variance, z);
            worst = Some(match worst {
                None => (q, name),
                Some((w, other)) => {
                    // Ends of the largest of four: the largest of each.
                    let (top, name) = if q.value > w.value {
                        (q, name)
                    } else {
                        (w, other)
                    };
                    let ends = Quantity {
                        low: q.low.max(w.low),
                        high: q.high.max(w.high),
                        ..top
                    };
                    (ends, name)
                }
            });
        }
        let (quantity, corner) = worst?;
        Some(Off {
            quantity,
            note: format!("at the {corner} corner"),
        })
    }

    /// Where an image lies on the sheet; the sheet itself where the config has no images.
    fn area(&self, image: &str) -> Option<Rect> {
        let named = self.project.images.iter().find(|i| i.name == image);
        named.map(restrike_stage::ImageArea::rect).or_else(|| {
            self.project
                .sheet
                .map(|s| Rect::centred(s.width_mm, s.height_mm))
        })
    }
}

/// Where the block's middle is: A m = shift - d; the image's middle where that
/// does not tell.
fn middle(a: [[f64; 2]; 2], by: Point, area: &Rect) -> Point {
    let centre = area.centre();
    let det = a[0][0] * a[1][1] - a[0][1] * a[1][0];
    let size = a.iter().flatten().map(|v| v * v).sum::<f64>();
    if det.abs() <= 1e-6 * size {
        return centre;
    }
    let m = Point::new(
        (a[1][1] * by.x - a[0][1] * by.y) / det,
        (a[0][0] * by.y - a[1][0] * by.x) / det,
    );
    // On the sheet, give or take: elsewhere rounding has made it up.
    let reach = 2.0 * area.width().max(area.height());
    if (m - centre).norm() <= reach {
        m
    } else {
        centre
    }
}

/// Length of an error with variances along x and y.
fn radial(e: Point, variance: [f64; 2], z: f64) -> Quantity {
    let length = e.norm();
    let square = if length > 0.0 {
        (e.x * e.x * variance[0] + e.y * e.y * variance[1]) / (length * length)
    } else {
        variance[0].max(variance[1])
    };
    let q = Quantity::with_se(length, square.max(0.0).sqrt(), z);
    Quantity {
        low: q.low.max(0.0),
        ..q
    }
}

/// One finding, or one for each limit that is not kept.
fn judged(block: &str, limit: &Register, off: &Result<Off, String>) -> Vec<Finding> {
    let finding = |leads: Leads, high: Option<f64>, stand: Stand| Finding {
        name: format!("register {block}"),
        table: TABLE.to_owned(),
        column: Some(QUANTITY.to_owned()),
        block: Some(block.to_owned()),
        stand,
        leads,
        quantity: off.as_ref().ok().map(|o| o.quantity),
        limits: Limits { low: None, high },
        unit: "mm",
        rows: usize::from(off.is_ok()),
        outside: usize::from(stand == Stand::Outside),
        note: match off {
            Ok(o) => o.note.clone(),
            Err(why) => why.clone(),
        },
    };
    let leads = [
        (Leads::Reject, limit.reject_mm),
        (Leads::Second, limit.second_mm),
    ];
    let set = leads.into_iter().filter_map(|(l, mm)| Some((l, mm?)));
    let Ok(off) = off else {
        let worst = set.into_iter().next();
        return worst
            .map(|(l, mm)| finding(l, Some(mm), Stand::Missing))
            .into_iter()
            .collect();
    };
    let mut found: Vec<Finding> = Vec::new();
    for (leads, mm) in set {
        let limits = Limits {
            low: None,
            high: Some(mm),
        };
        let stand = limits.stand(&off.quantity);
        found.push(finding(leads, Some(mm), stand));
        if stand == Stand::Outside {
            break;
        }
    }
    // Of limits that are kept one finding is enough.
    if found.iter().all(|f| f.stand == Stand::Inside) {
        found.truncate(1);
    } else {
        found.retain(|f| f.stand != Stand::Inside);
    }
    found
}
