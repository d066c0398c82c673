//! Synthetic impressions: what was put in comes back, on seeds nothing was tuned on.

use restrike_stage::{Raster, Size, Value};
use restrike_synth::{Design, DesignSpec, Difficulty, Pixels, RunSpec, SheetSpec, Truth, render};
use serde_json::json;

use super::{Kept, run};

fn linear(pixels: &Pixels, width: usize, height: usize) -> (Raster<u16>, u8) {
    let decode = |v: f64| (restrike_synth::srgb_decode(v) * 65535.0).round() as u16;
    let (data, bits): (Vec<u16>, u8) = match pixels {
        Pixels::U8(p) => {
            let lut: Vec<u16> = (0..=255).map(|v| decode(f64::from(v) / 255.0)).collect();
            (p.iter().map(|v| lut[usize::from(*v)]).collect(), 8)
        }
        Pixels::U16(p) => (
            p.iter().map(|v| decode(f64::from(*v) / 65535.0)).collect(),
            16,
        ),
    };
    (Raster::from_vec(width, height, 3, data).unwrap(), bits)
}

fn check(design: &Design, sheet: &SheetSpec) -> (Kept, Truth) {
    let scan = render(design, sheet).unwrap();
    let (raster, bits) = linear(&scan.pixels, scan.width as usize, scan.height as usize);
    let size = Size {
        width_mm: scan.truth.sheet_mm[0],
        height_mm: scan.truth.sheet_mm[1],
    };
    let kept = run(&raster, scan.truth.dpi, bits, Some(size), &json!({})).unwrap();
    (kept, scan.truth)
}

/// MTF50 of a Gaussian blur times a unit pixel, by bisection of the closed form.
fn mtf50(sigma: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let f: f64 = (low + high) / 2.0;
        let x = std::f64::consts::PI * f;
        let m = libm::exp(-2.0 * x * x * sigma * sigma) * libm::sin(x) / x;
        if m > 0.5 { low = f } else { high = f }
    }
    low
}

/// Standard deviation of L* that sensor noise and rounding to 8 bits give on paper.
fn noise_l(truth: &Truth, paper_y: f64) -> f64 {
    let sensor =
        truth.noise_read * truth.noise_read + truth.noise_shot * truth.noise_shot * paper_y;
    // A step of the code, in linear light, is uniform: its variance is a twelfth of its square.
    let code = restrike_synth::srgb_encode(paper_y);
    let step = restrike_synth::srgb_decode(code + 0.5 / 255.0)
        - restrike_synth::srgb_decode(code - 0.5 / 255.0);
    let channel = (sensor + step * step / 12.0).sqrt();
    let weights: f64 = 0.2126 * 0.2126 + 0.7152 * 0.7152 + 0.0722 * 0.0722;
    channel * weights.sqrt() * 116.0 / 3.0 / libm::pow(paper_y, 2.0 / 3.0)
}

fn sheets(difficulty: Difficulty, seed: u64, sheets: u32) -> (Design, Vec<SheetSpec>) {
    let design = Design::generate(&DesignSpec {
        seed,
        ..DesignSpec::default()
    });
    let spec = RunSpec {
        sheets,
        seed,
        dpi: 300.0,
        ..RunSpec::new(difficulty)
    };
    let sheets = spec.sheets(&design);
    (design, sheets)
}

