//! Pieces of scans as pictures, to look at what a report counts as wrong.

use std::path::Path;

use anyhow::{Context, Result, anyhow};
use restrike_model::Raster;
use restrike_ops::png16::{Samples, encode};

/// Half the side of a cut-out, px of the scan, and how often each is repeated.
const HALF: i64 = 40;
const TIMES: i64 = 6;

/// Writes the neighbourhood of a place of a scan, enlarged, as people see it (sRGB).
///
/// # Errors
/// When the file cannot be written.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn write(scan: &Raster<u16>, at: [f64; 2], path: &Path) -> Result<()> {
    let (x0, y0) = (at[0] as i64 - HALF, at[1] as i64 - HALF);
    let side = 2 * HALF * TIMES;
    let view = scan.view();
    let (w, h) = (scan.width() as i64, scan.height() as i64);
    let value = |x: i64, y: i64, c: usize| -> u16 {
        let (x, y) = (x0 + x / TIMES, y0 + y / TIMES);
        if !(0..w).contains(&x) || !(0..h).contains(&y) || c == 3 {
            return u16::MAX;
        }
        let linear = f64::from(view.get(x as usize, y as usize, c)) / 65535.0;
        (restrike_synth::srgb_encode(linear) * 65535.0) as u16
    };
    let values =
        (0..side).flat_map(|y| (0..side).flat_map(move |x| (0..4).map(move |c| (x, y, c))));
    let bytes = encode(
        side as usize,
        side as usize,
        Samples::Rgba,
        values.map(|(x, y, c)| value(x, y, c)),
    )
    .map_err(|e| anyhow!("{e}"))?;
    std::fs::write(path, bytes).with_context(|| path.display().to_string())
}
