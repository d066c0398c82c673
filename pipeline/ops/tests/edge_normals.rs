//! Motion from edge offsets, and how well an edge can be known, beside worked
//! figures and statsmodels: `tests/data/edge_normal_*`, `registration_fits.json`.

#![allow(clippy::unwrap_used)]

use restrike_model::Point;
use restrike_ops::edge_bounds::{raggedness_floor, shift_bound_px};
use restrike_ops::edge_normal_fit::{
    EdgeFit, EdgeFitOptions, EdgeModel, EdgeOffset, Scatter, choose, fit,
};
use serde_json::Value;

/// The parameters by their names in the tables.
const NAMES: [(&str, usize); 6] = [
    ("dx", 0),
    ("dy", 1),
    ("theta", 2),
    ("eps_x", 3),
    ("eps_y", 4),
    ("w_retreat", 6),
];

const LEAST_SQUARES: EdgeFitOptions = EdgeFitOptions {
    scatter: Scatter::Stated,
    huber: None,
};

/// Four shapes, 24 places each: their offsets with a noise of 0.01 mm.
fn table() -> Vec<(usize, EdgeOffset)> {
    include_str!("../../../tests/data/edge_normal_offsets.csv")
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()))
        .enumerate()
        .map(|(piece, l)| {
            let v: Vec<f64> = l.split(',').map(|v| v.parse().unwrap()).collect();
            let offset = EdgeOffset {
                at: Point::new(v[1], v[2]),
                normal: Point::new(v[3], v[4]),
                offset: v[5],
                se: 0.01,
                piece,
            };
            (v[0] as usize, offset)
        })
        .collect()
}

fn all() -> Vec<EdgeOffset> {
    table().into_iter().map(|t| t.1).collect()
}

fn expected() -> Value {
    serde_json::from_str(include_str!(
        "../../../tests/data/edge_normal_expected.json"
    ))
    .unwrap()
}

/// Standard error if all samples are independent.
fn independent(found: &EdgeFit, parameter: usize) -> f64 {
    found.covariance[parameter][parameter].sqrt()
}

#[track_caller]
fn near(found: f64, want: f64, half_digit: f64) {
    assert!((found - want).abs() <= half_digit, "{found} for {want}");
}

#[test]
fn estimates_and_standard_errors_are_the_worked_ones_to_their_digits() {
    let found = fit(&all(), EdgeModel::StretchRetreat, LEAST_SQUARES).unwrap();
    let want = &expected()["all_shapes"];
    for (name, p) in NAMES {
        near(found.motion[p], want[name][0].as_f64().unwrap(), 5.1e-7);
        near(
            independent(&found, p),
            want[name][1].as_f64().unwrap(),
            5.1e-7,
        );
    }
    // And the truth they were drawn from is within three of them.
    for (p, truth) in [
        (0, 0.30),
        (1, -0.20),
        (2, 0.001),
        (3, 0.002),
        (4, 0.0005),
        (6, 0.05),
    ] {
        near(found.motion[p], truth, 3.0 * independent(&found, p));
    }
}

#[test]
fn leaving_retreat_out_reads_wear_as_misregister() {
    let without = fit(&all(), EdgeModel::Stretch, LEAST_SQUARES).unwrap();
    let want = &expected()["bias_if_w_omitted"];
    for (name, p) in &NAMES[..5] {
        near(without.motion[*p], want[*name].as_f64().unwrap(), 5.1e-7);
    }
    // The shift upwards is off by more than six standard errors, with it by less than one.
    let with = fit(&all(), EdgeModel::StretchRetreat, LEAST_SQUARES).unwrap();
    let off = |f: &EdgeFit| (f.motion[1] + 0.2).abs() / independent(f, 1);
    assert!(
        off(&without) > 6.0 && off(&with) < 1.0,
        "{} {}",
        off(&without),
        off(&with)
    );
    // The ladder asks for it, with or without the shear that this noise hints at.
    let (best, rungs) = choose(&all(), EdgeFitOptions::default()).unwrap();
    let of = |m: EdgeModel| rungs.iter().find(|r| r.0 == m).unwrap().1;
    assert!(
        of(EdgeModel::Stretch) > of(EdgeModel::StretchRetreat) + 100.0,
        "{rungs:?}"
    );
    assert!(best.motion[6] > 0.045, "{rungs:?}");
    assert!(best.motion[5].abs() < 3.5 * best.se(5));
}

