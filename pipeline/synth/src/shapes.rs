//! Plane geometry in millimetres: curves as dense polylines, areas as rings,
//! outlines of strokes, offsets and clipping.
//!
//! The polylines are the truth: curves are flattened once, when a design is
//! drawn, so there is no flattening error afterwards.

/// A point `[x, y]`, millimetres (or pixels after the map to the scan).
pub type P = [f64; 2];

pub(crate) fn add(a: P, b: P) -> P {
    [a[0] + b[0], a[1] + b[1]]
}
pub(crate) fn sub(a: P, b: P) -> P {
    [a[0] - b[0], a[1] - b[1]]
}
pub(crate) fn scale(a: P, s: f64) -> P {
    [a[0] * s, a[1] * s]
}
pub(crate) fn dot(a: P, b: P) -> f64 {
    a[0] * b[0] + a[1] * b[1]
}
pub(crate) fn len(a: P) -> f64 {
    dot(a, a).sqrt()
}
pub(crate) fn lerp(a: P, b: P, t: f64) -> P {
    [a[0] + (b[0] - a[0]) * t, a[1] + (b[1] - a[1]) * t]
}
/// Left-hand unit normal of direction `d`.
pub(crate) fn normal(d: P) -> P {
    let l = len(d);
    if l > 0.0 {
        [-d[1] / l, d[0] / l]
    } else {
        [0.0, 0.0]
    }
}

/// Length of a polyline.
pub fn arc_length(pts: &[P]) -> f64 {
    pts.windows(2).map(|w| len(sub(w[1], w[0]))).sum()
}

/// Point and unit tangent at arc length `s` (clamped to the ends).
pub fn at_arc(pts: &[P], s: f64) -> Option<(P, P)> {
    let mut left = s.max(0.0);
    let mut last = None;
    for w in pts.windows(2) {
        let d = sub(w[1], w[0]);
        let l = len(d);
        if l == 0.0 {
            continue;
        }
        let t = scale(d, 1.0 / l);
        if left <= l {
            return Some((add(w[0], scale(t, left)), t));
        }
        left -= l;
        last = Some((w[1], t));
    }
    last
}

/// The part of a polyline between two arc lengths.
pub(crate) fn sub_line(pts: &[P], from: f64, to: f64) -> Vec<P> {
    let mut out = Vec::new();
    let mut s = 0.0;
    for w in pts.windows(2) {
        let l = len(sub(w[1], w[0]));
        let (a, b) = (s, s + l);
        s = b;
        if l == 0.0 || b <= from || a >= to {
            continue;
        }
        let t0 = ((from - a) / l).max(0.0);
        let t1 = ((to - a) / l).min(1.0);
        if out.is_empty() {
            out.push(lerp(w[0], w[1], t0));
        }
        out.push(lerp(w[0], w[1], t1));
    }
    out
}

/// Adds points so that no step is longer than `step`.
pub(crate) fn densify(pts: &[P], step: f64) -> Vec<P> {
    let mut out = Vec::with_capacity(pts.len() * 2);
    for w in pts.windows(2) {
        let n = (len(sub(w[1], w[0])) / step).ceil().max(1.0) as usize;
        for i in 0..n {
            out.push(lerp(w[0], w[1], i as f64 / n as f64));
        }
    }
    out.extend(pts.last());
    out
}

/// Same for a closed ring.
pub(crate) fn densify_ring(ring: &[P], step: f64) -> Vec<P> {
    let mut closed = ring.to_vec();
    closed.extend(ring.first());
    let mut out = densify(&closed, step);
    out.pop();
    out
}

