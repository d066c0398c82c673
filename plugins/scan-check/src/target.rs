//! A colour target in the scan: colour differences, tone response, white balance.

use restrike_ops::ciede2000::{ciede2000, ciede2000_sl1};
use restrike_ops::cielab::{LabOfRgb, White};
use restrike_stage::{Dpi, ImageView, Point};

use crate::levels::ColourDifferences;
use crate::pixels::quantile;
use crate::settings::TargetSettings;

/// Chroma of a reference colour up to which a patch counts as neutral. The lightest patch of the
/// built-in chart has 3.1.
const NEUTRAL: f64 = 4.0;
/// Mean CIEDE2000 above which the box does not hold the target it is said to.
const NO_TARGET: f64 = 20.0;
/// Share of a patch's side that is read, about its middle.
const READ: f64 = 0.5;

/// What the target shows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TargetResult {
    /// Colour differences.
    pub(crate) colour: ColourDifferences,
    /// Largest |L* - reference| of the neutral patches.
    pub(crate) tone: Option<f64>,
    /// Largest a*b* distance from the reference of the neutral patches.
    pub(crate) white_balance: Option<f64>,
}

/// Outline of each patch's part that is read, in scan pixels, in the order of the reference list.
pub(crate) fn patches(t: &TargetSettings, dpi: Dpi) -> Vec<[Point; 2]> {
    let mm = dpi.mm_per_px();
    let origin = Point::new(t.x_mm / mm[0], t.y_mm / mm[1]);
    let size = Point::new(t.width_mm / mm[0], t.height_mm / mm[1]);
    let turned = t.quarter_turns % 2 == 1;
    let (rows, cols) = if turned {
        (t.columns, t.rows)
    } else {
        (t.rows, t.columns)
    };
    let patch = Point::new(size.x / to_f64(cols), size.y / to_f64(rows));
    let mut out = Vec::with_capacity(rows * cols);
    for r in 0..t.rows {
        for c in 0..t.columns {
            // Where the upright target's row r, column c lies after the turn.
            let (row, col) = match t.quarter_turns % 4 {
                0 => (r, c),
                1 => (c, t.rows - 1 - r),
                2 => (t.rows - 1 - r, t.columns - 1 - c),
                _ => (t.columns - 1 - c, r),
            };
            let middle =
                origin + Point::new((to_f64(col) + 0.5) * patch.x, (to_f64(row) + 0.5) * patch.y);
            let half = patch * (READ / 2.0);
            out.push([middle - half, middle + half]);
        }
    }
    out
}

/// Reads the target.
///
/// # Errors
/// With the reason, when it is not where it is said to be.
pub(crate) fn read(
    scan: ImageView<'_, u16>,
    t: &TargetSettings,
    dpi: Dpi,
) -> Result<TargetResult, String> {
    if scan.channels() != 3 {
        return Err("the scan has no colour".to_owned());
    }
    let to_lab = LabOfRgb::new(White::D50);
    let boxes = patches(t, dpi);
    let mut measured = Vec::with_capacity(boxes.len());
    for b in &boxes {
        let mean =
            mean(scan, b).ok_or_else(|| "the target's box reaches outside the scan".to_owned())?;
        measured.push(to_lab.lab(mean));
    }
    let reference = t.reference();
    let pairs = || measured.iter().zip(reference);
    let de: Vec<f64> = pairs().map(|(m, r)| ciede2000(*r, *m)).collect();
    let sl1: Vec<f64> = pairs().map(|(m, r)| ciede2000_sl1(*r, *m)).collect();
    let colour = ColourDifferences {
        mean: average(&de),
        p90: quantile(&de, 0.9),
        max: quantile(&de, 1.0),
        mean_sl1: average(&sl1),
        max_sl1: quantile(&sl1, 1.0),
    };
    if colour.mean > NO_TARGET {
        let turned: Vec<f64> = measured
            .iter()
            .rev()
            .zip(reference)
            .map(|(m, r)| ciede2000(*r, *m))
            .collect();
        let hint = if average(&turned) < 0.5 * colour.mean {
            "; turned by half a turn it fits far better: set quarter_turns"
        } else {
            ": is its place right?"
        };
        return Err(format!(
            "the box does not show the target (mean CIEDE2000 {:.1}){hint}",
            colour.mean
        ));
    }
    let neutral = || pairs().filter(|(_, r)| (r[1] * r[1] + r[2] * r[2]).sqrt() < NEUTRAL);
    let tone = neutral().map(|(m, r)| (m[0] - r[0]).abs());
    let cast = neutral().map(|(m, r)| {
        let (a, b) = (m[1] - r[1], m[2] - r[2]);
        (a * a + b * b).sqrt()
    });
    Ok(TargetResult {
        colour,
        tone: tone.reduce(f64::max),
        white_balance: cast.reduce(f64::max),
    })
}

