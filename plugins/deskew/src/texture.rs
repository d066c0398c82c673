//! The direction of lines of text or of pattern on the sheet.

use restrike_model::{Point, Raster};
use restrike_ops::projection_angle::{LineDirection, line_direction};

use crate::metric::Metric;
use crate::overview::{LUMINANCE, Overview, coarser};
use crate::rectangle::Angle;
use crate::sheet_frame::SheetFrame;

/// Radius of the disc looked at, at most, in pixels of the plane.
const MOST_RADIUS: f64 = 150.0;
/// Sharpness over the median that a direction has to reach.
const LEAST_CLARITY: f64 = 4.0;
/// Standard error above which a direction is not told, degrees.
const MOST_SE_DEG: f64 = 0.5;

/// The direction of lines, or why there is none.
pub(crate) fn direction(metric: &Metric, overview: &Overview, frame: &SheetFrame, placed: bool) -> Result<Angle, String> {
    let plane = overview.plane(LUMINANCE);
    // The disc that the sheet (or the scan) holds whole, about its centre.
    let extent = metric.extent();
    let (centre, radius) = if placed {
        (frame.centre, frame.size[0].min(frame.size[1]) * frame.scale / 2.0)
    } else {
        (metric.centre(), extent[0].min(extent[1]) / 2.0)
    };
    let room = centre
        .x
        .min(extent[0] - centre.x)
        .min(-centre.y)
        .min(extent[1] + centre.y);
    let radius = radius.min(room);
    let mm = overview.mm[0].max(overview.mm[1]);
    let (small, k) = coarser(&plane, overview.mm, (radius / MOST_RADIUS).max(mm), 24);
    #[allow(clippy::cast_precision_loss)]
    let pitch = [overview.mm[0] * k[0] as f64, overview.mm[1] * k[1] as f64];
    if (pitch[0] / pitch[1] - 1.0).abs() > 1e-6 {
        return Err("the scan's pixels are not square".to_owned());
    }
    let at = overview.place(centre);
    #[allow(clippy::cast_precision_loss)]
    let at = Point::new(at.x / k[0] as f64, at.y / k[1] as f64);
    let ink = absorption(&small);
    let found = line_direction(&ink, at, radius / pitch[0], std::f64::consts::FRAC_PI_2)
        .ok_or_else(|| "there is too little to see".to_owned())?;
    judge(found)
}

fn judge(found: LineDirection) -> Result<Angle, String> {
    if found.clarity < LEAST_CLARITY {
        return Err(format!(
            "no direction stands out (sharpness {:.1} times the median, needed {LEAST_CLARITY})",
            found.clarity
        ));
    }
    if found.se.to_degrees() > MOST_SE_DEG {
        return Err(format!(
            "parts of the sheet disagree (standard error {:.2} degrees)",
            found.se.to_degrees()
        ));
    }
    Ok(Angle {
        // Rows run downwards, angles on the sheet upwards.
        value: -found.angle,
        se: found.se,
    })
}

/// -ln of reflectance, no deeper than 3.
fn absorption(plane: &Raster<f32>) -> Raster<f32> {
    let mut out = plane.clone();
    for v in out.data_mut() {
        *v = -libm::logf(v.max(0.05));
    }
    out
}
