//! Sheets that stand apart: laid askew, or measured wrongly.
//!
//! The advice keeps them (their scatter makes it careful), but they are named,
//! so that somebody looks at them.

use restrike_ops::stats::{mad_sigma, median};

use super::fit::BlockFit;
use super::layout::Face;
use super::words::mm;

/// Sheets below which none can be said to stand apart.
const LEAST_SHEETS: usize = 5;
/// Robust standard deviations from the median that count as apart: in runs of
/// ten normal sheets, six sheets in 1000 do (by simulation).
const APART: f64 = 6.0;

/// A remark for each sheet whose shift of a block stands apart from the
/// others' by more than the tolerance: its worst face.
pub(crate) fn remarks(
    block: &BlockFit,
    faces: &[Face; 3],
    tolerance: f64,
    called: &dyn Fn(usize) -> String,
) -> Vec<String> {
    if block.sheets.len() < LEAST_SHEETS {
        return Vec::new();
    }
    let centre = [0, 1, 2].map(|f| {
        let values: Vec<f64> = block.sheets.iter().map(|s| s.shift[f]).collect();
        median(&values).zip(mad_sigma(&values))
    });
    let mut out = Vec::new();
    for s in &block.sheets {
        let worst = (0..3)
            .filter_map(|f| {
                let (middle, sigma) = centre[f]?;
                let off = (s.shift[f] - middle).abs();
                (off > APART * sigma && off > tolerance).then_some((f, off))
            })
            .max_by(|a, b| a.1.total_cmp(&b.1));
        if let Some((f, off)) = worst {
            out.push(format!(
                "block {}, {}: {} off from the other sheets at {}: laid askew? It counts in the advice; leave it out and look again",
                block.block,
                called(s.sheet),
                mm(off),
                faces[f].spoken()
            ));
        }
    }
    out
}