#[test]
fn scans_of_easy_and_standard_runs_are_judged_right() {
    for (difficulty, seed, softest) in [
        (Difficulty::Easy, 40_241, 0.03),
        (Difficulty::Easy, 40_242, 0.03),
        (Difficulty::Standard, 40_243, 0.2),
        (Difficulty::Standard, 40_244, 0.2),
    ] {
        let (design, list) = sheets(difficulty, seed, 2);
        for sheet in list {
            let (kept, truth) = check(&design, &sheet);
            let what = format!("{difficulty:?} {seed} {}: {:?}", truth.name, kept.rows[0]);
            assert_eq!(kept.value("paper_sides"), Value::Integer(4), "{what}");
            for (i, axis) in ["x", "y"].iter().enumerate() {
                let want = truth.sheet_true_mm[i] / truth.sheet_mm[i];
                let got = kept.number(&format!("ratio_{axis}"));
                println!("{difficulty:?} {seed} ratio {axis} {got:.4} for {want:.4}");
                // A shadow on a light bed or a deckle edge shifts a side by tenths of a millimetre.
                assert!((got - want).abs() < 0.004, "{axis} {got} {want} {what}");
            }
            // Cut and printed edges are softer than the optics, never sharper.
            let want = mtf50(truth.psf_sigma_px);
            for way in ["across", "down"] {
                let Some(got) = kept.value(&format!("mtf50_{way}_cy_px")).as_f64() else {
                    // Deckle edges only: said, not guessed.
                    assert!(difficulty != Difficulty::Easy, "{what}");
                    assert!(kept.text("focus_reason").contains(way), "{what}");
                    println!("{difficulty:?} {seed} MTF50 {way} not measured");
                    continue;
                };
                println!("{difficulty:?} {seed} MTF50 {way} {got:.4} for {want:.4}");
                assert!(
                    got < 1.03 * want && got > (1.0 - softest) * want,
                    "{got} {want} {what}"
                );
            }
            let y = restrike_ops::cielab::lab_to_xyz(
                [kept.number("paper_l"), 0.0, 0.0],
                restrike_ops::cielab::White::D50,
            )[1];
            let (got, want) = (kept.number("noise_sd_l"), noise_l(&truth, y));
            println!("{difficulty:?} {seed} noise {got:.4} for {want:.4}");
            assert!((got / want - 1.0).abs() < 0.08, "noise {got} {want} {what}");
            assert!(
                kept.number("texture_sd_l") > got,
                "fibres are texture: {what}"
            );
        }
    }
}

#[test]
fn falloff_of_the_scanner_is_recovered_from_the_margins() {
    for seed in [40_221, 40_222] {
        let (design, mut list) = sheets(Difficulty::Easy, seed, 1);
        let sheet = &mut list[0];
        sheet.paper.toning = 0.0;
        sheet.scan.falloff = 0.08;
        let (kept, truth) = check(&design, sheet);
        // The light over the margins, by the renderer's definition: 1 - falloff (u^2 + v^2) / 2.
        let m = truth.print_to_scan;
        let (mut low, mut high, mut sum, mut n) = (f64::INFINITY, 0.0_f64, 0.0, 0.0);
        let half = [truth.sheet_mm[0] / 2.0 - 1.0, truth.sheet_mm[1] / 2.0 - 1.0];
        for i in 0..=200 {
            for j in 0..=200 {
                let x = half[0] * (f64::from(i) / 100.0 - 1.0);
                let y = half[1] * (f64::from(j) / 100.0 - 1.0);
                let printed = truth.images.iter().any(|a| {
                    (x - a.centre_mm[0]).abs() < a.size_mm[0] / 2.0 + 1.0
                        && (y - a.centre_mm[1]).abs() < a.size_mm[1] / 2.0 + 1.0
                });
                if !printed {
                    let [px, py] = m.apply([x, y]);
                    let u = px / f64::from(truth.width_px) * 2.0 - 1.0;
                    let v = py / f64::from(truth.height_px) * 2.0 - 1.0;
                    let light = 1.0 - 0.08 * (u * u + v * v) / 2.0;
                    low = low.min(light);
                    high = high.max(light);
                    sum += light;
                    n += 1.0;
                }
            }
        }
        let want = 100.0 * (high - low) / (sum / n);
        let got = kept.number("falloff_pct");
        println!("{seed} falloff {got:.2} for {want:.2}");
        assert!((got - want).abs() < 0.6, "{got} {want}");
    }
}
