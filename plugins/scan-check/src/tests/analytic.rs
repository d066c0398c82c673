//! Sheets drawn here from closed forms: a turned rectangle of paper on a bed with printed
//! solids, each edge a step blurred by a Gaussian and averaged over the pixel.

use restrike_stage::{Raster, Size};
use serde_json::json;

use super::{run, run_file};

/// What is drawn.
#[derive(Clone)]
struct Drawing {
    width: usize,
    height: usize,
    dpi: f64,
    /// Millimetres.
    sheet: [f64; 2],
    degrees: f64,
    /// Where the sheet's centre lies, from the scan's centre, mm.
    offset: [f64; 2],
    sigma: f64,
    bed: [f64; 3],
    paper: [f64; 3],
    /// Loss of light across the scan's width and height (linear), shares.
    tilt: [f64; 2],
    noise: f64,
    channels: usize,
    /// Whether solids are printed.
    solids: bool,
}

impl Default for Drawing {
    fn default() -> Self {
        Self {
            width: 1500,
            height: 1100,
            dpi: 300.0,
            sheet: [115.0, 80.0],
            degrees: 2.1,
            offset: [0.6, -0.4],
            sigma: 0.5,
            bed: [0.03, 0.03, 0.035],
            paper: [0.74, 0.70, 0.60],
            tilt: [0.0; 2],
            noise: 0.0,
            channels: 3,
            solids: true,
        }
    }
}

