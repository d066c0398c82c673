//! Text-heavy family: columns of marks in black and red, few other colours.

use super::Role;
use super::pen::Pen;
use crate::shapes::{densify, ellipse, rect};

pub(super) fn draw(pen: &mut Pen) -> String {
    let (a, b, u) = (pen.a, pen.b, pen.u);
    let head = b - u * pen.rng.range(24.0, 32.0);
    // Title field: large red marks on an ochre ground.
    let title = rect(-a, head, a, b);
    pen.fill("ochre", &title);
    pen.line(
        &densify(&[[-a, head], [a, head]], 1.0),
        0.5,
        0.0,
        Role::Contour,
    );
    pen.line(
        &densify(&[[-a, head - 1.2 * u], [a, head - 1.2 * u]], 1.0),
        0.15,
        0.0,
        Role::Contour,
    );
    let big = (b - head) * 0.8;
    let n = (2.0 * a / (big * 1.15)).floor().max(1.0);
    for i in 0..n as i32 {
        let x = (f64::from(i) - (n - 1.0) / 2.0) * big * 1.15;
        let c = [x, 0.5 * (b + head)];
        if i == 0 && n > 2.0 {
            pen.fill("red", &ellipse(c, 0.5 * big, 0.5 * big, 0.0));
            pen.mark(c, big * 0.6, None);
        } else {
            pen.mark(c, big, Some("red"));
        }
    }
    // Columns of text with rules between them.
    let size = u * pen.rng.range(4.2, 6.0);
    let pitch = size * 1.5;
    let cols = ((2.0 * a - 4.0 * u) / pitch).floor();
    let rows = ((head + b - 6.0 * u) / (size * 1.08)).floor() as usize;
    let red_col = pen.rng.below(cols as usize);
    for i in 0..cols as usize {
        let x = (i as f64 - (cols - 1.0) / 2.0) * pitch;
        let len = rows - pen.rng.below(rows / 3 + 1);
        let top = head - 3.5 * u - size / 2.0;
        if i == red_col {
            for k in 0..len {
                pen.mark([x, top - size * 1.08 * k as f64], size, Some("red"));
            }
        } else {
            pen.column([x, top], size, len);
        }
        if i > 0 {
            let xr = x - pitch / 2.0;
            let ends = [[xr, head - 2.0 * u], [xr, -b + 2.5 * u]];
            pen.line(&densify(&ends, 1.0), 0.12, 0.0, Role::Hatch);
        }
    }
    // Grounds: a pale field, a bokashi foot, a picture patch.
    pen.fill("mist", &rect(-a, -b, a, head));
    pen.fill("blue", &rect(-a, -b, a, -0.2 * b));
    pen.gradate("blue", [0.0, -0.98 * b], [0.0, -0.5 * b]);
    let (w, h) = (u * pen.rng.range(20.0, 28.0), u * pen.rng.range(16.0, 24.0));
    let (px, py) = (a * pen.rng.range(-0.4, 0.4), -b + h + 4.0 * u);
    let patch = rect(px - w / 2.0, py - h / 2.0, px + w / 2.0, py + h / 2.0);
    pen.knock_out(&patch);
    pen.clear_all(&patch);
    pen.contour(&patch, 0.5);
    pen.fill("green", &rect(px - w / 2.0, py - h / 2.0, px + w / 2.0, py));
    pen.fill(
        "brown",
        &ellipse([px + 0.2 * w, py - 0.1 * h], 0.2 * w, 0.25 * h, 0.0),
    );
    pen.contour(
        &ellipse([px + 0.2 * w, py - 0.1 * h], 0.2 * w, 0.25 * h, 0.0),
        0.3,
    );
    let fan = ellipse([px - 0.2 * w, py + 0.05 * h], 0.18 * w, 0.3 * h, 0.3);
    pen.contour(&fan, 0.3);
    pen.hatch(&fan, 0.5, 0.9 * u, 0.13);
    pen.solid(&rect(
        px - 0.45 * w,
        py - 0.45 * h,
        px - 0.3 * w,
        py - 0.2 * h,
    ));
    pen.fill("violet", &fan);
    pen.fill(
        "pink",
        &ellipse([px + 0.25 * w, py + 0.3 * h], 0.1 * w, 0.1 * w, 0.0),
    );
    "Lettering".to_owned()
}
