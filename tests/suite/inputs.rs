//! Bad input: each kind has its own answer.

use crate::bench::{Bench, column, restrike, said};

const STAGE: &str = "[[stage]]\nname = \"unruly\"\n";

#[test]
fn a_scan_without_resolution_is_refused_before_work() {
    let bench = Bench::new(2, STAGE);
    bench.write("sheets.csv", "file\nscan1.png\nscan2.png\n");
    let text = bench.run(2);
    assert!(
        text.contains("sheets.csv:2: scan1.png, scan2.png hold no resolution"),
        "{text}"
    );
    assert!(text.contains("column `dpi`"), "{text}");
    assert!(text.contains("`[scan]`"), "{text}");
    assert!(!bench.path("out").exists());
    bench.config(&format!("[scan]\ndpi = 300\n{STAGE}"));
    bench.run(0);
}

#[test]
fn files_that_cannot_be_read_are_named_and_the_run_goes_on() {
    let bench = Bench::new(1, STAGE);
    bench.write("empty.tif", "");
    bench.write("letter.png", "Dear printer,");
    let whole = std::fs::read(bench.path("scan1.png")).unwrap();
    std::fs::write(bench.path("torn.png"), &whole[..whole.len() / 2]).unwrap();
    bench.write(
        "sheets.csv",
        "file,dpi\nempty.tif,300\nscan1.png,300\nletter.png,300\ntorn.png,300\nnot-there.tif,300\n",
    );
    let text = bench.run(3);
    let rows = bench.table("unruly");
    let (status, reason) = (column(&rows, "status"), column(&rows, "reason"));
    assert_eq!(rows[2][status], "measured");
    for (row, word) in [(1, "empty"), (3, ""), (4, ""), (5, "")] {
        assert_eq!(rows[row][status], "unreadable", "{text}");
        assert!(rows[row][reason].contains(word), "{}", rows[row][reason]);
        assert!(!rows[row][reason].is_empty());
    }
    assert!(text.contains("1 measured, 4 unreadable"), "{text}");
}

#[test]
fn a_scan_over_the_memory_bound_is_not_measured_with_the_numbers() {
    let bench = Bench::new(1, STAGE);
    image::GrayImage::new(3000, 3000)
        .save(bench.path("large.png"))
        .unwrap();
    bench.write("sheets.csv", "file,dpi\nscan1.png,300\nlarge.png,300\n");
    let out = bench.restrike(&["run", "--memory", "8"]);
    said(&out, 3);
    let rows = bench.table("unruly");
    assert_eq!(rows[1][column(&rows, "status")], "measured");
    assert_eq!(rows[2][column(&rows, "status")], "too large");
    let reason = &rows[2][column(&rows, "reason")];
    assert!(reason.contains("the bound is 8 MiB"), "{reason}");
    let check = bench.restrike(&["check", "--memory", "8"]);
    said(&check, 3);
    assert!(String::from_utf8_lossy(&check.stdout).contains("the bound is 8 MiB"));
}

#[test]
fn the_output_folder_of_another_config_is_refused_unless_told() {
    let bench = Bench::new(1, STAGE);
    bench.run(0);
    bench.write("q.toml", &bench.read("p.toml"));
    let out = restrike()
        .arg("run")
        .arg(bench.path("q.toml"))
        .output()
        .unwrap();
    let text = said(&out, 2);
    assert!(text.contains("holds results of `p.toml`"), "{text}");
    let out = restrike()
        .arg("run")
        .arg(bench.path("q.toml"))
        .arg("--replace")
        .output()
        .unwrap();
    said(&out, 0);
}

#[test]
fn a_missing_config_list_or_stage_is_one_message() {
    let bench = Bench::new(1, STAGE);
    std::fs::remove_file(bench.path("sheets.csv")).unwrap();
    let text = bench.run(2);
    assert_eq!(text.lines().count(), 1, "{text}");
    assert!(text.contains("sheets.csv: cannot be read"), "{text}");
    let out = restrike().args(["run", "nowhere.toml"]).output().unwrap();
    assert!(said(&out, 2).contains("nowhere.toml: cannot be read"));
}

#[test]
fn errors_are_json_when_asked_for() {
    let bench = Bench::new(2, STAGE);
    let out = bench.restrike(&["run", "--log", "json"]);
    let text = said(&out, 0);
    let events: Vec<serde_json::Value> = text
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(events[0]["event"], "started");
    assert_eq!(events.iter().filter(|e| e["event"] == "sheet").count(), 2);
    assert_eq!(events.last().unwrap()["sheets"]["measured"], 2);
    bench.config("[[stage]]\nname = 3\n");
    let out = bench.restrike(&["run", "--log", "json"]);
    let error: serde_json::Value = serde_json::from_str(said(&out, 2).trim()).unwrap();
    assert_eq!(
        (&error["event"], &error["kind"]),
        (&"error".into(), &"refused".into())
    );
}

#[test]
fn images_that_cannot_be_are_refused_with_their_line() {
    let image = |name: &str, x: f64, width: f64| {
        format!(
            "[[image]]\nname = \"{name}\"\nx_mm = {x:?}\ny_mm = 0.0\nwidth_mm = {width:?}\nheight_mm = 20.0\n"
        )
    };
    for (images, words) in [
        (
            image("middle", 0.0, 20.0),
            "expected one of whole, left, right, upper, lower",
        ),
        (
            image("left", -5.0, 20.0) + &image("right", 5.0, 20.0),
            "images `left` and `right` overlap",
        ),
        (image("left", 0.0, -3.0), "must have a positive size"),
    ] {
        let bench = Bench::new(1, &format!("{images}{STAGE}"));
        let text = bench.run(2);
        assert!(text.contains(words), "{words}: {text}");
    }
}

#[test]
fn a_pin_that_is_no_hash_is_refused() {
    let bench = Bench::new(1, &STAGE.replacen("\nname", "\nsha256 = \"abc\"\nname", 1));
    let text = bench.run(2);
    assert!(text.contains("64 hexadecimal digits"), "{text}");
}
