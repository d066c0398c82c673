//! Stacks that creep, jump, or do neither.

use restrike_stage::{Plot, Role, Stage, Table, Value};
use serde_json::{Value as Json, json};

use super::made::{Noise, drift, get, num, sheet, stack, widths, words};
use crate::stage::Drift;

#[test]
fn a_jump_is_found_with_its_place_and_size() {
    let mut v = Noise(3).series(120);
    v[70..].iter_mut().for_each(|v| *v += 2.0);
    let kept = drift(&stack(120), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "step");
    assert!(num(row, "bic_step_less_trend") < 0.0);
    assert_eq!(words(row, "unit"), "mm");
    let changes = kept.of("drift_changes");
    assert_eq!(changes.len(), 1);
    let c = &changes[0];
    assert!((num(c, "sheet") - 71.0).abs() <= 3.0);
    assert!(num(c, "at_low") <= 71.0 && num(c, "at_high") >= 71.0);
    assert!((num(c, "size") - 2.0).abs() < 3.0 * num(c, "size_se"));
    assert!(words(row, "words").starts_with("ink.width_mm (edition reprint): jumps by +"));
    assert_eq!(kept.pictures.len(), 1);
    let chart = kept.pictures[0].chart().unwrap();
    assert_eq!(kept.pictures[0].name, "series-0001");
    assert_eq!(kept.pictures[0].caption, words(row, "words"));
    assert_eq!(chart.panels.len(), 3);
    let plots = chart.panels[0].plots.iter();
    assert_eq!(plots.filter(|p| matches!(p, Plot::Band { .. })).count(), 1);
    // The sums notice it within a few sheets.
    let signal = kept
        .of("drift_signals")
        .iter()
        .find(|s| words(s, "chart") == "CUSUM" && num(s, "at") > 70.0)
        .unwrap();
    assert_eq!(words(signal, "side"), "above");
    assert!(num(signal, "at") <= 80.0 && (num(signal, "since") - 71.0).abs() <= 4.0);
}

#[test]
fn a_sheet_far_off_does_not_draw_a_jump_to_itself() {
    let mut v = Noise(3).series(120);
    v[70..].iter_mut().for_each(|v| *v += 2.0);
    let at = |v: &[f64]| {
        let kept = drift(&stack(120), &[widths(v)], &Json::Null);
        let changes = kept.of("drift_changes");
        assert_eq!(changes.len(), 1);
        num(&changes[0], "at")
    };
    let alone = at(&v);
    v[66] = 40.0;
    assert!((at(&v) - alone).abs() <= 1.0, "{} {alone}", at(&v));
}

/// Flat ahead of the creep, which leaves about a straight line what looks like neighbours that
/// resemble each other.
#[test]
fn a_creep_that_begins_late_is_a_trend() {
    for begins in [3.0, 6.0] {
        let rows = (1..=20).map(|seed| {
            let mut v = Noise(seed).series(15);
            for (i, v) in v.iter_mut().enumerate() {
                *v += 4.0 * (i as f64 - begins).max(0.0);
            }
            drift(&stack(15), &[widths(&v)], &Json::Null).of("drift_series")[0].clone()
        });
        let told: Vec<_> = rows.filter(|r| words(r, "verdict") == "trend").collect();
        // Before bends were looked for one of twenty was.
        assert!(told.len() >= 15, "{begins}: {told:?}");
        // Positions count from 1.
        let near = told.iter().filter(|r| {
            let bends = get(r, "bend_at").as_f64();
            bends.is_some_and(|at| (at - 1.0 - begins).abs() <= 1.0)
        });
        let near = near.count();
        let after = num(&told[0], "after_bend_per_100_sheets");
        assert!((after - 400.0).abs() < 60.0, "{after}");
        assert!(near >= 15, "{begins}: {told:?}");
    }
}

#[test]
fn a_creeping_width_is_a_trend_with_its_slope() {
    let mut v = Noise(5).series(150);
    v.iter_mut()
        .enumerate()
        .for_each(|(i, v)| *v += 0.02 * i as f64);
    let kept = drift(&stack(150), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "trend", "{row:?}");
    assert!(
        num(row, "slope_per_100_sheets_low") < 2.0 && num(row, "slope_per_100_sheets_high") > 2.0
    );
    assert!(words(row, "words").contains("creeps by +"));
    assert!(kept.of("drift_changes").is_empty());
}

