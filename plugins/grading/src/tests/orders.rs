//! Yields and sheets to print.

use restrike_stage::{Table, Value};
use serde_json::json;

use super::made::{
    Kept, Landed, get, grade, num, one_up, registration, stack, two_up, widths, words,
};
use crate::tables::{ORDERS, YIELDS};

fn one_image(good: usize, bad: usize, open: usize, order: &serde_json::Value) -> Kept {
    let mut values = vec![(0.3, 0.0); good];
    values.extend(vec![(0.9, 0.0); bad]);
    values.extend(vec![(0.5, 0.2); open]);
    let settings = json!({
        "order": order,
        "tolerance": [{ "table": "ink", "column": "width_mm", "high": 0.5, "grade": "reject" }],
    });
    grade(
        &one_up(),
        &stack(values.len()),
        &[widths(&values)],
        &settings,
    )
}

/// 46 good of 50: 100 more good ones take 121 sheets, 200 take 240 (worked with
/// scipy's beta-binomial; see tests/data/grading_statistics.json).
#[test]
fn the_worked_example_comes_out() {
    for (good, sheets) in [(146, 121.0), (246, 240.0)] {
        let kept = one_image(46, 4, 0, &json!({ "good": good, "of": "sheets" }));
        let o = &kept.of(ORDERS)[0];
        assert_eq!(num(o, "sheets_to_print"), sheets);
        assert_eq!(
            (num(o, "good"), num(o, "still_wanted")),
            (46.0, f64::from(good - 46))
        );
        // Copies of a sheet with one image are sheets.
        let kept = one_image(46, 4, 0, &json!({ "good": good }));
        assert_eq!(num(&kept.of(ORDERS)[0], "sheets_to_print"), sheets);
    }
    let kept = one_image(46, 4, 0, &json!({ "good": 146 }));
    assert_eq!(
        words(&kept.of(ORDERS)[0], "words"),
        "146 good copies wanted, 46 are there: print 121 more sheets to have the other 100 with 95 % confidence; 110 would do if all came out as on average."
    );
    let y = &kept.of(YIELDS)[0];
    assert_eq!(num(y, "yield_pct"), 92.0);
    // scipy.stats.beta.ppf([0.025, 0.975], 46.5, 4.5).
    assert!((num(y, "yield_low_pct") - 82.093).abs() < 0.01, "{y:?}");
    assert!((num(y, "yield_high_pct") - 97.239).abs() < 0.01, "{y:?}");
}

#[test]
fn an_order_that_is_filled_needs_no_more() {
    let o = one_image(10, 1, 0, &json!({ "good": 10 }));
    assert_eq!(num(&o.of(ORDERS)[0], "sheets_to_print"), 0.0);
    assert_eq!(
        words(&o.of(ORDERS)[0], "words"),
        "10 good copies wanted, 10 are there."
    );
}

#[test]
fn those_to_be_looked_at_again_give_the_range() {
    let kept = one_image(20, 2, 5, &json!({ "good": 60 }));
    let o = &kept.of(ORDERS)[0];
    let (least, likely, most) = (
        num(o, "sheets_to_print_least"),
        num(o, "sheets_to_print"),
        num(o, "sheets_to_print_most"),
    );
    assert!(least < likely && likely < most, "{least} {likely} {most}");
    // On the limit a sheet counts for half a good one.
    assert_eq!((num(o, "pilot_good"), num(o, "pilot")), (22.5, 27.0));
    let y = &kept.of(YIELDS)[0];
    assert!((num(y, "yield_pct") - 100.0 * 22.5 / 27.0).abs() < 1e-9);
    // Jeffreys' interval of 20 of 27 below, of 25 of 27 above (scipy.stats.beta.ppf).
    assert!((num(y, "yield_low_pct") - 55.711).abs() < 1e-3, "{y:?}");
    assert!((num(y, "yield_high_pct") - 98.429).abs() < 1e-3, "{y:?}");
}

#[test]
fn where_nothing_is_good_no_number_is_made_up() {
    let kept = one_image(0, 30, 0, &json!({ "good": 5000 }));
    let o = &kept.of(ORDERS)[0];
    assert!(words(o, "reason").contains("too few are good"), "{o:?}");
    let sheets = stack(3);
    let kept = grade(
        &one_up(),
        &sheets,
        &[widths(&[])],
        &json!({ "tolerance": [{ "table": "ink", "column": "width_mm", "high": 0.4, "grade": "reject" }], "order": { "good": 5 } }),
    );
    assert!(words(&kept.of(ORDERS)[0], "reason").contains("no sheet has all numbers"));
}

fn landed(sheet: usize, image: &'static str, x: f64) -> Vec<Landed> {
    ["ochre", "red"]
        .map(|block| Landed {
            sheet,
            image,
            block,
            shift: Some((x, 0.0)),
            se: 0.001,
        })
        .to_vec()
}

