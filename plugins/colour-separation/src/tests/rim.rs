//! A rim of squashed ink, planted and read back.

use super::{PIXEL, RED, SIDE, painted, placement, red, shape};
use crate::fields::Fields;
use crate::pieces::Pieces;
use crate::rim::{WIDTH, rims};
use crate::sheet::Sheet;

/// Ink found in the rim of a block that has this much more there; sharp edges, blurred by a sum.
fn read_back(more: f64) -> f64 {
    let shapes = vec![shape("red", RED, red)];
    let placement = placement(&shapes);
    let sigma = PIXEL * (placement.blur_px * placement.blur_px + 1.0 / 12.0).sqrt();
    let scan = painted(7, &|p| {
        let mut light = [0.0; 3];
        let mut total = 0.0;
        for k in -40..=40 {
            let t = f64::from(k) / 10.0;
            let g = libm::exp(-0.5 * t * t);
            let d = red(p) + t * sigma;
            let s = match d {
                d if d > 0.0 => 0.0,
                d if d > -WIDTH => 1.0 + more,
                _ => 1.0,
            };
            for (l, a) in light.iter_mut().zip(RED) {
                *l += g * libm::exp(-a * s);
            }
            total += g;
        }
        light.map(|l| l / total)
    });
    let sheet = Sheet::new(scan.view(), &placement, &shapes, SIDE.grown(-0.5), None).unwrap();
    let pieces = Pieces::of(&sheet);
    let fields = Fields::fit(&sheet.blocks, &pieces);
    rims(&sheet, &fields)[0].more
}

#[test]
fn a_rim_is_read_back_and_none_is_none() {
    for more in [0.0, 0.2] {
        let found = read_back(more);
        assert!((found - more).abs() < 0.05, "{found} for {more}");
    }
}
