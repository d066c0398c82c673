//! The direction of lines of text or of pattern on the sheet.

use restrike_ops::projection_angle::{LineDirection, line_direction};
use restrike_stage::{Point, Raster};

use crate::metric::Metric;
use crate::overview::{LUMINANCE, Overview, coarser};
use crate::rectangle::Angle;
use crate::sheet_frame::SheetFrame;

/// Radius of the disc looked at, at most, in pixels of the plane.
const MOST_RADIUS: f64 = 150.0;
/// Sharpness over the median that a direction has to reach.
const LEAST_CLARITY: f64 = 4.0;
/// Standard error above which a direction is not told, degrees.
const MOST_SE_DEG: f64 = 0.6;

/// The direction of lines, or why there is none.
pub(crate) fn direction(
    metric: &Metric,
    overview: &Overview,
    frame: &SheetFrame,
    placed: bool,
) -> Result<Angle, String> {
    let plane = overview.plane(LUMINANCE);
    // The disc that the sheet (or the scan) holds whole, about its centre.
    let extent = metric.extent();
    let (centre, radius) = if placed {
        (
            frame.centre,
            frame.size[0].min(frame.size[1]) * frame.scale / 2.0,
        )
    } else {
        (metric.centre(), extent[0].min(extent[1]) / 2.0)
    };
    let room = centre
        .x
        .min(extent[0] - centre.x)
        .min(-centre.y)
        .min(extent[1] + centre.y);
    let radius = radius.min(room);
    // Padding round the picture (exactly even, up to the scan's border) is none
    // of its content; with it the disc would depend on how much there is.
    let padded = padding_distance(&plane, overview.place(centre), overview.mm).unwrap_or(radius);
    let radius = if padded > radius / 2.0 {
        radius.min(padded)
    } else {
        radius
    };
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

/// Distance in mm from a place to the nearest pixel of an even area that takes
/// up a corner of the plane; `None` where there is none.
fn padding_distance(plane: &Raster<f32>, from: Point, mm: [f64; 2]) -> Option<f64> {
    let (w, h) = (plane.width(), plane.height());
    let mut seen = vec![false; w * h];
    let mut nearest: Option<f64> = None;
    for (cx, cy) in [(0, 0), (w - 1, 0), (0, h - 1), (w - 1, h - 1)] {
        let value = plane.get(cx, cy, 0);
        let like = |x: usize, y: usize| (plane.get(x, y, 0) - value).abs() <= 0.002;
        // A corner pixel alone is no area.
        let inward = |v: usize, n: usize| {
            if v == 0 {
                3.min(n - 1)
            } else {
                v.saturating_sub(3)
            }
        };
        if !like(inward(cx, w), cy) || !like(cx, inward(cy, h)) {
            continue;
        }
        let mut stack = vec![(cx, cy)];
        while let Some((x, y)) = stack.pop() {
            if seen[y * w + x] || !like(x, y) {
                continue;
            }
            seen[y * w + x] = true;
            #[allow(clippy::cast_precision_loss)]
            let d = Point::new(
                (x as f64 + 0.5 - from.x) * mm[0],
                (y as f64 + 0.5 - from.y) * mm[1],
            );
            nearest = Some(nearest.map_or(d.norm(), |n: f64| n.min(d.norm())));
            if x > 0 {
                stack.push((x - 1, y));
            }
            if y > 0 {
                stack.push((x, y - 1));
            }
            if x + 1 < w {
                stack.push((x + 1, y));
            }
            if y + 1 < h {
                stack.push((x, y + 1));
            }
        }
    }
    nearest
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
        // Rows run downwards, angles on the sheet upwards. Uprights and columns
        // are as good as lines: only the turn against the nearest axis is told.
        value: within_quarter(-found.angle),
        se: found.se,
    })
}

/// The angle less whole quarter turns, -45 to 45 degrees.
fn within_quarter(angle: f64) -> f64 {
    let quarter = std::f64::consts::FRAC_PI_2;
    angle - quarter * (angle / quarter).round()
}

/// -ln of reflectance, no deeper than 3.
fn absorption(plane: &Raster<f32>) -> Raster<f32> {
    let mut out = plane.clone();
    for v in out.data_mut() {
        *v = -libm::logf(v.max(0.05));
    }
    out
}
