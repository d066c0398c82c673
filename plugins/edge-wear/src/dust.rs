//! Dust and hairs on the scan: what lies over a line goes on beside it.

use crate::course::Course;
use crate::strip::{Reading, Strip};

/// How much lighter than ground and paper something must be in some channel.
const LIGHTER: f32 = 1.10;
/// How far it may lie from the gap along the line, and from the line's edge, mm.
const ALONG_MM: f64 = 0.2;
const ASIDE_MM: f64 = 0.2;
/// Least samples, half a pixel apart each way: a square pixel.
const ENOUGH: usize = 4;

/// Whether something lighter than ground and paper lies beside the line at the
/// stations from `a` to `b`: then the gap between is its, not the line's.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn goes_on_beside(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    a: usize,
    b: usize,
) -> bool {
    let margin = (ALONG_MM / course.step) as usize;
    let (from, to) = (
        a.saturating_sub(margin),
        (b + margin + 1).min(strip.px.len()),
    );
    let middle = usize::midpoint(a, b).min(strip.px.len() - 1);
    let sheet = reading.placement.sheet_place(strip.px[middle]);
    let paper: [f64; 3] = [0, 1, 2].map(|k| libm::exp(reading.placement.paper[k].at(sheet)));
    let mut found = 0;
    for i in from..to {
        let near = strip.half[i] + 1.5 * reading.sigma;
        for j in 0..strip.count {
            let t = strip.first + j as f64 * strip.across - strip.middle[i];
            if t.abs() < near || t.abs() > near + ASIDE_MM {
                continue;
            }
            let Some(ground) = strip.ground[i].light[usize::from(t < 0.0)] else {
                continue;
            };
            let light = strip.at(i, j);
            let bright = (0..3).any(|k| light[k] > LIGHTER * (ground[k].max(paper[k]) as f32));
            found += usize::from(bright);
        }
    }
    found >= ENOUGH
}
