//! A measuring stage and drift behind it, through the executable.

use crate::bench::{Bench, column, root};
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
    let said = crate::bench::said(&bench.restrike(&["check"]), 2);
    assert!(
        said.contains("p.toml:4: stage `drift`") && said.contains("confidence: 1.5"),
        "{said}"
    );
}