/// Catmull-Rom curve through `ctrl`, about `step` mm a segment.
pub(crate) fn curve(ctrl: &[P], closed: bool, step: f64) -> Vec<P> {
    let n = ctrl.len();
    if n < 3 {
        return densify(ctrl, step);
    }
    let get = |i: isize| -> P {
        if closed {
            ctrl[i.rem_euclid(n as isize) as usize]
        } else {
            ctrl[i.clamp(0, n as isize - 1) as usize]
        }
    };
    let spans = if closed { n } else { n - 1 };
    let mut out = Vec::new();
    for i in 0..spans as isize {
        let (p0, p1, p2, p3) = (get(i - 1), get(i), get(i + 1), get(i + 2));
        let m = (len(sub(p2, p1)) / step).ceil().max(1.0) as usize;
        for k in 0..m {
            let t = k as f64 / m as f64;
            let f = |a: usize| {
                let (a0, a1, a2, a3) = (p0[a], p1[a], p2[a], p3[a]);
                0.5 * (2.0 * a1
                    + (a2 - a0) * t
                    + (2.0 * a0 - 5.0 * a1 + 4.0 * a2 - a3) * t * t
                    + (3.0 * a1 - a0 - 3.0 * a2 + a3) * t * t * t)
            };
            out.push([f(0), f(1)]);
        }
    }
    if !closed {
        out.extend(ctrl.last());
    }
    out
}

/// Ellipse ring, turned by `turn` radians.
pub(crate) fn ellipse(c: P, rx: f64, ry: f64, turn: f64) -> Vec<P> {
    let n = ((rx.max(ry) * std::f64::consts::TAU / 0.15).ceil() as usize).clamp(24, 720);
    let (st, ct) = libm::sincos(turn);
    (0..n)
        .map(|i| {
            let (s, k) = libm::sincos(std::f64::consts::TAU * i as f64 / n as f64);
            let (x, y) = (rx * k, ry * s);
            [c[0] + ct * x - st * y, c[1] + st * x + ct * y]
        })
        .collect()
}

/// Axis-parallel rectangle ring, counter-clockwise from lower left.
pub(crate) fn rect(x0: f64, y0: f64, x1: f64, y1: f64) -> Vec<P> {
    vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]
}

/// Signed area of a ring, positive when counter-clockwise.
pub fn signed_area(ring: &[P]) -> f64 {
    let n = ring.len();
    (0..n)
        .map(|i| {
            let (a, b) = (ring[i], ring[(i + 1) % n]);
            a[0] * b[1] - b[0] * a[1]
        })
        .sum::<f64>()
        / 2.0
}

/// Whether `p` lies inside the ring (even-odd).
pub fn inside(ring: &[P], p: P) -> bool {
    let n = ring.len();
    let mut odd = false;
    for i in 0..n {
        let (a, b) = (ring[i], ring[(i + 1) % n]);
        if (a[1] > p[1]) != (b[1] > p[1])
            && p[0] < a[0] + (p[1] - a[1]) / (b[1] - a[1]) * (b[0] - a[0])
        {
            odd = !odd;
        }
    }
    odd
}

/// Offset direction at vertex `i`: unit normal lengthened to keep mitres true,
/// at most doubled.
fn mitre(prev: Option<P>, p: P, next: Option<P>) -> P {
    let (n0, n1) = match (prev, next) {
        (Some(a), Some(b)) => (normal(sub(p, a)), normal(sub(b, p))),
        (Some(a), None) => (normal(sub(p, a)), normal(sub(p, a))),
        (None, Some(b)) => (normal(sub(b, p)), normal(sub(b, p))),
        (None, None) => return [0.0, 0.0],
    };
    let m = add(n0, n1);
    let l = len(m);
    if l < 1e-9 {
        return n1;
    }
    // |m| = 2 cos(half the turn); the mitre is 1 / cos(half the turn) long.
    scale(m, (2.0 / l).min(2.0) / l)
}

/// Mitred left-hand normals along a polyline or ring.
pub(crate) fn normals(pts: &[P], closed: bool) -> Vec<P> {
    let n = pts.len();
    (0..n)
        .map(|i| {
            let prev = if i > 0 {
                Some(pts[i - 1])
            } else if closed {
                Some(pts[n - 1])
            } else {
                None
            };
            let next = if i + 1 < n {
                Some(pts[i + 1])
            } else if closed {
                Some(pts[0])
            } else {
                None
            };
            mitre(prev, pts[i], next)
        })
        .collect()
}

