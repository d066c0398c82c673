//! The worked example, its inverse and its uncertainties, to the printed digits.
//!
//! Source: `tests/data/marks.json`, worked out from the geometry of three
//! contacts by an independent script, not by this code.

use restrike_ops::mark_contacts::{RigidMotion, motion_from_shifts};
use restrike_ops::minimax_rigid::{Displaced, least_squares_rigid};
use restrike_stage::Point;
use restrike_synth::design::Contact;
use restrike_synth::placing::{Bench, LaidBlock, against, worst_corner};
use serde_json::Value;

use super::{Seen, number, project, run, text};
use crate::marks::layout::faces;

fn data() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/marks.json")).unwrap()
}

fn at(v: &Value, path: &str) -> f64 {
    v.pointer(path).and_then(Value::as_f64).unwrap()
}

/// Equal to a printed value of so many decimals.
fn printed(got: f64, want: f64, decimals: i32) -> bool {
    (got - want).abs() <= 0.5 * 10_f64.powi(-decimals) + 1e-12
}

fn example() -> (Value, Vec<Seen>) {
    let d = data();
    let e = |n: &str| at(&d, &format!("/kento/inputs/{n}"));
    let motion = [e("dx"), e("dy"), 1000.0 * e("theta")];
    let sheets = (1..=5).map(|s| Seen::new(s, "ochre", motion)).collect();
    (d, sheets)
}

#[test]
fn the_example_s_faces_are_cut_and_padded_as_printed() {
    let (d, sheets) = example();
    let kept = run(&project(&["ochre"]), &sheets);
    let want = [
        ("long", "/kento/delta_corner_longface_y", "cut back"),
        ("straight", "/kento/delta_straight_y", "cut back"),
        ("short", "/kento/delta_corner_shortface_x", "pad"),
    ];
    for (face, path, action) in want {
        let row = kept.correction("ochre", face);
        let correction = number(row, "correction_mm").unwrap();
        assert!(printed(correction, at(&d, path), 3), "{face}: {correction}");
        assert_eq!(text(row, "action"), action);
        assert!((number(row, "by_mm").unwrap() - correction.abs()).abs() < 1e-12);
    }
    let short = kept.correction("ochre", "short");
    let on_block = d.pointer("/kento/actions/on block (mirrored) short face moves in u by");
    let on_block = on_block.and_then(Value::as_f64).unwrap();
    assert!(printed(number(short, "move_u_mm").unwrap(), on_block, 3));
    assert_eq!(number(short, "move_v_mm"), Some(0.0));
    assert_eq!(number(short, "contact_u_mm"), Some(195.0));
    assert_eq!(number(short, "contact_v_mm"), Some(-125.0));
}

#[test]
fn the_sheet_then_moves_as_printed_and_prints_in_register() {
    let (d, sheets) = example();
    let kept = run(&project(&["ochre"]), &sheets);
    let told = ["long", "straight", "short"]
        .map(|f| number(kept.correction("ochre", f), "correction_mm").unwrap());
    let contact = |name: &str, at, normal| Contact {
        name: name.to_owned(),
        at,
        normal,
    };
    let bench = Bench::new(&[
        contact("corner-long", [-175.0, -132.0], [0.0, 1.0]),
        contact("straight", [60.0, -132.0], [0.0, 1.0]),
        contact("corner-short", [-195.0, -125.0], [1.0, 0.0]),
    ])
    .unwrap();
    let [a, _, tx, s, _, ty] = bench.lay(told).unwrap().0;
    assert!(printed(
        libm::atan2(s, a),
        at(&d, "/kento/exact_sheet_motion/theta"),
        6
    ));
    assert!(printed(tx, at(&d, "/kento/exact_sheet_motion/tx"), 6));
    assert!(printed(ty, at(&d, "/kento/exact_sheet_motion/ty"), 6));

    let areas = [([0.0, 0.0], [370.0, 250.0])];
    let key = bench.print(&LaidBlock::default(), [0.0; 3]).unwrap();
    let mut block = LaidBlock::default();
    block.carved.dx = at(&d, "/kento/inputs/dx");
    block.carved.dy = at(&d, "/kento/inputs/dy");
    block.carved.theta = at(&d, "/kento/inputs/theta");
    let worst = |b: &LaidBlock| {
        let print = bench.print(b, [0.0; 3]).unwrap();
        worst_corner(&against(&print, &key).unwrap(), &areas)
    };
    assert!(printed(
        worst(&block),
        at(&d, "/kento/max_error_before_mm"),
        5
    ));
    block.faces = told;
    assert!(printed(
        worst(&block),
        at(&d, "/kento/max_error_after_mm"),
        6
    ));
}

