//! Scans whose colours are kept at half the resolution of their lightness.

use restrike_synth::{srgb_decode, srgb_encode};

use super::{Scan, Set};
use crate::align::Rules;

/// As a JPEG with 4:2:0 sampling keeps it: lightness by the pixel, the two differences of colour by
/// the mean of two by two, both of encoded values (ITU-R BT.601; JFIF 1.02), read with the
/// triangle filter that decoders use (3/4 of the nearest, 1/4 of the next).
fn halved(scan: &Scan) -> Scan {
    let (w, h) = (scan.width / 2 * 2, scan.height / 2 * 2);
    let coded = |x: usize, y: usize| -> [f64; 3] {
        let at = 3 * (y * scan.width + x);
        let [r, g, b] = [0, 1, 2].map(|c| srgb_encode(f64::from(scan.data[at + c]) / 65535.0));
        let y = 0.299 * r + 0.587 * g + 0.114 * b;
        [y, (b - y) / 1.772, (r - y) / 1.402]
    };
    let small: Vec<[f64; 2]> = (0..w * h / 4)
        .map(|k| {
            let (u, v) = (2 * (k % (w / 2)), 2 * (k / (w / 2)));
            let four = [(u, v), (u + 1, v), (u, v + 1), (u + 1, v + 1)].map(|(x, y)| coded(x, y));
            [1, 2].map(|c| four.iter().map(|p| p[c]).sum::<f64>() / 4.0)
        })
        .collect();
    let near = |x: usize, n: usize| {
        let (own, next) = (
            x / 2,
            if x % 2 == 1 {
                x / 2 + 1
            } else {
                (x / 2).max(1) - 1
            },
        );
        [(own, 0.75), (next.min(n / 2 - 1), 0.25)]
    };
    let mut data = Vec::with_capacity(3 * w * h);
    for y in 0..h {
        for x in 0..w {
            let mut colour = [0.0; 2];
            for (v, down) in near(y, h) {
                for (u, across) in near(x, w) {
                    for (sum, c) in colour.iter_mut().zip(small[v * (w / 2) + u]) {
                        *sum += across * down * c;
                    }
                }
            }
            let (luma, [cb, cr]) = (coded(x, y)[0], colour);
            let (r, b) = (luma + 1.402 * cr, luma + 1.772 * cb);
            let g = (luma - 0.299 * r - 0.114 * b) / 0.587;
            // Eight bits, as files have them.
            data.extend([r, g, b].map(|v| {
                let code = (255.0 * v).round().clamp(0.0, 255.0) / 255.0;
                (65535.0 * srgb_decode(code)).round() as u16
            }));
        }
    }
    Scan {
        data,
        width: w,
        height: h,
        truth: scan.truth.clone(),
    }
}

/// Colour edges that are blurred more than lightness pull on the fit at the scan's own
/// resolution; at that of the colours they do not.
#[test]
fn colours_at_half_the_resolution_are_measured_at_that() {
    let set = Set::new(306, false, &|run| run.sheets = 2);
    let mut square = [0.0; 2];
    for n in 0..2 {
        let scan = halved(&set.scan(n));
        for (sum, colour_step) in square.iter_mut().zip([1, 2]) {
            let rules = Rules {
                colour_step,
                ..Rules::default()
            };
            let found = set.align(&scan, &rules);
            for name in ["ochre", "red", "green"] {
                *sum += set.error(&found.whole, &scan.truth, name).1.powi(2);
            }
        }
    }
    let [full, half] = square.map(|s: f64| (s / 6.0).sqrt());
    println!("{full:.3} px at the scan's resolution, {half:.3} at the colours'");
    assert!(half < 0.2, "{half} px");
    assert!(half < full, "{half} {full} px");
}
