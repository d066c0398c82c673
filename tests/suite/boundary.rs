//! The plugin boundary: what a stage may do wrong, and what is said then.

use crate::bench::{Bench, column, restrike, said};

fn unruly(mood: &str) -> String {
    format!("[[stage]]\nname = \"unruly\"\nsettings = {{ mood = \"{mood}\", on_sheet = 2 }}\n")
}

/// Runs three sheets with a stage that misbehaves on the second.
fn on_second_sheet(mood: &str) -> (String, String, String) {
    let bench = Bench::new(3, &unruly(mood));
    let said = bench.run(3);
    let rows = bench.table("unruly");
    let (status, reason, width) = (
        column(&rows, "status"),
        column(&rows, "reason"),
        column(&rows, "width"),
    );
    assert_eq!(rows.len(), 4);
    for good in [&rows[1], &rows[3]] {
        assert_eq!(good[status], "measured");
        assert_eq!(good[width], "60");
    }
    assert_eq!(
        rows[2][width], "",
        "no number of a sheet that was not measured"
    );
    let run: serde_json::Value = serde_json::from_str(&bench.read("out/run.json")).unwrap();
    let entry = &run["not_measured"][0];
    assert_eq!(
        (&entry["sheet"], &entry["reason"]),
        (&2.into(), &rows[2][reason].as_str().into())
    );
    (rows[2][status].clone(), rows[2][reason].clone(), said)
}

#[test]
fn a_good_stage_measures_every_sheet() {
    let bench = Bench::new(3, &unruly("good"));
    bench.run(0);
    let rows = bench.table("unruly");
    let mean = column(&rows, "mean");
    // Mean of the gradient, through the sRGB curve (IEC 61966-2-1).
    let linear = |v: f64| {
        if v <= 0.04045 {
            v / 12.92
        } else {
            libm::pow((v + 0.055) / 1.055, 2.4)
        }
    };
    let expected: f64 = (0..60 * 40)
        .map(|i| linear(f64::from(((i % 60) * 3 + i / 60 * 2 + 7) as u8) / 255.0))
        .sum::<f64>()
        / 2400.0;
    let found: f64 = rows[1][mean].parse().unwrap();
    assert!((found - expected).abs() < 2e-5, "{found} {expected}");
    assert_eq!(bench.table("unruly_run")[1], ["3"]);
}

#[test]
fn a_panic_costs_that_stage_on_that_sheet_only() {
    let (status, reason, said) = on_second_sheet("panic");
    assert_eq!(status, "failed");
    assert_eq!(reason, "panicked: told to panic on sheet 2");
    assert!(
        said.contains("sheet 2, scan2.png: failed: panicked: told to panic on sheet 2"),
        "{said}"
    );
}

#[test]
fn an_error_is_told_with_the_stages_own_words() {
    let (status, reason, _) = on_second_sheet("error");
    assert_eq!(
        (status.as_str(), reason.as_str()),
        ("failed", "told to fail")
    );
}

#[test]
fn a_verdict_names_the_sheet() {
    let (status, reason, _) = on_second_sheet("blank");
    assert_eq!((status.as_str(), reason.as_str()), ("blank", "told so"));
}

#[test]
fn a_row_for_an_undeclared_table_is_refused_by_the_kit() {
    let (status, reason, _) = on_second_sheet("undeclared-table");
    assert_eq!(status, "failed");
    assert_eq!(reason, "table `nowhere` is not declared");
}

#[test]
fn a_value_of_another_kind_is_refused() {
    let (status, reason, _) = on_second_sheet("wrong-kind");
    assert_eq!(status, "failed");
    assert!(
        reason.contains("column `width` of table `unruly` cannot hold"),
        "{reason}"
    );
}

#[test]
fn a_verdict_of_the_whole_run_takes_the_numbers_away() {
    let bench = Bench::new(
        3,
        "[[stage]]\nname = \"unruly\"\nsettings = { mood = \"duplicate\" }\n",
    );
    let said = bench.run(3);
    let rows = bench.table("unruly");
    assert_eq!(rows[2][column(&rows, "status")], "duplicate");
    assert_eq!(rows[2][column(&rows, "mean")], "");
    assert!(said.contains("1 duplicate, 2 measured"), "{said}");
}

