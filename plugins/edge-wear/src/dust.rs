//! Dust and hairs on the scan: what lies over a line goes on beside it.

use crate::course::Course;
use crate::strip::{Reading, Strip};

/// How much lighter than the ground something must be in some channel.
const LIGHTER: f64 = 1.08;
/// On ink by as much more as an ink that is paler there by this share would be: inks
/// are mottled, and a pale spot of the ground beside a gap is no dust.
const MOTTLE: f64 = 0.12;
/// On dark ground by this share of what paper is lighter than it, too: paper that shows
/// through a gap beside blurs so much into it.
const BLURRED_IN: f64 = 0.05;
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
/// The same on each of both sides.
const ENOUGH_EACH: usize = 10;
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
    // By side; near a colour block's edge as well, where less can be asked.
    let (mut at_gap, mut elsewhere) = ([[0; 2]; 2], [[0; 2]; 2]);
    for i in far.clone() {
        let past = a.max(i) - a.min(i);
        let past = past.min(b.max(i) - b.min(i));
        let apart = if (a..=b).contains(&i) { 0 } else { past };
        #[allow(clippy::cast_precision_loss)]
        let apart = apart as f64 * course.step;
        let of = |t: f64| (from..from + ASIDE_MM).contains(&t);
        if near.contains(&i) {
            let asked = |t: f64| of(t) && apart < t + ALONG_MM;
            bright(reading, course, strip, i, &asked, &mut at_gap);
        } else {
            bright(reading, course, strip, i, &of, &mut elsewhere);
        }
    }
    // As rates: stations at the gap against those elsewhere.
    let oftener = |here: usize, there: usize| {
        here * far.len().saturating_sub(near.len()) > TIMES * there * near.len()
    };
    let clear = |of: [[usize; 2]; 2]| of[0][0] + of[0][1];
    // Where blocks do not meet under a line paper shows beside it on one side; a hair
    // comes out on both.
    let all = |of: [[usize; 2]; 2], side: usize| of[0][side] + of[1][side];
    clear(at_gap) >= ENOUGH && oftener(clear(at_gap), clear(elsewhere))
        || (0..2).all(|side| {
            all(at_gap, side) >= ENOUGH_EACH && oftener(all(at_gap, side), all(elsewhere, side))
        })
}

/// Counts samples beside a station, as far off the line's middle as asked, that are
/// lighter than the ground there: by whether they lie near a colour block's edge without
/// being lighter than the paper, and by side.
#[allow(clippy::cast_precision_loss)]
fn bright(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    i: usize,
    asked: &dyn Fn(f64) -> bool,
    into: &mut [[usize; 2]; 2],
) {
    let here = &course.stations[i];
    let sheet = reading.placement.sheet_place(strip.px[i]);
    let paper = [0, 1, 2].map(|k| libm::exp(reading.placement.paper[k].at(sheet)));
    for j in 0..strip.count {
        let offset = strip.first + j as f64 * strip.across;
        let t = offset - strip.middle[i];
        let side = usize::from(t < 0.0);
        let (Some(ground), true) = (strip.ground[i].light[side], asked(t.abs())) else {
            continue;
        };
        let light = strip.at(i, j);
        let lighter = |than: &[f64; 3]| {
            (0..3).any(|k| {
                let blurred = than[k] + BLURRED_IN * (paper[k] - than[k]);
                let paler = libm::pow((paper[k] / than[k].max(1e-4)).max(1.0), MOTTLE) * than[k];
                f64::from(light[k]) > blurred.max(LIGHTER * paler)
            })
        };
        if lighter(&ground) {
            let edge = !lighter(&paper)
                && reading.near_colour_edge(here.at + here.normal * offset, EDGE_MM);
            into[usize::from(edge)][side] += 1;
        }
    }
}
