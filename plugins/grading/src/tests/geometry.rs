//! How far off a block is, and how sure that is.

use restrike_stage::{Project, Table, Value};
use serde_json::json;

use super::made::{Landed, REGISTRATION, grade, num, registration, stack, two_up, words};
use crate::tables::REASONS;

fn one_block() -> Project {
    let mut p = two_up();
    p.blocks.retain(|b| b.name != "red");
    p
}

fn landed(sheet: usize, image: &'static str, x: f64, y: f64, se: f64) -> Landed {
    Landed {
        sheet,
        image,
        block: "ochre",
        shift: Some((x, y)),
        se,
    }
}

fn set(table: &mut Table, row: usize, column: &str, value: Value) {
    let at = REGISTRATION.iter().position(|c| *c == column).unwrap();
    table.rows[row][at] = value;
}

#[test]
fn the_worst_place_is_what_the_table_says_it_is() {
    let mut t = registration(&[landed(1, "left", 0.03, 0.04, 0.01)]);
    set(&mut t, 0, "off_mm", 0.12.into());
    set(&mut t, 0, "off_se_mm", 0.02.into());
    set(&mut t, 0, "off_low_mm", 0.1.into());
    set(&mut t, 0, "off_high_mm", 0.16.into());
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.05 }] });
    let kept = grade(&one_block(), &stack(1), std::slice::from_ref(&t), &settings);
    let reason = &kept.of(REASONS)[0];
    let found = ["value", "value_se", "value_low", "value_high"].map(|c| num(reason, c));
    for (a, b) in found.iter().zip([0.12, 0.02, 0.1, 0.16]) {
        assert!((a - b).abs() < 1e-6, "{found:?}");
    }
    assert_eq!(
        words(reason, "note"),
        "at worst, 35 mm left and 20 mm above the sheet's centre"
    );
    // Another confidence than the table's: 2.5758 standard errors for 1.6449.
    let wider = json!({
        "confidence": 0.99,
        "register": [{ "image": "left", "reject_mm": 0.05 }],
    });
    let kept = grade(&one_block(), &stack(1), &[t], &wider);
    let reason = &kept.of(REASONS)[0];
    assert!((num(reason, "value_high") - 0.182_640).abs() < 1e-4);
}

#[test]
fn the_whole_sheets_fit_stands_in_and_a_block_that_prints_nothing_is_no_fault() {
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.01 }] });
    // The half has no row of its own.
    let whole = registration(&[landed(1, "whole", 0.3, 0.4, 0.01)]);
    let kept = grade(&one_block(), &stack(1), &[whole], &settings);
    let note = words(&kept.of(REASONS)[0], "note").to_owned();
    assert!(note.ends_with("by the whole sheet's fit"), "{note}");
    // It has, but tells no place: the row holds what the whole sheet's fit says of this half.
    let mut both = registration(&[
        landed(1, "left", 0.3, 0.4, 0.01),
        landed(1, "whole", 0.3, 0.4, 0.01),
    ]);
    set(&mut both, 0, "identified", false.into());
    set(&mut both, 0, "off_by", "whole".into());
    let kept = grade(&one_block(), &stack(1), &[both], &settings);
    let note = words(&kept.of(REASONS)[0], "note").to_owned();
    assert!(note.ends_with("centre, by the whole sheet's fit"), "{note}");

    let mut none = registration(&[landed(1, "left", 0.3, 0.4, 0.01)]);
    for column in ["off_mm", "off_se_mm", "off_low_mm", "off_high_mm"] {
        set(&mut none, 0, column, Value::Null);
    }
    set(&mut none, 0, "off_by", "nothing printed".into());
    let kept = grade(&one_block(), &stack(1), &[none], &settings);
    assert_eq!(kept.grades("left"), ["pass"]);
}

#[test]
fn the_middle_can_be_asked_for_instead() {
    let mut t = registration(&[landed(1, "left", 0.03, -0.04, 0.003)]);
    set(&mut t, 0, "zero_se_mm", 0.004.into());
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.01, "at": "middle" }] });
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
    let mut noise = Noise(11);
    let n = 2000;
    let rows: Vec<Landed> = (1..=n)
        .map(|sheet| {
            let angle = 0.7 * sheet as f64;
            let mut measured = |v: f64| v + 0.012 * noise.next();
            let x = measured(0.2 * libm::cos(angle));
            let y = measured(0.2 * libm::sin(angle));
            landed(sheet, "left", x, y, 0.012)
        })
        .collect();
    let settings = json!({ "register": [{ "image": "left", "reject_mm": 0.2 }] });
    let kept = grade(&one_block(), &stack(n), &[registration(&rows)], &settings);
    let count = |g: &str| kept.grades("left").iter().filter(|x| **x == g).count();
    let (pass, reject) = (count("pass"), count("reject"));
    assert!(pass < n / 15, "{pass} pass");
    assert!(reject < n / 10, "{reject} rejected");
    assert!(count("look again") > n / 2);
}
