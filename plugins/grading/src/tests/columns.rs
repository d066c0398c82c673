//! Tolerances on any column: errors, intervals, texts, truth values, counts.

use restrike_stage::Value;
use serde_json::json;

use super::made::{grade, num, one_up, stack, table, two_up, words};
use crate::tables::{GRADES, REASONS};

fn v(x: impl Into<Value>) -> Value {
    x.into()
}

#[test]
fn several_standard_errors_add_as_squares_and_intervals_are_taken_as_they_stand() {
    let t = table(
        "lines",
        &[
            "shift_mm",
            "shift_se_mm",
            "zero_se_mm",
            "tone",
            "tone_low",
            "tone_high",
        ],
        &[&[
            v(1_usize),
            v(0.10),
            v(0.03),
            v(0.04),
            v(5.0),
            v(4.0),
            v(9.0),
        ]],
    );
    let one = |more: serde_json::Value| {
        let mut tolerance = json!({ "table": "lines", "grade": "reject" });
        for (k, x) in more.as_object().unwrap() {
            tolerance[k] = x.clone();
        }
        let settings = json!({ "tolerance": [tolerance] });
        let kept = grade(&one_up(), &stack(1), std::slice::from_ref(&t), &settings);
        kept.grades("whole")[0].to_owned()
    };
    // 1.645 x 0.03 = 0.049; 1.645 x 0.05 = 0.082.
    assert_eq!(one(json!({ "column": "shift_mm", "high": 0.16 })), "pass");
    let both = json!(["shift_se_mm", "zero_se_mm"]);
    assert_eq!(
        one(json!({ "column": "shift_mm", "high": 0.16, "se": both })),
        "look again"
    );
    assert_eq!(
        one(json!({ "column": "shift_mm", "high": 0.19, "se": both })),
        "pass"
    );
    assert_eq!(one(json!({ "column": "tone", "high": 8.0 })), "look again");
    assert_eq!(one(json!({ "column": "tone", "high": 3.9 })), "reject");
    assert_eq!(
        one(json!({ "column": "tone", "low": 3.0, "high": 9.0 })),
        "pass"
    );
    let other = json!(["shift_se_mm", "zero_se_mm"]);
    assert_eq!(
        one(json!({ "column": "tone", "interval": other, "low": 1.0 })),
        "look again"
    );
}

#[test]
fn texts_and_truth_values_can_be_faults() {
    let t = table(
        "scan",
        &["remarks", "contradicts"],
        &[
            &[v(1_usize), Value::Null, v(false)],
            &[v(2_usize), v("uneven light (14 %); dust"), v(false)],
            &[v(3_usize), v("dust"), v(true)],
            &[v(4_usize), v("dust"), Value::Null],
        ],
    );
    let settings = json!({ "tolerance": [
        { "name": "light", "table": "scan", "column": "remarks", "faulty": ["*uneven light*"], "grade": "look again" },
        { "table": "scan", "column": "contradicts", "faulty": [true], "grade": "second" },
    ]});
    let kept = grade(&one_up(), &stack(4), &[t], &settings);
    assert_eq!(
        kept.grades("whole"),
        ["pass", "look again", "second", "look again"]
    );
    assert_eq!(
        words(&kept.of(REASONS)[0], "words"),
        "light: \u{201c}uneven light (14 %); dust\u{201d}: look again"
    );
}

