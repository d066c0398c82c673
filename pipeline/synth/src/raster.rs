//! Exact area coverage of polygons in strips of the scan.

use ab_glyph_rasterizer::{Rasterizer, point};

use crate::shapes::P;

/// A polygon in sub-pixel coordinates of the whole scan.
#[derive(Debug, Clone)]
pub(crate) struct Poly {
    pub(crate) points: Vec<P>,
    pub(crate) lo: P,
    pub(crate) hi: P,
}

impl Poly {
    pub(crate) fn new(points: Vec<P>) -> Self {
        let mut lo = [f64::INFINITY; 2];
        let mut hi = [f64::NEG_INFINITY; 2];
        for p in &points {
            for a in 0..2 {
                lo[a] = lo[a].min(p[a]);
                hi[a] = hi[a].max(p[a]);
            }
        }
        Self { points, lo, hi }
    }
}

/// Part of the sub-pixel grid: columns x0.., rows y0.. .
#[derive(Debug, Clone, Copy)]
pub(crate) struct Window {
    pub(crate) x0: usize,
    pub(crate) y0: usize,
    pub(crate) w: usize,
    pub(crate) h: usize,
}

/// Coverage by a group of polygons, all of one orientation, within a window.
pub(crate) struct Coverage {
    rasterizer: Rasterizer,
}

impl Coverage {
    pub(crate) fn new() -> Self {
        Self {
            rasterizer: Rasterizer::new(1, 1),
        }
    }

    /// Bounding window of the polygons inside `within`.
    pub(crate) fn bounds<'a>(
        polys: impl Iterator<Item = &'a Poly>,
        within: Window,
    ) -> Option<Window> {
        let lo = [within.x0 as f64, within.y0 as f64];
        let hi = [lo[0] + within.w as f64, lo[1] + within.h as f64];
        let (mut a, mut b) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in polys {
            if p.hi[0] > lo[0] && p.hi[1] > lo[1] && p.lo[0] < hi[0] && p.lo[1] < hi[1] {
                for i in 0..2 {
                    a[i] = a[i].min(p.lo[i].max(lo[i]));
                    b[i] = b[i].max(p.hi[i].min(hi[i]));
                }
            }
        }
        if a[0] >= b[0] || a[1] >= b[1] {
            return None;
        }
        let (x0, y0) = (a[0].floor() as usize, a[1].floor() as usize);
        Some(Window {
            x0,
            y0,
            w: b[0].ceil() as usize - x0,
            h: b[1].ceil() as usize - y0,
        })
    }

    /// Calls `put(index in the window, coverage 0..=1)` for every sub-pixel.
    pub(crate) fn fill<'a>(
        &mut self,
        polys: impl Iterator<Item = &'a Poly>,
        win: Window,
        mut put: impl FnMut(usize, f32),
    ) {
        self.rasterizer.reset(win.w, win.h);
        let lo = [win.x0 as f64, win.y0 as f64];
        let hi = [lo[0] + win.w as f64, lo[1] + win.h as f64];
        for p in polys {
            if p.hi[1] <= lo[1] || p.lo[1] >= hi[1] || p.lo[0] >= hi[0] || p.hi[0] <= lo[0] {
                continue;
            }
            let n = p.points.len();
            for i in 0..n {
                self.edge(p.points[i], p.points[(i + 1) % n], lo, hi);
            }
        }
        self.rasterizer.for_each_pixel(|i, c| put(i, c.min(1.0)));
    }

    /// Draws one edge, clipped to the window. What lies left of it still
    /// counts as an edge along the left side; what lies right of it along the
    /// right side, so that the sum over each row stays zero.
    fn edge(&mut self, a: P, b: P, lo: P, hi: P) {
        if (a[1] <= lo[1] && b[1] <= lo[1]) || (a[1] >= hi[1] && b[1] >= hi[1]) || a[1] == b[1] {
            return;
        }
        // Clip in y.
        let at_y = |y: f64| a[0] + (y - a[1]) / (b[1] - a[1]) * (b[0] - a[0]);
        let clip = |p: P| {
            if p[1] < lo[1] {
                [at_y(lo[1]), lo[1]]
            } else if p[1] > hi[1] {
                [at_y(hi[1]), hi[1]]
            } else {
                p
            }
        };
        let (p, q) = (clip(a), clip(b));
        // Split where the edge crosses the window's sides.
        let mut cuts = [0.0, 1.0, 1.0, 1.0];
        let mut n = 1;
        if p[0] != q[0] {
            let mut t = [
                (lo[0] - p[0]) / (q[0] - p[0]),
                (hi[0] - p[0]) / (q[0] - p[0]),
            ];
            if t[0] > t[1] {
                t.swap(0, 1);
            }
            for t in t {
                if t > 0.0 && t < 1.0 {
                    cuts[n] = t;
                    n += 1;
                }
            }
        }
        cuts[n] = 1.0;
        let clamp = |t: f64| {
            let v = crate::shapes::lerp(p, q, t);
            [v[0].clamp(lo[0], hi[0]), v[1]]
        };
        for k in 0..n {
            let (u, v) = (clamp(cuts[k]), clamp(cuts[k + 1]));
            self.rasterizer.draw_line(
                point((u[0] - lo[0]) as f32, (u[1] - lo[1]) as f32),
                point((v[0] - lo[0]) as f32, (v[1] - lo[1]) as f32),
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cover(points: &[P], win: Window) -> Vec<f32> {
        let mut out = vec![0.0; win.w * win.h];
        let polys = [Poly::new(points.to_vec())];
        Coverage::new().fill(polys.iter(), win, |i, c| out[i] = c);
        out
    }

    /// Coverage of a triangle summed over windows is its area, wherever the
    /// windows cut it.
    #[test]
    fn windows_add_up() {
        let tri = [[-3.2, 1.3], [17.7, 4.9], [6.4, 21.1]];
        let area = crate::shapes::signed_area(&tri).abs();
        let whole: f64 = [
            (0, 0),
            (8, 0),
            (0, 8),
            (8, 8),
            (0, 16),
            (8, 16),
            (16, 0),
            (16, 8),
            (16, 16),
        ]
        .iter()
        .map(|(x0, y0)| {
            cover(
                &tri,
                Window {
                    x0: *x0,
                    y0: *y0,
                    w: 8,
                    h: 8,
                },
            )
            .iter()
            .map(|c| f64::from(*c))
            .sum::<f64>()
        })
        .sum();
        // The part left of x = 0, by clipping.
        let left =
            crate::shapes::signed_area(&crate::shapes::clip_ring(&tri, [-9.0, -9.0], [0.0, 99.0]))
                .abs();
        assert!(
            (whole - (area - left)).abs() < 1e-3,
            "{whole} {area} {left}"
        );
    }

    #[test]
    fn pixel_convention() {
        let c = cover(
            &[[1.25, 0.5], [3.0, 0.5], [3.0, 1.0], [1.25, 1.0]],
            Window {
                x0: 0,
                y0: 0,
                w: 4,
                h: 2,
            },
        );
        let want = [0.0, 0.375, 0.5, 0.0, 0.0, 0.0, 0.0, 0.0];
        for (a, b) in c.iter().zip(want) {
            assert!((a - b).abs() < 1e-6, "{c:?}");
        }
    }
}
