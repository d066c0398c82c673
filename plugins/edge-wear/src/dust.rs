//! Dust and hairs on the scan: what lies over a line goes on beside it.

use crate::course::Course;
use crate::strip::{Reading, Strip};

/// How much lighter than the ground something must be in some channel.
const LIGHTER: f64 = 1.08;
/// Nearer than this to a colour block's edge, mm, the ground is not the same all
/// over: there a hair is held against the paper as well.
const EDGE_MM: f64 = 0.3;
/// What lies so many standard deviations of the blur from the line's edge is clear of it.
const CLEAR: f64 = 2.2;
/// How far it may lie from the gap along the line, mm, beside as much as it is off
/// the line's middle: hairs cross at any angle.
const ALONG_MM: f64 = 0.1;
/// How far it is looked for from the line's edge, mm.
const ASIDE_MM: f64 = 0.2;
/// Least samples, half a pixel apart each way.
const ENOUGH: usize = 16;
/// As far along the line again, mm, the ground is looked at for being so light there as
/// well, as where it is mottled; a hair is so many times more frequent at the gap.
const ELSEWHERE_MM: f64 = 0.8;
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
    let from = strip.half[(a + b) / 2] + CLEAR * reading.sigma;
    let reach = from + ASIDE_MM + ALONG_MM;
    let within = |mm: f64| {
        let margin = (mm / course.step) as usize;
        let to = (b + margin + 1).min(strip.px.len());
        a.saturating_sub(margin)..to
    };
    let (near, far) = (within(reach), within(reach + ELSEWHERE_MM));
    let (mut at_gap, mut elsewhere) = (0, 0);
    for i in far.clone() {
        let past = a.max(i) - a.min(i);
        let past = past.min(b.max(i) - b.min(i));
        let apart = if (a..=b).contains(&i) { 0 } else { past };
        #[allow(clippy::cast_precision_loss)]
        let apart = apart as f64 * course.step;
        let of = |t: f64| (from..from + ASIDE_MM).contains(&t);
        if near.contains(&i) {
            at_gap += bright(reading, course, strip, i, &|t| {
                of(t) && apart < t + ALONG_MM
            });
        } else {
            elsewhere += bright(reading, course, strip, i, &of);
        }
    }
    if at_gap < ENOUGH {
        return false;
    }
    // As rates: stations at the gap against those elsewhere.
    at_gap * far.len().saturating_sub(near.len()) > TIMES * elsewhere * near.len()
}

/// Samples beside a station, as far off the line's middle as asked, that are
/// lighter than the ground there.
#[allow(clippy::cast_precision_loss)]
fn bright(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    i: usize,
    asked: &dyn Fn(f64) -> bool,
) -> usize {
    let here = &course.stations[i];
    let sheet = reading.placement.sheet_place(strip.px[i]);
    let paper = [0, 1, 2].map(|k| libm::exp(reading.placement.paper[k].at(sheet)));
    (0..strip.count)
        .filter(|j| {
            let offset = strip.first + *j as f64 * strip.across;
            let t = offset - strip.middle[i];
            let (Some(ground), true) =
                (strip.ground[i].light[usize::from(t < 0.0)], asked(t.abs()))
            else {
                return false;
            };
            let light = strip.at(i, *j);
            let lighter = |than: &[f64; 3]| (0..3).any(|k| f64::from(light[k]) > LIGHTER * than[k]);
            lighter(&ground)
                && (lighter(&paper)
                    || !reading.near_colour_edge(here.at + here.normal * offset, EDGE_MM))
        })
        .count()
}