/// Rows of a table that is about lines: several a sheet, some without a value.
#[test]
fn of_several_rows_the_worst_counts_and_rows_can_be_counted() {
    let t = table(
        "breaks",
        &["image", "line", "length_mm"],
        &[
            &[v(1_usize), v("left"), v(7_usize), v(0.2)],
            &[v(1_usize), v("left"), v(8_usize), v(0.9)],
            &[v(1_usize), v("left"), v(9_usize), v(0.6)],
            &[v(1_usize), v("right"), v(7_usize), v(0.1)],
            &[v(2_usize), v("right"), v(7_usize), Value::Null],
        ],
    );
    let length = |missing: &str| {
        let settings = json!({ "tolerance": [
            { "table": "breaks", "column": "length_mm", "high": 0.5, "grade": "reject", "missing": missing },
        ]});
        grade(&two_up(), &stack(2), std::slice::from_ref(&t), &settings)
    };
    let kept = length("look again");
    assert_eq!(kept.grades("left"), ["reject", "look again"]);
    assert_eq!(kept.grades("right"), ["pass", "look again"]);
    let worst = &kept.of(REASONS)[0];
    assert_eq!(
        (
            num(worst, "value"),
            num(worst, "rows"),
            num(worst, "rows_outside")
        ),
        (0.9, 3.0, 2.0)
    );
    assert_eq!(
        words(worst, "words"),
        "breaks.length_mm: 0.9 mm, the worst of 3 rows, 2 of them outside; reject over 0.5 mm"
    );
    assert_eq!(length("ignore").grades("left"), ["reject", "pass"]);
    let settings = json!({ "tolerance": [
        { "table": "breaks", "high": 1, "grade": "second" },
        { "table": "breaks", "rows": { "line": "9" }, "high": 0, "grade": "reject" },
    ]});
    let kept = grade(&two_up(), &stack(2), std::slice::from_ref(&t), &settings);
    // Left of sheet 1 has three rows and line 9; sheet 2 left has none, which is a number.
    assert_eq!(kept.grades("left"), ["reject", "pass"]);
    assert_eq!(kept.grades("right"), ["pass", "pass"]);
}

#[test]
fn rows_of_the_whole_sheet_stand_in_where_a_half_has_none() {
    let t = table(
        "tone",
        &["image", "block", "de"],
        &[
            &[v(1_usize), v("whole"), v("ochre"), v(9.0)],
            &[v(1_usize), v("left"), v("ochre"), v(1.0)],
        ],
    );
    let of = |image: serde_json::Value| {
        let mut tolerance =
            json!({ "table": "tone", "column": "de", "high": 5.0, "grade": "second" });
        if !image.is_null() {
            tolerance["image"] = image;
        }
        let settings = json!({ "tolerance": [tolerance] });
        let kept = grade(&two_up(), &stack(1), std::slice::from_ref(&t), &settings);
        (
            kept.grades("left")[0].to_owned(),
            kept.grades("right")[0].to_owned(),
        )
    };
    let pair = |a: &str, b: &str| (a.to_owned(), b.to_owned());
    assert_eq!(of(json!(null)), pair("pass", "second"));
    assert_eq!(of(json!("right")), pair("pass", "second"));
    assert_eq!(of(json!("left")), pair("pass", "pass"));
    assert_eq!(of(json!("whole")), pair("second", "second"));
}

#[test]
fn what_a_tolerance_names_must_be_there_or_nothing_passes() {
    let t = table(
        "tone",
        &["block", "de"],
        &[&[v(1_usize), v("ochre"), v(1.0)]],
    );
    for (tolerance, why) in [
        (
            json!({ "table": "tine", "column": "de" }),
            "no stage before gives a table `tine`",
        ),
        (
            json!({ "table": "tone", "column": "dE" }),
            "has no column `dE`",
        ),
        (
            json!({ "table": "tone", "column": "de", "se": "x" }),
            "has no column `x`",
        ),
        (
            json!({ "table": "tone", "column": "de", "block": "oker" }),
            "no block fits `oker`",
        ),
        (
            json!({ "table": "tone", "column": "de", "image": "middle" }),
            "no image fits `middle`",
        ),
        (
            json!({ "table": "tone", "column": "de", "rows": { "line": "3" } }),
            "has no column `line`",
        ),
    ] {
        let mut tolerance = tolerance;
        tolerance["high"] = json!(5.0);
        tolerance["grade"] = json!("second");
        let settings = json!({ "tolerance": [tolerance] });
        let kept = grade(&one_up(), &stack(1), std::slice::from_ref(&t), &settings);
        assert_eq!(kept.grades("whole"), ["look again"], "{why}");
        assert!(words(&kept.of(GRADES)[0], "reasons").contains(why), "{why}");
        assert!(
            kept.notes.iter().any(|n| n.contains(why)),
            "{:?}",
            kept.notes
        );
    }
}

#[test]
fn an_edition_may_have_tolerances_of_its_own() {
    let t = table(
        "tone",
        &["de"],
        &[&[v(1_usize), v(9.0)], &[v(2_usize), v(9.0)]],
    );
    let mut sheets = stack(2);
    sheets[0].edition = "1961".into();
    let settings = json!({ "tolerance": [
        { "table": "tone", "column": "de", "high": 5.0, "grade": "second", "edition": "re*" },
    ]});
    let kept = grade(&one_up(), &sheets, &[t], &settings);
    assert_eq!(kept.grades("whole"), ["pass", "second"]);
}