#[test]
fn a_steady_stack_is_called_steady_and_one_bad_sheet_is_no_jump() {
    let mut v = Noise(17).series(100);
    v[40] = 60.0;
    v[41] = 55.0;
    let kept = drift(&stack(100), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "none", "{row:?}");
    assert!(kept.of("drift_changes").is_empty());
    let s = &kept.of("drift_signals")[0];
    assert_eq!(
        (words(s, "chart"), num(s, "sheet"), num(s, "sheets")),
        ("individuals", 41.0, 2.0)
    );
    assert!(words(row, "words").contains("sheets lie beyond the limits"));
}

#[test]
fn correlated_neighbours_are_no_drift_and_the_lag_is_told() {
    let mut noise = Noise(8);
    let mut last = 0.0;
    let v: Vec<f64> = (0..300)
        .map(|_| {
            last = 0.6 * last + 0.8 * noise.next();
            last
        })
        .collect();
    let kept = drift(&stack(300), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "none", "{row:?}");
    assert!(num(row, "lag") >= 1.0);
    assert!(num(row, "effective_n") < 150.0);
}

#[test]
fn missing_sheets_and_gaps_are_reckoned_by_position() {
    let mut noise = Noise(2);
    let mut impressions = Vec::new();
    let mut v = Vec::new();
    for i in 0..80_i64 {
        let position = 3 * i + i % 2;
        impressions.push(sheet(impressions.len() + 1, "a", None, Some(position)));
        v.push(noise.next() + 0.05 * position as f64);
    }
    // Without a position: left out.
    impressions.push(sheet(81, "a", None, None));
    v.push(900.0);
    let kept = drift(&impressions, &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "axis"), "position");
    assert_eq!((num(row, "n"), num(row, "without")), (80.0, 1.0));
    assert_eq!(num(row, "missing"), 238.0 + 1.0 - 80.0);
    assert!((num(row, "slope_per_100_sheets") - 5.0).abs() < 0.5);
}

#[test]
fn images_blocks_and_other_keys_are_series_of_their_own() {
    let mut noise = Noise(4);
    let mut rows = Vec::new();
    for s in 1..=30_usize {
        for image in ["left", "right"] {
            for block in ["key", "red"] {
                rows.push(vec![
                    s.into(),
                    image.into(),
                    block.into(),
                    "upper".into(),
                    noise.next().into(),
                    0.1.into(),
                ]);
            }
        }
    }
    let names = ["sheet", "image", "block", "side", "dx_mm", "dx_se_mm"];
    let table = Table {
        name: "registration".into(),
        columns: names.map(str::to_owned).to_vec(),
        rows,
    };
    let kept = drift(&stack(30), std::slice::from_ref(&table), &Json::Null);
    let series = kept.of("drift_series");
    assert_eq!(series.len(), 4);
    assert!(
        series
            .iter()
            .all(|r| words(r, "column") == "dx_mm" && words(r, "part") == "side=upper")
    );
    let mut keys: Vec<_> = series
        .iter()
        .map(|r| (words(r, "image"), words(r, "block")))
        .collect();
    keys.sort_unstable();
    let all = [
        ("left", "key"),
        ("left", "red"),
        ("right", "key"),
        ("right", "red"),
    ];
    assert_eq!(keys, all);
    // The clearest first.
    assert!(series.is_sorted_by_key(|r| num(r, "q")));
    // A column that is left out otherwise can be asked for.
    let asked = json!({ "columns": ["registration.dx_se_mm"], "except": [] });
    let kept = drift(&stack(30), &[table], &asked);
    assert_eq!(
        words(&kept.of("drift_series")[0], "reason"),
        "the value is the same on all sheets"
    );
}

#[test]
fn a_long_series_is_drawn_with_few_points_and_none_where_not_wanted() {
    let mut v = Noise(7).series(20_000);
    v[12_345] = 9.0;
    let kept = drift(&stack(20_000), &[widths(&v)], &Json::Null);
    let chart = kept.pictures[0].chart().unwrap();
    let Some(Plot::Dots { points, .. }) = chart.panels[0].plots.first() else {
        panic!("{:?}", chart.panels[0].plots.first());
    };
    assert!(points.len() <= 1600 && points.iter().any(|p| p.x == 12_346.0 && p.y == 9.0));
    let none = json!({ "most_charts": 0 });
    let kept = drift(&stack(20_000), &[widths(&v)], &none);
    assert!(kept.pictures.is_empty() && kept.notes.iter().any(|n| n.contains("1 more series")));
}

