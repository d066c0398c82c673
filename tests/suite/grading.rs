//! Grades of the sample's stack, through the preset.

use std::collections::BTreeMap;

use crate::bench::{column, root, rows, run_preset};
use crate::sample::sample;

/// A few sheets of the reprint: good ones, a second scan of one, a verso.
const SHEETS: [&str; 8] = ["001", "004", "005", "006", "010", "014", "017", "018"];

/// The grades below were worked out by hand from the tables `registration` and
/// `deskew` of the run: how far each block is off at worst on each half, with its
/// interval, against 0.77 and 0.95 mm (mist: 0.6 and 1.0, blue: 1.0).
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
            "pass",
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
            "second",
            "pass",
            "reject",
            "pass",
            "look again",
            "look again",
            "reject",
        ]
    );
    assert_eq!(
        found["whole"],
        [
            "second",
            "pass",
            "reject",
            "pass",
            "not counted",
            "look again",
            "look again",
            "reject",
        ]
    );

    // Sheet 014 is in doubt by its green alone, on both halves: chances of the
    // normal distribution. Of the verso there is none.
    let reasons = table("grading_reasons");
    let chance = |image: &str| -> f64 {
        let of =
            |r: &&Vec<String>, name: &str, what: &str| r[column(&reasons, name)].contains(what);
        let found: Vec<&Vec<String>> = reasons[1..]
            .iter()
            .filter(|r| of(r, "file", "014") && of(r, "image", image))
            .collect();
        assert_eq!(found.len(), 1, "{found:?}");
        let number = |name: &str| found[0][column(&reasons, name)].parse::<f64>().unwrap();
        let z = (0.77 - number("value")) / number("value_se");
        0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2)
    };
    let (left, right) = (chance("left"), chance("right"));

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
            ]
            .map(|c| cell(r, c))
            .join(" ")
        })
        .collect();
    assert_eq!(
        counts,
        [
            "sheets 2 1 2 2 1",
            "left 3 1 1 2 0",
            "right 2 1 2 2 0",
            "copies 5 2 3 4 0",
        ]
    );
    let shares = [
        (2.0 + left * right) / 6.0,
        (3.0 + left) / 6.0,
        (2.0 + right) / 6.0,
        (5.0 + left + right) / 12.0,
    ];
    for (r, share) in yields[1..].iter().zip(shares) {
        let found: f64 = cell(r, "yield_pct").parse().unwrap();
        assert!((found - 100.0 * share).abs() < 0.06, "{r:?}: {share}");
    }

    // 55 more copies take 103 sheets (Dirichlet-multinomial with parameters 2.5, 1.5
    // and 2.5 and 014's chances of no, one and two good halves, 0.889 and 0.365;
    // summed with scipy.stats.betabinom: 0.95093 for 103, 0.94895 for 102).
    let order = table("grading_order");
    let number = |name: &str| order[1][column(&order, name)].as_str();
    assert_eq!(
        [
            "good",
            "still_wanted",
            "pilot",
            "sheets_to_print",
            "sheets_on_average"
        ]
        .map(number),
        ["5", "55", "12", "103", "54"]
    );
    let pilot: f64 = number("pilot_good").parse().unwrap();
    assert!((pilot - (5.0 + left + right)).abs() < 0.06, "{pilot}");

    let cuts = table("grading_cut");
    let words: Vec<&str> = cuts[1..]
        .iter()
        .map(|r| r[column(&cuts, "words")].as_str())
        .collect();
    assert_eq!(
        words,
        [
            "keep: left; second: right",
            "keep: left, right",
            "second: left; discard: right",
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
        cuts[1][why].starts_with("right: register green"),
        "{}",
        cuts[1][why]
    );

    // Each reason names its number and the limit it is over.
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
