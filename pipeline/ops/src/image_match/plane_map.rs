//! A smooth map from one scan's pixels to another's.
//!
//! A polynomial of first, second or third degree in each coordinate, fitted by
//! iteratively reweighted least squares with Tukey's bisquare weights (Beaton
//! and Tukey 1974). First degree is affine; the third holds what perspective
//! and the distortion of a lens (Brown, "Decentering distortion of lenses",
//! Photogrammetric Engineering 32, 1966: leading term of third order) do to a
//! flat sheet.

use nalgebra::DMatrix;
use restrike_model::{Affine, Point};
use serde::{Deserialize, Serialize};

use crate::stats::median;

/// Terms of a polynomial of third degree in two coordinates.
const TERMS: usize = 10;
const BISQUARE: f64 = 4.685;

/// A polynomial map.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlaneMap {
    degree: u8,
    /// Centre and half extent of the points it was fitted on.
    centre: Point,
    half: f64,
    /// Half extent of the points along x and y, in `half`. Beyond it, where
    /// higher terms run wild, the map goes on by the affine fit.
    reach: [f64; 2],
    /// Slopes of the affine fit: x by u and v, y by u and v.
    straight: [f64; 4],
    x: [f64; TERMS],
    y: [f64; TERMS],
}

/// Terms of a degree.
fn terms(degree: u8) -> usize {
    match degree {
        0 | 1 => 3,
        2 => 6,
        _ => TERMS,
    }
}

fn basis(u: f64, v: f64) -> [f64; TERMS] {
    [
        1.0,
        u,
        v,
        u * u,
        u * v,
        v * v,
        u * u * u,
        u * u * v,
        u * v * v,
        v * v * v,
    ]
}

impl PlaneMap {
    /// The map that an affine map is.
    pub fn of_affine(m: &Affine) -> Self {
        let [a, b, c, d, e, f] = m.0;
        let mut out = Self {
            degree: 1,
            centre: Point::new(0.0, 0.0),
            half: 1.0,
            reach: [1.0; 2],
            straight: [a, b, d, e],
            x: [0.0; TERMS],
            y: [0.0; TERMS],
        };
        out.x[..3].copy_from_slice(&[c, a, b]);
        out.y[..3].copy_from_slice(&[f, d, e]);
        out
    }

    /// Degree of the polynomial: 1 is affine.
    pub fn degree(&self) -> u8 {
        self.degree
    }

    /// A point in the polynomial's coordinates, brought into the extent of the
    /// points it was fitted on, and how far that moved it.
    fn brought(&self, p: Point) -> (Point, Point) {
        let q = (p - self.centre) * (1.0 / self.half);
        if self.degree <= 1 {
            return (q, Point::new(0.0, 0.0));
        }
        let [x, y] = self.reach;
        let near = Point::new(q.x.clamp(-x, x), q.y.clamp(-y, y));
        (near, q - near)
    }

    /// Derivatives of both coordinates by u and v at a place in the polynomial's
    /// coordinates.
    fn slopes(&self, q: Point) -> [f64; 4] {
        let (u, v) = (q.x, q.y);
        let du = [
            0.0,
            1.0,
            0.0,
            2.0 * u,
            v,
            0.0,
            3.0 * u * u,
            2.0 * u * v,
            v * v,
            0.0,
        ];
        let dv = [
            0.0,
            0.0,
            1.0,
            0.0,
            u,
            2.0 * v,
            0.0,
            u * u,
            2.0 * u * v,
            3.0 * v * v,
        ];
        let n = terms(self.degree);
        let sum = |c: &[f64; TERMS], b: &[f64; TERMS]| {
            c.iter().zip(b).take(n).map(|(c, b)| c * b).sum::<f64>()
        };
        [
            sum(&self.x, &du),
            sum(&self.x, &dv),
            sum(&self.y, &du),
            sum(&self.y, &dv),
        ]
    }

    /// Where a point goes.
    pub fn apply(&self, p: Point) -> Point {
        let (q, beyond) = self.brought(p);
        let b = basis(q.x, q.y);
        let n = terms(self.degree);
        let sum = |c: &[f64; TERMS]| c.iter().zip(&b).take(n).map(|(c, b)| c * b).sum::<f64>();
        let at = Point::new(sum(&self.x), sum(&self.y));
        if beyond == Point::new(0.0, 0.0) {
            return at;
        }
        let [a, b, c, d] = self.straight;
        at + Point::new(a * beyond.x + b * beyond.y, c * beyond.x + d * beyond.y)
    }

    /// The affine map that touches it at a place.
    pub fn affine_at(&self, p: Point) -> Affine {
        let (q, beyond) = self.brought(p);
        let mut by = self.slopes(q);
        for (k, v) in by.iter_mut().enumerate() {
            let out = if k % 2 == 0 { beyond.x } else { beyond.y };
            if out != 0.0 {
                *v = self.straight[k];
            }
        }
        let [a, b, d, e] = by.map(|v| v / self.half);
        let at = self.apply(p);
        Affine([
            a,
            b,
            at.x - a * p.x - b * p.y,
            d,
            e,
            at.y - d * p.x - e * p.y,
        ])
    }

