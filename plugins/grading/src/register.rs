//! Register of the colour blocks: how far a block is off where it prints on an
//! image, at its worst place or at its middle, and how sure that is. Both are
//! what the table `registration` says.

use std::collections::BTreeMap;

use restrike_ops::quantiles;
use restrike_stage::{Point, Project, Table, columns};

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
/// How a note ends of a register that is not against the key.
pub(crate) const BY_REFERENCE: &str = ", against the reference";
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

/// What the table says instead of a fit where a block prints nothing on an image.
const NOTHING_PRINTED: &str = "nothing printed";

impl<'a> Blocks<'a> {
    pub(crate) fn new(table: &'a Table, limits: &'a [Register], project: &'a Project) -> Self {
        Self {
            rows: rows_by_sheet(table).unwrap_or_default(),
            blocks: colour_blocks(project, table),
            table,
            limits,
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
                None => match self.off(sheet.impression.sheet, block, image, limit.at, z) {
                    Ok(None) => continue,
                    Ok(Some(off)) => Ok(off),
                    Err(why) => Err(why),
                },
            };
            found.extend(judged(block, limit, &off));
        }
        found
    }

    /// How far off a block is, or why that is not known; nothing where it does
    /// not print on the image. Where the image's own fit does not tell, the
    /// whole sheet's does.
    fn off(
        &self,
        sheet: usize,
        block: &str,
        image: &str,
        at: At,
        z: f64,
    ) -> Result<Option<Off>, String> {
        let rows = self.rows.get(&sheet).map_or(&[][..], Vec::as_slice);
        let text = |row: usize, column: &str| self.table.get(row, column).as_str().unwrap_or("");
        let find = |name: &str| {
            rows.iter()
                .copied()
                .find(|r| text(*r, "block") == block && text(*r, "image") == name)
        };
        let mut why = String::new();
        for name in [image, WHOLE, "both"] {
            let Some(row) = find(name) else { continue };
            if text(row, "off_by") == NOTHING_PRINTED && name == image {
                return Ok(None);
            }
            let Some(mut off) = (match at {
                At::WorstPlace => self.worst(row, z),
                At::Middle => self.middle(row, z),
            }) else {
                if why.is_empty() {
                    let reason = match text(row, "why") {
                        "" => "no reason given",
                        reason => reason,
                    };
                    why = format!("not identified: {reason}");
                }
                continue;
            };
            let by = match (at, text(row, "off_by")) {
                (At::Middle, _) | (_, "") => name,
                (At::WorstPlace, by) => by,
            };
            let told = find(by).unwrap_or(row);
            if self.table.get(told, "identified").as_bool() != Some(true) {
                off.note.push_str(", seen faintly");
            }
            if by != image {
                off.note.push_str(", by the whole sheet's fit");
            }
            if !matches!(text(row, "basis"), "" | "absolute") {
                off.note.push_str(BY_REFERENCE);
            }
            return Ok(Some(off));
        }
        Err(if why.is_empty() {
            "the table has no row about it".to_owned()
        } else {
            why
        })
    }

    fn number(&self, row: usize, column: &str) -> Option<f64> {
        let value = self.table.get(row, column).as_f64();
        value.filter(|v| v.is_finite())
    }

    /// At the worst place of what it prints. The table's interval is of 90 %:
    /// with another confidence its ends move as those of a normal distribution.
    fn worst(&self, row: usize, z: f64) -> Option<Off> {
        let n = |column: &str| self.number(row, column);
        let (value, se) = (n("off_mm")?, n("off_se_mm")?);
        let ninety = quantiles::normal(0.95)?;
        let end = |column: &str| Some(value + (n(column)? - value) * z / ninety);
        let place = match (n("off_at_x_mm"), n("off_at_y_mm")) {
            (Some(x), Some(y)) => {
                let side = if x < 0.0 { "left" } else { "right" };
                let height = if y < 0.0 { "below" } else { "above" };
                format!(
                    "at worst, {:.0} mm {side} and {:.0} mm {height} the sheet's centre",
                    x.abs(),
                    y.abs()
                )
            }
            _ => "at worst".to_owned(),
        };
        Some(Off {
            quantity: Quantity {
                value,
                se: Some(se),
                low: end("off_low_mm")?.max(0.0),
                high: end("off_high_mm")?,
            },
            note: place,
        })
    }

    fn middle(&self, row: usize, z: f64) -> Option<Off> {
        let n = |column: &str| self.number(row, column);
        let shift = Point::new(n("shift_x_mm")?, n("shift_y_mm")?);
        let zero = n("zero_se_mm").unwrap_or(0.0);
        let own = [
            libm::hypot(n("shift_x_se_mm")?, zero),
            libm::hypot(n("shift_y_se_mm")?, zero),
        ];
        Some(Off {
            quantity: radial(shift, own.map(|se| se * se), z),
            note: "at its middle".to_owned(),
        })
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
