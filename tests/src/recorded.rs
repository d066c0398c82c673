//! What a block record says of its shapes: where each was learned from.

use std::collections::BTreeMap;

use anyhow::{Context, Result};
use restrike_model::Affine;

/// A block's shape in the record: where its source was, and its zero.
pub(crate) struct Recorded {
    /// The scan it was learned from, without folder and ending.
    pub(crate) source: String,
    /// Scan px of the proof -> record mm.
    pub(crate) scan_to_mm: Affine,
    /// Record place -> true place.
    pub(crate) zero: Affine,
}

/// The shapes of a record, by block.
///
/// # Errors
/// When it is no record of blocks.
pub(crate) fn recorded(record: &serde_json::Value) -> Result<BTreeMap<String, Recorded>> {
    let mut out = BTreeMap::new();
    let numbers = |v: &serde_json::Value| -> Vec<f64> {
        v.as_array()
            .map(|a| a.iter().filter_map(serde_json::Value::as_f64).collect())
            .unwrap_or_default()
    };
    for b in record["blocks"]
        .as_array()
        .context("a record without blocks")?
    {
        let name = b["name"].as_str().unwrap_or_default().to_owned();
        let map = numbers(&b["source"]["scan_to_mm"]);
        let by = numbers(&b["zero"]["by_mm"]);
        let c = numbers(&b["centre_mm"]);
        let r = b["radius_mm"].as_f64().context("no radius")?.max(1.0);
        let (t, ex, ey, s) = (by[2] / r, by[3] / r, by[4] / r, by[5] / r);
        let zero = Affine([
            1.0 + ex,
            s - t,
            by[0] - (s - t) * c[1] - ex * c[0],
            s + t,
            1.0 + ey,
            by[1] - (s + t) * c[0] - ey * c[1],
        ]);
        let scan_to_mm = Affine([map[0], map[1], map[2], map[3], map[4], map[5]]);
        let file = b["source"]["file"].as_str().unwrap_or_default();
        let source = std::path::Path::new(file)
            .file_stem()
            .map(|n| n.to_string_lossy().into_owned())
            .unwrap_or_default();
        out.insert(
            name,
            Recorded {
                source,
                scan_to_mm,
                zero,
            },
        );
    }
    Ok(out)
}
