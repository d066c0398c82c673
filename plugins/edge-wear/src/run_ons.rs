//! Lines that run into another at a sharp angle and go on in it, as the two edges
//! of a beak: a bite as wide as one of them breaks that line, though the wider
//! stroke holds.

use std::collections::BTreeMap;

use restrike_ops::atlas::{Atlas, AtlasLine, LineEnd};
use restrike_stage::Point;

use crate::course::{Course, Station};

/// Least cosine between a line's end and the stroke it goes on in.
const ALONG: f64 = 0.9;
/// The stroke must be so many times wider than the line, and the line goes on for as
/// long as it is so many times wider.
const WIDER: f64 = 1.4;
/// How far a line is followed into a stroke, mm, and the least that is worth it.
const LONGEST_MM: f64 = 4.0;
const LEAST_MM: f64 = 0.3;
/// How much of the line itself leads in, mm.
const TAIL_MM: f64 = 2.4;
/// So near to where they meet, in half widths of the line, middles of the record's
/// lines turn to the common point.
const TURN: f64 = 1.8;
/// Length over which directions are taken, mm.
const ARM_MM: f64 = 0.35;

/// A line seen from one of its ends.
struct From<'a> {
    line: &'a AtlasLine,
    last: bool,
}

impl<'a> From<'a> {
    fn junction(line: &'a AtlasLine, last: bool) -> Option<Self> {
        let end = if last { line.end } else { line.start };
        (end == LineEnd::Junction && !line.closed).then_some(Self { line, last })
    }

    fn arc(&self, from_end: f64) -> f64 {
        if self.last {
            self.line.length_mm - from_end
        } else {
            from_end
        }
    }

    /// Place and half width so far from the end.
    fn place(&self, from_end: f64) -> Option<(Point, f64)> {
        let p = self.line.place(self.arc(from_end))?;
        Some((Point::new(p.x_mm, p.y_mm), p.half_width_mm))
    }

    /// Unit vector away from the end, between two lengths from it.
    fn away(&self, from: f64, to: f64) -> Option<Point> {
        let way = self.place(to)?.0 - self.place(from)?.0;
        let length = way.norm();
        (length > 1e-9).then(|| way * (1.0 / length))
    }
}

/// The ways of lines in the strokes they go on in.
pub(crate) fn run_ons(atlas: &Atlas, step: f64) -> Vec<Course> {
    let ends: Vec<From<'_>> = atlas
        .lines
        .iter()
        .flat_map(|l| [From::junction(l, false), From::junction(l, true)])
        .flatten()
        .collect();
    // All lines of a junction share its point.
    let mut nodes: BTreeMap<[u64; 2], Vec<&From<'_>>> = BTreeMap::new();
    for end in &ends {
        if let Some((p, _)) = end.place(0.0) {
            let node = [p.x, p.y].map(|v| (v + 0.0).to_bits());
            nodes.entry(node).or_default().push(end);
        }
    }
    let mut out = Vec::new();
    for met in nodes.values() {
        for line in met {
            for stroke in met.iter().filter(|s| s.line.id != line.line.id) {
                out.extend(run_on(line, stroke, step));
            }
        }
    }
    out
}

