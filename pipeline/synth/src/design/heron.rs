//! The sample scenario's design: 'Heron at the salt pans'.

use super::Role;
use super::landscape::{Ridge, band, mist, profile, reeds};
use super::pen::Pen;
use crate::shapes::{P, curve, densify, ellipse, inside, rect, runs};

pub(super) fn draw(pen: &mut Pen) -> String {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    let horizon = 0.12 * b;
    sky(pen, horizon);
    pans(pen, horizon);
    heron(pen, [-0.18 * a, -0.62 * b]);
    // Near bank with reeds.
    let shore = Ridge::new(pen, -0.8 * b, 2.5 * u, 3);
    for bank in band(pen, &|x| shore.at(x), &|_| -b) {
        pen.knock_out(&bank);
        for c in ["mist", "ochre"] {
            pen.clear(c, &bank);
        }
        pen.fill("green", &bank);
        pen.fill("brown", &bank);
    }
    let top = profile(pen, &|x| shore.at(x));
    pen.line(&top, 0.5, 0.0, Role::Contour);
    for x in [-0.85, -0.6, 0.45, 0.62, 0.85] {
        reeds(pen, [x * a, shore.at(x * a) - u], 7, 26.0 * u);
    }
    for _ in 0..60 {
        let x = pen.rng.range(-a, a);
        let y = pen.rng.range(-0.98 * b, shore.at(x) - u);
        let l = u * pen.rng.range(1.0, 3.0);
        pen.line(
            &[[x, y], [x + 0.2 * l, y + 0.3 * l]],
            0.14,
            0.3,
            Role::Hatch,
        );
    }
    pen.column([a - 6.0 * u, b - 7.0 * u], 5.4 * u, 6);
    pen.seal([a - 6.0 * u, b - 44.0 * u], 5.0 * u);
    "Heron at the salt pans".to_owned()
}

/// Bokashi sky, sun, distant hills and a mist.
fn sky(pen: &mut Pen, horizon: f64) {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    pen.fill("blue", &rect(-a, horizon, a, b));
    pen.gradate("blue", [0.0, 0.92 * b], [0.0, horizon + 0.12 * b]);
    let sun = ellipse([0.42 * a, 0.52 * b], 9.0 * u, 9.0 * u, 0.0);
    pen.clear("blue", &sun);
    pen.fill("red", &sun);
    let far = Ridge::new(pen, horizon + 11.0 * u, 5.0 * u, 4);
    let near = Ridge::new(pen, horizon + 4.5 * u, 3.0 * u, 5);
    for ring in band(pen, &|x| far.at(x), &|x| near.at(x).max(horizon)) {
        pen.fill("mist", &ring);
    }
    for ring in band(pen, &|x| near.at(x), &|_| horizon) {
        pen.fill("green", &ring);
    }
    for (ridge, floor, w) in [(&far, Some(&near), 0.25), (&near, None, 0.34)] {
        let low = |x: f64| floor.map_or(horizon, |f| f.at(x).max(horizon));
        let top = profile(pen, &|x| ridge.at(x));
        for run in runs(&top, &|p| p[1] > low(p[0]) + 0.3) {
            pen.line(&run, w, 0.05, Role::Contour);
        }
        for _ in 0..26 {
            let x = pen.rng.range(-a, a);
            let y = ridge.at(x) - u;
            let l = u * pen.rng.range(1.5, 5.0);
            let pts = curve(
                &[[x, y], [x + 0.1 * l, y - 0.5 * l], [x + 0.4 * l, y - l]],
                false,
                0.15,
            );
            for run in runs(&pts, &|p| p[1] > low(p[0]) + 0.3) {
                pen.line(&run, 0.15, 0.4, Role::Hatch);
            }
        }
    }
    let m = mist(pen, horizon + 24.0 * u, 7.0 * u);
    pen.fill("mist", &m);
    for (x, y) in [(-0.5, 0.7), (-0.36, 0.76), (-0.22, 0.7)] {
        let (c, s) = ([x * a, y * b], 2.4 * u);
        let pts = [
            [-1.0, 0.35],
            [-0.5, 0.5],
            [0.0, 0.0],
            [0.5, 0.55],
            [1.0, 0.4],
        ]
        .map(|p: P| [c[0] + s * p[0], c[1] + s * p[1]]);
        pen.line(&curve(&pts, false, 0.12), 0.26, 0.4, Role::Contour);
    }
}