/// Moves every edge of a ring outward (away from the printing area) by `by`
/// millimetres; negative moves inward. Vertex offset with mitres: exact for
/// straight edges, and for curves whose radius is well above `by`.
pub(crate) fn offset_ring(ring: &[P], by: f64, hole: bool) -> Vec<P> {
    let left_is_inside = signed_area(ring) > 0.0;
    // Left-hand normal points inside a counter-clockwise ring.
    let sign = if left_is_inside == hole { 1.0 } else { -1.0 };
    normals(ring, true)
        .iter()
        .zip(ring)
        .map(|(n, p)| add(*p, scale(*n, sign * by)))
        .collect()
}

/// Clips a ring to a rectangle (Sutherland & Hodgman 1974).
pub(crate) fn clip_ring(ring: &[P], lo: P, hi: P) -> Vec<P> {
    let mut out = ring.to_vec();
    for (axis, bound, keep_above) in [
        (0, lo[0], true),
        (0, hi[0], false),
        (1, lo[1], true),
        (1, hi[1], false),
    ] {
        let input = std::mem::take(&mut out);
        let ok = |p: P| (p[axis] >= bound) == keep_above || p[axis] == bound;
        for i in 0..input.len() {
            let (a, b) = (input[i], input[(i + 1) % input.len()]);
            if ok(a) {
                out.push(a);
            }
            if ok(a) != ok(b) {
                out.push(lerp(a, b, (bound - a[axis]) / (b[axis] - a[axis])));
            }
        }
    }
    out
}

/// The runs of a polyline whose points satisfy `keep`; the cut is found by
/// bisection to 1e-6 of a step.
pub(crate) fn runs(pts: &[P], keep: &dyn Fn(P) -> bool) -> Vec<Vec<P>> {
    let mut out = Vec::new();
    let mut run: Vec<P> = Vec::new();
    let mut before: Option<(P, bool)> = None;
    for &p in pts {
        let k = keep(p);
        if let Some((q, was)) = before
            && was != k
        {
            let (mut a, mut b) = (0.0, 1.0);
            for _ in 0..20 {
                let m = 0.5 * (a + b);
                if keep(lerp(q, p, m)) == was {
                    a = m;
                } else {
                    b = m;
                }
            }
            run.push(lerp(q, p, 0.5 * (a + b)));
            if was {
                out.push(std::mem::take(&mut run));
            }
        }
        if k {
            run.push(p);
        }
        before = Some((p, k));
    }
    if run.len() > 1 {
        out.push(run);
    }
    out.retain(|r| r.len() > 1);
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn offset_square() {
        let sq = rect(0.0, 0.0, 2.0, 2.0);
        assert!((signed_area(&offset_ring(&sq, 0.5, false)) - 9.0).abs() < 1e-12);
        assert!((signed_area(&offset_ring(&sq, -0.5, false)) - 1.0).abs() < 1e-12);
        assert!((signed_area(&offset_ring(&sq, 0.5, true)) - 1.0).abs() < 1e-12);
        let cw: Vec<P> = sq.into_iter().rev().collect();
        assert!((signed_area(&offset_ring(&cw, 0.5, true)) + 1.0).abs() < 1e-12);
    }

    #[test]
    fn clip_and_runs() {
        let c = clip_ring(&rect(-1.0, -1.0, 3.0, 3.0), [0.0, 0.0], [2.0, 1.0]);
        assert!((signed_area(&c) - 2.0).abs() < 1e-12);
        let line = densify(&[[0.0, 0.0], [10.0, 0.0]], 0.7);
        let r = runs(&line, &|p| p[0] < 3.0 || p[0] > 6.0);
        assert_eq!(r.len(), 2);
        assert!((arc_length(&r[0]) - 3.0).abs() < 1e-4);
        assert!((arc_length(&r[1]) - 4.0).abs() < 1e-4);
        assert!((arc_length(&sub_line(&line, 2.0, 5.5)) - 3.5).abs() < 1e-12);
    }
}
