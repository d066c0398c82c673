//! Line metrics beside closed forms, `tests/data/line_metrics.json`: a box of
//! width W blurred by a Gaussian (its thresholds after ISO/IEC 13660 and 24790,
//! definitions from memory; figures computed with scipy), and the standard
//! deviation of planted edges.

// The lint spares test functions, not what they share.
#![allow(clippy::unwrap_used)]

use restrike_model::{Point, Raster};
use restrike_ops::cubic_sample::cubic_sample;
use restrike_ops::line_profile::{LineProfile, Side};
use restrike_ops::smooth_course::raggedness;
use serde_json::Value;

fn table() -> Value {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/data/line_metrics.json"
    );
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

const PAPER: f64 = 0.85;
const SOLID: f64 = 0.05;

/// Share of the solid at a distance from the middle of a blurred line.
fn darkness(t: f64, width: f64, sigma: f64) -> f64 {
    let phi = |z: f64| 0.5 * libm::erfc(-z / std::f64::consts::SQRT_2);
    phi((t + width / 2.0) / sigma) - phi((t - width / 2.0) / sigma)
}

fn closed_form(width: f64, sigma: f64) -> (Vec<f64>, f64) {
    let step = 0.002;
    let values = (0..=400)
        .map(|i| PAPER - (PAPER - SOLID) * darkness((f64::from(i) - 200.0) * step, width, sigma))
        .collect();
    (values, step)
}

fn profile<'a>(values: &'a [f64], step: f64, centre: f64) -> LineProfile<'a> {
    LineProfile {
        values,
        step,
        centre,
        reach: 0.03,
        ground: [PAPER; 2],
        solid: [SOLID; 2],
    }
}

#[test]
fn blurred_lines_have_the_widths_and_blurs_of_the_table() {
    let table = table();
    let mut held = 0;
    for case in table["line_cases"].as_array().unwrap() {
        let of = |name: &str| case[name].as_f64();
        let (w, sigma) = (of("W_mm").unwrap(), of("sigma_mm").unwrap());
        let (values, step) = closed_form(w, sigma);
        let p = profile(&values, step, 200.0);
        for percent in [10, 25, 40, 50, 60, 70, 75, 90] {
            let got = p.width(f64::from(percent));
            match of(&format!("width_T{percent}_mm")) {
                Some(want) => {
                    assert!(
                        (got.unwrap() - want).abs() < 2e-6,
                        "{w} {sigma} T{percent}: {got:?} {want}"
                    );
                    held += 1;
                }
                None => assert_eq!(got, None, "{w} {sigma} T{percent}"),
            }
        }
        for (inner, name) in [
            (90.0, "blur_T10_T90_mm_per_edge"),
            (70.0, "blur_T10_T70_mm_per_edge"),
        ] {
            for side in [Side::First, Side::Second] {
                if let Some(want) = of(name) {
                    let got = p.blur(side, 10.0, inner).unwrap();
                    assert!(
                        (got - want).abs() < 2e-6,
                        "{w} {sigma} {name}: {got} {want}"
                    );
                    held += 1;
                }
            }
        }
        let peak = 1.0 - (values[200] - SOLID) / (PAPER - SOLID);
        assert!((peak - of("peak_darkness").unwrap()).abs() < 1e-9);
    }
    assert!(held > 40, "{held}");
}

#[test]
fn thresholds_and_contrast_are_those_of_the_example() {
    let table = table();
    let example = &table["example_threshold"];
    let p = profile(&[], 0.01, 0.0);
    for percent in [10, 40, 60, 70, 75, 90] {
        let want = example[format!("R{percent}")].as_f64().unwrap();
        assert!((p.level(Side::First, f64::from(percent)) - want).abs() < 1e-9);
    }
    let want = example["contrast_(Rmax-Rmin)/Rmax"].as_f64().unwrap();
    assert!((p.contrast() - want).abs() < 1e-6);
}

