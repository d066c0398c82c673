//! What a scan is fit for, and what limits it.

use restrike_stage::ScanInfo;

use crate::edges::Focus;
use crate::flat::Flat;
use crate::overview::Overview;
use crate::paper::{Implied, Paper};
use crate::settings::Settings;

/// Everything that was found.
pub(crate) struct Findings<'a> {
    pub(crate) settings: &'a Settings,
    pub(crate) info: &'a ScanInfo,
    pub(crate) overview: &'a Overview,
    pub(crate) paper: &'a Paper,
    pub(crate) implied: Option<Implied>,
    /// Ratio of measured to stated resolution, across and down.
    pub(crate) ratios: [Option<f64>; 2],
    /// Clipped shares of the sheet, per cent: highlights and shadows, worst channel.
    pub(crate) clipped: [f64; 2],
    pub(crate) focus: &'a [Focus; 2],
    pub(crate) flat: &'a Result<Flat, String>,
    pub(crate) target_reason: Option<&'a str>,
}

/// `fit_for` and the remarks.
pub(crate) fn verdict(f: &Findings<'_>) -> (String, Vec<String>) {
    let s = f.settings;
    let mut remarks = Vec::new();
    // Within the tolerance the sheet's cut is in doubt and not the resolution;
    // beyond it no length is believed at all, see below.
    let dpi = f.info.dpi.x.min(f.info.dpi.y);
    let sides = f.paper.seen.iter().filter(|s| **s).count();
    if sides == 0 {
        remarks.push("no bed is seen round the paper".to_owned());
    } else if sides < 4 {
        remarks.push(format!("only {sides} sides of the paper lie in the scan"));
    }
    let contradiction = contradiction(f);
    let contradicts = contradiction.is_some();
    remarks.extend(contradiction);
    if f.implied.is_some_and(|i| i.turned) {
        remarks.push("the sheet lies on its side".to_owned());
    }

    let mut colour = f.info.channels == 3;
    for (share, what) in f.clipped.iter().zip(["highlights", "shadows"]) {
        if *share > s.clipped_limit_pct {
            remarks.push(format!("{share:.1} % of the sheet has clipped {what}"));
            colour = false;
        }
    }
    if f.info.bits == 16 && f.overview.levels <= 256 {
        remarks.push(format!(
            "16-bit file with {} levels: 8-bit data",
            f.overview.levels
        ));
    }
    if f.overview.code_gaps > 10.0 {
        remarks.push(format!(
            "stretched histogram: {:.0} % of its codes are unused",
            f.overview.code_gaps
        ));
        colour = false;
    }

    if f.info.colour_step > 1 {
        remarks.push(format!(
            "JPEG with one colour for {0} x {0} pixels: edges of colours are as coarse as at {1:.0} dpi; save it with colours in full (4:4:4), or as TIFF or PNG",
            f.info.colour_step,
            dpi / f.info.colour_step as f64
        ));
    }
    let mtf50 = f.focus.iter().filter_map(|f| f.figures.map(|x| x[0].value));
    let soft = mtf50.fold(f64::INFINITY, f64::min);
    let out_of_focus = soft < s.least_mtf50_cy_px;
    if out_of_focus {
        remarks.push(format!("out of focus (MTF50 {soft:.3} cycles/px)"));
    } else if soft.is_infinite() {
        remarks.push("focus not measured".to_owned());
    }
    match f.flat {
        Ok(flat) => {
            if let Some(fall) = flat.falloff.filter(|v| v.pct > s.falloff_limit_pct) {
                remarks.push(format!("uneven light or toning ({:.1} %)", fall.pct));
                colour = false;
            }
            if let Some(n) = flat.noise.filter(|n| n.fine > s.noise_limit_l) {
                remarks.push(format!("noisy (L* scatters by {:.1})", n.fine));
                colour = false;
            }
        }
        Err(reason) => remarks.push(reason.clone()),
    }
    if let Some(reason) = f.target_reason {
        remarks.push(format!("target: {reason}"));
    }

    let mut fit = Vec::new();
    // Where the scale is in doubt no length in millimetres is fit for anything.
    if contradicts {
        remarks.push("no lengths can be trusted: unfit for registration and line wear".to_owned());
    } else if dpi / f.info.colour_step as f64 >= s.registration_dpi && !out_of_focus {
        fit.push("registration");
    } else if dpi < s.registration_dpi {
        remarks.push(format!("{dpi:.0} dpi is too coarse for registration"));
    }
    if colour {
        fit.push("colour");
    } else if f.info.channels == 1 && f.clipped.iter().all(|c| *c <= s.clipped_limit_pct) {
        fit.push("tone");
    }
    if dpi >= s.line_wear_dpi && !out_of_focus && !contradicts {
        fit.push("line wear");
    } else if dpi < s.line_wear_dpi && !contradicts {
        remarks.push(format!(
            "line wear only for lines of {:.2} mm and more (3 px)",
            3.0 * 25.4 / dpi
        ));
    }
    let fit = if fit.is_empty() {
        "nothing".to_owned()
    } else {
        fit.join(", ")
    };
    (fit, remarks)
}

/// The remark on a resolution that contradicts the sheet's size: what was
/// stated, what the size implies, and where to set it right.
fn contradiction(f: &Findings<'_>) -> Option<String> {
    let tolerance = f.settings.resolution_tolerance_pct / 100.0;
    let off = |r: f64| (r - 1.0).abs() > tolerance;
    if !f.ratios.iter().flatten().any(|r| off(*r)) {
        return None;
    }
    let dpi = f.info.dpi;
    let source = &f.info.dpi_source;
    // Where the list or the config said it, that is what is wrong.
    let set = match source.as_str() {
        "sheet list" => "correct `dpi` in the sheet list",
        "config" => "correct `dpi` in the config",
        _ => "set `dpi` in the sheet list",
    };
    Some(match f.ratios {
        [Some(x), Some(y)] if (x / y - 1.0).abs() <= tolerance => format!(
            "resolution contradicts the sheet's size: {:.0} dpi is stated ({source}), the sheet's stated size implies {:.0}: a wrong resolution ({set}), a wrong sheet size in the config, or another sheet",
            dpi.x,
            dpi.x * (x + y) / 2.0
        ),
        [Some(x), Some(y)] => format!(
            "resolution contradicts the sheet's size: {:.0} x {:.0} dpi is stated ({source}), the sheet's stated size implies {:.0} x {:.0}: a trimmed sheet, unequal scales, or width and height exchanged in the config",
            dpi.x,
            dpi.y,
            dpi.x * x,
            dpi.y * y
        ),
        [x, y] => format!(
            "resolution contradicts the sheet's size: {:.0} dpi is stated ({source}), the one direction of the sheet that is seen implies {:.0} ({set})",
            dpi.x,
            dpi.x * x.or(y).unwrap_or(1.0)
        ),
    })
}
