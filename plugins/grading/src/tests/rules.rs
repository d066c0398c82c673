//! Who passes, and why not: small stacks, graded by hand in the tests' comments.

use serde_json::json;

use super::made::{
    Landed, get, grade, num, one_up, registration, stack, status, two_up, widths, words,
};
use crate::tables::{CUTS, GRADES, REASONS, YIELDS};

/// A second over 0.40, a reject over 0.50; 1.645 standard errors to either side.
fn both_limits() -> serde_json::Value {
    json!({ "tolerance": [
        { "table": "ink", "column": "width_mm", "high": 0.40, "grade": "second" },
        { "table": "ink", "column": "width_mm", "high": 0.50, "grade": "reject" },
    ]})
}

#[test]
fn a_value_is_graded_only_where_its_uncertainty_leaves_one_grade() {
    let table = widths(&[
        (0.30, 0.02), // up to 0.333: pass
        (0.38, 0.02), // 0.347 to 0.413: pass or second
        (0.45, 0.02), // 0.417 to 0.483: second
        (0.49, 0.02), // 0.457 to 0.523: second or reject
        (0.60, 0.02), // from 0.567: reject
        (0.45, 0.10), // 0.286 to 0.614: anything
        (0.40, 0.0),  // on the limit is inside
    ]);
    let kept = grade(&one_up(), &stack(7), &[table], &both_limits());
    assert_eq!(
        kept.grades("whole"),
        [
            "pass",
            "look again",
            "second",
            "look again",
            "reject",
            "look again",
            "pass"
        ]
    );
    let open: Vec<(&str, &str)> = kept
        .of(GRADES)
        .iter()
        .map(|r| (words(r, "at_best"), words(r, "at_worst")))
        .collect();
    assert_eq!(open[1], ("pass", "second"));
    assert_eq!(open[3], ("second", "reject"));
    assert_eq!(open[5], ("pass", "reject"));
    // The reasons hold the number, its error, its interval and the limit.
    let reasons = kept.of(REASONS);
    assert_eq!(reasons.len(), 1 + 1 + 2 + 2 + 2);
    let first = &reasons[0];
    assert_eq!(num(first, "sheet"), 2.0);
    assert_eq!(words(first, "finding"), "unsure");
    assert!((num(first, "value_high") - 0.4129).abs() < 1e-4);
    assert_eq!(
        (
            num(first, "value"),
            num(first, "value_se"),
            num(first, "limit_high")
        ),
        (0.38, 0.02, 0.40)
    );
    assert_eq!(
        words(first, "words"),
        "ink.width_mm: 0.38 mm (between 0.347 and 0.413); second over 0.4 mm, which it may be: look again"
    );
    let y = &kept.of(YIELDS)[0];
    // Two pass; second, reject and the one that is one of these do not. One is a
    // standard error inside, one half of one outside (a table of the normal distribution).
    assert_eq!(
        (num(y, "pass"), num(y, "second"), num(y, "reject")),
        (2.0, 1.0, 1.0)
    );
    assert_eq!(num(y, "look_again"), 3.0);
    let expected = 100.0 * (2.0 + 0.841_345 + 0.308_538) / 7.0;
    assert!((num(y, "yield_pct") - expected).abs() < 1e-3, "{y:?}");
    assert!((num(y, "yield_least_pct") - 200.0 / 7.0).abs() < 1e-9);
    assert!((num(y, "yield_most_pct") - 400.0 / 7.0).abs() < 1e-9);
}

#[test]
fn the_confidence_of_the_interval_is_a_setting() {
    let table = || widths(&[(0.38, 0.012)]);
    // 0.38 + 1.645 x 0.012 = 0.3997; 0.38 + 1.96 x 0.012 = 0.4035.
    let mut settings = both_limits();
    assert_eq!(
        grade(&one_up(), &stack(1), &[table()], &settings).grades("whole"),
        ["pass"]
    );
    settings["confidence"] = json!(0.95);
    let strict = grade(&one_up(), &stack(1), &[table()], &settings);
    assert_eq!(strict.grades("whole"), ["look again"]);
}