#[test]
fn one_shape_tells_little_and_says_so() {
    let of = |shape: usize| -> Vec<EdgeOffset> {
        table()
            .into_iter()
            .filter(|t| t.0 == shape)
            .map(|t| t.1)
            .collect()
    };
    let whole = fit(&all(), EdgeModel::StretchRetreat, LEAST_SQUARES).unwrap();
    let one = fit(&of(1), EdgeModel::StretchRetreat, LEAST_SQUARES).unwrap();
    let want = expected();
    for (name, p) in NAMES {
        let pair = &want["one_shape_estimates"][name];
        near(one.motion[p], pair[0].as_f64().unwrap(), 5.1e-6);
        near(independent(&one, p), pair[1].as_f64().unwrap(), 5.1e-6);
        let ratio = independent(&one, p) / independent(&whole, p);
        near(
            ratio,
            want["one_shape_only_sd_inflation"][name].as_f64().unwrap(),
            5.1e-3,
        );
    }
    // The third shape tells no turn from a stretch: refused, not guessed.
    assert!(fit(&of(2), EdgeModel::StretchRetreat, LEAST_SQUARES).is_err());
}

#[test]
fn robust_fits_and_errors_by_pieces_are_those_of_statsmodels() {
    let text = include_str!("../../../tests/data/edge_normal_reference.json");
    let reference: Value = serde_json::from_str(text).unwrap();
    for case in reference["cases"].as_array().unwrap() {
        let numbers = |key: &str| -> Vec<f64> {
            let list = case[key].as_array().unwrap();
            list.iter().map(|v| v.as_f64().unwrap()).collect()
        };
        let pieces = numbers("pieces");
        let offsets: Vec<EdgeOffset> = case["rows"]
            .as_array()
            .unwrap()
            .iter()
            .zip(pieces)
            .map(|(r, piece)| {
                let v = |k: usize| r[k].as_f64().unwrap();
                EdgeOffset {
                    at: Point::new(v(0), v(1)),
                    normal: Point::new(v(2), v(3)),
                    offset: v(4),
                    se: 1.0,
                    piece: piece as usize,
                }
            })
            .collect();
        let plain = EdgeFitOptions {
            scatter: Scatter::Found,
            huber: None,
        };
        let found = fit(&offsets, EdgeModel::AffineRetreat, plain).unwrap();
        for (p, want) in numbers("least_squares").into_iter().enumerate() {
            near(found.motion[p], want, 1e-9);
        }
        for (p, want) in numbers("clustered_se").into_iter().enumerate() {
            near(found.se(p) / want, 1.0, 1e-7);
        }
        let robust = fit(
            &offsets,
            EdgeModel::AffineRetreat,
            EdgeFitOptions::default(),
        )
        .unwrap();
        near(robust.scale, case["huber_scale"].as_f64().unwrap(), 1e-7);
        for (p, want) in numbers("huber").into_iter().enumerate() {
            near(robust.motion[p], want, 1e-7);
        }
    }
}

/// Normal-like numbers, the same everywhere.
struct Noise(u64);

impl Noise {
    fn unit(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.unit()).sum::<f64>() - 6.0
    }
}