#[test]
fn the_motion_comes_back_from_the_faces() {
    let (d, _) = example();
    let contacts = faces(&project(&[])).unwrap().map(|f| f.contact);
    let shifts = [
        at(&d, "/kento/delta_corner_longface_y"),
        at(&d, "/kento/delta_straight_y"),
        at(&d, "/kento/delta_corner_shortface_x"),
    ];
    let m = motion_from_shifts(&contacts, shifts).unwrap();
    for (got, name) in [(m.dx, "dx"), (m.dy, "dy"), (m.theta, "theta")] {
        assert!((got - at(&d, &format!("/kento/inputs/{name}"))).abs() < 1e-12);
    }
}

/// With nothing but measuring error, a sheet's shift has the printed standard
/// deviations.
#[test]
fn errors_reach_the_faces_as_printed() {
    let d = data();
    let u = |n: &str| at(&d, &format!("/kento/uncertainty_example/{n}"));
    let se = [u("sd_dx"), u("sd_dy"), 1000.0 * u("sd_theta")];
    let sheets: Vec<Seen> = (1..=4)
        .map(|s| Seen {
            se,
            ..Seen::new(s, "ochre", [0.0; 3])
        })
        .collect();
    let kept = run(&project(&["ochre"]), &sheets);
    for (face, name) in [("long", "sd_dK"), ("straight", "sd_dH"), ("short", "sd_dC")] {
        let row = kept.correction("ochre", face);
        let got = number(row, "measuring_se_mm").unwrap();
        assert!(printed(got, u(name), 5), "{face}: {got}");
        // Four sheets halve it; nothing else adds to it here.
        assert!((number(row, "correction_se_mm").unwrap() - got / 2.0).abs() < 1e-9);
    }
}

/// An error of 0.05 mm at the straight mark alone, at the far corner relative
/// to the corner mark: as the source works it out.
#[test]
fn a_slip_at_the_straight_mark_is_longer_at_the_far_corner() {
    let contacts = faces(&project(&[])).unwrap().map(|f| f.contact);
    let m = motion_from_shifts(&contacts, [0.0, 0.05, 0.0]).unwrap();
    assert!(printed(m.theta, 0.000_213, 6));
    assert!(printed(m.at(Point::new(185.0, 0.0)).y, 0.077, 3));
}

/// Affine and warped error on a 13 x 9 grid over 360 x 240 mm: the rigid part
/// and what each part weighs. The source fits an affine map; its shift and
/// rotation are those of the rigid fit, as the grid is symmetric.
#[test]
fn an_affine_error_comes_apart_as_printed() {
    let d = data();
    let truth = |n: &str| at(&d, &format!("/affine_decomposition/truth/{n}"));
    let (ex, ey, shear) = (truth("eps_x"), truth("eps_y"), truth("shear_sym"));
    let (turn, dx, dy) = (truth("rotation"), truth("d/0"), truth("d/1"));
    let mut points = Vec::new();
    for i in 0..13 {
        for j in 0..9 {
            let p = Point::new(-180.0 + 30.0 * f64::from(i), -120.0 + 30.0 * f64::from(j));
            let warp = 0.05 * libm::cos(std::f64::consts::PI * p.x / 180.0);
            let by = Point::new(
                dx + ex * p.x + (shear - turn) * p.y + warp,
                dy + (shear + turn) * p.x + ey * p.y,
            );
            points.push(Displaced {
                at: p,
                by,
                weight: 1.0,
            });
        }
    }
    let m = least_squares_rigid(&points).unwrap();
    let fit = |n: &str| {
        at(
            &d,
            &format!("/affine_decomposition/LS_affine_on_13x9_grid/{n}"),
        )
    };
    assert!(printed(m.dx, fit("d/0"), 6), "{m:?}");
    assert!(printed(m.dy, fit("d/1"), 6));
    let share = |n: &str| {
        at(
            &d,
            &format!("/affine_decomposition/variance_shares_mm_rms/{n}"),
        )
    };
    let rms = |f: &dyn Fn(&Displaced) -> Point| {
        let sum: f64 = points.iter().map(|p| f(p).dot(f(p))).sum();
        (sum / 117.0).sqrt()
    };
    assert!(printed(
        Point::new(m.dx, m.dy).norm(),
        share("translation"),
        4
    ));
    let turned = RigidMotion {
        dx: 0.0,
        dy: 0.0,
        ..m
    };
    // The symmetric shear of an oblong grid leans on the least-squares turn;
    // without it the turn is the printed one.
    let bare: Vec<Displaced> = points
        .iter()
        .map(|p| Displaced {
            by: p.by - Point::new(shear * p.at.y, shear * p.at.x),
            ..*p
        })
        .collect();
    let unsheared = least_squares_rigid(&bare).unwrap();
    assert!(
        printed(unsheared.theta, fit("rotation"), 6),
        "{unsheared:?}"
    );
    let turned = RigidMotion {
        theta: unsheared.theta,
        ..turned
    };
    assert!(printed(rms(&|p| turned.at(p.at)), share("rotation"), 5));
    assert!(printed(
        rms(&|p| Point::new(ex * p.at.x, ey * p.at.y)),
        share("stretch"),
        5
    ));
}
