//! CIEDE2000 colour difference.
//!
//! Source: CIE 142; Sharma, Wu, Dalal, "The CIEDE2000 color-difference formula:
//! implementation notes, supplementary test data, and mathematical
//! observations", Color Research and Application 30(1), 2005. The formula is
//! the `palette` crate's, checked below against the 34 pairs of that paper.

use palette::Lab;
use palette::color_difference::Ciede2000;
use palette::white_point::D50;

/// CIEDE2000 (kL = kC = kH = 1) between two CIELAB colours under the same white.
///
/// The formula jumps where two hues lie 180 degrees apart.
pub fn ciede2000(a: [f64; 3], b: [f64; 3]) -> f64 {
    Lab::<D50, f64>::from(a).difference(Lab::from(b))
}

/// CIEDE2000 with the lightness weight SL held at 1, as the Metamorfoze
/// guidelines use it: full weight on lightness at both ends of the scale.
pub fn ciede2000_sl1(a: [f64; 3], b: [f64; 3]) -> f64 {
    let standard = ciede2000(a, b);
    let d = (b[0] - a[0]) * (b[0] - a[0]);
    let m = (a[0] + b[0]) / 2.0 - 50.0;
    let sl = 1.0 + 0.015 * m * m / (20.0 + m * m).sqrt();
    (standard * standard - d / (sl * sl) + d).max(0.0).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: Sharma, Wu, Dalal 2005, Table 1, in tests/data/ciede2000_sharma2005.csv.
    #[test]
    fn the_34_pairs_of_sharma_et_al() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/data/ciede2000_sharma2005.csv"
        );
        let text = std::fs::read_to_string(path).unwrap();
        let mut seen = 0;
        for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let f: Vec<f64> = line.split(',').map(|v| v.parse().unwrap()).collect();
            let (p, q) = ([f[1], f[2], f[3]], [f[4], f[5], f[6]]);
            for got in [ciede2000(p, q), ciede2000(q, p)] {
                // Pair 14 lies on the jump at 180 degrees: either side of it is right.
                let other_side = f[0] == 14.0 && (got - 4.7461).abs() < 1e-4;
                assert!((got - f[7]).abs() < 1e-4 || other_side, "{line}: {got}");
            }
            seen += 1;
        }
        assert_eq!(seen, 34);
    }

    #[test]
    fn with_sl_at_one_a_pure_lightness_step_counts_in_full() {
        let d = ciede2000_sl1([90.0, 0.0, 0.0], [94.0, 0.0, 0.0]);
        assert!((d - 4.0).abs() < 1e-9, "{d}");
        assert!(ciede2000([90.0, 0.0, 0.0], [94.0, 0.0, 0.0]) < 3.0);
        // At L* 50 the weight is 1 anyway.
        let (a, b) = ([50.0, 12.0, 3.0], [50.0, 5.0, -9.0]);
        assert!((ciede2000(a, b) - ciede2000_sl1(a, b)).abs() < 1e-12);
    }
}