fn normal(state: &mut u64) -> f64 {
    let mut u = || {
        *state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = *state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let (a, b) = (u().max(1e-12), u());
    (-2.0 * libm::log(a)).sqrt() * libm::cos(2.0 * std::f64::consts::PI * b)
}

impl Drawing {
    fn draw(&self) -> Raster<u16> {
        let mm = 25.4 / self.dpi;
        let (s, c) = libm::sincos(self.degrees * std::f64::consts::PI / 180.0);
        let middle = [
            self.width as f64 / 2.0 + self.offset[0] / mm,
            self.height as f64 / 2.0 + self.offset[1] / mm,
        ];
        let step = |d: f64| {
            if d.abs() > 6.0 * self.sigma {
                f64::from(u8::from(d > 0.0))
            } else {
                0.5 * libm::erfc(-d / self.sigma / std::f64::consts::SQRT_2)
            }
        };
        // A box in sheet coordinates, pixels: how much of a point's neighbourhood lies in it.
        let within = |u: f64, v: f64, b: [f64; 4]| {
            step(u - b[0]) * step(b[2] - u) * step(v - b[1]) * step(b[3] - v)
        };
        let (hw, hh) = (self.sheet[0] / mm / 2.0, self.sheet[1] / mm / 2.0);
        let sheet = [-hw, -hh, hw, hh];
        let solids = [
            [-0.7 * hw, -0.7 * hh, -0.2 * hw, 0.1 * hh],
            [0.1 * hw, -0.6 * hh, 0.6 * hw, 0.7 * hh],
        ];
        let ink = [0.12, 0.08, 0.07];
        let mut out = Raster::new(self.width, self.height, self.channels);
        let mut state = 11;
        for y in 0..self.height {
            for x in 0..self.width {
                let place = |dx: f64, dy: f64| {
                    let (px, py) = (x as f64 + dx - middle[0], y as f64 + dy - middle[1]);
                    (c * px + s * py, -s * px + c * py)
                };
                let (u, v) = place(0.5, 0.5);
                let reach = 6.0 * self.sigma + 1.0;
                let near = |b: &[f64; 4]| {
                    [u - b[0], u - b[2], v - b[1], v - b[3]]
                        .iter()
                        .any(|d| d.abs() < reach)
                };
                let any = near(&sheet) || (self.solids && solids.iter().any(near));
                let n = if any { 5 } else { 1 };
                let (mut on, mut inked) = (0.0, 0.0);
                for j in 0..n {
                    for i in 0..n {
                        let (u, v) = place(
                            (f64::from(i) + 0.5) / f64::from(n),
                            (f64::from(j) + 0.5) / f64::from(n),
                        );
                        on += within(u, v, sheet);
                        if self.solids {
                            inked += solids.iter().map(|b| within(u, v, *b)).sum::<f64>();
                        }
                    }
                }
                let (on, inked) = (on / f64::from(n * n), inked / f64::from(n * n));
                let light = 1.0
                    - self.tilt[0] * (x as f64 / self.width as f64 - 0.5)
                    - self.tilt[1] * (y as f64 / self.height as f64 - 0.5);
                for (k, ink) in ink.iter().enumerate().take(self.channels) {
                    let r = self.bed[k] * (1.0 - on) + (on - inked) * self.paper[k] + inked * ink;
                    let v = r * light + self.noise * normal(&mut state);
                    out.set(x, y, k, (v.clamp(0.0, 1.0) * 65535.0).round() as u16);
                }
            }
        }
        out
    }

    fn size(&self) -> Option<Size> {
        Some(Size {
            width_mm: self.sheet[0],
            height_mm: self.sheet[1],
        })
    }
}

#[test]
fn resolution_follows_from_the_sheet_and_a_wrong_one_is_flagged() {
    let d = Drawing::default();
    let scan = d.draw();
    let kept = run(&scan, d.dpi, 16, d.size(), &json!({})).unwrap();
    assert_eq!(kept.number("paper_sides"), 4.0);
    for axis in ["x", "y"] {
        let ratio = kept.number(&format!("ratio_{axis}"));
        assert!((ratio - 1.0).abs() < 2e-4, "{axis} {ratio}");
    }
    assert_eq!(kept.value("resolution_contradicts"), false.into());

    // The file says 400: nothing is rescaled, the contradiction is named.
    let kept = run(&scan, 400.0, 16, d.size(), &json!({})).unwrap();
    assert_eq!(kept.value("resolution_contradicts"), true.into());
    assert!((kept.number("measured_x_dpi") - 300.0).abs() < 0.1);
    assert_eq!(kept.number("stated_x_dpi"), 400.0);
    assert!(kept.text("remarks").contains("wrong resolution"));
    assert_eq!(kept.notes.len(), 1);

    let kept = run(&scan, 300.0, 16, None, &json!({})).unwrap();
    assert!(kept.text("measured_reason").contains("config"));
}

#[test]
fn a_sheet_cut_a_little_small_costs_nothing_and_a_contradiction_all_lengths() {
    let d = Drawing::default();
    let scan = d.draw();
    let limits = json!({"registration_dpi": 300.0, "line_wear_dpi": 300.0});
    // Cut 0.4 % smaller than stated, well inside the tolerance of 2 %.
    let stated = d.size().map(|s| Size {
        width_mm: s.width_mm * 1.004,
        height_mm: s.height_mm * 1.004,
    });
    let kept = run(&scan, d.dpi, 16, stated, &limits).unwrap();
    assert!(kept.number("ratio_x") < 0.997 && kept.number("ratio_y") < 0.997);
    assert_eq!(kept.value("resolution_contradicts"), false.into());
    assert_eq!(kept.text("fit_for"), "registration, colour, line wear");

    for dpi in [200.0, 400.0] {
        let kept = run(&scan, dpi, 16, d.size(), &limits).unwrap();
        assert_eq!(kept.text("fit_for"), "colour", "{dpi}");
        let remarks = kept.text("remarks");
        assert!(remarks.contains("no lengths can be trusted"), "{remarks}");
        assert!(!remarks.contains("line wear only"), "{remarks}");
    }
}

#[test]
fn a_side_outside_the_scan_gives_no_resolution_across() {
    let d = Drawing {
        offset: [9.0, 0.3],
        ..Drawing::default()
    };
    let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
    assert_eq!(kept.number("paper_sides"), 3.0);
    assert!((kept.number("ratio_y") - 1.0).abs() < 3e-4);
    assert_eq!(kept.value("ratio_x"), restrike_stage::Value::Null);
    assert!(kept.text("measured_reason").contains("left or the right"));
}

#[test]
fn a_light_bed_and_no_bed_are_told_apart() {
    let light = Drawing {
        bed: [0.93, 0.94, 0.93],
        ..Drawing::default()
    };
    let kept = run(&light.draw(), 300.0, 16, light.size(), &json!({})).unwrap();
    assert_eq!(kept.number("paper_sides"), 4.0);
    assert!((kept.number("ratio_x") - 1.0).abs() < 1e-3);
    let none = Drawing {
        sheet: [200.0, 200.0],
        ..Drawing::default()
    };
    let kept = run(&none.draw(), 300.0, 16, None, &json!({})).unwrap();
    assert_eq!(kept.number("paper_sides"), 0.0);
    assert!(kept.text("remarks").contains("no bed"));
}

// Source: tests/data/sfr_dpi.json (Gaussian blur and unit pixel, closed form).
#[test]
fn focus_is_the_closed_form_of_the_blur() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/sfr_dpi.json");
    let table: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    for case in table["cases"].as_array().unwrap() {
        let get = |k: &str| case[k].as_f64().unwrap();
        for (degrees, noise) in [(2.1, 0.0), (-0.6, 0.004)] {
            let d = Drawing {
                sigma: get("sigma_px"),
                degrees,
                noise,
                ..Drawing::default()
            };
            let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
            for way in ["across", "down"] {
                for (mtf, want) in [("mtf50", get("MTF50_cy_px")), ("mtf10", get("MTF10_cy_px"))] {
                    let got = kept.number(&format!("{mtf}_{way}_cy_px"));
                    println!(
                        "sigma {} turn {degrees} noise {noise} {way} {mtf}: {got:.4} for {want:.4}, {} edges",
                        d.sigma,
                        kept.number(&format!("edges_{way}"))
                    );
                    assert!((got / want - 1.0).abs() < 0.03, "{mtf} {way} {got} {want}");
                }
                let got = kept.number(&format!("sampling_efficiency_{way}"));
                let want = get("sampling_efficiency_MTF10_over_Nyquist_capped1");
                assert!((got - want).abs() < 0.03, "{got} {want}");
                let (px, mm) = (
                    kept.number(&format!("mtf50_{way}_cy_px")),
                    kept.number(&format!("mtf50_{way}_cy_mm")),
                );
                assert!((mm / px - 300.0 / 25.4).abs() < 1e-9);
            }
        }
    }
}

