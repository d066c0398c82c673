//! Settings that make no sense, and tables that hold nothing of use.

use restrike_stage::Value;
use serde_json::json;

use super::made::{grade, one_up, stack, table, try_grade, two_up, widths, words};
use crate::tables::{GRADES, ORDERS, YIELDS};

#[test]
fn settings_that_make_no_sense_are_refused_with_what_is_wrong() {
    for (settings, what) in [
        (
            json!({ "tolerance": [{ "table": "a", "column": "b", "grade": "second" }] }),
            "has none of `low`",
        ),
        (
            json!({ "tolerance": [{ "table": "a", "column": "b", "low": 2, "high": 1, "grade": "second" }] }),
            "`low` over `high`",
        ),
        (
            json!({ "tolerance": [{ "table": "a", "faulty": ["x"], "grade": "second" }] }),
            "counts rows",
        ),
        (
            json!({ "tolerance": [{ "table": "a", "column": "b", "high": 1, "faulty": ["x"], "grade": "second" }] }),
            "make it two",
        ),
        (
            json!({ "tolerance": [{ "table": "a", "column": "b", "high": 1, "se": "c", "interval": ["d", "e"], "grade": "second" }] }),
            "one is enough",
        ),
        (
            json!({ "tolerance": [{ "table": "a", "column": "b", "high": 1, "grade": "third" }] }),
            "third",
        ),
        (json!({ "register": [{ "block": "red" }] }), "neither"),
        (
            json!({ "register": [{ "second_mm": 0.3, "reject_mm": 0.2 }] }),
            "is over",
        ),
        (json!({ "tolerances": [] }), "tolerances"),
    ] {
        let Err(e) = try_grade(&one_up(), &stack(1), &[], &settings) else {
            panic!("{settings}");
        };
        assert!(e.0.contains(what), "{what}: {e}");
    }
}

#[test]
fn with_nothing_to_grade_by_nothing_passes() {
    let kept = grade(
        &one_up(),
        &stack(2),
        &[widths(&[(1.0, 0.1), (1.0, 0.1)])],
        &json!({}),
    );
    assert_eq!(kept.grades("whole"), ["look again"; 2]);
    assert!(
        kept.notes[0].contains("nothing to grade by"),
        "{:?}",
        kept.notes
    );
    let asked = json!({ "register": [{ "second_mm": 0.1 }] });
    let kept = grade(&one_up(), &stack(1), &[], &asked);
    assert!(
        words(&kept.of(GRADES)[0], "reasons")
            .contains("no stage before gives a table `registration`")
    );
}

#[test]
fn a_run_without_sheets_has_no_grades() {
    let settings = json!({ "order": { "good": 5 } });
    let kept = grade(&two_up(), &[], &[], &settings);
    assert!(kept.of(GRADES).is_empty() && kept.of(YIELDS).is_empty());
    assert!(words(&kept.of(ORDERS)[0], "words").contains("no sheet has all numbers"));
    assert!(kept.pictures.is_empty());
}

#[test]
fn values_that_are_none_are_not_measured() {
    let rows: [&[Value]; 4] = [
        &[1_usize.into(), "text".into(), 0.1.into()],
        &[2_usize.into(), Value::Null, 0.1.into()],
        &[3_usize.into(), 0.1.into(), Value::Null],
        &[4_usize.into(), 0.1.into(), (-1.0).into()],
    ];
    let t = table("ink", &["width_mm", "width_se_mm"], &rows);
    let settings = json!({ "tolerance": [{ "table": "ink", "column": "width_mm", "high": 1, "grade": "reject" }] });
    let kept = grade(&one_up(), &stack(4), &[t], &settings);
    assert_eq!(kept.grades("whole"), ["look again"; 4]);
    let reasons: Vec<&str> = kept
        .of(GRADES)
        .iter()
        .map(|r| words(r, "reasons"))
        .collect();
    assert_eq!(reasons[1], "ink.width_mm: not measured");
    assert!(reasons[3].ends_with("its standard error is not known"));
}

#[test]
fn a_table_about_the_run_cannot_grade_sheets_unless_it_names_them() {
    let mut t = table("drift_series", &["slope"], &[]);
    t.columns = vec!["series".into(), "slope".into()];
    let settings = json!({ "tolerance": [{ "table": "drift_series", "column": "slope", "high": 1, "grade": "reject" }] });
    let kept = grade(&one_up(), &stack(1), &[t], &settings);
    assert!(words(&kept.of(GRADES)[0], "reasons").contains("has no column `sheet`"));
    // Signals of a chart name the sheet, in whatever column.
    let mut t = table(
        "drift_signals",
        &["chart"],
        &[&[7_usize.into(), "EWMA".into(), 2_usize.into()]],
    );
    t.columns = ["series", "chart", "sheet"].map(str::to_owned).to_vec();
    let settings =
        json!({ "tolerance": [{ "table": "drift_signals", "high": 0, "grade": "look again" }] });
    let kept = grade(&one_up(), &stack(3), &[t], &settings);
    assert_eq!(kept.grades("whole"), ["pass", "look again", "pass"]);
}
