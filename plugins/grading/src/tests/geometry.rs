//! How far off a block is at an image's corners, and how sure that is.

use restrike_stage::{Point, Project, Table, Value};
use serde_json::json;

use super::made::{REGISTRATION, grade, num, stack, two_up, words};
use crate::tables::REASONS;

/// A motion about a block's middle: shift there, turn, stretch along x and y, shear.
#[derive(Clone, Copy)]
struct Motion {
    middle: Point,
    shift: Point,
    turn: f64,
    stretch: [f64; 2],
    shear: f64,
}

impl Motion {
    fn at(&self, p: Point) -> Point {
        let q = p - self.middle;
        self.shift
            + Point::new(
                self.stretch[0] * q.x + (self.shear - self.turn) * q.y,
                (self.shear + self.turn) * q.x + self.stretch[1] * q.y,
            )
    }
}

/// Standard errors: shift, zero, turn, stretch.
#[derive(Clone, Copy, Default)]
struct Errors {
    shift: f64,
    zero: f64,
    turn: f64,
    stretch: f64,
}

fn row(sheet: usize, image: &str, m: &Motion, e: &Errors) -> Vec<Value> {
    let d = m.at(Point::default());
    vec![
        sheet.into(),
        image.into(),
        "ochre".into(),
        "absolute".into(),
        true.into(),
        Value::Null,
        m.shift.x.into(),
        e.shift.into(),
        m.shift.y.into(),
        e.shift.into(),
        e.zero.into(),
        d.x.into(),
        d.y.into(),
        (1000.0 * m.turn).into(),
        (1000.0 * e.turn).into(),
        (1000.0 * m.stretch[0]).into(),
        (1000.0 * e.stretch).into(),
        (1000.0 * m.stretch[1]).into(),
        (1000.0 * e.stretch).into(),
        (1000.0 * m.shear).into(),
    ]
}

fn table(rows: Vec<Vec<Value>>) -> Table {
    Table {
        name: "registration".into(),
        columns: REGISTRATION.map(str::to_owned).to_vec(),
        rows,
    }
}

fn one_block() -> Project {
    let mut p = two_up();
    p.blocks.retain(|b| b.name != "red");
    p
}

/// The corners of the left half: x -85 to -5, y -50 to 50.
const CORNERS: [(f64, f64, &str); 4] = [
    (-85.0, -50.0, "lower left"),
    (-5.0, -50.0, "lower right"),
    (-5.0, 50.0, "upper right"),
    (-85.0, 50.0, "upper left"),
];

#[test]
fn the_worst_corner_is_that_of_the_whole_motion() {
    let motions = [
        Motion {
            middle: Point::new(-30.0, 12.0),
            shift: Point::new(0.1, -0.2),
            turn: 0.001,
            stretch: [0.002, -0.0005],
            shear: 0.0003,
        },
        // A pure shift tells nothing of the middle, and needs nothing of it.
        Motion {
            middle: Point::new(-30.0, 12.0),
            shift: Point::new(0.3, 0.1),
            turn: 0.0,
            stretch: [0.0; 2],
            shear: 0.0,
        },
        Motion {
            middle: Point::new(-60.0, -30.0),
            shift: Point::new(0.0, 0.0),
            turn: -0.003,
            stretch: [0.0, 0.0],
            shear: 0.0,
        },
    ];
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.0 }] });
    for m in motions {
        let (want, corner) = CORNERS
            .iter()
            .map(|(x, y, name)| (m.at(Point::new(*x, *y)).norm(), *name))
            .max_by(|a, b| a.0.total_cmp(&b.0))
            .unwrap();
        let t = table(vec![row(1, "left", &m, &Errors::default())]);
        let kept = grade(&one_block(), &stack(1), &[t], &settings);
        let reason = &kept.of(REASONS)[0];
        assert!(
            (num(reason, "value") - want).abs() < 1e-5,
            "{want}: {reason:?}"
        );
        let equal = CORNERS
            .iter()
            .filter(|(x, y, _)| (m.at(Point::new(*x, *y)).norm() - want).abs() < 1e-9)
            .count();
        if equal == 1 {
            assert_eq!(words(reason, "note"), format!("at the {corner} corner"));
        }
    }
}

#[test]
fn the_middle_can_be_asked_for_instead() {
    let m = Motion {
        middle: Point::new(-30.0, 12.0),
        shift: Point::new(0.03, -0.04),
        turn: 0.01,
        stretch: [0.0; 2],
        shear: 0.0,
    };
    let e = Errors {
        shift: 0.003,
        zero: 0.004,
        ..Errors::default()
    };
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.01, "at": "middle" }] });
    let t = table(vec![row(1, "left", &m, &e)]);
    let kept = grade(&one_block(), &stack(1), &[t], &settings);
    let reason = &kept.of(REASONS)[0];
    assert!((num(reason, "value") - 0.05).abs() < 1e-9);
    assert!((num(reason, "value_se") - 0.005).abs() < 1e-9);
    assert_eq!(words(reason, "note"), "at its middle");
}

/// Normal-like numbers, the same everywhere.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695);
            sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sum
    }
}

/// Of 2000 sheets at the limit, measured with noise, few are called wrongly:
/// 5 % on either side is what an interval of 90 % allows.
#[test]
fn a_sheet_near_the_limit_is_seldom_called_wrongly() {
    let e = Errors {
        shift: 0.012,
        zero: 0.01,
        turn: 0.000_15,
        stretch: 0.000_2,
    };
    let mut noise = Noise(11);
    let mut rows = Vec::new();
    let mut truths = Vec::new();
    let n = 2000;
    for sheet in 1..=n {
        let angle = 0.7 * sheet as f64;
        let mut m = Motion {
            middle: Point::new(-40.0, 5.0),
            shift: Point::new(0.17 * libm::cos(angle), 0.17 * libm::sin(angle)),
            turn: 0.0004 * noise.next(),
            stretch: [0.0003 * noise.next(), 0.0003 * noise.next()],
            shear: 0.0,
        };
        let worst = |m: &Motion| {
            CORNERS
                .iter()
                .map(|(x, y, _)| m.at(Point::new(*x, *y)).norm())
                .fold(0.0, f64::max)
        };
        // Scaled so that the worst corner is 0.2 mm off.
        let k = 0.2 / worst(&m);
        m.shift = m.shift * k;
        m.turn *= k;
        m.stretch = m.stretch.map(|s| s * k);
        truths.push(worst(&m));
        m.shift = m.shift + Point::new(noise.next(), noise.next()) * libm::hypot(e.shift, e.zero);
        m.turn += e.turn * noise.next();
        m.shear += e.turn * noise.next();
        m.stretch = m.stretch.map(|s| s + e.stretch * noise.next());
        rows.push(row(sheet, "left", &m, &e));
    }
    assert!(truths.iter().all(|t| (t - 0.2).abs() < 1e-12));
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.2 }] });
    let kept = grade(&one_block(), &stack(n), &[table(rows)], &settings);
    let count = |g: &str| kept.grades("left").iter().filter(|x| **x == g).count();
    let (pass, reject) = (count("pass"), count("reject"));
    assert!(pass < n / 15, "{pass} pass");
    assert!(reject < n / 10, "{reject} rejected");
    assert!(count("look again") > n / 2);
}
