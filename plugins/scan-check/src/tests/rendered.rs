//! Synthetic impressions: what was put in comes back, on seeds nothing was tuned on.

use restrike_model::{Raster, Size, Value};
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

#[test]
fn scans_of_easy_and_standard_runs_are_judged_right() {
    for (difficulty, seed) in [
        (Difficulty::Easy, 9101),
        (Difficulty::Standard, 9102),
        (Difficulty::Hard, 9103),
    ] {
        let design = Design::generate(&DesignSpec {
            seed,
            ..DesignSpec::default()
        });
        let spec = RunSpec {
            sheets: 2,
            seed,
            dpi: 300.0,
            ..RunSpec::new(difficulty)
        };
        for sheet in spec.sheets(&design) {
            let (kept, truth) = check(&design, &sheet);
            println!(
                "{difficulty:?} {seed}: sides {:?} ratio {:?} {:?} true size {:?} of {:?}; mtf50 {:?} {:?} (blur {:.3}: {:.4}), edges {:?} {:?}; noise {:?} texture {:?} (read {:.4} shot {:.4}); falloff {:?} ({:.3} {:?}); paper {:?} {:?} {:?} area {:?} | {} | {} | {} | bed {:?}",
                kept.value("paper_sides"),
                kept.value("ratio_x"),
                kept.value("ratio_y"),
                truth.sheet_true_mm,
                truth.sheet_mm,
                kept.value("mtf50_across_cy_px"),
                kept.value("mtf50_down_cy_px"),
                truth.psf_sigma_px,
                mtf50(truth.psf_sigma_px),
                kept.value("edges_across"),
                kept.value("edges_down"),
                kept.value("noise_sd_l"),
                kept.value("texture_sd_l"),
                truth.noise_read,
                truth.noise_shot,
                kept.value("falloff_pct"),
                sheet.scan.falloff,
                sheet.scan.tilt,
                kept.value("paper_l"),
                kept.value("paper_a"),
                kept.value("paper_b"),
                kept.value("paper_area_pct"),
                kept.text("paper_reason"),
                kept.text("fit_for"),
                kept.text("remarks"),
                sheet.scan.bed,
            );
            assert_eq!(kept.value("paper_sides"), Value::Integer(4));
        }
    }
}
