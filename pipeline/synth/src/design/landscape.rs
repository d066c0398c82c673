//! Landscape-like family.

use super::Role;
use super::pen::Pen;
use crate::shapes::{P, curve, densify, ellipse, rect, runs};

/// A sum of sines over x.
pub(crate) struct Ridge {
    base: f64,
    terms: Vec<(f64, f64, f64)>,
}

impl Ridge {
    pub(crate) fn new(pen: &mut Pen, base: f64, height: f64, rough: usize) -> Self {
        let w = 2.0 * pen.a;
        let terms = (0..rough)
            .map(|i| {
                let k = std::f64::consts::TAU * (i as f64 + pen.rng.range(0.6, 1.4)) / w;
                (
                    height / (1.0 + i as f64),
                    k,
                    pen.rng.range(0.0, std::f64::consts::TAU),
                )
            })
            .collect();
        Self { base, terms }
    }

    pub(crate) fn at(&self, x: f64) -> f64 {
        self.base
            + self
                .terms
                .iter()
                .map(|(a, k, p)| a * libm::sin(k * x + p))
                .sum::<f64>()
    }
}

/// Places along a profile, 0.3 mm apart.
pub(crate) fn profile(pen: &Pen, y: &dyn Fn(f64) -> f64) -> Vec<P> {
    let n = (2.0 * pen.a / 0.3).ceil() as usize;
    (0..=n)
        .map(|i| {
            let x = -pen.a + 2.0 * pen.a * i as f64 / n as f64;
            [x, y(x)]
        })
        .collect()
}

/// Regions between an upper profile and a lower one, where it is at least
/// 0.3 mm above it (no slivers).
pub(crate) fn band(pen: &Pen, top: &dyn Fn(f64) -> f64, floor: &dyn Fn(f64) -> f64) -> Vec<Vec<P>> {
    runs(&profile(pen, top), &|p| p[1] > floor(p[0]) + 0.3)
        .into_iter()
        .map(|run| {
            let mut ring: Vec<P> = run.iter().map(|p| [p[0], floor(p[0])]).collect();
            ring.extend(run.into_iter().rev());
            ring
        })
        .collect()
}

/// A free-edged cloud or mist shape.
pub(crate) fn mist(pen: &mut Pen, y: f64, thick: f64) -> Vec<P> {
    let (a, u) = (pen.a, pen.u);
    let mut ctrl = Vec::new();
    let x0 = -a * pen.rng.range(0.5, 0.9);
    let x1 = a * pen.rng.range(0.5, 0.9);
    let n = 5usize;
    for i in 0..n {
        let t = i as f64 / (n - 1) as f64;
        ctrl.push([x0 + (x1 - x0) * t, y - thick * pen.rng.range(0.3, 0.6)]);
    }
    for i in 0..n {
        let t = 1.0 - i as f64 / (n - 1) as f64;
        ctrl.push([
            x0 + (x1 - x0) * t + 2.0 * u,
            y + thick * pen.rng.range(0.3, 0.6),
        ]);
    }
    curve(&ctrl, true, 0.2)
}

/// A tuft of tapered strokes.
pub(crate) fn reeds(pen: &mut Pen, at: P, n: usize, height: f64) {
    for _ in 0..n {
        let lean = pen.rng.range(-0.35, 0.35) * height;
        let h = height * pen.rng.range(0.5, 1.0);
        let x = at[0] + pen.rng.range(-0.12, 0.12) * height;
        let pts = curve(
            &[
                [x, at[1]],
                [x + 0.3 * lean, at[1] + 0.6 * h],
                [x + lean, at[1] + h],
            ],
            false,
            0.2,
        );
        let w = pen.rng.range(0.15, 0.4);
        pen.line(&pts, w, 0.5, Role::Contour);
    }
}

