//! Fits of paired points beside worked examples: `tests/data/registration_fits.json`.

#![allow(clippy::unwrap_used)]

use restrike_model::{Affine, Point};
use restrike_ops::similarity_fit::{PointPair, Scale, fit_similarity};
use serde_json::Value;

fn table() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/registration_fits.json")).unwrap()
}

fn points(v: &Value) -> Vec<Point> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|p| Point::new(p[0].as_f64().unwrap(), p[1].as_f64().unwrap()))
        .collect()
}

fn pairs(from: &Value, to: &Value) -> Vec<PointPair> {
    points(from)
        .into_iter()
        .zip(points(to))
        .map(|(from, to)| PointPair {
            from,
            to,
            weight: 1.0,
        })
        .collect()
}

#[track_caller]
fn near(found: f64, printed: &Value, half_digit: f64) {
    let want = printed.as_f64().unwrap();
    assert!((found - want).abs() <= half_digit, "{found} for {want}");
}

#[test]
fn umeyama_s_example_of_a_mirrored_triangle() {
    // Umeyama 1991, IEEE PAMI 13(4):376-380: the point sets are remembered, the
    // results computed again. The best orthogonal map is a reflection; the
    // best rotation is wanted.
    let example = &table()["umeyama1991"];
    let found = fit_similarity(&pairs(&example["X"], &example["Y"]), Scale::Free).unwrap();
    let Affine([a, b, _, d, e, _]) = Affine::rotation(found.angle);
    for (k, v) in [a, b, d, e].into_iter().enumerate() {
        near(v, &example["R"][k / 2][k % 2], 5e-6);
    }
    near(found.scale, &example["c"], 5e-6);
    near(found.shift.x, &example["t"][0], 5e-6);
    near(found.shift.y, &example["t"][1], 5e-6);
    near(found.mean_square, &example["mean_sq_error"], 5e-7);
}

#[test]
fn a_sheet_turned_and_stretched() {
    let example = &table()["similarity_example_mm"];
    let pairs = pairs(&example["P"], &example["Q"]);
    let found = fit_similarity(&pairs, Scale::Free).unwrap();
    // The images are rounded to 1e-6 mm; at 180 mm that is below 1e-8.
    near(found.angle, &example["theta_rad"], 1e-8);
    near(found.scale, &example["scale"], 1e-8);
    near(found.shift.x, &example["t"][0], 1e-6);
    near(found.shift.y, &example["t"][1], 1e-6);
    // Residuals are the rounding's, uniform over 1e-6 mm: 0.29e-6 along each axis.
    let errors = found.errors.unwrap();
    assert!(errors.sigma > 0.1e-6 && errors.sigma < 0.5e-6, "{errors:?}");
    // A rigid motion finds the same angle and leaves what the scale explained.
    let rigid = fit_similarity(&pairs, Scale::One).unwrap();
    near(rigid.angle, &example["theta_rad"], 1e-8);
    let spread: f64 = pairs
        .iter()
        .map(|p| (p.from - rigid.centre).dot(p.from - rigid.centre) / 5.0)
        .sum();
    assert!((rigid.mean_square - 0.0015 * 0.0015 * spread).abs() < 1e-6);
}

/// Stated errors beside the scatter over many draws of the noise.
#[test]
fn standard_errors_are_the_scatter_of_repeated_fits() {
    let corners = points(&table()["similarity_example_mm"]["P"]);
    let truth = Affine::rotation(0.3)
        .then(&Affine::scale(1.2, 1.2))
        .then(&Affine::translation(4.0, -7.0));
    let mut state = 5_u64;
    let mut normal = || {
        (0..12)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    };
    let (mut angle, mut scale, mut centre, mut stated) = (0.0, 0.0, 0.0, [0.0; 3]);
    let trials = 2000;
    for _ in 0..trials {
        let noisy: Vec<PointPair> = corners
            .iter()
            .map(|&from| PointPair {
                from,
                to: truth.apply(from) + Point::new(normal(), normal()) * 0.05,
                weight: 1.0,
            })
            .collect();
        let found = fit_similarity(&noisy, Scale::Free).unwrap();
        let errors = found.errors.unwrap();
        let off = found.apply(found.centre) - truth.apply(found.centre);
        angle += (found.angle - 0.3).powi(2);
        scale += (found.scale - 1.2).powi(2);
        centre += off.x * off.x;
        for (s, e) in stated
            .iter_mut()
            .zip([errors.angle, errors.scale, errors.centre])
        {
            *s += e * e;
        }
    }
    // The standard deviation of 2000 draws is known to 1.6 %; four times that.
    for (seen, stated) in [angle, scale, centre].into_iter().zip(stated) {
        let ratio = (seen / stated).sqrt();
        assert!((ratio - 1.0).abs() < 0.065, "{ratio}");
    }
}