/// Salt pans: ponds in perspective with rims, water lines and salt heaps.
fn pans(pen: &mut Pen, horizon: f64) {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    pen.line(
        &densify(&[[-a, horizon], [a, horizon]], 1.0),
        0.4,
        0.0,
        Role::Contour,
    );
    pen.fill("ochre", &rect(-a, -0.9 * b, a, horizon));
    let vanish: P = [0.15 * a, horizon + 30.0 * u];
    let at = |x: f64, y: f64| {
        let t = (vanish[1] - y) / (vanish[1] + b);
        [vanish[0] + (x - vanish[0]) * t, y]
    };
    let rows = [
        horizon - u,
        horizon - 9.0 * u,
        horizon - 21.0 * u,
        horizon - 38.0 * u,
        -0.86 * b,
    ];
    for r in 0..rows.len() - 1 {
        let (y1, y0) = (rows[r] - 0.8 * u, rows[r + 1] + 0.8 * u);
        for c in -4i32..4 {
            let (x0, x1) = (
                f64::from(c) * 46.0 * u + 2.0 * u,
                f64::from(c + 1) * 46.0 * u - 2.0 * u,
            );
            let pond = densify(
                &[at(x0, y0), at(x1, y0), at(x1, y1), at(x0, y1), at(x0, y0)],
                0.5,
            );
            pen.clear("ochre", &pond);
            if (r as i32 + c).rem_euclid(3) != 0 {
                pen.fill("mist", &pond);
            } else {
                pen.fill("green", &pond);
            }
            pen.line(&pond, 0.3, 0.0, Role::Contour);
            let n = 3 + 2 * r;
            for k in 0..n {
                let y = y0 + (y1 - y0) * (k as f64 + 0.7) / (n as f64 + 0.6);
                let (p, q) = (at(x0, y), at(x1, y));
                let s = pen.rng.range(0.06, 0.4);
                let e = pen.rng.range(0.5, 0.94);
                let pts: Vec<P> = (0..=60)
                    .map(|i| {
                        let t = s + (e - s) * f64::from(i) / 60.0;
                        let x = p[0] + (q[0] - p[0]) * t;
                        [x, y + 0.12 * u * libm::sin(1.1 * x / u)]
                    })
                    .collect();
                let w = pen.rng.range(0.1, 0.2);
                for run in runs(&pts, &|v| inside(&pond, v)) {
                    pen.line(&run, w, 0.3, Role::Hatch);
                }
            }
        }
    }
    // Salt heaps: paper white with a brown shade.
    for (x, y, s) in [(-0.62, -0.02, 5.0), (0.55, -0.05, 6.5), (0.78, -0.2, 8.0)] {
        let (c, s) = ([x * a, y * b], s * u);
        let heap = curve(
            &[
                [c[0] - s, c[1]],
                [c[0] - 0.4 * s, c[1] + 0.65 * s],
                [c[0], c[1] + 0.95 * s],
                [c[0] + 0.45 * s, c[1] + 0.6 * s],
                [c[0] + s, c[1]],
                [c[0], c[1] - 0.08 * s],
            ],
            true,
            0.15,
        );
        pen.knock_out(&heap);
        pen.clear_all(&heap);
        pen.contour(&heap, 0.34);
        let shade = curve(
            &[
                [c[0], c[1] + 0.95 * s],
                [c[0] + 0.45 * s, c[1] + 0.6 * s],
                [c[0] + s, c[1]],
                [c[0] + 0.3 * s, c[1]],
            ],
            true,
            0.15,
        );
        pen.fill("brown", &shade);
        pen.hatch(&shade, 1.0, 0.8 * u, 0.12);
    }
}

/// The bird, standing; `at` is its foot.
fn heron(pen: &mut Pen, at: P) {
    let u = pen.u;
    let s = 0.62 * u;
    let t = |x: f64, y: f64| [at[0] + s * x, at[1] + s * y];
    let body = curve(
        &[
            t(-26.0, 34.0),
            t(-14.0, 44.0),
            t(4.0, 52.0),
            t(16.0, 52.0),
            t(20.0, 44.0),
            t(12.0, 34.0),
            t(-6.0, 28.0),
            t(-20.0, 29.0),
        ],
        true,
        0.15,
    );
    let neck = curve(
        &[
            t(12.0, 50.0),
            t(22.0, 58.0),
            t(20.0, 70.0),
            t(12.0, 80.0),
            t(16.0, 92.0),
            t(26.0, 95.0),
            t(27.0, 91.0),
            t(21.0, 88.0),
            t(18.0, 81.0),
            t(26.0, 71.0),
            t(28.0, 58.0),
            t(19.0, 46.0),
        ],
        true,
        0.12,
    );
    for ring in [&body, &neck] {
        pen.knock_out(ring);
        pen.clear_all(ring);
    }
    pen.contour(&body, 0.42);
    for run in runs(&neck, &|p| !inside(&body, p)) {
        pen.line(&run, 0.36, 0.0, Role::Contour);
    }
    pen.solid(&curve(
        &[
            t(14.0, 92.5),
            t(22.0, 94.5),
            t(8.0, 97.0),
            t(-2.0, 96.0),
            t(8.0, 94.0),
        ],
        true,
        0.1,
    ));
    let beak = [t(26.5, 94.0), t(44.0, 90.0), t(26.5, 91.5)];
    pen.fill("red", &densify(&[beak[0], beak[1], beak[2], beak[0]], 0.5));
    pen.line(&[beak[0], beak[1], beak[2]], 0.24, 0.0, Role::Contour);
    pen.solid(&ellipse(t(23.5, 92.8), 0.8 * s, 0.8 * s, 0.0));
    for (x, bend) in [(-4.0, 1.5), (5.0, -1.0)] {
        let leg = curve(&[t(x, 30.0), t(x + bend, 15.0), t(x, 0.0)], false, 0.2);
        pen.line(&leg, 0.45, 0.0, Role::Contour);
        pen.line(
            &[t(x - 4.0, -1.0), t(x, 0.4), t(x + 5.0, -1.0)],
            0.32,
            0.3,
            Role::Contour,
        );
    }
    for i in 0..9 {
        let y = 46.0 - 1.8 * f64::from(i);
        let f = curve(
            &[
                t(14.0 - f64::from(i), y),
                t(-4.0, y - 3.0),
                t(-22.0 + f64::from(i), y - 9.0),
            ],
            false,
            0.15,
        );
        for run in runs(&f, &|p| inside(&body, p)) {
            pen.line(&run, 0.2, 0.3, Role::Contour);
        }
    }
    let wing = curve(
        &[
            t(-24.0, 33.0),
            t(-12.0, 41.0),
            t(6.0, 45.0),
            t(10.0, 40.0),
            t(-8.0, 32.0),
        ],
        true,
        0.15,
    );
    pen.fill("brown", &wing);
}
