//! The colours of marks and maps, seen by readers whose colour vision lacks a cone.

use palette::color_difference::Ciede2000;
use palette::{IntoColor, Lab, LinSrgb, Srgb};
use restrike_model::Tone;
use restrike_report::picture::{palette as map_colour, tone_colour};

const TONES: [Tone; 5] = [
    Tone::Measured,
    Tone::Expected,
    Tone::Fault,
    Tone::Notice,
    Tone::Guide,
];

const ITEMS: [Tone; 7] = [
    Tone::Item(0),
    Tone::Item(1),
    Tone::Item(2),
    Tone::Item(3),
    Tone::Item(4),
    Tone::Item(5),
    Tone::Item(6),
];

/// Simulation of dichromatic vision on linear sRGB, severity 1.0: Machado,
/// Oliveira and Fernandes, "A Physiologically-based Model for Simulation of
/// Color Vision Deficiency", IEEE TVCG 15(6), 2009, supplementary tables
/// (<https://www.inf.ufrgs.br/~oliveira/pubs_files/CVD_Simulation/CVD_Simulation.html>).
/// The address is from memory; the numbers agree in several public copies.
const VISION: [(&str, [[f32; 3]; 3]); 4] = [
    (
        "trichromatic",
        [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]],
    ),
    (
        "protanopia",
        [
            [0.152_286, 1.052_583, -0.204_868],
            [0.114_503, 0.786_281, 0.099_216],
            [-0.003_882, -0.048_116, 1.051_998],
        ],
    ),
    (
        "deuteranopia",
        [
            [0.367_322, 0.860_646, -0.227_968],
            [0.280_085, 0.672_501, 0.047_413],
            [-0.011_820, 0.042_940, 0.968_881],
        ],
    ),
    (
        "tritanopia",
        [
            [1.255_528, -0.076_749, -0.178_779],
            [-0.078_411, 0.930_809, 0.147_602],
            [0.004_733, 0.691_367, 0.303_900],
        ],
    ),
];

fn linear([r, g, b]: [u8; 3]) -> LinSrgb<f32> {
    Srgb::new(r, g, b).into_format::<f32>().into_linear()
}

fn seen(colour: [u8; 3], matrix: &[[f32; 3]; 3]) -> Lab {
    let c = linear(colour);
    let row = |m: &[f32; 3]| (m[0] * c.red + m[1] * c.green + m[2] * c.blue).clamp(0.0, 1.0);
    LinSrgb::new(row(&matrix[0]), row(&matrix[1]), row(&matrix[2])).into_color()
}

/// Relative luminance contrast, WCAG 2.2 (<https://www.w3.org/TR/WCAG22/#dfn-contrast-ratio>).
fn contrast_on_white(colour: [u8; 3]) -> f32 {
    let c = linear(colour);
    1.05 / (0.2126 * c.red + 0.7152 * c.green + 0.0722 * c.blue + 0.05)
}

fn stay_apart(tones: &[Tone]) {
    for (kind, matrix) in &VISION {
        for (i, a) in tones.iter().enumerate() {
            for b in &tones[i + 1..] {
                let [p, q] = [a, b].map(|t| seen(tone_colour(*t), matrix));
                let distance = p.difference(q);
                assert!(distance > 15.0, "{kind}: {a:?} and {b:?}: {distance}");
            }
        }
    }
}

#[test]
fn tones_stay_apart_for_every_kind_of_colour_vision() {
    stay_apart(&TONES);
}

/// Seven things have seven colours; the next seven differ by the line's form.
#[test]
fn things_of_a_kind_stay_apart_too() {
    stay_apart(&ITEMS);
}

#[test]
fn tones_stand_out_on_white() {
    for tone in TONES.into_iter().chain(ITEMS) {
        let contrast = contrast_on_white(tone_colour(tone));
        // WCAG 2.2, 1.4.11: graphical objects 3:1.
        assert!(contrast >= 3.0, "{tone:?}: {contrast}");
    }
}

#[test]
fn a_map_grows_lighter_with_its_value_for_every_kind_of_colour_vision() {
    for (kind, matrix) in &VISION {
        let light: Vec<f32> = (0..=32)
            .map(|k| seen(map_colour(false, f64::from(k) / 32.0), matrix).l)
            .collect();
        assert!(light.windows(2).all(|w| w[1] > w[0]), "{kind}: {light:?}");
        assert!(light[32] - light[0] > 60.0, "{kind}");
    }
}

#[test]
fn a_signed_map_is_lightest_at_zero_and_its_sides_differ_in_colour() {
    for (kind, matrix) in &VISION {
        let at = |t: f64| seen(map_colour(true, t), matrix);
        for k in 1..=16 {
            let t = 0.5 * f64::from(k) / 16.0;
            let before = 0.5 * f64::from(k - 1) / 16.0;
            // Interpolation rounds to bytes: hair-thin plateaus are no reversal.
            assert!(at(0.5 - t).l < at(0.5 - before).l + 0.5, "{kind} at {t}");
            assert!(at(0.5 + t).l < at(0.5 + before).l + 0.5, "{kind} at {t}");
            if k >= 4 {
                let apart = at(0.5 - t).difference(at(0.5 + t));
                assert!(apart > 10.0, "{kind} at {t}: {apart}");
            }
        }
    }
}
