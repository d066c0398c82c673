//! Gaps of several lines that lie on one round: a hole.
//!
//! Worm holes through old blocks measure about 1.4 to 2.3 mm (Hedges 2013,
//! Biology Letters 9, from holes printed in books).

use restrike_stage::Point;

use crate::gaps::between;
use crate::kinds::{Found, Kind};

/// Diameters of a hole, mm.
const DIAMETER_MM: [f64; 2] = [1.1, 2.7];
/// How far the gaps' ends may lie off the round, mm.
const OFF_MM: f64 = 0.14;
/// Shortest gap that is laid to a hole, mm.
const LEAST_CHORD_MM: f64 = 0.35;

/// Puts gaps that lie on one round together.
pub(crate) fn gathered(mut found: Vec<Found>) -> Vec<Found> {
    let is_gap = |f: &Found| matches!(f.kind, Kind::Break | Kind::Nick);
    let mut out = Vec::new();
    loop {
        let mut best: Option<(Vec<usize>, Point, f64)> = None;
        for a in 0..found.len() {
            for b in a + 1..found.len() {
                let (f, g) = (&found[a], &found[b]);
                let apart = f.at.distance(g.at);
                if !(is_gap(f) && is_gap(g) && f.line != g.line && apart < DIAMETER_MM[1]) {
                    continue;
                }
                let ends = [f.ends[0], f.ends[1], g.ends[0], g.ends[1]];
                let Some((centre, radius)) = circle(&ends) else {
                    continue;
                };
                let on = |f: &Found| {
                    f.ends
                        .iter()
                        .all(|e| (e.distance(centre) - radius).abs() < OFF_MM)
                };
                if !(DIAMETER_MM[0]..=DIAMETER_MM[1]).contains(&(2.0 * radius)) || !on(f) || !on(g)
                {
                    continue;
                }
                let members: Vec<usize> = (0..found.len())
                    .filter(|n| is_gap(&found[*n]) && on(&found[*n]))
                    .collect();
                // Any two short gaps lie on some round.
                let chords = members.iter().map(|n| found[*n].length);
                if chords.clone().fold(f64::MAX, f64::min) < LEAST_CHORD_MM
                    || chords.sum::<f64>() < 2.0 * radius
                {
                    continue;
                }
                if best.as_ref().is_none_or(|o| members.len() > o.0.len()) {
                    best = Some((members, centre, radius));
                }
            }
        }
        let Some((members, centre, radius)) = best else {
            break;
        };
        let first = found[members[0]].clone();
        let confidence = members
            .iter()
            .map(|n| 1.0 - found[*n].confidence)
            .product::<f64>();
        let nearest = members
            .iter()
            .min_by(|a, b| {
                let d = |n: usize| found[n].at.distance(centre);
                d(**a).total_cmp(&d(**b))
            })
            .map_or(first.px, |n| found[*n].px);
        out.push(Found {
            kind: Kind::Hole,
            length: 2.0 * radius,
            depth: 2.0 * radius,
            at: centre,
            px: nearest,
            lines: members.len(),
            confidence: 1.0 - confidence,
            ..first
        });
        let mut n = 0;
        found.retain(|_| {
            n += 1;
            !members.contains(&(n - 1))
        });
    }
    out.extend(found);
    out
}

/// The circle nearest to points in the algebraic sense (Kasa 1976).
#[allow(clippy::cast_precision_loss)]
fn circle(points: &[Point]) -> Option<(Point, f64)> {
    let n = points.len() as f64;
    let mean = points.iter().fold(Point::default(), |s, p| s + *p) * (1.0 / n);
    let (mut xx, mut xy, mut yy, mut xz, mut yz, mut z) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for p in points {
        let q = *p - mean;
        let s = q.dot(q);
        xx += q.x * q.x;
        xy += q.x * q.y;
        yy += q.y * q.y;
        xz += q.x * s;
        yz += q.y * s;
        z += s;
    }
    let det = xx * yy - xy * xy;
    if det < 1e-6 {
        return None;
    }
    let c = Point::new(
        0.5 * (xz * yy - yz * xy) / det,
        0.5 * (yz * xx - xz * xy) / det,
    );
    let radius = (z / n + c.dot(c)).sqrt();
    Some((mean + c, radius))
}

/// Whether two findings are of one place.
pub(crate) fn same(o: &Found, f: &Found) -> bool {
    let alike = (o.kind == Kind::FillIn) == (f.kind == Kind::FillIn);
    // Ink in a hollow is seen from both lines about it.
    let place = |f: &Found| match f.kind {
        Kind::FillIn => f.at,
        _ => between(f.ends[0], f.ends[1]),
    };
    alike && place(o).distance(place(f)) < 0.5 * (o.length + f.length).max(0.1)
}

/// Gaps that are found both along a line and along the way over a gap of the
/// record, or twice along it, count once.
pub(crate) fn once(found: Vec<Found>) -> Vec<Found> {
    let mut out: Vec<Found> = Vec::new();
    for f in found {
        match out.iter_mut().find(|o| same(o, &f)) {
            Some(o) if f.confidence > o.confidence => *o = f,
            Some(_) => {}
            None => out.push(f),
        }
    }
    out
}
