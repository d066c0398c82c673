//! What changes smoothly, and what no longer does.

use restrike_ops::quantiles::normal_below;

use super::consensus::{ground, level};
use crate::smooth::smooth;

/// Greatest difference at a block's edge, moved between the editions, before and
/// after what changes smoothly is taken away.
fn left(moved_mm: f64) -> (f64, f64) {
    let ground = ground(0.1);
    // Ink to the right, under a blur of 0.09 mm.
    let light = |at: usize, by: f64| {
        let x = ground.place(at).x - by;
        1.0 - 0.75 * normal_below(x / 0.09)
    };
    let a = level(&ground, 5, 0.01, 1, &|at| light(at, 0.0));
    let b = level(&ground, 5, 0.01, 2, &|at| light(at, moved_mm));
    let taken = smooth(&ground, &a, &b);
    let mut most = (0.0, 0.0);
    for (at, taken) in taken.iter().enumerate() {
        let p = ground.place(at);
        if p.x.abs() < 0.4 && p.y.abs() < 2.0 {
            let d = f64::from(b.light[at][1] - a.light[at][1]);
            most.0 = f64::max(most.0, d.abs());
            most.1 = f64::max(most.1, (d - f64::from(taken[1])).abs());
        }
    }
    most
}

#[test]
fn paper_that_stretched_a_little_is_no_difference() {
    let (before, after) = left(0.04);
    assert!(before > 0.1, "{before}");
    assert!(after < 0.045, "{after} of {before}");
}

#[test]
fn a_part_that_lies_elsewhere_is_one() {
    let (before, after) = left(0.3);
    assert!(after > 0.8 * before, "{after} of {before}");
}
