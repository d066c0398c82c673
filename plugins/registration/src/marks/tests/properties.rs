//! What must hold whatever the numbers.

use proptest::prelude::*;
use restrike_ops::mark_contacts::{RigidMotion, motion_from_shifts};
use restrike_ops::minimax_rigid::{Displaced, minimax_rigid};
use restrike_stage::{Point, Project};

use super::{Kept, Seen, number, project, run, text};
use crate::marks::layout::{faces, mirrored};

fn corrections(kept: &Kept) -> Vec<(String, f64)> {
    kept.of("mark_corrections")
        .iter()
        .map(|r| {
            (
                text(r, "action").to_owned(),
                number(r, "correction_mm").unwrap(),
            )
        })
        .collect()
}

/// Turns the sheet, its images and marks a quarter counter-clockwise.
fn turned(mut p: Project) -> Project {
    let quarter = |x: &mut f64, y: &mut f64| (*x, *y) = (-*y, *x);
    p.marks
        .iter_mut()
        .for_each(|m| quarter(&mut m.x_mm, &mut m.y_mm));
    for i in &mut p.images {
        quarter(&mut i.x_mm, &mut i.y_mm);
        std::mem::swap(&mut i.width_mm, &mut i.height_mm);
    }
    if let Some(s) = &mut p.sheet {
        std::mem::swap(&mut s.width_mm, &mut s.height_mm);
    }
    p
}

prop_compose! {
    fn motion()(dx in -1.0..1.0_f64, dy in -1.0..1.0_f64, theta in -3.0..3.0_f64) -> [f64; 3] {
        [dx, dy, theta]
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn mirroring_twice_changes_nothing(x in -300.0..300.0_f64, y in -300.0..300.0_f64) {
        let p = Point::new(x, y);
        prop_assert_eq!(mirrored(mirrored(p)), p);
        prop_assert_eq!(mirrored(p).norm(), p.norm());
    }

    #[test]
    fn faces_give_their_motion_back(m in motion()) {
        let contacts = faces(&project(&[])).unwrap().map(|f| f.contact);
        let motion = RigidMotion { dx: m[0], dy: m[1], theta: m[2] / 1000.0 };
        let back = motion_from_shifts(&contacts, contacts.map(|c| c.shift(&motion))).unwrap();
        prop_assert!((back.dx - motion.dx).abs() < 1e-10);
        prop_assert!((back.dy - motion.dy).abs() < 1e-10);
        prop_assert!((back.theta - motion.theta).abs() < 1e-12);
    }

    /// Whichever side of the sheet the marks are on, the advice is the same.
    #[test]
    fn a_turned_bench_is_told_the_same(motions in prop::collection::vec(motion(), 3..6)) {
        let rows = |turn: bool| -> Vec<Seen> {
            motions.iter().enumerate().map(|(i, m)| {
                let m = if turn { [-m[1], m[0], m[2]] } else { *m };
                Seen::new(i + 1, "ochre", m)
            }).collect()
        };
        let mut bench = project(&["ochre"]);
        let before = corrections(&run(&bench, &rows(false)));
        bench = turned(bench);
        let after = corrections(&run(&bench, &rows(true)));
        for (a, b) in before.iter().zip(&after) {
            prop_assert_eq!(&a.0, &b.0);
            prop_assert!((a.1 - b.1).abs() < 1e-7);
        }
    }

    #[test]
    fn the_opposite_error_asks_for_the_opposite(motions in prop::collection::vec(motion(), 2..6)) {
        let rows = |sign: f64| -> Vec<Seen> {
            motions.iter().enumerate().map(|(i, m)| Seen::new(i + 1, "ochre", m.map(|v| sign * v))).collect()
        };
        let bench = project(&["ochre"]);
        let (a, b) = (corrections(&run(&bench, &rows(1.0))), corrections(&run(&bench, &rows(-1.0))));
        for (a, b) in a.iter().zip(&b) {
            prop_assert!((a.1 + b.1).abs() < 1e-7);
            let other = match a.0.as_str() { "pad" => "cut back", "cut back" => "pad", same => same };
            prop_assert_eq!(other, &b.0);
        }
    }

    /// The minimax move against a plain search about it: nothing near is better.
    #[test]
    fn no_move_nearby_leaves_less(
        e in prop::collection::vec((-0.3..0.3_f64, -0.3..0.3_f64), 8),
        d in (-0.02..0.02_f64, -0.02..0.02_f64, -1e-4..1e-4_f64),
    ) {
        let xs = [-190.0, -10.0, -10.0, -190.0, 10.0, 190.0, 190.0, 10.0];
        let ys = [-120.0, -120.0, 120.0, 120.0];
        let points: Vec<Displaced> = e.iter().enumerate().map(|(i, e)| Displaced {
            at: Point::new(xs[i], ys[i % 4]), by: Point::new(e.0, e.1), weight: 1.0,
        }).collect();
        let found = minimax_rigid(&points).unwrap();
        let worst = |m: RigidMotion| points.iter().map(|p| (p.by - m.at(p.at)).norm()).fold(0.0, f64::max);
        prop_assert!((worst(found.motion) - found.largest).abs() < 1e-12);
        prop_assert!(found.bound <= found.largest * (1.0 + 1e-12));
        prop_assert!(found.largest - found.bound < 2e-3 * found.largest + 1e-9, "{:?}", found);
        let near = RigidMotion { dx: found.motion.dx + d.0, dy: found.motion.dy + d.1, theta: found.motion.theta + d.2 };
        prop_assert!(worst(near) >= found.bound);
    }

    /// Numbers that make no sense are met with advice or a note, not a panic.
    #[test]
    fn wild_numbers_do_no_harm(
        v in prop::collection::vec(prop_oneof![Just(f64::NAN), Just(0.0), Just(f64::MAX), Just(-1e9), -1.0..1.0_f64], 9),
        tolerance in prop_oneof![Just(f64::NAN), Just(-1.0), Just(0.0), Just(1e300)],
    ) {
        let mut bench = project(&["ochre"]);
        bench.tolerances.insert("register_mm".to_owned(), tolerance);
        let rows: Vec<Seen> = (1..=3).map(|s| Seen {
            se: [v[3], v[4], v[5]],
            zero_se: v[6],
            stretch: Some([v[7], v[8]]),
            ..Seen::new(s, "ochre", [v[0], v[1], v[2]])
        }).collect();
        let kept = run(&bench, &rows);
        prop_assert!(kept.of("mark_corrections").len() <= 3);
        bench.sheet = None;
        bench.images.clear();
        run(&bench, &rows);
    }
}