    /// The point that goes to `q`, by Newton's method from the affine inverse
    /// at the centre. `None` where the map folds or the steps do not end.
    pub fn inverse_apply(&self, q: Point) -> Option<Point> {
        let mut p = self.affine_at(self.centre).inverse()?.apply(q);
        for _ in 0..20 {
            let m = self.affine_at(p);
            let next = m.inverse()?.apply(q);
            let step = next.distance(p);
            p = next;
            if step < 1e-9 * self.half.max(1.0) {
                return Some(p);
            }
        }
        None
    }

    /// Fits pairs of points with weights. `None` when they do not determine
    /// the map. Also gives the robust scatter of one coordinate.
    pub fn fit(pairs: &[(Point, Point, f64)], degree: u8) -> Option<(Self, f64)> {
        let n = terms(degree);
        if pairs.len() < 2 * n {
            return None;
        }
        let (mut low, mut high) = (pairs[0].0, pairs[0].0);
        for (p, _, _) in pairs {
            low = Point::new(low.x.min(p.x), low.y.min(p.y));
            high = Point::new(high.x.max(p.x), high.y.max(p.y));
        }
        let centre = (low + high) * 0.5;
        let half = ((high.x - low.x).max(high.y - low.y) / 2.0).max(1e-9);
        let rows: Vec<[f64; TERMS]> = pairs
            .iter()
            .map(|(p, _, _)| basis((p.x - centre.x) / half, (p.y - centre.y) / half))
            .collect();
        let mut weights: Vec<f64> = pairs.iter().map(|p| p.2.max(0.0)).collect();
        let mut out = Self {
            degree,
            centre,
            half,
            reach: [
                (high.x - low.x) / (2.0 * half),
                (high.y - low.y) / (2.0 * half),
            ],
            straight: [0.0; 4],
            x: [0.0; TERMS],
            y: [0.0; TERMS],
        };
        let mut sigma = f64::INFINITY;
        for round in 0..25 {
            let mut normal = DMatrix::<f64>::zeros(n, n);
            let mut right = DMatrix::<f64>::zeros(n, 2);
            for ((b, (_, q, _)), w) in rows.iter().zip(pairs).zip(&weights) {
                for i in 0..n {
                    for j in 0..n {
                        normal[(i, j)] += w * b[i] * b[j];
                    }
                    right[(i, 0)] += w * b[i] * q.x;
                    right[(i, 1)] += w * b[i] * q.y;
                }
            }
            let solved = normal.cholesky()?.solve(&right);
            for i in 0..n {
                out.x[i] = solved[(i, 0)];
                out.y[i] = solved[(i, 1)];
            }
            let off: Vec<f64> = pairs
                .iter()
                .map(|(p, q, _)| out.apply(*p).distance(*q))
                .collect();
            // The median distance of a two-dimensional normal is 1.1774 sigma.
            let next = median(&off)? / 1.177_41;
            let settled = (next - sigma).abs() < 1e-4 * next.max(1e-9);
            sigma = next;
            if settled && round > 2 {
                break;
            }
            let cut = BISQUARE * sigma.max(1e-6);
            for ((w, r), (_, _, given)) in weights.iter_mut().zip(&off).zip(pairs) {
                let u = r / cut;
                *w = if u < 1.0 {
                    given.max(0.0) * (1.0 - u * u) * (1.0 - u * u)
                } else {
                    0.0
                };
            }
        }
        // At the middle; a fit of higher degree has the affine one's from `fit_best`.
        out.straight = out.slopes(Point::new(0.0, 0.0));
        let finite = out.x.iter().chain(&out.y).all(|v| v.is_finite());
        finite.then_some((out, sigma))
    }

    /// The similarity of a few weighted pairs, by the same reweighting, and the
    /// scatter of one coordinate about it.
    pub(crate) fn fit_similarity(pairs: &[(Point, Point, f64)]) -> Option<(Self, f64)> {
        let mut weighted = pairs.to_vec();
        let mut map = weighted_similarity(&weighted)?;
        let mut sigma = f64::NAN;
        for _ in 0..10 {
            let off: Vec<f64> = pairs
                .iter()
                .map(|(p, q, _)| map.apply(*p).distance(*q))
                .collect();
            sigma = median(&off)? / 1.177_41;
            let cut = BISQUARE * sigma.max(1e-6);
            for ((_, _, w), (r, (_, _, given))) in weighted.iter_mut().zip(off.iter().zip(pairs)) {
                let u = (r / cut).min(1.0);
                *w = given.max(0.0) * (1.0 - u * u) * (1.0 - u * u);
            }
            map = weighted_similarity(&weighted)?;
        }
        Some((Self::of_affine(&map), sigma))
    }