/// Mean of a box in linear light, or none where it is empty or leaves the scan.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn mean(scan: ImageView<'_, u16>, [a, b]: &[Point; 2]) -> Option<[f64; 3]> {
    let inside =
        a.x >= 0.0 && a.y >= 0.0 && b.x <= to_f64(scan.width()) && b.y <= to_f64(scan.height());
    if !inside {
        return None;
    }
    let (x0, x1) = (a.x.ceil() as usize, b.x.floor() as usize);
    let (y0, y1) = (a.y.ceil() as usize, b.y.floor() as usize);
    if x1 <= x0 || y1 <= y0 {
        return None;
    }
    // A few thousand pixels give the mean of a patch.
    let step = ((x1 - x0).min(y1 - y0) / 64).max(1);
    let (mut sum, mut n) = ([0_u64; 3], 0_u64);
    for y in (y0..y1).step_by(step) {
        for x in (x0..x1).step_by(step) {
            for (s, v) in sum.iter_mut().zip(scan.pixel(x, y)) {
                *s += u64::from(*v);
            }
            n += 1;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let scale = 1.0 / (65535.0 * n as f64);
    #[allow(clippy::cast_precision_loss)]
    let out = sum.map(|s| s as f64 * scale);
    Some(out)
}

fn average(v: &[f64]) -> f64 {
    v.iter().sum::<f64>() / to_f64(v.len().max(1))
}

#[allow(clippy::cast_precision_loss)]
fn to_f64(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::settings::COLORCHECKER_24;
    use restrike_ops::cielab::lab_to_linear_srgb;
    use restrike_stage::Raster;
    use serde_json::json;

    fn settings(quarter_turns: u8) -> TargetSettings {
        let (w, h) = if quarter_turns.is_multiple_of(2) {
            (60.0, 40.0)
        } else {
            (40.0, 60.0)
        };
        serde_json::from_value(json!({
            "x_mm": 5.0, "y_mm": 7.0, "width_mm": w, "height_mm": h, "rows": 4, "columns": 6,
            "quarter_turns": quarter_turns, "reference": "colorchecker24"
        }))
        .unwrap()
    }

    /// A scan with a target whose patches are off by `error` in L*, a*, b*.
    fn scan(t: &TargetSettings, error: [f64; 3]) -> Raster<u16> {
        let mut scan = Raster::<u16>::new(800, 800, 3);
        for (b, lab) in patches(t, Dpi::square(254.0)).iter().zip(COLORCHECKER_24) {
            let lab = [0, 1, 2].map(|i| lab[i] + error[i]);
            let rgb = lab_to_linear_srgb(lab, White::D50);
            for y in b[0].y as usize - 10..b[1].y as usize + 10 {
                for x in b[0].x as usize - 10..b[1].x as usize + 10 {
                    for (c, v) in rgb.iter().enumerate() {
                        scan.set(x, y, c, (v.clamp(0.0, 1.0) * 65535.0).round() as u16);
                    }
                }
            }
        }
        scan
    }

    // Reference colours: tests/data/colorchecker24.csv. One of them (cyan) lies outside sRGB.
    #[test]
    fn a_true_target_reads_true_in_every_turn() {
        for turns in 0..4 {
            let t = settings(turns);
            let r = read(scan(&t, [0.0; 3]).view(), &t, Dpi::square(254.0)).unwrap();
            assert!(r.colour.p90 < 0.02 && r.colour.max < 4.0, "{turns} {r:?}");
            assert!(r.tone.unwrap() < 0.02 && r.white_balance.unwrap() < 0.02);
        }
    }

    #[test]
    fn a_known_error_is_read_back() {
        let t = settings(0);
        let r = read(scan(&t, [-2.0, 1.5, -2.0]).view(), &t, Dpi::square(254.0)).unwrap();
        assert!((r.tone.unwrap() - 2.0).abs() < 0.03, "{r:?}");
        assert!((r.white_balance.unwrap() - 2.5).abs() < 0.03, "{r:?}");
        assert!((1.5..3.5).contains(&r.colour.mean) && r.colour.mean_sl1 > r.colour.mean);
    }

    #[test]
    fn a_target_the_wrong_way_up_or_outside_the_scan_gives_the_reason() {
        let upright = settings(0);
        let image = scan(&upright, [0.0; 3]);
        let reason = read(image.view(), &settings(2), Dpi::square(254.0)).unwrap_err();
        assert!(reason.contains("half a turn"), "{reason}");
        let reason = read(image.view(), &upright, Dpi::square(600.0)).unwrap_err();
        assert!(reason.contains("outside"), "{reason}");
    }
}
