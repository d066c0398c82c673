//! Figure-like family: a robed figure in large closed contours.

use super::Role;
use super::landscape::{mist, reeds};
use super::pen::Pen;
use crate::shapes::{P, curve, ellipse, inside, rect};

pub(super) fn draw(pen: &mut Pen) -> String {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    let lean = u * pen.rng.range(-8.0, 8.0);
    // Ground: ochre below, blue bokashi above.
    pen.fill("blue", &rect(-a, 0.0, a, b));
    let fade = b * pen.rng.range(0.1, 0.3);
    pen.gradate("blue", [0.0, b * 0.95], [0.0, fade]);
    let ground = -b * pen.rng.range(0.55, 0.75);
    pen.fill("ochre", &rect(-a, -b, a, ground));
    let m = mist(pen, -0.35 * b, 8.0 * u);
    pen.fill("mist", &m);
    // Robe.
    let shoulder = b * 0.25;
    let hem = -b * 0.8;
    let half = u * pen.rng.range(26.0, 36.0);
    let j = |pen: &mut Pen, k: f64| u * pen.rng.range(-k, k);
    let ctrl: Vec<P> = vec![
        [lean - 8.0 * u, shoulder + 7.0 * u],
        [lean - 20.0 * u + j(pen, 2.0), shoulder - 4.0 * u],
        [lean - half + j(pen, 3.0), shoulder - 26.0 * u],
        [-half * 0.8 + j(pen, 3.0), -0.3 * b],
        [-half * 1.1 + j(pen, 3.0), hem + 4.0 * u],
        [j(pen, 3.0), hem - 2.0 * u],
        [half * 1.1 + j(pen, 3.0), hem + 3.0 * u],
        [half * 0.75 + j(pen, 3.0), -0.3 * b],
        [lean + half + j(pen, 3.0), shoulder - 24.0 * u],
        [lean + 20.0 * u + j(pen, 2.0), shoulder - 4.0 * u],
        [lean + 8.0 * u, shoulder + 7.0 * u],
    ];
    let robe = curve(&ctrl, true, 0.2);
    pen.clear_all(&robe);
    pen.fill("red", &robe);
    pen.contour(&robe, 0.5);
    for _ in 0..40 + pen.rng.below(40) {
        let c = [u * pen.rng.range(-34.0, 34.0), pen.rng.range(hem, shoulder)];
        let r = u * pen.rng.range(1.2, 2.6);
        let spot = ellipse(c, r, r, 0.0);
        if spot.iter().all(|p| inside(&robe, *p)) {
            let name = if pen.rng.chance(0.5) {
                "green"
            } else {
                "brown"
            };
            pen.fill(name, &spot);
            if pen.rng.chance(0.4) {
                pen.contour(&spot, 0.2);
            }
        }
    }
    // Folds.
    for i in 0..26 {
        let x = lean * 0.5 + u * (-26.0 + 2.0 * f64::from(i)) + j(pen, 1.0);
        let y = pen.rng.range(-0.3 * b, shoulder);
        let l = pen.rng.range(0.25, 0.7) * b;
        let s = u * pen.rng.range(-5.0, 5.0);
        let pts = curve(
            &[[x, y], [x + 0.6 * s, y - 0.4 * l], [x + s, y - l]],
            false,
            0.2,
        );
        let w = pen.rng.range(0.15, 0.5);
        for run in crate::shapes::runs(&pts, &|p| inside(&robe, p)) {
            pen.line(&run, w, 0.4, Role::Contour);
        }
    }
    // Sash: a bent band.
    let sy = shoulder - 24.0 * u;
    let sash = curve(
        &[
            [lean - 22.0 * u, sy + 4.0 * u],
            [lean, sy + 1.0 * u],
            [lean + 22.0 * u, sy + 4.0 * u],
            [lean + 23.0 * u, sy - 5.0 * u],
            [lean, sy - 8.0 * u],
            [lean - 23.0 * u, sy - 5.0 * u],
        ],
        true,
        0.2,
    );
    pen.knock_out(&sash);
    for c in ["red", "green", "brown"] {
        pen.clear(c, &sash);
    }
    pen.fill("green", &sash);
    pen.fill("violet", &sash);
    pen.contour(&sash, 0.42);
    let pitch = u * pen.rng.range(1.3, 2.0);
    pen.hatch(&sash, 1.1, pitch, 0.14);
    // Collar, head, hair.
    let neck = [lean, shoulder + 8.0 * u];
    for s in [-1.0, 1.0] {
        let pts = curve(
            &[
                [neck[0] + s * 6.0 * u, neck[1]],
                [neck[0] + s * 2.0 * u, neck[1] - 10.0 * u],
                [neck[0] - s * 3.0 * u, neck[1] - 19.0 * u],
            ],
            false,
            0.2,
        );
        pen.line(&pts, 0.55, 0.2, Role::Contour);
    }
    let head = [lean + j(pen, 3.0), neck[1] + 12.0 * u];
    let tilt = pen.rng.range(-0.15, 0.15);
    let face = ellipse(head, 8.5 * u, 11.0 * u, tilt);
    pen.clear_all(&face);
    pen.fill("pink", &face);
    pen.contour(&face, 0.35);
    let hair = curve(
        &[
            [head[0] - 9.5 * u, head[1] + 1.0 * u],
            [head[0] - 12.0 * u, head[1] + 9.0 * u],
            [head[0], head[1] + 16.0 * u],
            [head[0] + 12.0 * u, head[1] + 9.0 * u],
            [head[0] + 9.5 * u, head[1] + 1.0 * u],
            [head[0] + 5.0 * u, head[1] + 7.0 * u],
            [head[0], head[1] + 8.5 * u],
            [head[0] - 5.0 * u, head[1] + 7.0 * u],
        ],
        true,
        0.2,
    );
    pen.solid(&hair);
    let knot = ellipse([head[0], head[1] + 18.0 * u], 4.5 * u, 3.0 * u, 0.2);
    pen.solid(&knot);
    for s in [-1.0, 1.0] {
        let e = [head[0] + s * 3.5 * u, head[1] + 1.5 * u];
        pen.line(
            &curve(
                &[
                    [e[0] - 1.6 * u, e[1]],
                    [e[0], e[1] + 0.5 * u],
                    [e[0] + 1.6 * u, e[1]],
                ],
                false,
                0.1,
            ),
            0.2,
            0.4,
            Role::Contour,
        );
    }
    let nose = curve(
        &[
            [head[0] + u, head[1] + 1.0 * u],
            [head[0] + 1.4 * u, head[1] - 2.5 * u],
            [head[0] + 0.2 * u, head[1] - 3.2 * u],
        ],
        false,
        0.1,
    );
    pen.line(&nose, 0.16, 0.2, Role::Contour);
    pen.fill(
        "red",
        &ellipse([head[0], head[1] - 6.0 * u], 1.4 * u, 0.7 * u, 0.0),
    );
    for x in [-0.75, 0.75] {
        reeds(pen, [x * a, -0.85 * b], 9, 30.0 * u);
    }
    let side = if lean > 0.0 { -1.0 } else { 1.0 };
    pen.column([side * (a - 7.0 * u), b - 8.0 * u], 6.0 * u, 6);
    pen.seal([side * (a - 7.0 * u), b - 50.0 * u], 5.5 * u);
    "Figure".to_owned()
}
