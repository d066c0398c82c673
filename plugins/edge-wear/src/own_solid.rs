//! How dark a line's own ink is just inside its edges.
//!
//! The thresholds of an edge hang on the solid that makes it. Ink that was
//! squeezed to the rim is darker there than in a line's middle, and ink varies
//! from line to line, so one level for all lines puts the T50 edge of a dark
//! rim too far out. A blurred edge does not show its solid: at a distance d
//! inside the edge of a line of width W a share Phi(d/s) - Phi((d - W)/s) of the
//! ink's contrast is left, and what is seen is divided by that.

use restrike_ops::quantiles::normal_below;
use restrike_ops::stats::median;

use crate::course::Course;
use crate::strip::Strip;

/// Distance inside the edge where the ink is read, in standard deviations of
/// the blur: far enough in for the place of the edge to matter little, near
/// enough for the rim to be what is seen.
const INSIDE: f64 = 1.6;
/// Half the length along a line over which its ink is taken, mm.
const NEAR_MM: f64 = 0.6;
/// Fewest stations that tell.
const ENOUGH: usize = 8;

/// Share of the light that goes through the ink at each station, in the
/// station's channel; where the line itself does not tell, `through`. `sigma`:
/// standard deviation of the blur of its edges, mm.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn own_solid(
    sigma: f64,
    course: &Course,
    strip: &Strip,
    edges: &[[Option<f64>; 2]],
    through: [f64; 3],
) -> Vec<f64> {
    let seen: Vec<f64> = (0..edges.len())
        .map(|i| one(sigma, strip, i, edges[i]).unwrap_or(f64::NAN))
        .collect();
    let half = ((NEAR_MM / course.step) as usize).max(1);
    let usual = |v: &[f64]| {
        let known: Vec<f64> = v.iter().copied().filter(|v| v.is_finite()).collect();
        (known.len() >= ENOUGH).then(|| median(&known)).flatten()
    };
    let all = usual(&seen);
    // The level changes slowly: at every few stations.
    let stride = (half / 4).max(1);
    let mut out = Vec::with_capacity(seen.len());
    let mut level = None;
    for i in 0..seen.len() {
        if i % stride == 0 {
            let to = (i + half + 1).min(seen.len());
            level = usual(&seen[i.saturating_sub(half)..to]).or(all);
        }
        let model = strip.channel[i].map_or(0.0, |c| through[c]);
        out.push(level.unwrap_or(model).clamp(0.0, 0.8));
    }
    out
}

/// What a station says: mean of both edges.
fn one(sigma: f64, strip: &Strip, i: usize, edges: [Option<f64>; 2]) -> Option<f64> {
    let (left, right) = (edges[0]?, edges[1]?);
    let channel = strip.channel[i]?;
    let ground = strip.sides(i, channel)?;
    let width = left - right;
    let inside = (INSIDE * sigma).min(0.5 * width);
    let below = |t: f64| normal_below(t / sigma);
    let share = below(inside) - below(inside - width);
    if share < 0.5 {
        return None;
    }
    let at = [left - inside, right + inside];
    let seen = [0, 1].map(|side| (1.0 - strip.light(i, at[side], channel) / ground[side]) / share);
    Some(1.0 - 0.5 * (seen[0] + seen[1]))
}
