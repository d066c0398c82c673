//! Ground under a line that is darker than beside it: colour blocks overlap there, as
//! they do where a line parts them. Through a gap the overlap shows, and must not be
//! taken for ink of the key that is left.

use restrike_stage::Point;

use crate::course::Course;
use crate::strip::{Reading, Strip};

/// So far from where a line ends, mm, its ground lies as it is seen.
const BESIDE_MM: f64 = 0.1;
/// Blocks that reach so far beside the line's edge, mm, may overlap under it.
const NEAR_MM: f64 = 0.05;

/// Share of the ground seen beside a line that is left by blocks that lie over each
/// other at an offset of a station and not beside, in a channel; 1 where none do.
pub(crate) fn left(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    i: usize,
    offset: f64,
    channel: usize,
) -> f64 {
    let station = &course.stations[i];
    let half = strip.half[i];
    if !reading.near_colour_edge(station.at, half + NEAR_MM) {
        return 1.0;
    }
    let Some([a, b]) = strip.sides(i, channel) else {
        return 1.0;
    };
    let seen = strip.ground[i].light.map(|g| g.is_some());
    // The darker side, against which ink is held.
    let left = seen[0] && (a <= b || !seen[1]);
    let beside = half + BESIDE_MM + 2.4 * reading.sigma;
    let beside = strip.middle[i] + if left { beside } else { -beside };
    let light = |t: f64| {
        light(
            reading,
            strip.px[i],
            station.at + station.normal * t,
            channel,
        )
    };
    (light(offset) / light(beside)).min(1.0)
}

/// Light that the colour blocks let through at a place of the record.
fn light(reading: &Reading<'_>, px: Point, at: Point, channel: usize) -> f64 {
    let sheet = reading.placement.sheet_place(px);
    reading
        .colours
        .iter()
        .filter(|(place, _)| place.located())
        .map(|(place, edges)| {
            let off = edges.at(place.own_place(at)) + place.retreat_mm;
            let covered = (0.5 - off / (4.0 * reading.sigma)).clamp(0.0, 1.0);
            let strength = (place.strength * place.local_strength.at(sheet)).max(0.0);
            1.0 - covered * (1.0 - libm::exp(-place.absorption[channel] * strength))
        })
        .product()
}