#[test]
fn a_certain_fault_outweighs_a_doubt() {
    let settings = json!({ "tolerance": [
        { "table": "ink", "column": "width_mm", "high": 0.5, "grade": "reject" },
        { "table": "ink", "column": "width_mm", "low": 0.6, "grade": "second" },
    ]});
    // 0.567 to 0.633: over 0.5 for certain, under 0.6 perhaps.
    let kept = grade(&one_up(), &stack(1), &[widths(&[(0.60, 0.02)])], &settings);
    assert_eq!(kept.grades("whole"), ["reject"]);
    let reasons = kept.of(REASONS);
    assert_eq!(words(&reasons[0], "leads_to"), "reject");
    assert_eq!(words(&reasons[1], "finding"), "unsure");
}

fn landed(sheet: usize, image: &'static str, block: &'static str, x: f64) -> Landed {
    Landed {
        sheet,
        image,
        block,
        shift: Some((x, 0.0)),
        se: 0.01,
    }
}

fn hidden(sheet: usize, image: &'static str, block: &'static str) -> Landed {
    Landed {
        shift: None,
        ..landed(sheet, image, block, 0.0)
    }
}

/// Without settings: second over 0.1 mm, reject over 0.2 mm; 0.016 mm to either side.
#[test]
fn halves_are_graded_for_themselves_and_the_sheet_by_the_worse() {
    let rows = [
        // Sheet 1: both in register.
        landed(1, "left", "ochre", 0.02),
        landed(1, "left", "red", 0.03),
        landed(1, "right", "ochre", 0.05),
        landed(1, "right", "red", -0.04),
        // Sheet 2: left second, right reject.
        landed(2, "left", "ochre", -0.15),
        landed(2, "left", "red", 0.0),
        landed(2, "right", "ochre", 0.3),
        landed(2, "right", "red", 0.0),
        // Sheet 3: left open, right pass.
        landed(3, "left", "ochre", 0.095),
        landed(3, "left", "red", 0.0),
        landed(3, "right", "ochre", 0.0),
        landed(3, "right", "red", 0.0),
        // Sheet 4: left not seen in itself, nor by the whole sheet; right reject.
        hidden(4, "left", "ochre"),
        hidden(4, "whole", "ochre"),
        landed(4, "left", "red", 0.0),
        landed(4, "right", "ochre", 0.25),
        landed(4, "right", "red", 0.0),
        // Sheet 5: left not seen in itself, but by the whole sheet.
        hidden(5, "left", "ochre"),
        landed(5, "whole", "ochre", 0.01),
        landed(5, "left", "red", 0.0),
        landed(5, "right", "ochre", 0.01),
        landed(5, "right", "red", 0.0),
        // Sheet 6: a block's row is lacking.
        landed(6, "left", "ochre", 0.0),
        landed(6, "left", "red", 0.0),
        landed(6, "right", "ochre", 0.0),
    ];
    let kept = grade(&two_up(), &stack(6), &[registration(&rows)], &json!({}));
    assert_eq!(
        kept.grades("left"),
        ["pass", "second", "look again", "look again", "pass", "pass"]
    );
    assert_eq!(
        kept.grades("right"),
        ["pass", "reject", "pass", "reject", "pass", "look again"]
    );
    assert_eq!(
        kept.grades("whole"),
        [
            "pass",
            "reject",
            "look again",
            "reject",
            "pass",
            "look again"
        ]
    );
    let cuts: Vec<&str> = kept.of(CUTS).iter().map(|r| words(r, "words")).collect();
    assert_eq!(
        cuts,
        [
            "keep: left, right",
            "second: left; discard: right",
            "keep: right; look again: left",
            "look again: left; discard: right",
            "keep: left, right",
            "keep: left; look again: right",
        ]
    );
    let why: Vec<&str> = kept
        .of(REASONS)
        .iter()
        .filter(|r| words(r, "finding") == "not measured")
        .map(|r| words(r, "words"))
        .collect();
    assert_eq!(
        why,
        [
            "register ochre: not measured: not identified: cannot see left-right",
            "register red: not measured: the table has no row about it",
        ]
    );
    let y = kept.of(YIELDS);
    let of = |name: &str| y.iter().find(|r| words(r, "of") == name).unwrap();
    for (name, pass, second, reject, open) in [
        ("sheets", 2.0, 0.0, 2.0, 2.0),
        ("left", 3.0, 1.0, 0.0, 2.0),
        ("right", 3.0, 0.0, 2.0, 1.0),
        ("copies", 6.0, 1.0, 2.0, 3.0),
    ] {
        let r = of(name);
        let found = ["pass", "second", "reject", "look_again"].map(|c| num(r, c));
        assert_eq!(found, [pass, second, reject, open], "{name}");
    }
}