/// A line seen by a scanner: `edge` gives the offset of both edges along it,
/// `sigma` blurs isotropically, each pixel is the mean of its area.
fn scan(
    dpi: f64,
    sigma: f64,
    turn: f64,
    width: f64,
    edge: impl Fn(f64) -> f64,
) -> (Raster<u16>, f64) {
    const FINE: usize = 6;
    let pixel = 25.4 / dpi;
    let (w, h) = ((8.0 / pixel) as usize, (8.0 / pixel) as usize);
    let (c, s) = (libm::cos(turn), libm::sin(turn));
    let fine = pixel / FINE as f64;
    // The sharp shape on a fine grid, then a separable Gaussian, then areas.
    let (fw, fh) = (w * FINE, h * FINE);
    let mut shape = vec![0.0_f32; fw * fh];
    for y in 0..fh {
        for x in 0..fw {
            let (px, py) = ((x as f64 + 0.5) * fine - 4.0, (y as f64 + 0.5) * fine - 4.0);
            let (along, across) = (c * px + s * py, -s * px + c * py);
            let e = edge(along);
            // Coverage of a fine cell by the line, linear across its edge.
            let half = width / 2.0;
            let cover = |d: f64| (0.5 - d / fine).clamp(0.0, 1.0);
            let inside = cover(across - half - e) * cover(-half - across + e);
            shape[y * fw + x] = inside as f32;
        }
    }
    let radius = (4.0 * sigma / fine).ceil() as i64;
    let mut kernel: Vec<f32> = (-radius..=radius)
        .map(|k| libm::exp(-0.5 * (k as f64 * fine / sigma).powi(2)) as f32)
        .collect();
    let total: f32 = kernel.iter().sum();
    kernel.iter_mut().for_each(|k| *k /= total);
    let blur = |from: &[f32], across: bool| {
        let mut out = vec![0.0_f32; from.len()];
        for y in 0..fh as i64 {
            for x in 0..fw as i64 {
                let mut sum = 0.0;
                for (k, g) in (-radius..).zip(&kernel) {
                    let (u, v) = if across { (x + k, y) } else { (x, y + k) };
                    let (u, v) = (u.clamp(0, fw as i64 - 1), v.clamp(0, fh as i64 - 1));
                    sum += g * from[(v * fw as i64 + u) as usize];
                }
                out[(y * fw as i64 + x) as usize] = sum;
            }
        }
        out
    };
    let blurred = blur(&blur(&shape, true), false);
    let mut out = Raster::<u16>::new(w, h, 1);
    for y in 0..h {
        for x in 0..w {
            let mut sum = 0.0;
            for v in 0..FINE {
                let row = (y * FINE + v) * fw + x * FINE;
                sum += blurred[row..row + FINE]
                    .iter()
                    .map(|v| f64::from(*v))
                    .sum::<f64>();
            }
            let share = sum / (FINE * FINE) as f64;
            let value = PAPER - (PAPER - SOLID) * share;
            out.set(x, y, 0, (value * 65535.0).round() as u16);
        }
    }
    (out, pixel)
}

struct Found {
    width: f64,
    blur: f64,
    ragged: f64,
}

/// Profiles every half pixel along a line through the scan's middle.
fn measured(scan: &Raster<u16>, pixel: f64, turn: f64, length: f64) -> Found {
    let (c, s) = (libm::cos(turn), libm::sin(turn));
    let step = pixel / 2.0;
    let half = 0.5;
    let (mut widths, mut blurs, mut edge) = (Vec::new(), Vec::new(), Vec::new());
    let n = (length / step).round() as i64;
    for i in 0..n {
        let along = (i as f64 - n as f64 / 2.0) * step;
        let count = (2.0 * half / step) as usize;
        let values: Vec<f64> = (0..=count)
            .map(|k| {
                let across = k as f64 * step - half;
                let p = Point::new(
                    (c * along - s * across + 4.0) / pixel,
                    (s * along + c * across + 4.0) / pixel,
                );
                f64::from(cubic_sample(scan.view(), p).unwrap()[0])
            })
            .collect();
        let p = profile(&values, step, half / step);
        widths.push(p.width(50.0).unwrap());
        blurs.push(p.blur(Side::First, 10.0, 90.0).unwrap());
        edge.push(p.crossing(Side::First, 50.0).unwrap());
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    Found {
        width: mean(&widths),
        blur: mean(&blurs),
        ragged: raggedness(&edge, step, 2.5).unwrap(),
    }
}

/// T50 width within 1 um, blur and raggedness within 3 %, at 600 and 1200 dpi. The
/// lines lie askew to the pixels: a single phase may be off by half a micrometre an edge.
#[test]
fn planted_edges_are_measured_at_scan_resolution() {
    let table = table();
    let sine = &table["raggedness"][1];
    assert!(sine["edge"].as_str().unwrap().contains("sigma=0.020"));
    let per_sigma = table["isolated_edge"]["T10_T90_distance_over_sigma"]
        .as_f64()
        .unwrap();
    for dpi in [600.0, 1200.0] {
        for turn in [0.03, 0.21] {
            let pixel = 25.4 / dpi;
            let (image, _) = scan(dpi, 0.04, turn, 0.2, |_| 0.0);
            let got = measured(&image, pixel, turn, 5.0);
            // A pixel's own square adds its variance to the blur.
            let blur = per_sigma * (0.04_f64.powi(2) + pixel * pixel / 12.0).sqrt();
            assert!(
                (got.width - 0.2).abs() < 0.001,
                "{dpi} {turn}: width {}",
                got.width
            );
            assert!(
                (got.blur / blur - 1.0).abs() < 0.03,
                "{dpi} {turn}: blur {} {blur}",
                got.blur
            );
            assert!(got.ragged < 0.001, "{dpi} {turn}: {}", got.ragged);

            let wave = |x: f64| 0.02 * libm::sin(std::f64::consts::TAU * x / 0.5);
            let (image, _) = scan(dpi, 0.02, turn, 0.3, wave);
            let got = measured(&image, pixel, turn, 5.0);
            // The pixel's square smooths the wave by its own variance, as the blur does.
            let q = std::f64::consts::TAU / 0.5;
            let square = libm::exp(-q * q * pixel * pixel / 24.0);
            let want = sine["SD_mm"].as_f64().unwrap() * square;
            assert!(
                (got.ragged / want - 1.0).abs() < 0.03,
                "{dpi} {turn}: ragged {} {want}",
                got.ragged
            );
            assert!(
                (got.width - 0.3).abs() < 0.001,
                "{dpi} {turn}: width {}",
                got.width
            );
        }
    }
}
