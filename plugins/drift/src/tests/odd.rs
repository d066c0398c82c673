//! Odd runs: whatever the numbers, every series gets its row.

use proptest::prelude::*;
use restrike_stage::{Role, SHEET_STATUS, Table, Value};
use serde_json::json;

use super::made::{drift, get, num, sheet, widths, words};

/// Numbers of all sizes, many of them equal.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => -1.0..1.0_f64,
        3 => (0..3_u8).prop_map(f64::from),
        1 => Just(0.0),
        1 => -1e9..1e9_f64,
        1 => prop_oneof![Just(1e300), Just(-1e119), Just(1e-310), Just(5e-324)],
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]
    #[test]
    fn every_series_is_assessed_or_says_why_not(
        rows in prop::collection::vec((value(), -3..60_i64, 0..3_u8, 0..4_i32), 0..90),
        rho in 0.0..1.0_f64,
        same in any::<bool>(),
    ) {
        let mut last = 0.0;
        let mut values = Vec::new();
        let mut impressions = Vec::new();
        for (k, (v, position, edition, year)) in rows.iter().enumerate() {
            last = rho * last + v;
            values.push(if same { last } else { *v });
            let position = (*position >= 0).then_some(*position);
            let year = (*year > 0).then_some(1960 + 10 * year);
            let mut line = sheet(k + 1, &edition.to_string(), year, position);
            if k % 17 == 16 {
                line.role = Role::Proof("key".into());
            }
            impressions.push(line);
        }
        let settings = json!({ "least_sheets": 8, "shortest_stretch": 2 });
        let kept = drift(&impressions, &[widths(&values)], &settings);
        for row in kept.of("drift_series") {
            if words(row, "verdict") == "not assessed" {
                prop_assert!(!words(row, "reason").is_empty());
                continue;
            }
            let p = num(row, "p");
            prop_assert!((0.0..=1.0).contains(&p) && num(row, "q") >= p, "{:?}", row);
            let slope = if words(row, "axis") == "year" { "slope_per_decade" } else { "slope_per_100_sheets" };
            let (low, high) = (num(row, &format!("{slope}_low")), num(row, &format!("{slope}_high")));
            prop_assert!(low <= num(row, slope) && num(row, slope) <= high, "{:?}", row);
        }
        for c in kept.of("drift_changes") {
            prop_assert!(num(c, "at_low") <= num(c, "at") && num(c, "at") <= num(c, "at_high"));
        }
    }
}

#[test]
fn a_table_without_sheets_or_numbers_gives_no_series() {
    let mut text = widths(&[1.0, 2.0]);
    text.rows
        .iter_mut()
        .for_each(|r| r[1] = Value::from("wide"));
    let mut run = widths(&[1.0, 2.0]);
    run.columns[0] = "block".into();
    let kept = drift(
        &[sheet(1, "", None, None)],
        &[text, run],
        &serde_json::Value::Null,
    );
    assert!(kept.of("drift_series").is_empty());
    let unknown = widths(&[1.0; 30]);
    let kept = drift(
        &[sheet(1, "", None, None)],
        &[unknown],
        &serde_json::Value::Null,
    );
    assert_eq!(
        words(&kept.of("drift_series")[0], "verdict"),
        "not assessed"
    );
}

/// Ten sheets, the first two scanned thrice: a gauge study of one operator.
#[test]
fn scans_of_one_sheet_tell_how_well_they_repeat() {
    let positions = [1, 1, 1, 2, 2, 2, 3, 4, 5, 6, 7, 8, 9, 10];
    let values = [
        0.29, 0.41, 0.64, -0.56, -0.68, -0.58, 1.34, 0.47, -0.8, 0.02, 0.59, -0.31, 2.26, -1.36,
    ];
    let impressions: Vec<_> = positions
        .iter()
        .enumerate()
        .map(|(k, p)| sheet(k + 1, "reprint", None, Some(*p)))
        .collect();
    let kept = drift(&impressions, &[widths(&values)], &serde_json::Value::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(get(row, "n").as_i64(), Some(10));
    assert_eq!(get(row, "repeat_scans").as_i64(), Some(4));
    // (0.0632667 + 0.0082667) / 4, by hand.
    assert!((num(row, "repeat_sigma") - 0.133_729).abs() < 1e-5);
    assert!((10.0..20.0).contains(&num(row, "repeat_pct")));
}

#[test]
fn what_is_no_sheet_of_the_run_is_in_no_series() {
    let status = |sheet: usize, status: &str| {
        let text = ["ink", "deskew", status, "said"].map(Value::from);
        [vec![Value::from(sheet)], text.to_vec()].concat()
    };
    let missing = Table {
        name: SHEET_STATUS.into(),
        columns: ["sheet", "table", "stage", "status", "reason"]
            .map(str::to_owned)
            .to_vec(),
        rows: vec![status(3, "verso"), status(7, "failed")],
    };
    let values: Vec<f64> = (0..20).map(|i| f64::from(i * 7 % 5)).collect();
    let stack: Vec<_> = (1..=20)
        .map(|n| sheet(n, "reprint", None, i64::try_from(n).ok()))
        .collect();
    let kept = drift(&stack, &[widths(&values), missing], &json!(null));
    let rows = kept.of("drift_series");
    assert_eq!(rows.len(), 1);
    assert_eq!((num(&rows[0], "n"), num(&rows[0], "without")), (19.0, 1.0));
}

#[test]
fn the_reference_is_not_held_against_itself() {
    let mut stack: Vec<_> = (1..=20)
        .map(|n| sheet(n, "reprint", None, i64::try_from(n).ok()))
        .collect();
    stack[4].role = Role::Reference;
    let mut table = widths(&(0..20).map(|i| f64::from(i * 7 % 5)).collect::<Vec<f64>>());
    table.columns.push("basis".into());
    let count = |basis: &str, table: &Table| {
        let mut table = table.clone();
        for row in &mut table.rows {
            row.push(basis.into());
        }
        num(
            &drift(&stack, &[table], &json!(null)).of("drift_series")[0],
            "n",
        )
    };
    assert_eq!(count("relative to reference", &table), 19.0);
    assert_eq!(count("absolute", &table), 20.0);
}
