//! Which similarity the most matches agree on, and whether that is more than chance.
//!
//! Each match of two features says a whole similarity by itself (two places,
//! two sizes, two directions), so every match is tried as a hypothesis and the
//! others vote: exhaustive where random sampling would be a gamble, and always
//! the same. The best few are fitted with shrinking tolerance.
//!
//! Chance is reckoned a contrario (Moisan and Stival, "A probabilistic
//! criterion to detect rigid point matches between two images and estimate the
//! fundamental matrix", International Journal of Computer Vision 57(3), 2004):
//! the number of sets of matches of unrelated scans that would be expected to
//! agree as well, over all sets that could have been looked at.

use restrike_model::{Affine, Point};

use super::features::{Features, Match};
use super::plane_map::{PlaneMap, similarity};

/// Matches tried as hypotheses, the most telling first.
const MOST_HYPOTHESES: usize = 2500;
/// Hypotheses that are fitted.
const MOST_FITTED: usize = 12;
/// A vote: sizes within this factor (natural logarithm), directions within this, radians.
const SIZE_WITHIN: f64 = 0.35;
const ANGLE_WITHIN: f64 = 0.35;
/// A vote: place within this share of the distance from the hypothesis.
const PLACE_WITHIN: f64 = 0.12;
/// Final tolerance, as a share of the second scan's diagonal: lenses and damp
/// paper bend a sheet by less.
const FINAL_WITHIN: f64 = 0.006;

/// What a set of matches agrees on.
#[derive(Debug, Clone)]
pub(crate) struct Agreement {
    /// First scan's pixels to the second's.
    pub(crate) map: Affine,
    /// The matches that agree, one for each feature.
    pub(crate) pairs: Vec<(Point, Point)>,
    /// Decimal logarithm of the expected number of equally good agreements by chance.
    pub(crate) log10_chance: f64,
}

struct Candidate {
    a: Point,
    b: Point,
    log_size: f64,
    turn: f64,
    first: usize,
    second: usize,
}

/// Angle brought to -pi..pi.
fn wrapped(a: f64) -> f64 {
    let turn = std::f64::consts::TAU;
    a - turn * (a / turn).round()
}

/// The best few agreements, best first.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn agreements(
    first: &Features,
    second: &Features,
    matches: &[Match],
    size: [f64; 2],
    resolved: f64,
) -> Vec<Agreement> {
    let mut order: Vec<&Match> = matches.iter().collect();
    order.sort_by(|p, q| {
        p.ratio
            .total_cmp(&q.ratio)
            .then(p.second.cmp(&q.second))
            .then(p.first.cmp(&q.first))
    });
    let all: Vec<Candidate> = order
        .iter()
        .map(|m| {
            let (f, s) = (&first.list[m.first], &second.list[m.second]);
            Candidate {
                a: f.at,
                b: s.at,
                log_size: libm::log(s.size / f.size),
                turn: s.angle - f.angle,
                first: m.first,
                second: m.second,
            }
        })
        .collect();
    let diagonal = libm::hypot(size[0], size[1]);
    let slack = 4.0 * resolved;
    let mut tried: Vec<(usize, usize, Affine)> = {
        use rayon::prelude::*;
        (0..all.len().min(MOST_HYPOTHESES))
            .into_par_iter()
            .map(|i| {
                let map = said_by(&all[i]);
                let votes = all
                    .iter()
                    .filter(|c| votes(&all[i], &map, c, slack))
                    .count();
                (votes, i, map)
            })
            .collect()
    };
    tried.sort_by(|p, q| q.0.cmp(&p.0).then(p.1.cmp(&q.1)));
    let middle = Point::new(size[0] / 2.0, size[1] / 2.0);
    let mut out: Vec<Agreement> = Vec::new();
    let mut seeds: Vec<Affine> = Vec::new();
    for (count, i, map) in tried {
        if count < 4 || seeds.len() >= MOST_FITTED {
            break;
        }
        // A hypothesis that says nearly what one before said fits to the same.
        let apart = |other: &Affine| {
            let back = map.inverse().map(|m| m.apply(middle));
            back.is_none_or(|p| other.apply(p).distance(middle) > 0.05 * diagonal)
        };
        if !seeds.iter().all(apart) {
            continue;
        }
        seeds.push(map);
        let start: Vec<(Point, Point)> = all
            .iter()
            .filter(|c| votes(&all[i], &map, c, slack))
            .map(|c| (c.a, c.b))
            .collect();
        if let Some(found) = fit(&all, &start, diagonal, resolved, size)
            && out
                .iter()
                .all(|o| !same(&o.map, &found.map, middle, 0.02 * diagonal))
        {
            out.push(found);
        }
    }
    out.sort_by(|p, q| p.log10_chance.total_cmp(&q.log10_chance));
    out
}

/// Whether two maps take the same place to the middle of the second scan.
pub(crate) fn same(a: &Affine, b: &Affine, middle: Point, within: f64) -> bool {
    a.inverse()
        .is_some_and(|m| b.apply(m.apply(middle)).distance(middle) < within)
}

/// The similarity one match says.
fn said_by(c: &Candidate) -> Affine {
    let scale = libm::exp(c.log_size);
    let (s, k) = libm::sincos(c.turn);
    let (s, k) = (s * scale, k * scale);
    Affine([
        k,
        -s,
        c.b.x - k * c.a.x + s * c.a.y,
        s,
        k,
        c.b.y - s * c.a.x - k * c.a.y,
    ])
}

fn votes(of: &Candidate, map: &Affine, c: &Candidate, slack: f64) -> bool {
    (c.log_size - of.log_size).abs() < SIZE_WITHIN
        && wrapped(c.turn - of.turn).abs() < ANGLE_WITHIN
        && map.apply(c.a).distance(c.b) < slack + PLACE_WITHIN * c.b.distance(of.b)
}