pub(super) fn draw(pen: &mut Pen) -> String {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    // Sky: bokashi from the upper edge down.
    pen.fill("blue", &rect(-a, 0.05 * b, a, b));
    let full = b * pen.rng.range(0.75, 0.95);
    pen.gradate("blue", [0.0, full], [0.0, b * 0.15]);
    let sun = [a * pen.rng.range(-0.6, 0.6), b * pen.rng.range(0.45, 0.7)];
    let r = u * pen.rng.range(5.0, 9.0);
    pen.clear("blue", &ellipse(sun, r, r, 0.0));
    pen.fill("red", &ellipse(sun, r, r, 0.0));
    // Ridges, far to near.
    let horizon = -0.25 * b;
    let ridges: Vec<Ridge> = (0..3usize)
        .map(|i| {
            let base = b * (0.3 - 0.22 * i as f64) + pen.rng.range(-1.0, 1.0) * 3.0 * u;
            let h = u * pen.rng.range(5.0, 9.0);
            Ridge::new(pen, base, h, 3 + i)
        })
        .collect();
    let colours = [["violet", "mist"], ["green", "green"], ["brown", "ochre"]];
    for (i, ridge) in ridges.iter().enumerate() {
        let floor = |x: f64| {
            ridges[i + 1..]
                .iter()
                .map(|r| r.at(x))
                .fold(horizon, f64::max)
        };
        for ring in band(pen, &|x| ridge.at(x), &floor) {
            for c in colours[i] {
                pen.fill(c, &ring);
            }
        }
        let top = profile(pen, &|x| ridge.at(x));
        let width = [0.28, 0.36, 0.45][i];
        for run in runs(&top, &|p| p[1] > floor(p[0]) + 0.3) {
            pen.line(&run, width, 0.05, Role::Contour);
        }
        // Shading strokes down the slope.
        let n = 50 + pen.rng.below(40);
        for _ in 0..n {
            let x = pen.rng.range(-a, a);
            let y = ridge.at(x) - u * pen.rng.range(1.5, 4.0);
            let l = u * pen.rng.range(2.0, 6.0);
            let s = u * pen.rng.range(-1.5, 1.5);
            let pts = curve(
                &[[x, y], [x + 0.3 * s, y - 0.5 * l], [x + s, y - l]],
                false,
                0.2,
            );
            let w = pen.rng.range(0.1, 0.3);
            for run in runs(&pts, &|p| p[1] > floor(p[0]) + 0.4) {
                pen.line(&run, w, 0.4, Role::Hatch);
            }
        }
    }
    // Water and the near shore.
    let shore = Ridge::new(pen, -0.78 * b, 3.0 * u, 3);
    pen.line(
        &densify(&[[-a, horizon], [a, horizon]], 0.5),
        0.3,
        0.0,
        Role::Contour,
    );
    let water = band(pen, &|_| horizon, &|x| shore.at(x));
    for ring in &water {
        pen.fill("mist", ring);
    }
    let n = 22 + pen.rng.below(16);
    for i in 0..n {
        let y = horizon - (horizon + 0.7 * b) * (i as f64 + 1.0) / (n as f64 + 1.0);
        let x = pen.rng.range(-a, a);
        let l = a * pen.rng.range(0.15, 0.6);
        let wave = u * pen.rng.range(0.15, 0.5);
        let k = pen.rng.range(0.5, 0.9) / u;
        let pts: Vec<P> = (0..(2.0 * l / 0.25) as usize)
            .map(|j| {
                let xx = x - l + 0.25 * j as f64;
                [xx, y + wave * libm::sin(k * xx)]
            })
            .collect();
        let w = pen.rng.range(0.1, 0.22);
        pen.line(&pts, w, 0.3, Role::Hatch);
    }
    for bank in band(pen, &|x| shore.at(x), &|_| -b) {
        pen.knock_out(&bank);
        pen.fill("ochre", &bank);
        pen.fill("green", &bank);
    }
    let top = profile(pen, &|x| shore.at(x));
    pen.line(&top, 0.5, 0.0, Role::Contour);
    for _ in 0..5 {
        let x = pen.rng.range(-0.9, 0.9) * a;
        let at = [x, shore.at(x) - u];
        let (n, h) = (5 + pen.rng.below(6), u * pen.rng.range(9.0, 18.0));
        reeds(pen, at, n, h);
    }
    house(pen, horizon);
    for _ in 0..3 + pen.rng.below(4) {
        let c = [pen.rng.range(-0.8, 0.8) * a, b * pen.rng.range(0.5, 0.85)];
        let s = u * pen.rng.range(1.5, 3.0);
        let pts = curve(
            &[
                [c[0] - s, c[1] + 0.4 * s],
                [c[0] - 0.4 * s, c[1] + 0.5 * s],
                c,
                [c[0] + 0.4 * s, c[1] + 0.6 * s],
                [c[0] + s, c[1] + 0.4 * s],
            ],
            false,
            0.12,
        );
        pen.line(&pts, 0.25, 0.4, Role::Contour);
    }
    let y = b * pen.rng.range(0.1, 0.3);
    let m = mist(pen, y, 7.0 * u);
    pen.fill("mist", &m);
    let m2 = mist(pen, y - 12.0 * u, 5.0 * u);
    pen.fill("pink", &m2);
    let side = if sun[0] > 0.0 { -1.0 } else { 1.0 };
    pen.column([side * (a - 6.0 * u), b - 7.0 * u], 5.0 * u, 5);
    pen.seal([side * (a - 6.0 * u), b - 36.0 * u], 5.0 * u);
    "Landscape".to_owned()
}

/// A house with a black roof at the water's edge.
fn house(pen: &mut Pen, y: f64) {
    let u = pen.u;
    let x = pen.rng.range(-0.5, 0.5) * pen.a;
    let (w, h) = (u * pen.rng.range(9.0, 14.0), u * pen.rng.range(5.0, 8.0));
    let wall = rect(x - w / 2.0, y, x + w / 2.0, y + h);
    let roof = vec![
        [x - 0.65 * w, y + h],
        [x + 0.65 * w, y + h],
        [x + 0.35 * w, y + 1.6 * h],
        [x - 0.35 * w, y + 1.6 * h],
    ];
    pen.knock_out(&wall);
    pen.knock_out(&roof);
    pen.clear_all(&wall);
    pen.contour(&wall, 0.3);
    pen.solid(&roof);
    let window = rect(x - 0.3 * w, y + 0.25 * h, x - 0.02 * w, y + 0.75 * h);
    pen.contour(&window, 0.18);
    pen.hatch(&window, 0.0, 0.9 * u, 0.12);
    pen.solid(&rect(x + 0.15 * w, y, x + 0.32 * w, y + 0.7 * h));
}