fn run_on(line: &From<'_>, stroke: &From<'_>, step: f64) -> Option<Course> {
    let half = line.place((3.0 * ARM_MM).min(line.line.length_mm))?.1;
    let turn = TURN * half;
    if line.line.length_mm < turn + ARM_MM || stroke.line.length_mm < turn + LEAST_MM {
        return None;
    }
    // Nearer to the stroke the record's line grows wider.
    let back = line
        .place((turn + 2.0 * ARM_MM).min(line.line.length_mm))?
        .1;
    let half = line.place(turn)?.1.min(back);
    let come = line.away(turn, turn + ARM_MM)?;
    let go = stroke.away(turn, (turn + ARM_MM).min(stroke.line.length_mm))?;
    if -come.dot(go) < ALONG {
        return None;
    }
    // On which side of the stroke the line comes in: to the left of its way, or the right.
    let node = stroke.place(0.0)?.0;
    let beside = line.place(turn + ARM_MM)?.0 - node;
    let side = if go.x * beside.y - go.y * beside.x > 0.0 {
        1.0
    } else {
        -1.0
    };
    // Places with lengths along the stroke, those of the line before it below zero.
    let mut places: Vec<(f64, Point)> = Vec::new();
    let steps = |length: f64| {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (length / step).floor().max(0.0) as usize;
        #[allow(clippy::cast_precision_loss)]
        (0..=count).map(move |i| i as f64 * step)
    };
    for back in steps(TAIL_MM.min(line.line.length_mm)) {
        if back > turn {
            places.push((-back, line.place(back)?.0));
        }
    }
    places.reverse();
    for on in steps(LONGEST_MM.min(stroke.line.length_mm)) {
        if on < turn {
            continue;
        }
        let (at, wide) = stroke.place(on)?;
        if wide < WIDER * half {
            break;
        }
        let along = stroke.away(
            (on - ARM_MM).max(0.0),
            (on + ARM_MM).min(stroke.line.length_mm),
        )?;
        let left = Point::new(-along.y, along.x);
        places.push((on, at + left * (side * (wide - half))));
    }
    let (first, last) = (places.first()?.0, places.last()?.0);
    if first > -turn - ARM_MM || last < turn + LEAST_MM {
        return None;
    }
    // Over the turn straight from one to the other.
    let from = places.iter().rposition(|p| p.0 < 0.0)?;
    let (a, b) = (places[from], places[from + 1]);
    let bend = (b.1 - a.1).norm();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = (bend / step).floor() as usize;
    let between = (1..count).map(|i| {
        #[allow(clippy::cast_precision_loss)]
        let t = i as f64 / count as f64;
        (a.0 + t * (b.0 - a.0), a.1 + (b.1 - a.1) * t)
    });
    let between: Vec<_> = between.collect();
    places.splice(from + 1..from + 1, between);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let arm = (0.5 * ARM_MM / step).ceil() as usize;
    let stations = (0..places.len())
        .map(|i| {
            let (on, at) = places[i];
            let along = places[(i + arm).min(places.len() - 1)].1 - places[i.saturating_sub(arm)].1;
            let length = along.norm().max(1e-9);
            Station {
                arc: stroke.arc(on),
                at,
                normal: Point::new(-along.y / length, along.x / length),
                half,
                joined: false,
                off: None,
            }
        })
        .collect();
    Some(Course {
        line: stroke.line.id,
        bridge: true,
        runs_on: Some(stroke.line.length_mm),
        closed: false,
        step,
        stations,
        free: [false; 2],
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_ops::atlas::AtlasPoint;

    fn line(start: LineEnd, end: LineEnd, from: [f64; 3], to: [f64; 3]) -> AtlasLine {
        let points = (0..=40)
            .map(|i| {
                let t = f64::from(i) / 40.0;
                let mix = |k: usize| from[k] + t * (to[k] - from[k]);
                AtlasPoint {
                    x_mm: mix(0),
                    y_mm: mix(1),
                    arc_mm: 0.0,
                    half_width_mm: mix(2),
                }
            })
            .collect();
        AtlasLine {
            id: 0,
            closed: false,
            start,
            end,
            length_mm: 0.0,
            points,
        }
    }

    /// Two lines 0.2 mm wide that meet at the origin in a stroke twice as wide that
    /// thins out to the right.
    fn beak(angle: f64) -> Atlas {
        let (s, c) = libm::sincos(angle);
        let (free, node) = (LineEnd::Free, LineEnd::Junction);
        Atlas::new(
            vec![
                line(free, node, [-3.0 * c, 3.0 * s, 0.1], [0.0, 0.0, 0.1]),
                line(free, node, [-3.0 * c, -3.0 * s, 0.1], [0.0, 0.0, 0.1]),
                line(node, free, [0.0, 0.0, 0.2], [4.0, 0.0, 0.05]),
            ],
            Vec::new(),
        )
    }

    #[test]
    fn both_lines_of_a_beak_go_on_along_its_edges() {
        let courses = run_ons(&beak(0.08), 0.02);
        assert_eq!(courses.len(), 2);
        for (course, sign) in courses.iter().zip([1.0, -1.0]) {
            let end = course.stations.last().unwrap();
            // As long as the stroke is 1.4 times as wide; its outer edge is the line's.
            assert!((end.at.x - 1.6).abs() < 0.05, "{:?}", end.at);
            assert!((end.at.y - sign * 0.04).abs() < 0.01, "{:?}", end.at);
            for w in course.stations.windows(2) {
                assert!(w[0].at.distance(w[1].at) < 0.03 && w[0].arc < w[1].arc);
            }
        }
    }

    #[test]
    fn a_line_that_meets_another_across_does_not_go_on() {
        assert!(run_ons(&beak(0.6), 0.02).is_empty());
    }
}
