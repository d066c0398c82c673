//! Series by year.

use restrike_stage::{Impression, Table};
use serde_json::json;

use super::made::{Kept, Noise, drift, get, num, sheet, widths, words};

/// Editions with sheets of one level each.
fn run(levels: &[(i32, f64)], sheets: usize, within: f64) -> (Vec<Impression>, Table) {
    let mut noise = Noise(12);
    let mut impressions = Vec::new();
    let mut v = Vec::new();
    for (year, level) in levels {
        for k in 1..=sheets {
            let edition = year.to_string();
            impressions.push(sheet(
                v.len() + 1,
                &edition,
                Some(*year),
                i64::try_from(k).ok(),
            ));
            v.push(level + within * noise.next());
        }
    }
    (impressions, widths(&v))
}

fn by_year(levels: &[(i32, f64)], sheets: usize, within: f64) -> Kept {
    let (impressions, table) = run(levels, sheets, within);
    drift(&impressions, &[table], &json!({ "axis": "year" }))
}

#[test]
fn many_scans_of_few_editions_do_not_make_a_trend() {
    // Editions that go up and down; with 40 sheets each, plain regression over
    // the 160 sheets would be sure of its slope.
    let kept = by_year(
        &[(1961, 0.0), (1978, 2.0), (1994, -1.0), (2026, 2.5)],
        40,
        0.1,
    );
    let row = &kept.of("drift_series")[0];
    assert_eq!(
        (words(row, "axis"), words(row, "verdict")),
        ("year", "too few to tell")
    );
    let said = words(row, "words");
    assert!(
        said.contains(
            "too few years of printing to tell (4 years of printing between 1961 and 2026)"
        ),
        "{said}"
    );
    assert!(said.contains("would"), "{said}");
    assert!(num(row, "slope_per_decade_low") < 0.0 && num(row, "slope_per_decade_high") > 0.0);
    assert!(num(row, "between_years_sigma") > 1.0);
    assert!((num(row, "within_years_sigma") - 0.1).abs() < 0.02);
    assert_eq!(num(row, "years"), 4.0);
}

#[test]
fn a_steady_creep_over_editions_is_found_by_decade() {
    let levels: Vec<(i32, f64)> = [1961, 1978, 1994, 2010, 2026]
        .iter()
        .map(|y| (*y, 0.03 * f64::from(y - 1961)))
        .collect();
    let kept = by_year(&levels, 6, 0.05);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "trend");
    assert!((num(row, "slope_per_decade") - 0.3).abs() < 0.03);
    assert!(words(row, "words").contains("per decade"));
}

#[test]
fn positions_are_counted_within_each_edition() {
    let (impressions, table) = run(&[(1961, 0.0), (2026, 5.0)], 15, 1.0);
    let kept = drift(&impressions, &[table], &serde_json::Value::Null);
    let series = kept.of("drift_series");
    assert_eq!(series.len(), 3);
    let mut editions: Vec<&str> = series[..2].iter().map(|r| words(r, "edition")).collect();
    editions.sort_unstable();
    assert_eq!(editions, ["1961", "2026"]);
    assert!(series[..2].iter().all(|r| words(r, "verdict") == "none"));
    assert_eq!(words(&series[2], "verdict"), "not assessed");
    assert!(words(&series[2], "reason").starts_with("sheets of 2 years"));
    assert_eq!(get(&series[2], "slope_per_decade").as_f64(), None);
}

#[test]
fn years_enough_without_a_trend_are_said_to_have_none() {
    let levels: Vec<(i32, f64)> = (0..8)
        .map(|k| (1950 + 10 * k, if k % 2 == 0 { 1.0 } else { 1.1 }))
        .collect();
    let kept = by_year(&levels, 6, 0.05);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "none");
    assert!(num(row, "least_told_per_decade") > 0.0);
}

/// Editions that rise steadily but scatter: four do not tell, and what is said to
/// be enough is enough.
#[test]
fn what_is_said_to_be_enough_years_tells() {
    let wobble = [
        0.0, 0.9, -0.7, 0.4, -0.5, 0.8, -0.9, 0.3, 0.6, -0.4, 0.2, -0.8,
    ];
    let levels = |k: usize| -> Vec<(i32, f64)> {
        (0..k)
            .map(|n| {
                let year = 1961 + i32::try_from(n * 65 / (k - 1)).unwrap();
                (year, 0.05 * f64::from(year - 1961) + 0.6 * wobble[n % 12])
            })
            .collect()
    };
    let few = by_year(&levels(4), 4, 0.2);
    let row = &few.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "too few to tell");
    let enough = num(row, "years_to_tell") as usize;
    assert!((5..=12).contains(&enough), "{enough}");
    let many = by_year(&levels(enough + 1), 4, 0.2);
    assert_eq!(words(&many.of("drift_series")[0], "verdict"), "trend");
}
