//! Grades of the sample's stack, through the preset.

use std::collections::BTreeMap;

use crate::bench::{column, root, rows, run_preset};
use crate::sample::sample;

/// A few sheets of the reprint: good ones, a second scan of one, a verso.
const SHEETS: [&str; 8] = ["001", "004", "005", "006", "010", "014", "017", "018"];

/// The grades below were worked out by hand from the tables `registration` and
/// `deskew` of the run: each block's error at the four corners of each half, with
/// 1.645 standard errors to either side (of measuring and of the zero), against 0.77 and 0.95 mm (mist: 0.6 and
/// 1.0, blue: 1.0).
#[test]
fn the_preset_for_a_stack_grades_halves_and_counts_them() {
    let s = sample();
    let all = std::fs::read_to_string(root().join("sample-config/stack-check.csv")).unwrap();
    let wanted = |l: &str| {
        l.contains("-proof-")
            || SHEETS
                .iter()
                .any(|n| l.starts_with(&format!("scans/2026-{n}.")))
    };
    let few: Vec<&str> = all
        .lines()
        .filter(|l| l.starts_with("file,") || wanted(l))
        .collect();
    assert_eq!(few.len(), 1 + 7 + SHEETS.len());
    let list = s.dir.path().join("stack.csv");
    std::fs::write(&list, few.join("\n")).unwrap();
    let folder = s.dir.path().join("stack");
    run_preset("stack-check.toml", &list, &folder, 3);
    let table = |name: &str| rows(&folder.join(format!("tables/{name}.csv")));

    let grades = table("grading");
    let at = |name: &str| column(&grades, name);
    let mut found: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for r in &grades[1..] {
        let of = found.entry(r[at("image")].as_str()).or_default();
        of.push(&r[at("grade")]);
    }
    assert_eq!(
        found["left"],
        [
            "look again",
            "pass",
            "second",
            "pass",
            "look again",
            "look again",
            "reject",
        ]
    );
    assert_eq!(
        found["right"],
        [
            "look again",
            "look again",
            "look again",
            "pass",
            "look again",
            "look again",
            "reject",
        ]
    );
    assert_eq!(
        found["whole"],
        [
            "look again",
            "look again",
            "look again",
            "pass",
            "not counted",
            "look again",
            "look again",
            "reject",
        ]
    );

    let yields = table("grading_yield");
    let cell = |r: &[String], name: &str| r[column(&yields, name)].clone();
    let counts: Vec<String> = yields[1..]
        .iter()
        .map(|r| {
            [
                "of",
                "pass",
                "second",
                "reject",
                "look_again",
                "not_counted",
                "yield_pct",
            ]
            .map(|c| cell(r, c))
            .join(" ")
        })
        .collect();
    assert_eq!(
        counts,
        [
            "sheets 1 0 1 5 1 33.3",
            // Far from a block's middle its turn and stretch are not known well
            // enough to tell a pass from a second; the verso is open between all.
            "left 2 1 1 3 0 50.0",
            "right 1 0 1 5 0 33.3",
            "copies 3 1 2 8 0 42.9",
        ]
    );

    // Two sheets with no good half (005, 018), one with two (006): 57 more copies
    // take 303 sheets (Dirichlet-multinomial with parameters 2.5, 0.5, 1.5, summed
    // term by term by a script of its own: 0.95015 for 303, 0.94985 for 302).
    let order = table("grading_order");
    let number = |name: &str| order[1][column(&order, name)].as_str();
    assert_eq!(
        [
            "good",
            "still_wanted",
            "pilot_good",
            "pilot",
            "sheets_to_print",
            "sheets_on_average"
        ]
        .map(number),
        ["3", "57", "2", "6", "303", "74"]
    );

    let cuts = table("grading_cut");
    let words: Vec<&str> = cuts[1..]
        .iter()
        .map(|r| r[column(&cuts, "words")].as_str())
        .collect();
    assert_eq!(
        words,
        [
            "look again: left, right",
            "keep: left; look again: right",
            "second: left; look again: right",
            "keep: left, right",
            "not counted",
            "look again: left, right",
            "look again: left, right",
            "discard: left, right",
        ]
    );

    // What is not kept says why.
    let (kept, why) = (column(&cuts, "keep"), column(&cuts, "why"));
    assert!(
        cuts[1..]
            .iter()
            .all(|r| (r[kept] == "left right") == r[why].is_empty())
    );
    assert!(
        cuts[1][why].starts_with("left: register green"),
        "{}",
        cuts[1][why]
    );

    // Each reason names its number and the limit it is over.
    let reasons = table("grading_reasons");
    for r in &reasons[1..] {
        let number = |name: &str| r[column(&reasons, name)].parse::<f64>();
        match r[column(&reasons, "finding")].as_str() {
            "outside" => assert!(number("value_low").unwrap() > number("limit_high").unwrap()),
            "unsure" => {
                let limit = number("limit_high").unwrap();
                assert!(number("value_low").unwrap() <= limit);
                assert!(number("value_high").unwrap() > limit);
            }
            _ => assert!(r[column(&reasons, "note")].contains("verso"), "{r:?}"),
        }
    }
    let strip = folder.join("pictures/grading/run-stack-0001.svg");
    let svg = std::fs::read_to_string(strip).unwrap();
    for word in [
        "left",
        "right",
        "reject",
        "look again",
        "position in the stack",
    ] {
        assert!(svg.contains(word), "{word}");
    }
}
