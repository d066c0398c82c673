//! Linear sRGB, CIE XYZ and CIELAB, under D65 and D50.
//!
//! A thin layer over the `palette` crate. Sources: IEC 61966-2-1 (sRGB
//! primaries and white), CIE 015 (CIELAB); from D65 to D50 by the linear
//! Bradford transform, as ICC.1 profiles do. ISO 13655 measures prints under
//! D50, so D50 is what tables of this project give unless they say otherwise.

use palette::chromatic_adaptation::adaptation_matrix;
use palette::convert::{Convert, FromColorUnclamped};
use palette::encoding::Srgb;
use palette::lms::matrix::Bradford;
use palette::rgb::Rgb;
use palette::white_point::{D50, D65};
use palette::{Lab, LinSrgb, Xyz};

/// The white a colour is seen against.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum White {
    /// CIE standard illuminant D65, 2 degree observer.
    D65,
    /// CIE illuminant D50, 2 degree observer; colours are adapted by Bradford.
    D50,
}

/// XYZ (Y = 1 for white) of linear sRGB (1 = full scale), under D65 as sRGB defines it.
pub fn linear_srgb_to_xyz(rgb: [f64; 3]) -> [f64; 3] {
    let xyz = Xyz::<D65, f64>::from_color_unclamped(LinSrgb::from(rgb));
    xyz.into()
}

/// Linear sRGB of XYZ under D65; outside 0..1 when the colour is outside the gamut.
pub fn xyz_to_linear_srgb(xyz: [f64; 3]) -> [f64; 3] {
    let rgb: Rgb<palette::encoding::Linear<Srgb>, f64> =
        Rgb::from_color_unclamped(Xyz::<D65, f64>::from(xyz));
    rgb.into()
}

/// Linear sRGB with the transfer function of IEC 61966-2-1, 8 bit; light outside 0..1 is clipped.
pub fn linear_srgb_to_bytes(rgb: [f64; 3]) -> [u8; 3] {
    let encoded: Rgb<Srgb, f64> = Rgb::from_linear(LinSrgb::from(rgb));
    encoded.into_format::<u8>().into()
}

/// XYZ under D50 of XYZ under D65 (linear Bradford).
pub fn xyz_d65_to_d50(xyz: [f64; 3]) -> [f64; 3] {
    let matrix = adaptation_matrix::<f64, D65, D50, Bradford>(None, None);
    let out: Xyz<D50, f64> = matrix.convert(Xyz::<D65, f64>::from(xyz));
    out.into()
}

/// XYZ under D65 of XYZ under D50 (linear Bradford).
pub fn xyz_d50_to_d65(xyz: [f64; 3]) -> [f64; 3] {
    let matrix = adaptation_matrix::<f64, D50, D65, Bradford>(None, None);
    let out: Xyz<D65, f64> = matrix.convert(Xyz::<D50, f64>::from(xyz));
    out.into()
}

/// CIELAB of XYZ under the same white.
pub fn xyz_to_lab(xyz: [f64; 3], white: White) -> [f64; 3] {
    match white {
        White::D65 => Lab::<D65, f64>::from_color_unclamped(Xyz::<D65, f64>::from(xyz)).into(),
        White::D50 => Lab::<D50, f64>::from_color_unclamped(Xyz::<D50, f64>::from(xyz)).into(),
    }
}

/// XYZ, under the same white, of CIELAB.
pub fn lab_to_xyz(lab: [f64; 3], white: White) -> [f64; 3] {
    match white {
        White::D65 => Xyz::<D65, f64>::from_color_unclamped(Lab::<D65, f64>::from(lab)).into(),
        White::D50 => Xyz::<D50, f64>::from_color_unclamped(Lab::<D50, f64>::from(lab)).into(),
    }
}

/// CIELAB, under the white asked for, of linear sRGB.
pub fn linear_srgb_to_lab(rgb: [f64; 3], white: White) -> [f64; 3] {
    LabOfRgb::new(white).lab(rgb)
}

/// Linear sRGB of CIELAB under that white.
pub fn lab_to_linear_srgb(lab: [f64; 3], white: White) -> [f64; 3] {
    let xyz = lab_to_xyz(lab, white);
    xyz_to_linear_srgb(match white {
        White::D65 => xyz,
        White::D50 => xyz_d50_to_d65(xyz),
    })
}

/// L* of a relative luminance (Y = 1 for white).
pub fn lightness(y: f64) -> f64 {
    xyz_to_lab([y, y, y], White::D65)[0]
}

/// Relative luminance of linear sRGB: the Y row of the sRGB matrix.
pub fn luminance(rgb: [f64; 3]) -> f64 {
    linear_srgb_to_xyz(rgb)[1]
}