/// Fits the votes of a hypothesis with shrinking tolerance.
#[allow(clippy::cast_precision_loss)]
fn fit(
    all: &[Candidate],
    start: &[(Point, Point)],
    diagonal: f64,
    resolved: f64,
    size: [f64; 2],
) -> Option<Agreement> {
    let mut map = robust_similarity(start)?;
    let last = (FINAL_WITHIN * diagonal).max(2.0 * resolved);
    let mut pairs = Vec::new();
    for step in [8.0, 4.0, 2.0, 1.5, 1.0, 1.0] {
        let within = last * step;
        pairs = one_to_one(all, &map, within);
        if pairs.len() < 4 {
            return None;
        }
        // An affine map only where there is plenty to hold it.
        map = if step <= 2.0 && pairs.len() >= 16 {
            let weighted: Vec<(Point, Point, f64)> =
                pairs.iter().map(|(a, b)| (*a, *b, 1.0)).collect();
            match PlaneMap::fit(&weighted, 1) {
                Some((m, _)) => m.affine_at(pairs[0].0),
                None => similarity(&pairs)?,
            }
        } else {
            similarity(&pairs)?
        };
        let det = map.determinant();
        if !(det > 0.01 && det < 100.0) {
            return None;
        }
    }
    let mut seconds: Vec<usize> = all.iter().map(|c| c.second).collect();
    seconds.sort_unstable();
    let all_matches = seconds.len();
    seconds.dedup();
    let offered = seconds.len();
    // A wrong match agrees when it falls into the circle by chance; with
    // several matches a feature any of them may. Directions have to agree as
    // well, sizes are not counted on: their distribution is not even.
    let circle = std::f64::consts::PI * last * last / (size[0] * size[1]);
    let several = all_matches as f64 / offered.max(1) as f64;
    let p = (circle * several * (ANGLE_WITHIN / std::f64::consts::PI)).min(1.0);
    Some(Agreement {
        log10_chance: log10_chance(offered, pairs.len(), p),
        map,
        pairs,
    })
}

/// Similarity of the votes; their far outliers, which the wide vote let in, do not count.
fn robust_similarity(start: &[(Point, Point)]) -> Option<Affine> {
    let mut kept = start.to_vec();
    let mut map = similarity(&kept)?;
    for _ in 0..6 {
        let off: Vec<f64> = start
            .iter()
            .map(|(a, b)| map.apply(*a).distance(*b))
            .collect();
        let cut = 2.5 * crate::stats::median(&off)?;
        kept.clear();
        kept.extend(
            start
                .iter()
                .zip(&off)
                .filter(|(_, r)| **r <= cut)
                .map(|(p, _)| *p),
        );
        map = similarity(&kept)?;
    }
    Some(map)
}

/// The matches within a tolerance, the nearest for each feature of either scan.
fn one_to_one(all: &[Candidate], map: &Affine, within: f64) -> Vec<(Point, Point)> {
    let turn = libm::atan2(map.0[3], map.0[0]);
    let log_size = 0.5 * libm::log(map.determinant().abs().max(1e-12));
    let mut near: Vec<(f64, &Candidate)> = all
        .iter()
        .filter(|c| {
            (c.log_size - log_size).abs() < SIZE_WITHIN
                && wrapped(c.turn - turn).abs() < ANGLE_WITHIN
        })
        .map(|c| (map.apply(c.a).distance(c.b), c))
        .filter(|(off, _)| *off < within)
        .collect();
    near.sort_by(|p, q| {
        p.0.total_cmp(&q.0)
            .then(p.1.first.cmp(&q.1.first))
            .then(p.1.second.cmp(&q.1.second))
    });
    let most = |f: &dyn Fn(&Candidate) -> usize| near.iter().map(|(_, c)| f(c)).max().unwrap_or(0);
    let mut used_first = vec![false; most(&|c| c.first) + 1];
    let mut used_second = vec![false; most(&|c| c.second) + 1];
    let mut seen: Vec<(Point, Point)> = Vec::new();
    for (_, c) in near {
        if used_first[c.first] || used_second[c.second] {
            continue;
        }
        used_first[c.first] = true;
        used_second[c.second] = true;
        // One place with two directions is two features but one piece of evidence.
        let again = seen
            .iter()
            .any(|(a, b)| a.distance(c.a) < 0.5 && b.distance(c.b) < 0.5);
        if !again {
            seen.push((c.a, c.b));
        }
    }
    seen
}

/// log10 of n C(n, k) C(k, 3) p^(k - 3): three pairs make an affine map, the
/// others agree with it by chance.
#[allow(clippy::cast_precision_loss)]
fn log10_chance(n: usize, k: usize, p: f64) -> f64 {
    if k <= 3 || p <= 0.0 {
        return 0.0;
    }
    let choose = |n: f64, k: f64| {
        (libm::lgamma(n + 1.0) - libm::lgamma(k + 1.0) - libm::lgamma(n - k + 1.0))
            / std::f64::consts::LN_10
    };
    let (n, k) = (n as f64, k as f64);
    libm::log10(n) + choose(n, k) + choose(k, 3.0) + (k - 3.0) * libm::log10(p)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn chance_is_that_of_moisan_and_stival() {
        // n C(n, k) C(k, s) p^(k - s) with n = 10, k = 5, s = 3, p = 0.01:
        // 10 * 252 * 10 * 1e-4 = 2.52.
        assert!((log10_chance(10, 5, 0.01) - libm::log10(2.52)).abs() < 1e-9);
        assert!(log10_chance(10, 3, 0.01) >= 0.0);
    }
}
