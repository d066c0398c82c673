//! A measuring stage and drift behind it, through the executable.

use restrike_synth::run::{Change, Quantity};
use restrike_synth::{Difficulty, Format, RunSpec};

use crate::bench::{Bench, column, root, rows, run_preset, said};
use crate::c_stage::compile;

const SHEETS: usize = 40;
/// The first sheet of the darker part of the stack.
const DARKER: usize = 26;

/// Scans with so many dark rows of 40; the stack gets darker by four rows.
fn dark_rows(n: usize) -> u32 {
    let wobble = [0, 2, 1, 3, 1, 0, 2, 1, 2, 3][n * 7 % 10];
    if n < DARKER { 10 + wobble } else { 16 + wobble }
}

fn bench(drift: &str) -> Bench {
    let stages = format!(
        "[[stage]]\nname = \"dark-share\"\nlibrary = \"dark_share.so\"\nsettings = {{ limit = 0.1 }}\n\
         [[stage]]\nname = \"drift\"\n{drift}"
    );
    let bench = Bench::new(SHEETS, &stages);
    for n in 1..=SHEETS {
        let image = image::GrayImage::from_fn(60, 40, |_, y| {
            image::Luma([if y < dark_rows(n) { 20 } else { 230 }])
        });
        image.save(bench.path(&format!("scan{n}.png"))).unwrap();
    }
    let source = root().join("plugins/example-c/dark_share.c");
    let library = compile(&source, &bench.path(""), "dark_share", &[]);
    std::fs::rename(library, bench.path("dark_share.so")).ok();
    bench
}

#[test]
fn a_stack_that_gets_darker_is_told_with_the_sheet() {
    let bench = bench("");
    bench.run(0);
    let series = bench.table("drift_series");
    assert_eq!(series.len(), 2);
    let cell = |name: &str| series[1][column(&series, name)].as_str();
    assert_eq!((cell("table"), cell("column")), ("dark_share", "dark_pct"));
    assert_eq!(
        (cell("verdict"), cell("unit"), cell("axis")),
        ("step", "%", "position")
    );
    let changes = bench.table("drift_changes");
    assert_eq!(changes.len(), 2);
    let change = |name: &str| changes[1][column(&changes, name)].parse::<f64>().unwrap();
    assert_eq!(change("sheet"), DARKER as f64);
    // Six of forty rows.
    assert!((change("size") - 15.0).abs() < 2.0);
    let pictures = bench.table("pictures");
    let rows: Vec<_> = pictures[1..]
        .iter()
        .filter(|r| r[column(&pictures, "stage")] == "drift")
        .collect();
    assert_eq!(rows.len(), 1);
    let svg = bench.read(&format!("out/{}", rows[0][column(&pictures, "file")]));
    assert!(
        svg.starts_with("<svg") && svg.contains("dark_share.dark_pct"),
        "{svg}"
    );
    assert!(bench.read("out/index.html").contains("series-0001.svg"));
    let run: serde_json::Value = serde_json::from_str(&bench.read("out/run.json")).unwrap();
    let notes = run["notes"].to_string();
    assert!(notes.contains("1 series: 0 creep, 1 jump"), "{notes}");
}

#[test]
fn a_column_that_no_stage_gives_is_remarked_on_and_a_setting_out_of_range_refused() {
    let bench = bench("settings = { columns = [\"dark_share.darc_pct\"] }\n");
    bench.run(0);
    assert_eq!(bench.table("drift_series").len(), 1);
    assert!(
        bench
            .read("out/run.json")
            .contains("fits `dark_share.darc_pct`")
    );
    let stage = "[[stage]]\nname = \"drift\"\nsettings = { confidence = 1.5 }\n";
    bench.config(stage);
    let said = said(&bench.restrike(&["check"]), 2);
    assert!(
        said.contains("p.toml:4: stage `drift`") && said.contains("confidence: 1.5"),
        "{said}"
    );
}

/// A rendered stack whose key prints wider lines from a sheet on, through the preset.
#[test]
fn the_preset_for_a_stack_finds_what_was_planted() {
    const WIDER: u32 = 11;
    let (design, _) = restrike_synth::sample::sample(150.0, Format::TiffLzw);
    let run = RunSpec {
        sheets: 20,
        references: 1,
        seed: 77,
        dpi: 150.0,
        image_wear: vec![1.0, 1.0],
        changes: vec![Change {
            block: design.blocks[0].name.clone(),
            quantity: Quantity::Widen,
            per_sheet: 0.0,
            step: 0.05,
            at_sheet: WIDER,
        }],
        ..RunSpec::new(Difficulty::Easy)
    };
    let dir = tempfile::tempdir().unwrap();
    let scans = dir.path().join("scans");
    restrike_synth::write_run(&design, &run.sheets(&design), &scans).unwrap();
    // Without proofs there is no register, and without register no grade.
    run_preset(
        "stack-check.toml",
        &scans.join("sheets.csv"),
        &dir.path().join("out"),
        0,
    );
    let grades = rows(&dir.path().join("out/tables/grading.csv"));
    let grade = column(&grades, "grade");
    assert!(grades[1..].iter().all(|r| r[grade] == "look again"));
    let series = rows(&dir.path().join("out/tables/drift_series.csv"));
    let at = |name: &str| column(&series, name);
    let find = |column: &str| {
        let row = series[1..].iter().find(|r| r[at("column")] == column);
        row.unwrap_or_else(|| panic!("no series of {column}"))
    };
    let width = find("line_width_mm");
    assert_eq!(width[at("verdict")], "step", "{width:?}");
    let changes = rows(&dir.path().join("out/tables/drift_changes.csv"));
    let of_width = |r: &&Vec<String>| r[column(&changes, "column")] == "line_width_mm";
    let change = changes[1..].iter().find(of_width).unwrap();
    let cell = |name: &str| change[column(&changes, name)].as_str();
    assert_eq!(cell("at"), WIDER.to_string());
    // Both edges of the border line.
    assert!((cell("size").parse::<f64>().unwrap() - 0.1).abs() < 0.03);
    // Paper and placing were left alone.
    for steady in ["sheet_width_mm", "rotation_deg", "paper_l"] {
        assert_eq!(find(steady)[at("verdict")], "none", "{steady}");
    }
}