#[test]
fn noise_and_falloff_are_those_put_in() {
    let d = Drawing {
        noise: 0.006,
        tilt: [0.05, 0.03],
        ..Drawing::default()
    };
    let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
    // Independent noise in three channels, weighted into luminance, then into L*.
    let y: f64 = 0.2126 * 0.74 + 0.7152 * 0.70 + 0.0722 * 0.60;
    let weights: f64 = 0.2126 * 0.2126 + 0.7152 * 0.7152 + 0.0722 * 0.0722;
    let want = 0.006 * weights.sqrt() * 116.0 / 3.0 / libm::pow(y, 2.0 / 3.0);
    let got = kept.number("noise_sd_l");
    assert!((got / want - 1.0).abs() < 0.04, "{got} {want}");
    assert!((kept.number("texture_sd_l") / want - 1.0).abs() < 0.04);
    // The sheet spans 115 mm of 127 and 80 of 93 (turned a little), less the strip at its sides.
    let mm = [
        d.width as f64 / 300.0 * 25.4,
        d.height as f64 / 300.0 * 25.4,
    ];
    let full = 100.0 * (0.05 * d.sheet[0] / mm[0] + 0.03 * d.sheet[1] / mm[1]);
    let got = kept.number("falloff_pct");
    assert!(got < 1.05 * full && got > 0.85 * full, "{got} {full}");
}

#[test]
fn colour_of_the_paper_and_clipping_are_read_back() {
    let mut d = Drawing::default();
    let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
    let want = restrike_ops::cielab::linear_srgb_to_lab(d.paper, restrike_ops::cielab::White::D50);
    for (name, want) in ["paper_l", "paper_a", "paper_b"].iter().zip(want) {
        assert!((kept.number(name) - want).abs() < 0.05, "{name} {want}");
    }
    assert_eq!(kept.number("highlights_clipped_pct"), 0.0);
    assert_eq!(kept.text("fit_for"), "registration, colour");
    d.paper = [1.05, 0.9, 0.8];
    let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
    // Two solids of 0.25 x 0.4 and 0.25 x 0.65 of the sheet are not paper.
    let paper = 100.0 * (1.0 - 0.25 * 0.4 - 0.25 * 0.65);
    assert!((kept.number("highlights_red_pct") - paper).abs() < 1.0);
    assert_eq!(kept.number("highlights_green_pct"), 0.0);
    assert!(kept.text("remarks").contains("clipped highlights"));
    assert!(!kept.text("fit_for").contains("colour"));
}

#[test]
fn a_grey_scan_is_checked_too() {
    let d = Drawing {
        channels: 1,
        ..Drawing::default()
    };
    let kept = run(&d.draw(), d.dpi, 16, d.size(), &json!({})).unwrap();
    assert!((kept.number("mtf50_across_cy_px") / 0.32309 - 1.0).abs() < 0.03);
    assert_eq!(kept.text("fit_for"), "registration, tone");
    assert!(kept.number("paper_a").abs() < 0.02);
}

/// Time for a scan of 54 megapixels; run with `--ignored --nocapture`.
#[test]
#[ignore = "takes a minute to draw"]
fn a_54_megapixel_scan_takes_a_fraction_of_a_second() {
    let d = Drawing {
        width: 9000,
        height: 6000,
        dpi: 600.0,
        sheet: [355.0, 235.0],
        degrees: 0.7,
        ..Drawing::default()
    };
    let scan = d.draw();
    let mut best = f64::INFINITY;
    for _ in 0..5 {
        let start = std::time::Instant::now();
        let kept = run(&scan, d.dpi, 16, d.size(), &json!({})).unwrap();
        best = best.min(start.elapsed().as_secs_f64());
        assert_eq!(kept.text("fit_for"), "registration, colour, line wear");
    }
    println!("54 megapixels, one thread, best of five: {best:.3} s");
    assert!(best < 1.0, "{best}");
}

#[test]
fn colours_kept_more_coarsely_count_by_their_own_resolution() {
    let d = Drawing::default();
    let scan = d.draw();
    let limits = json!({"registration_dpi": 200.0, "line_wear_dpi": 200.0});
    let fit = |step| {
        let kept = run_file(&scan, (d.dpi, 8, step), d.size(), &limits).unwrap();
        (kept.text("fit_for"), kept.text("remarks"))
    };
    let (fit_for, remarks) = fit(1);
    assert!(
        fit_for.contains("registration") && !remarks.contains("4:4:4"),
        "{remarks}"
    );
    let (fit_for, remarks) = fit(2);
    assert!(
        !fit_for.contains("registration") && fit_for.contains("line wear"),
        "{fit_for}"
    );
    assert!(
        remarks.contains("4:4:4") && remarks.contains("150 dpi"),
        "{remarks}"
    );
}
