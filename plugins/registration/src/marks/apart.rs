//! Sheets that stand apart: laid askew, or measured wrongly.
//!
//! The advice keeps them (their scatter makes it careful), but they are named,
//! so that somebody looks at them.

use restrike_ops::stats::{mad_sigma, median};
use restrike_stage::{Impression, Role};

use super::fit::BlockFit;
use super::layout::Face;
use super::words::mm;

/// Sheets below which none can be said to stand apart.
const LEAST_SHEETS: usize = 5;
/// Robust standard deviations from the median that count as apart. A block's own is
/// uncertain with few sheets, so it counts for no less than the median of all blocks'.
const APART: f64 = 8.0;

/// A sheet that stands apart in a block.
pub(crate) struct Apart {
    /// The faces it does so at.
    pub(crate) at: [bool; 3],
    /// The remark.
    pub(crate) words: String,
}

/// Usual robust standard deviation of a block's shifts at each face, mm.
pub(crate) fn usual(blocks: &[BlockFit]) -> [f64; 3] {
    [0, 1, 2].map(|f| {
        let all: Vec<f64> = blocks
            .iter()
            .filter(|b| b.sheets.len() >= LEAST_SHEETS)
            .filter_map(|b| mad_sigma(&shifts(b, f)))
            .collect();
        median(&all).unwrap_or(0.0)
    })
}

/// The sheets whose shift of a block stands apart from the others' by more than the
/// tolerance.
pub(crate) fn apart(
    block: &BlockFit,
    faces: &[Face; 3],
    (tolerance, usual): (f64, [f64; 3]),
    files: &[Impression],
) -> Vec<Apart> {
    if block.sheets.len() < LEAST_SHEETS {
        return Vec::new();
    }
    let centre = [0, 1, 2].map(|f| {
        let values = shifts(block, f);
        let sigma = mad_sigma(&values)?.max(usual[f]);
        Some((median(&values)?, sigma))
    });
    let mut out = Vec::new();
    for s in &block.sheets {
        let off = [0, 1, 2].map(|f| {
            let (middle, sigma) = centre[f]?;
            let off = (s.shift[f] - middle).abs();
            (off > APART * sigma && off > tolerance).then_some(off)
        });
        let worst = (0..3)
            .filter_map(|f| Some((f, off[f]?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((f, by)) = worst {
            out.push(Apart {
                at: off.map(|o| o.is_some()),
                words: format!(
                    "block {}, {}: {} off from the other sheets at {}: laid askew? It counts in the advice; leave it out{} and look again",
                    block.block,
                    called(files, s.sheet),
                    mm(by),
                    faces[f].spoken(),
                    without(files, s.sheet)
                ),
            });
        }
    }
    out
}

fn shifts(block: &BlockFit, face: usize) -> Vec<f64> {
    block.sheets.iter().map(|s| s.shift[face]).collect()
}

fn called(files: &[Impression], sheet: usize) -> String {
    let file = files.iter().find(|i| i.sheet == sheet);
    file.map_or_else(|| format!("sheet {sheet}"), |i| i.file.clone())
}

/// What has to be done before a sheet can be left out.
fn without(files: &[Impression], sheet: usize) -> &'static str {
    let mut references = files.iter().filter(|i| i.role == Role::Reference);
    match (references.next(), references.next()) {
        (Some(only), None) if only.sheet == sheet => {
            " (it is the only reference: list another good impression as one first)"
        }
        _ => "",
    }
}