/// The way from linear sRGB to CIELAB, its matrices multiplied out once: for many pixels.
#[derive(Debug, Clone, Copy)]
pub struct LabOfRgb {
    matrix: [[f64; 3]; 3],
    white: White,
}

impl LabOfRgb {
    /// The way to CIELAB under a white.
    pub fn new(white: White) -> Self {
        let mut matrix = [[0.0; 3]; 3];
        for channel in 0..3 {
            let mut unit = [0.0; 3];
            unit[channel] = 1.0;
            let mut xyz = linear_srgb_to_xyz(unit);
            if white == White::D50 {
                xyz = xyz_d65_to_d50(xyz);
            }
            for (row, v) in matrix.iter_mut().zip(xyz) {
                row[channel] = v;
            }
        }
        Self { matrix, white }
    }

    /// CIELAB of linear sRGB.
    pub fn lab(&self, rgb: [f64; 3]) -> [f64; 3] {
        let xyz = self
            .matrix
            .map(|m| m[0] * rgb[0] + m[1] * rgb[1] + m[2] * rgb[2]);
        xyz_to_lab(xyz, self.white)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn triple(v: &serde_json::Value) -> [f64; 3] {
        [0, 1, 2].map(|i| v[i].as_f64().unwrap())
    }

    // Source: tests/data/srgb_lab.json (IEC 61966-2-1 constants, CIELAB by colour-science 0.4.7).
    // That table uses the four-digit matrix of the standard, this module one computed from the
    // primaries, hence 0.03 for the most saturated colours.
    #[test]
    fn srgb_to_lab_d65_agrees_with_colour_science() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/data/srgb_lab.json"
        );
        let table: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let mut seen = 0;
        for case in table["cases"].as_array().unwrap() {
            let rgb = triple(&case["linear"]);
            let lab = linear_srgb_to_lab(rgb, White::D65);
            let want = triple(&case["Lab_D65"]);
            let xyz = linear_srgb_to_xyz(rgb);
            for i in 0..3 {
                assert!((lab[i] - want[i]).abs() < 0.03, "{case} {lab:?}");
                assert!(
                    (xyz[i] - triple(&case["XYZ_IEC_matrix"])[i]).abs() < 2e-4,
                    "{case} {xyz:?}"
                );
            }
            seen += 1;
        }
        assert!(seen >= 10);
    }

    // Source: tests/data/colorchecker24.csv (colour-science 0.4.7, xyY under D50, Lab D50, and
    // sRGB by a chromatic adaptation clipped to eight bits). Colours inside the sRGB gamut come
    // back to within the rounding to eight bits and the choice of adaptation (CAT02 or Bradford).
    #[test]
    fn lab_d50_and_srgb_agree_with_the_colour_chart() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/data/colorchecker24.csv"
        );
        let text = std::fs::read_to_string(path).unwrap();
        let mut inside = 0;
        for line in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let f: Vec<f64> = line
                .split(',')
                .skip(1)
                .map(|v| v.parse().unwrap())
                .collect();
            let (x, y, luminance) = (f[0], f[1], f[2]);
            let xyz = [x / y * luminance, luminance, (1.0 - x - y) / y * luminance];
            let lab = xyz_to_lab(xyz, White::D50);
            for i in 0..3 {
                assert!((lab[i] - f[3 + i]).abs() < 0.06, "{line} {lab:?}");
            }
            let rgb = [f[6], f[7], f[8]].map(|v| {
                let v = v / 255.0;
                if v <= 0.04045 {
                    v / 12.92
                } else {
                    libm::pow((v + 0.055) / 1.055, 2.4)
                }
            });
            if f[6] > 0.0 {
                inside += 1;
                let lab = linear_srgb_to_lab(rgb, White::D50);
                let de = crate::ciede2000::ciede2000(lab, [f[3], f[4], f[5]]);
                assert!(de < 1.0, "{line} {lab:?} {de}");
            }
        }
        assert_eq!(inside, 23);
    }

    #[test]
    fn every_way_back_is_the_inverse() {
        for white in [White::D50, White::D65] {
            for rgb in [[0.2, 0.5, 0.9], [0.001, 0.0, 0.02], [1.0, 1.0, 1.0]] {
                let back = lab_to_linear_srgb(linear_srgb_to_lab(rgb, white), white);
                for i in 0..3 {
                    // The crate's two matrices are rounded to seven digits.
                    assert!((back[i] - rgb[i]).abs() < 1e-5, "{rgb:?} {back:?}");
                }
            }
            let lab = linear_srgb_to_lab([1.0; 3], white);
            assert!((lab[0] - 100.0).abs() < 0.01 && lab[1].abs() < 0.02 && lab[2].abs() < 0.02);
        }
        assert!((lightness(0.18) - 49.496).abs() < 1e-3);
    }
}