#[test]
fn a_stage_that_refuses_its_settings_or_panics_at_the_start_ends_the_run() {
    let bench = Bench::new(1, &unruly("refuse"));
    let text = bench.run(1);
    assert!(
        text.contains("stage `unruly`: these settings make no sense together"),
        "{text}"
    );
    bench.config(&unruly("panic-in-create"));
    let text = bench.run(1);
    assert!(text.contains("told to panic while made ready"), "{text}");
    bench.config(&unruly("panic-in-summarise"));
    let text = bench.run(1);
    assert!(
        text.contains(
            "stage `unruly`: could not sum up the run: panicked: told to panic at the end"
        ),
        "{text}"
    );
}

#[test]
fn learning_runs_over_references_and_is_kept_in_the_record() {
    let bench = Bench::new(3, &unruly("good"));
    bench.write(
        "sheets.csv",
        "file,dpi,role\nscan1.png,300,reference\nscan2.png,300,run\nscan3.png,300,reference\n",
    );
    bench.run(0);
    let rows = bench.table("unruly");
    assert_eq!(rows[2][column(&rows, "learned")], "2");
    assert_eq!(bench.read("out/record/unruly-count.bin"), "2");
    // Another run uses the record without references of its own.
    bench.write("sheets.csv", "file,dpi\nscan2.png,300\n");
    let out = bench.restrike(&[
        "run",
        "--record",
        bench.path("out/record").to_str().unwrap(),
        "--out",
        bench.path("other").to_str().unwrap(),
    ]);
    said(&out, 0);
    let rows = crate::bench::rows(&bench.path("other/tables/unruly.csv"));
    assert_eq!(rows[1][column(&rows, "learned")], "2");
}

#[test]
fn settings_outside_the_schema_are_refused_with_line_and_nearest_name() {
    let bench = Bench::new(
        1,
        "[[stage]]\nname = \"unruly\"\n[stage.settings]\nmod = \"good\"\n",
    );
    let text = bench.run(2);
    assert!(
        text.contains("p.toml:7: stage `unruly`: setting /"),
        "{text}"
    );
    assert!(text.contains("did you mean `mood`?"), "{text}");
    bench.config("[[stage]]\nname = \"unruly\"\n[stage.settings]\non_sheet = 0\n");
    let text = bench.run(2);
    assert!(
        text.contains("p.toml:7: stage `unruly`: setting /on_sheet: 0 is less than"),
        "{text}"
    );
    assert!(
        !bench.path("out").exists(),
        "nothing is written on a refusal"
    );
}

#[test]
fn a_pinned_hash_that_does_not_match_is_refused_before_the_library_runs() {
    let zeros = "0".repeat(64);
    let bench = Bench::new(
        1,
        &format!("[[stage]]\nname = \"unruly\"\nsha256 = \"{zeros}\"\n"),
    );
    let text = bench.run(2);
    assert!(text.contains("has SHA-256"), "{text}");
    assert!(
        text.contains(&format!("but the config pins {zeros}")),
        "{text}"
    );
}

#[test]
fn a_missing_stage_is_named_with_the_places_looked_at() {
    let bench = Bench::new(1, "[[stage]]\nname = \"unruli\"\n");
    let text = bench.run(2);
    assert!(
        text.contains("p.toml:4: stage `unruli` was not found"),
        "{text}"
    );
    assert!(text.contains("did you mean `unruly`?"), "{text}");
}

#[test]
fn a_library_of_the_working_directory_is_not_found() {
    let bench = Bench::new(1, "[[stage]]\nname = \"elsewhere\"\n");
    let file = format!(
        "{}restrike_elsewhere{}",
        std::env::consts::DLL_PREFIX,
        std::env::consts::DLL_SUFFIX
    );
    bench.write(&file, "not a library");
    let out = restrike()
        .current_dir(bench.path(""))
        .args(["run", "p.toml"])
        .output()
        .unwrap();
    assert!(said(&out, 2).contains("stage `elsewhere` was not found"));
}

#[test]
fn what_is_no_stage_library_is_refused_by_name() {
    let bench = Bench::new(1, "[[stage]]\nname = \"x\"\nlibrary = \"x.so\"\n");
    bench.write("x.so", "not a library");
    let text = bench.run(2);
    assert!(text.contains("x.so cannot be loaded"), "{text}");
}
