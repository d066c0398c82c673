//! Pattern-like family: overlapping rings on a lattice with a medallion.

use super::Role;
use super::pen::Pen;
use crate::shapes::{P, curve, ellipse, inside, rect, runs};

pub(super) fn draw(pen: &mut Pen) -> String {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    let r = u * pen.rng.range(7.0, 10.0);
    let rings = 3 + pen.rng.below(2);
    let medal = u * pen.rng.range(22.0, 30.0);
    let centre: P = [a * pen.rng.range(-0.3, 0.3), b * pen.rng.range(-0.2, 0.2)];
    let palette = ["ochre", "green", "brown", "violet"];
    // Rows of overlapping circles, each hiding the lower half of those behind.
    let rows = (2.0 * b / (0.5 * r)).ceil() as i32 + 2;
    let cols = (2.0 * a / (2.0 * r)).ceil() as i32 + 2;
    for row in (0..rows).rev() {
        let y = -b - 0.5 * r + 0.5 * r * f64::from(row);
        for col in 0..cols {
            let x = -a - r + 2.0 * r * f64::from(col) + if row % 2 == 0 { 0.0 } else { r };
            let near = [[x - r, y - 0.5 * r], [x + r, y - 0.5 * r], [x, y - r]];
            let visible = move |p: P| {
                p[1] > y - 0.6 * r
                    && near.iter().all(|c| {
                        let d = [p[0] - c[0], p[1] - c[1]];
                        d[0] * d[0] + d[1] * d[1] > r * r
                    })
            };
            for k in 0..rings {
                let q = r * (1.0 - 0.26 * k as f64);
                let mut ring = ellipse([x, y], q, q, 0.3);
                ring.extend(ring.first().copied());
                let w = if k == 0 { 0.36 } else { 0.16 };
                for run in runs(&ring, &visible) {
                    let role = if k == 0 { Role::Contour } else { Role::Hatch };
                    pen.line(&run, w, 0.05, role);
                }
            }
            if (row * 7 + col * 3) % 4 == 0 {
                let name = palette[pen.rng.below(4)];
                let q = r * 0.48;
                pen.fill(name, &ellipse([x, y + 0.25 * r], q, q * 0.6, 0.0));
            }
        }
    }
    // Ground colours.
    pen.fill("blue", &rect(-a, -b, a, 0.6 * b));
    pen.gradate("blue", [0.0, -b], [0.0, 0.45 * b]);
    pen.fill("mist", &rect(-a, -b, a, b));
    // Medallion.
    let disc = ellipse(centre, medal, medal, 0.0);
    pen.knock_out(&disc);
    pen.clear_all(&disc);
    pen.contour(&disc, 0.6);
    pen.contour(&ellipse(centre, medal * 0.93, medal * 0.93, 0.0), 0.18);
    let petals = 7 + pen.rng.below(5);
    for i in 0..petals {
        let t = std::f64::consts::TAU * i as f64 / petals as f64;
        let (s, c) = libm::sincos(t);
        let at = |d: f64, o: f64| [centre[0] + c * d - s * o, centre[1] + s * d + c * o];
        let w = medal * 1.9 / petals as f64;
        let petal = curve(
            &[
                at(medal * 0.25, 0.0),
                at(medal * 0.5, w),
                at(medal * 0.8, 0.8 * w),
                at(medal * 0.86, 0.0),
                at(medal * 0.8, -0.8 * w),
                at(medal * 0.5, -w),
            ],
            true,
            0.15,
        );
        pen.fill("red", &petal);
        pen.contour(&petal, 0.35);
        for k in -2i32..=2 {
            let o = f64::from(k) * 0.28 * w;
            let pts = curve(
                &[
                    at(medal * 0.35, 0.4 * o),
                    at(medal * 0.6, o),
                    at(medal * 0.74, 0.9 * o),
                ],
                false,
                0.2,
            );
            for run in runs(&pts, &|p| inside(&petal, p)) {
                pen.line(&run, 0.13, 0.3, Role::Hatch);
            }
        }
    }
    let core = medal * 0.2;
    pen.solid(&ellipse(centre, core, core, 0.0));
    for i in 0..6 {
        let (s, c) = libm::sincos(std::f64::consts::TAU * f64::from(i) / 6.0);
        let d = ellipse(
            [centre[0] + c * medal * 0.3, centre[1] + s * medal * 0.3],
            0.9 * u,
            0.9 * u,
            0.0,
        );
        pen.fill("pink", &d);
    }
    // Label.
    let (lx, ly) = (a - 12.0 * u, -b + 9.0 * u);
    let label = rect(lx - 9.0 * u, ly - 5.0 * u, lx + 9.0 * u, ly + 5.0 * u);
    pen.knock_out(&label);
    pen.clear_all(&label);
    pen.contour(&label, 0.3);
    for i in 0..2 {
        pen.mark([lx - 4.5 * u + 7.0 * u * f64::from(i), ly], 6.0 * u, None);
    }
    pen.seal([-a + 7.0 * u, b - 7.0 * u], 6.0 * u);
    "Pattern".to_owned()
}
