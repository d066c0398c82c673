use super::*;

/// Integral of the normal distribution function.
fn phi2(t: f64) -> f64 {
    let pdf = libm::exp(-t * t / 2.0) / (2.0 * std::f64::consts::PI).sqrt();
    t * 0.5 * libm::erfc(-t / std::f64::consts::SQRT_2) + pdf
}

/// Integral of `phi2`.
fn phi3(t: f64) -> f64 {
    let pdf = libm::exp(-t * t / 2.0) / (2.0 * std::f64::consts::PI).sqrt();
    ((t * t + 1.0) * 0.5 * libm::erfc(-t / std::f64::consts::SQRT_2) + t * pdf) / 2.0
}

/// A step blurred by a Gaussian, integrated exactly over unit pixels: the edge runs
/// through (x0, 0) with `slope` pixels across a row.
fn render(sigma: f64, slope: f64, x0: f64, width: usize, height: usize) -> Vec<f32> {
    let c = 1.0 / (1.0 + slope * slope).sqrt();
    let mut out = Vec::new();
    for y in 0..height {
        for x in 0..width {
            // Distance of the pixel's corners in sigmas; distance falls as y grows.
            let d = |dx: f64, dy: f64| (as_f64(x) + dx - x0 - slope * (as_f64(y) + dy)) * c / sigma;
            let corners =
                phi3(d(1.0, 0.0)) - phi3(d(0.0, 0.0)) - phi3(d(1.0, 1.0)) + phi3(d(0.0, 1.0));
            let mean = if slope == 0.0 {
                sigma * (phi2(d(1.0, 0.0)) - phi2(d(0.0, 0.0)))
            } else {
                corners * sigma * sigma / (c * c * slope)
            };
            out.push((0.2 + 0.6 * mean) as f32);
        }
    }
    out
}

fn measure(samples: &[f32], width: usize) -> Result<Sfr, SfrError> {
    let n = samples.len() / width;
    let rows: Vec<f64> = (0..n).map(|y| as_f64(y) + 0.5).collect();
    slanted_edge(EdgeRegion {
        samples,
        width,
        starts: &vec![0.0; n],
        rows: &rows,
    })
}

// Source: tests/data/sfr_dpi.json, the closed form MTF of a Gaussian times a unit pixel:
// exp(-2 (pi sigma f)^2) sinc(f).
#[test]
fn gaussian_edges_give_their_closed_form_response() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/sfr_dpi.json");
    let table: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let cases = table["cases"].as_array().unwrap();
    assert!(cases.len() >= 5);
    for case in cases {
        let sigma = case["sigma_px"].as_f64().unwrap();
        for (slope, x0) in [(0.087, 12.3), (-0.052, 19.8), (0.031, 13.1), (0.12, 9.0)] {
            let sfr = measure(&render(sigma, slope, x0, 32, 120), 32).unwrap();
            for (got, name) in [
                (sfr.mtf50.unwrap(), "MTF50_cy_px"),
                (sfr.mtf10.unwrap(), "MTF10_cy_px"),
            ] {
                let want = case[name].as_f64().unwrap();
                assert!(
                    (got / want - 1.0).abs() < 0.02,
                    "{name} sigma {sigma} slope {slope}: {got} for {want}"
                );
            }
            for (f, name) in [(0.25, "MTF_at_half_Nyquist"), (0.5, "MTF_at_Nyquist")] {
                let want = case[name].as_f64().unwrap();
                let got = sfr.at(f).unwrap();
                assert!(
                    (got - want).abs() < 0.01,
                    "{name} {sigma} {slope}: {got} {want}"
                );
            }
            assert!((sfr.slope - slope).abs() < 1e-3, "{} {slope}", sfr.slope);
            assert!((sfr.contrast.abs() - 0.6).abs() < 0.01);
        }
    }
}

#[test]
fn rows_that_follow_the_edge_give_the_same_response() {
    let (sigma, slope, width, height) = (0.5, 0.1, 24, 300);
    let wide = render(sigma, slope, 12.0, 60, height);
    let starts: Vec<f64> = (0..height).map(|y| (slope * as_f64(y)).floor()).collect();
    let mut samples = Vec::new();
    for (y, s) in starts.iter().enumerate() {
        let at = y * 60 + *s as usize;
        samples.extend_from_slice(&wide[at..at + width]);
    }
    let rows: Vec<f64> = (0..height).map(|y| as_f64(y) + 0.5).collect();
    let sfr = slanted_edge(EdgeRegion {
        samples: &samples,
        width,
        starts: &starts,
        rows: &rows,
    })
    .unwrap();
    assert!((sfr.mtf50.unwrap() / 0.32309 - 1.0).abs() < 0.02);
    assert!((sfr.mtf10.unwrap() / 0.58128 - 1.0).abs() < 0.02);
}

#[test]
fn a_bent_edge_is_no_softer() {
    let (sigma, width, height) = (0.5, 40, 120);
    let mut samples = Vec::new();
    for y in 0..height {
        // A parabola of 1.5 pixels: each row from a straight edge through its place.
        let t = (as_f64(y) - 60.0) / 60.0;
        let row = render(sigma, 0.08, 15.0 + 1.5 * t * t + 0.08 * as_f64(y), width, 1);
        samples.extend(row);
    }
    let sfr = measure(&samples, width).unwrap();
    assert!((sfr.mtf50.unwrap() / 0.32309 - 1.0).abs() < 0.02);
    assert!(sfr.straightness < 0.1, "{}", sfr.straightness);
}

#[test]
fn what_is_no_slanted_edge_is_refused() {
    let straight = render(0.5, 0.0, 16.3, 32, 100);
    assert_eq!(measure(&straight, 32), Err(SfrError::Phase));
    assert_eq!(measure(&[0.5; 3200], 32), Err(SfrError::NoStep));
    let mut s = 1_u32;
    let noise: Vec<f32> = (0..3200)
        .map(|_| {
            s = s.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (s >> 8) as f32 / 16_777_216.0
        })
        .collect();
    assert!(measure(&noise, 32).is_err());
    // A line: both sides alike.
    let (a, b) = (
        render(0.5, 0.08, 8.0, 32, 100),
        render(0.5, 0.08, 16.0, 32, 100),
    );
    let line: Vec<f32> = a.iter().zip(&b).map(|(a, b)| a - b).collect();
    assert!(measure(&line, 32).is_err());
    assert_eq!(measure(&straight[..31], 32), Err(SfrError::Shape));
}
