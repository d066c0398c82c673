//! Dust and hairs on the scan: what lies over a line goes on beside it.

use crate::course::Course;
use crate::strip::{Reading, Strip};

/// How much lighter than the ground something must be in some channel.
const LIGHTER: f32 = 1.12;
/// How far it may lie from the gap along the line, and from the line's edge, mm.
const ALONG_MM: f64 = 0.2;
const ASIDE_MM: f64 = 0.2;
/// Least samples, half a pixel apart each way.
const ENOUGH: usize = 6;
/// As far along the line, mm, the ground is looked at for being so light there as well,
/// as beside a colour block's edge; a hair is so many times more frequent at the gap.
const ELSEWHERE_MM: f64 = 1.0;
const TIMES: usize = 4;

/// Whether something lighter than the ground lies beside the line at the stations
/// from `a` to `b` and not further along: then the gap between is its, not the line's.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn goes_on_beside(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    a: usize,
    b: usize,
) -> bool {
    let stations = |mm: f64| (mm / course.step) as usize;
    let within = |margin: usize| {
        let to = (b + margin + 1).min(strip.px.len());
        a.saturating_sub(margin)..to
    };
    let (near, far) = (within(stations(ALONG_MM)), within(stations(ELSEWHERE_MM)));
    let at_gap: usize = near.clone().map(|i| bright(reading, strip, i)).sum();
    if at_gap < ENOUGH {
        return false;
    }
    let elsewhere: usize = far
        .clone()
        .filter(|i| !near.contains(i))
        .map(|i| bright(reading, strip, i))
        .sum();
    // As rates: stations at the gap against those elsewhere.
    at_gap * far.len().saturating_sub(near.len()) > TIMES * elsewhere * near.len()
}

/// Samples beside a station that are lighter than the ground there.
#[allow(clippy::cast_possible_truncation, clippy::cast_precision_loss)]
fn bright(reading: &Reading<'_>, strip: &Strip, i: usize) -> usize {
    let near = strip.half[i] + 1.5 * reading.sigma;
    (0..strip.count)
        .filter(|j| {
            let t = strip.first + *j as f64 * strip.across - strip.middle[i];
            let ground = strip.ground[i].light[usize::from(t < 0.0)];
            let (Some(ground), true) = (ground, (near..near + ASIDE_MM).contains(&t.abs())) else {
                return false;
            };
            let light = strip.at(i, *j);
            (0..3).any(|k| light[k] > LIGHTER * ground[k] as f32)
        })
        .count()
}