#[test]
fn blocks_and_images_may_have_tolerances_of_their_own() {
    let rows = [
        landed(1, "left", "ochre", 0.3),
        landed(1, "left", "red", 0.3),
        landed(1, "right", "ochre", 0.3),
        landed(1, "right", "red", 0.3),
    ];
    let settings = json!({ "register": [
        { "block": "ochre", "image": "left", "reject_mm": 0.5 },
        { "block": "ochre", "second_mm": 0.2 },
        { "block": "r*", "image": "left", "second_mm": 0.1, "reject_mm": 0.2 },
    ]});
    let kept = grade(&two_up(), &stack(1), &[registration(&rows)], &settings);
    // Left: ochre inside 0.5, red over 0.2. Right: ochre over 0.2, red has no limit.
    assert_eq!(kept.grades("left"), ["reject"]);
    assert_eq!(kept.grades("right"), ["second"]);
    let checked: Vec<f64> = kept.of(GRADES).iter().map(|r| num(r, "checked")).collect();
    assert_eq!(checked, [3.0, 2.0, 1.0]);
}

#[test]
fn limits_of_the_config_stand_in_for_settings() {
    let rows = [
        landed(1, "left", "ochre", 0.3),
        landed(1, "left", "red", 0.0),
        landed(1, "right", "ochre", 0.5),
        landed(1, "right", "red", 0.0),
    ];
    let mut project = two_up();
    project.tolerances = [("register_mm".to_owned(), 0.25)].into();
    let kept = grade(&project, &stack(1), &[registration(&rows)], &json!({}));
    assert_eq!(
        (kept.grades("left"), kept.grades("right")),
        (vec!["second"], vec!["look again"])
    );
    project.tolerances.insert("register_reject_mm".into(), 0.4);
    let kept = grade(&project, &stack(1), &[registration(&rows)], &json!({}));
    assert_eq!(
        (kept.grades("left"), kept.grades("right")),
        (vec!["second"], vec!["reject"])
    );
}

#[test]
fn wrong_sheets_are_looked_at_again_by_name_and_duplicates_not_counted() {
    let of = |n, name: &'static str| {
        [("a", name), ("ink", name)].map(|(t, s)| (n, t, "deskew", s, "so it is"))
    };
    let mut rows = Vec::new();
    rows.extend(of(2, "blank"));
    rows.extend(of(3, "duplicate"));
    rows.push((4, "ink", "inker", "failed", "a panic"));
    rows.push((5, "other", "inker", "failed", "a panic"));
    let mut ink = widths(&[(0.3, 0.0), (0.3, 0.0), (0.3, 0.0), (0.3, 0.0), (0.3, 0.0)]);
    ink.rows
        .retain(|r| ![Some(2), Some(3), Some(4)].contains(&r[0].as_i64()));
    let kept = grade(&one_up(), &stack(5), &[ink, status(&rows)], &both_limits());
    // A stage nobody asks for may fail.
    assert_eq!(
        kept.grades("whole"),
        ["pass", "look again", "not counted", "look again", "pass"]
    );
    let reasons: Vec<&str> = kept
        .of(GRADES)
        .iter()
        .map(|r| words(r, "reasons"))
        .collect();
    assert_eq!(
        reasons[1],
        "the scan: not measured: blank (stage deskew): so it is"
    );
    assert!(reasons[3].contains("failed (stage inker): a panic"));
    let y = &kept.of(YIELDS)[0];
    assert_eq!(
        (num(y, "pass"), num(y, "look_again"), num(y, "not_counted")),
        (2.0, 2.0, 1.0)
    );
    assert_eq!(num(y, "yield_pct"), 100.0);
    assert!(get(y, "reason").as_str().is_none());
}

#[test]
fn proofs_are_not_part_of_the_stack() {
    let mut sheets = stack(2);
    sheets[0].role = restrike_stage::Role::Proof("key".into());
    let kept = grade(
        &one_up(),
        &sheets,
        &[widths(&[(0.9, 0.0), (0.3, 0.0)])],
        &both_limits(),
    );
    assert_eq!(kept.grades("whole"), ["pass"]);
}