/// Edges of 40 pieces of 5 mm, ragged over each piece, a tenth of the samples far
/// off: intervals by pieces hold, those of independent samples do not, and of
/// models that hold the truth the least is chosen.
#[test]
fn intervals_by_pieces_hold_where_samples_go_together() {
    let mut noise = Noise(77);
    let truth = [0.25, -0.1, 0.0008, 0.0, 0.0, 0.0, 0.03];
    let (mut held, mut naive, mut chosen) = (0, 0, 0);
    let trials = 300;
    for _ in 0..trials {
        let mut offsets = Vec::new();
        for piece in 0..40 {
            let middle = Point::new(180.0 * (noise.unit() - 0.5), 120.0 * (noise.unit() - 0.5));
            let (s, c) = libm::sincos(6.3 * noise.unit());
            let ragged = 0.02 * noise.normal();
            for k in 0..10 {
                let at = middle + Point::new(-s, c) * (0.5 * f64::from(k));
                let by = Point::new(truth[0] - truth[2] * at.y, truth[1] + truth[2] * at.x);
                let normal = Point::new(c, s);
                let far = if noise.unit() < 0.1 {
                    0.4 * noise.normal()
                } else {
                    0.0
                };
                offsets.push(EdgeOffset {
                    at,
                    normal,
                    offset: normal.dot(by) - truth[6] + ragged + 0.01 * noise.normal() + far,
                    se: 0.01,
                    piece,
                });
            }
        }
        let found = fit(&offsets, EdgeModel::RigidRetreat, EdgeFitOptions::default()).unwrap();
        let (best, _) = choose(&offsets, EdgeFitOptions::default()).unwrap();
        chosen += usize::from(best.model == EdgeModel::RigidRetreat);
        for p in [0, 1, 6] {
            let off = (found.motion[p] - truth[p]).abs();
            held += usize::from(off <= 1.645 * found.se(p));
            naive += usize::from(off <= 1.645 * independent(&found, p));
        }
    }
    let share = |n: usize| 100.0 * n as f64 / (3 * trials) as f64;
    assert!((84.0..=95.0).contains(&share(held)), "{}", share(held));
    assert!(share(naive) < 65.0, "{}", share(naive));
    assert!(chosen * 10 > trials * 8, "{chosen} of {trials}");
}

fn fits() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/registration_fits.json")).unwrap()
}

#[test]
fn the_bound_of_an_edge_is_the_worked_one_and_the_best_estimate_reaches_it() {
    let edge = &fits()["cramer_rao_edge"];
    let e = &edge["example"];
    let get = |key: &str| e[key].as_f64().unwrap();
    let (contrast, blur, noise, length) = (get("C"), get("sigma_b"), get("sigma_n"), get("L"));
    let bound = shift_bound_px(contrast, noise, blur, length).unwrap();
    near(bound, get("crb_px"), 5e-7);
    // Maximum likelihood on rendered edges: the mean of the rows first, as all are alike.
    let profile = |x: f64, shift: f64| {
        contrast * 0.5 * libm::erfc((x - shift) / (blur * std::f64::consts::SQRT_2))
    };
    let slope = |x: f64, shift: f64| {
        let u = (x - shift) / blur;
        contrast / (blur * (2.0 * std::f64::consts::PI).sqrt()) * libm::exp(-0.5 * u * u)
    };
    let mut draw = Noise(1);
    let trials = 400;
    let mut square = 0.0;
    for _ in 0..trials {
        let truth = draw.unit() - 0.5;
        let rows: Vec<(f64, f64)> = (-8..=8)
            .map(|x| {
                let x = f64::from(x);
                let mean = (0..length as usize).map(|_| draw.normal()).sum::<f64>() / length;
                (x, profile(x, truth) + noise * mean)
            })
            .collect();
        let mut shift = 0.0;
        for _ in 0..20 {
            let (mut up, mut down) = (0.0, 0.0);
            for (x, v) in &rows {
                let g = slope(*x, shift);
                up += g * (v - profile(*x, shift));
                down += g * g;
            }
            shift += up / down;
        }
        square += (shift - truth) * (shift - truth);
    }
    let sd = (square / f64::from(trials)).sqrt();
    // The table's own 400 trials gave 0.005328; the standard deviation of 400 draws is known to 3.5 %.
    assert!((sd / bound - 1.0).abs() < 0.12, "{sd} {bound}");
    near(
        get("monte_carlo_ML_sd_px_400_trials_seed1") / bound,
        1.0,
        0.12,
    );
}

#[test]
fn a_ragged_edge_is_known_no_better_than_its_pieces() {
    let floor = &fits()["cramer_rao_edge"]["raggedness_floor"]["example_mm"];
    let number = |v: &Value| v.as_f64().unwrap();
    let (rag, along) = (number(&floor["s_rag"]), number(&floor["xi"]));
    let lengths = floor["L"].as_array().unwrap();
    for (length, want) in lengths.iter().zip(floor["sd_mm"].as_array().unwrap()) {
        let found = raggedness_floor(rag, along, number(length)).unwrap();
        near(found, number(want), 5e-6);
    }
}