#[test]
fn a_dozen_sheets_of_one_slow_wave_are_worth_too_few() {
    let v: Vec<f64> = (0..12).map(|i| f64::from((i - 6) * (i - 6))).collect();
    let kept = drift(&stack(12), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "not assessed", "{row:?}");
    assert!(words(row, "reason").contains("independent ones"));
}

#[test]
fn too_few_sheets_are_not_assessed_with_the_reason() {
    let kept = drift(
        &stack(5),
        &[widths(&[1.0, 2.0, 3.0, 2.0, 1.0])],
        &Json::Null,
    );
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "not assessed");
    assert_eq!(
        words(row, "reason"),
        "5 sheets with a value and a position, fewer than 10"
    );
    assert_eq!(*get(row, "mk_p"), Value::Null);
    assert!(words(row, "words").ends_with("fewer than 10."));
}

#[test]
fn numbers_that_are_the_same_on_most_sheets_do_no_harm() {
    let v: Vec<f64> = (0..60)
        .map(|i| if i % 20 == 7 { 1.0 } else { 0.0 })
        .collect();
    let kept = drift(&stack(60), &[widths(&v)], &Json::Null);
    assert_eq!(words(&kept.of("drift_series")[0], "verdict"), "none");
}

#[test]
fn proofs_of_one_block_are_no_sheets_of_the_stack() {
    let mut impressions = stack(40);
    impressions[3].role = Role::Proof("key".into());
    let mut v = Noise(6).series(40);
    v[3] = 1e6;
    let kept = drift(&impressions, &[widths(&v)], &Json::Null);
    assert_eq!(num(&kept.of("drift_series")[0], "n"), 39.0);
    assert_eq!(kept.of("drift_signals").len(), 0);
}

#[test]
fn a_misspelt_column_is_remarked_on() {
    let settings = json!({ "columns": ["ink.widht_mm"] });
    let kept = drift(&stack(20), &[widths(&Noise(1).series(20))], &settings);
    assert!(kept.notes.iter().any(|n| n.contains("fits `ink.widht_mm`")));
    assert!(kept.of("drift_series").is_empty());
    let bare = json!({ "columns": ["width_mm"] });
    let refused = Drift::new(&bare, &Default::default(), &Default::default());
    assert!(refused.err().unwrap().to_string().contains("`*.width_mm`"));
}

#[test]
fn false_alarms_over_many_series_are_held_down() {
    let mut noise = Noise(99);
    let names = (0..200).map(|c| format!("v{c}_mm"));
    let table = Table {
        name: "many".into(),
        columns: std::iter::once("sheet".to_owned()).chain(names).collect(),
        rows: (1..=50_usize)
            .map(|s| {
                let mut row = vec![Value::from(s)];
                row.extend((0..200).map(|_| Value::from(noise.next())));
                row
            })
            .collect(),
    };
    let kept = drift(&stack(50), &[table], &Json::Null);
    let series = kept.of("drift_series");
    let small = series.iter().filter(|r| num(r, "p") < 0.05).count();
    let called = series
        .iter()
        .filter(|r| words(r, "verdict") != "none")
        .count();
    assert_eq!(series.len(), 200);
    assert!(small <= 20, "{small} of 200 under 0.05");
    assert!(called <= 2, "{called}");
    let alone = |r: &&restrike_stage::Row| words(r, "words").contains("alone this would count");
    assert_eq!(series.iter().filter(alone).count(), small - called);
}

#[test]
fn a_jump_of_a_few_levels_of_coarse_numbers_is_found() {
    let wobble = [0.0, 2.0, 1.0, 3.0, 1.0, 0.0, 2.0, 1.0, 2.0, 3.0];
    let v: Vec<f64> = (1..=40)
        .map(|n| 2.5 * (wobble[n * 7 % 10] + if n < 26 { 10.0 } else { 16.0 }))
        .collect();
    let kept = drift(&stack(40), &[widths(&v)], &Json::Null);
    let row = &kept.of("drift_series")[0];
    assert_eq!(words(row, "verdict"), "step", "{row:?}");
}
