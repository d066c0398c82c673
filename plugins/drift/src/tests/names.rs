//! Patterns, units and figures.

use crate::choose::{fits, unit};
use restrike_stage::figures::figure;

#[test]
fn a_star_stands_for_any_run_of_characters() {
    for (pattern, text, expected) in [
        ("deskew.rotation_deg", "deskew.rotation_deg", true),
        ("deskew.rotation_deg", "deskew.rotation_de", false),
        ("*.*", "a.b", true),
        ("*_se", "deskew.scale_x_se", true),
        ("*_se", "deskew.scale_x_se_mm", false),
        ("*_se_*", "deskew.rotation_se_deg", true),
        ("a.*x*", "a.bxc", true),
        ("a*a", "a", false),
        ("", "a", false),
        ("*", "", true),
    ] {
        assert_eq!(fits(pattern, text), expected, "{pattern} {text}");
    }
}

#[test]
fn units_stand_at_the_end_of_names() {
    assert_eq!(unit("width_mm"), "mm");
    assert_eq!(unit("mtf50_across_cy_px"), "cycles/px");
    assert_eq!(unit("contrast"), "");
}

#[test]
fn figures_have_three_digits() {
    assert_eq!(figure(0.123_45), "0.123");
    assert_eq!(figure(-1234.0), "-1230");
    assert_eq!(figure(0.000_012_34), "1.23e-5");
    assert_eq!(figure(0.0), "0");
}