    /// The fit of the degree that explains the pairs best by Schwarz's
    /// criterion (1978), each pair two numbers of scatter `sigma`.
    pub fn fit_best(pairs: &[(Point, Point, f64)], most: u8) -> Option<(Self, f64)> {
        let mut best: Option<(f64, (Self, f64))> = None;
        let mut straight = None;
        for degree in 1..=most {
            let Some(mut fit) = Self::fit(pairs, degree) else {
                continue;
            };
            fit.0.straight = *straight.get_or_insert(fit.0.straight);
            #[allow(clippy::cast_precision_loss)]
            let (n, k) = (2.0 * pairs.len() as f64, 2.0 * terms(degree) as f64);
            let bic = n * 2.0 * libm::log(fit.1.max(1e-9)) + k * libm::log(n);
            if best.as_ref().is_none_or(|(b, _)| bic < *b) {
                best = Some((bic, fit));
            }
        }
        best.map(|(_, fit)| fit)
    }
}

/// Least-squares similarity (scale, turn, shift) of pairs.
pub(crate) fn similarity(pairs: &[(Point, Point)]) -> Option<Affine> {
    let weighted: Vec<(Point, Point, f64)> = pairs.iter().map(|(p, q)| (*p, *q, 1.0)).collect();
    weighted_similarity(&weighted)
}

/// Least-squares similarity of weighted pairs.
///
/// Umeyama, "Least-squares estimation of transformation parameters between two
/// point patterns", IEEE PAMI 13(4), 1991, in the closed form of the plane.
fn weighted_similarity(pairs: &[(Point, Point, f64)]) -> Option<Affine> {
    let n: f64 = pairs.iter().map(|p| p.2).sum();
    if pairs.len() < 2 || n <= 0.0 {
        return None;
    }
    let mean = |f: &dyn Fn(&(Point, Point, f64)) -> Point| {
        let sum = pairs
            .iter()
            .fold(Point::new(0.0, 0.0), |s, p| s + f(p) * p.2);
        sum * (1.0 / n)
    };
    let (ca, cb) = (mean(&|p| p.0), mean(&|p| p.1));
    let (mut dot, mut cross, mut size) = (0.0, 0.0, 0.0);
    for (a, b, w) in pairs {
        let (a, b) = (*a - ca, *b - cb);
        dot += w * a.dot(b);
        cross += w * (a.x * b.y - a.y * b.x);
        size += w * a.dot(a);
    }
    if size <= 0.0 {
        return None;
    }
    let (c, s) = (dot / size, cross / size);
    Some(Affine([
        c,
        -s,
        cb.x - c * ca.x + s * ca.y,
        s,
        c,
        cb.y - s * ca.x - c * ca.y,
    ]))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn beyond_its_points_it_goes_on_straight() {
        let bent = |p: Point| Point::new(p.x + 1e-6 * p.x * p.x * p.x, 2.0 * p.y);
        let pairs: Vec<(Point, Point, f64)> = (0..200)
            .map(|k| Point::new(f64::from(k % 20) * 10.0, f64::from(k / 20) * 10.0))
            .map(|p| (p, bent(p), 1.0))
            .collect();
        let (map, sigma) = PlaneMap::fit_best(&pairs, 3).unwrap();
        assert!(map.degree() == 3 && sigma < 1e-6);
        let inside = Point::new(77.0, 33.0);
        assert!(map.apply(inside).distance(bent(inside)) < 1e-6);
        // The points end at 190: from there by the slope of the affine fit.
        let affine = PlaneMap::fit(&pairs, 1).unwrap().0.affine_at(inside);
        let on = map.apply(Point::new(290.0, 33.0)).x;
        let straight = bent(Point::new(190.0, 0.0)).x + 100.0 * affine.0[0];
        assert!((on - straight).abs() < 1e-5, "{on} and {straight}");
        let back = map.inverse_apply(map.apply(Point::new(290.0, 33.0)));
        assert!(back.unwrap().distance(Point::new(290.0, 33.0)) < 1e-6);
    }

    #[test]
    fn a_similarity_of_few_places_is_not_moved_by_an_astray_one() {
        let truth = Affine::rotation(0.3).then(&Affine::scale(1.4, 1.4));
        let mut pairs: Vec<(Point, Point, f64)> = (0..9)
            .map(|k| Point::new(f64::from(k % 3) * 40.0, f64::from(k / 3) * 40.0))
            .map(|p| (p, truth.apply(p), 1.0))
            .collect();
        pairs[4].1 = pairs[4].1 + Point::new(3.0, -2.0);
        let (map, _) = PlaneMap::fit_similarity(&pairs).unwrap();
        let p = Point::new(100.0, -30.0);
        assert!(map.apply(p).distance(truth.apply(p)) < 0.01);
    }
}
