//! Lines too fine for a record's shape, read off the block's proof.

use restrike_stage::{Affine, Point};

use super::{KEY, PIXEL, SIDE, key, painted, placement, shape};
use crate::fine::{LEVEL, fine_lines, part, read};
use crate::thin::Mended;

/// Width of the lines that are added, and where they lie.
const WIDTH: f64 = 1.2 * PIXEL;
const LINES: [f64; 3] = [-7.5, -7.0, -6.5];

/// Distance to the nearest of upright lines between two heights.
fn hatching(p: Point) -> f64 {
    LINES
        .iter()
        .map(|x| ((p.x - x).abs() - WIDTH / 2.0).max(p.y.abs() - 6.0))
        .fold(f64::INFINITY, f64::min)
}

#[test]
fn hatching_beside_a_known_shape_is_found_at_its_width() {
    let mut known = shape("key", KEY, key);
    known.part.source.scan_to_mm = Affine([PIXEL, 0.0, SIDE.min.x, 0.0, -PIXEL, SIDE.max.y]).0;
    let places = placement(std::slice::from_ref(&known));
    let sigma = PIXEL * (places.blur_px * places.blur_px + 1.0 / 12.0).sqrt();
    // Edges of straight lines through the blur, in closed form.
    let blurred = |d: f64| 0.5 * libm::erfc(d / sigma / std::f64::consts::SQRT_2);
    let proof = painted(3, &|p| {
        let lines: f64 = LINES
            .iter()
            .map(|x| {
                let off = (p.x - x).abs();
                (blurred(off - WIDTH / 2.0) - blurred(off + WIDTH / 2.0)) * blurred(p.y.abs() - 6.0)
            })
            .sum();
        let cover = (blurred(key(p)) + lines).min(1.0);
        KEY.map(|a| 1.0 - cover * (1.0 - libm::exp(-a)))
    });
    let map = fine_lines(proof.view(), &known).unwrap();
    let (name, bytes) = part(0, &map).unwrap();
    let records = std::collections::BTreeMap::from([(name, bytes)]);
    let back = read(&records, std::slice::from_ref(&known)).unwrap();
    assert!(LEVEL < 0.5 && back[0].is_some());
    let whole = Mended::new(back);
    let whole = whole.of(std::slice::from_ref(&known), &places);
    let (mut both, mut either) = (0.0, 0.0);
    for j in 0..300 {
        for i in 0..80 {
            let p = Point::new(-8.0 + 0.025 * f64::from(i), -5.5 + 0.03 * f64::from(j));
            let (found, there) = (whole[0].edges.at(p) < 0.0, hatching(p).min(key(p)) < 0.0);
            both += f64::from(u8::from(found && there));
            either += f64::from(u8::from(found || there));
            if there {
                assert!((whole[0].ink_at(p) - 1.0).abs() < 0.05);
            }
        }
    }
    assert!(both / either > 0.85, "{}", both / either);
    // Without such lines nothing is added.
    let plain = painted(4, &|p| {
        KEY.map(|a| 1.0 - blurred(key(p)) * (1.0 - libm::exp(-a)))
    });
    assert!(fine_lines(plain.view(), &known).is_none());
}