/// Sheets with two, one and no good halves.
fn halves(two: usize, one: usize, none: usize, order: &serde_json::Value) -> Kept {
    let mut rows = Vec::new();
    let n = two + one + none;
    for sheet in 1..=n {
        let (left, right) = match sheet {
            s if s <= two => (0.0, 0.0),
            s if s <= two + one => (0.0, 0.15),
            _ => (0.9, 0.9),
        };
        rows.extend(landed(sheet, "left", left));
        rows.extend(landed(sheet, "right", right));
    }
    let settings = json!({ "order": order });
    grade(&two_up(), &stack(n), &[registration(&rows)], &settings)
}

#[test]
fn a_two_up_sheet_is_two_copies() {
    let kept = halves(16, 2, 2, &json!({ "good": 100 }));
    let o = &kept.of(ORDERS)[0];
    assert_eq!((num(o, "good"), num(o, "pilot")), (34.0, 40.0));
    // About 1.65 good halves a sheet: 66 more take 40 on average, some more to be sure.
    assert_eq!(num(o, "sheets_on_average"), 40.0);
    let copies = num(o, "sheets_to_print");
    assert!(copies > 40.0 && copies < 70.0, "{copies}");
    // Halves that fail together make the number less sure than as many that do not.
    let apart = halves(14, 6, 0, &json!({ "good": 100 }));
    let o = &apart.of(ORDERS)[0];
    assert_eq!((num(o, "good"), num(o, "pilot")), (34.0, 40.0));
    assert!(num(o, "sheets_to_print") < copies);
    let of = |k: &Kept| {
        let y = k
            .of(YIELDS)
            .iter()
            .find(|r| words(r, "of") == "copies")
            .cloned();
        let y = y.unwrap();
        assert_eq!(num(&y, "yield_pct"), 85.0);
        num(&y, "yield_high_pct") - num(&y, "yield_low_pct")
    };
    assert!(of(&kept) > of(&apart));
}

#[test]
fn seconds_count_where_the_order_says_so() {
    let strict = halves(10, 10, 0, &json!({ "good": 50 }));
    assert_eq!(num(&strict.of(ORDERS)[0], "good"), 30.0);
    let all = halves(10, 10, 0, &json!({ "good": 50, "seconds": true }));
    assert_eq!(num(&all.of(ORDERS)[0], "good"), 40.0);
}

#[test]
fn the_order_is_about_one_edition() {
    let mut sheets = stack(4);
    sheets[0].edition = "1961".into();
    let settings = |edition: serde_json::Value| {
        json!({
            "order": { "good": 9, "edition": edition },
            "tolerance": [{ "table": "ink", "column": "width_mm", "high": 0.5, "grade": "reject" }],
        })
    };
    let t = widths(&[(0.3, 0.0); 4]);
    let last = grade(
        &one_up(),
        &sheets,
        std::slice::from_ref(&t),
        &settings(json!(null)),
    );
    assert_eq!(num(&last.of(ORDERS)[0], "good"), 3.0);
    let old = grade(
        &one_up(),
        &sheets,
        std::slice::from_ref(&t),
        &settings(json!("1961")),
    );
    assert_eq!(num(&old.of(ORDERS)[0], "good"), 1.0);
    let none = grade(&one_up(), &sheets, &[t], &settings(json!("1916")));
    assert!(none.notes.iter().any(|n| n == "no edition fits `1916`"));
}

/// Of sheets that lack a number only the bad are known: they tell of no share.
#[test]
fn bad_ones_among_those_that_lack_a_number_are_no_sample() {
    let values = [vec![(0.3, 0.0); 10], vec![(0.9, 0.0); 2]].concat();
    let of = |measured: usize| {
        let tone = Table {
            name: "tone".into(),
            columns: vec!["sheet".to_owned(), "strength".to_owned()],
            rows: (1..=measured)
                .map(|n| vec![Value::from(n), 1.0.into()])
                .collect(),
        };
        grade(
            &one_up(),
            &stack(values.len()),
            &[widths(&values), tone],
            &json!({
                "order": { "good": 20 },
                "tolerance": [
                    { "table": "ink", "column": "width_mm", "high": 0.5, "grade": "reject" },
                    { "table": "tone", "column": "strength", "high": 1.2, "grade": "reject" },
                ],
            }),
        )
    };
    let kept = of(0);
    let y = &kept.of(YIELDS)[0];
    assert_eq!((num(y, "reject"), num(y, "look_again")), (2.0, 10.0));
    assert_eq!(get(y, "yield_pct"), &Value::Null, "{y:?}");
    let o = &kept.of(ORDERS)[0];
    assert!(
        words(o, "reason").contains("no sheet has all numbers"),
        "{o:?}"
    );
    // Five have both, and all of them pass.
    let kept = of(5);
    assert_eq!(num(&kept.of(YIELDS)[0], "yield_pct"), 100.0);
    assert_eq!(num(&kept.of(ORDERS)[0], "pilot"), 5.0);
}
