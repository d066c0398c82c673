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
fn a_list_that_says_another_resolution_than_the_file_is_warned_of() {
    use image::codecs::jpeg::{JpegEncoder, PixelDensity};
    let bench = Bench::new(1, STAGE);
    let mut file = std::fs::File::create(bench.path("tagged.jpg")).unwrap();
    let mut encoder = JpegEncoder::new_with_quality(&mut file, 95);
    encoder.set_pixel_density(PixelDensity::dpi(300));
    encoder
        .encode_image(&image::GrayImage::new(60, 40))
        .unwrap();
    drop(file);
    let warned = |dpi: u32| {
        bench.write("sheets.csv", &format!("file,dpi\ntagged.jpg,{dpi}\n"));
        let out = bench.restrike(&["check"]);
        said(&out, 0);
        String::from_utf8(out.stdout).unwrap()
    };
    let text = warned(600);
    assert!(
        text.contains("tagged.jpg: 600 dpi by the sheet list, 300 by the file"),
        "{text}"
    );
    assert!(!warned(300).contains("by the sheet list"));
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
fn marks_that_cannot_be_are_refused_with_their_line() {
    let config = |marks: &[(&'static str, f64, f64)]| {
        let marks: String = marks
            .iter()
            .map(|(face, x, y)| {
                format!("[[mark]]\nface = \"{face}\"\nx_mm = {x:?}\ny_mm = {y:?}\n")
            })
            .collect();
        format!("[sheet]\nwidth_mm = 100.0\nheight_mm = 60.0\n{marks}{STAGE}")
    };
    let corner = [
        ("corner-long", -40.0, -30.0),
        ("corner-short", -50.0, -22.0),
    ];
    let with = |more: (&'static str, f64, f64)| [corner[0], corner[1], more];
    for (marks, says) in [
        (with(("straight", 30.0, -80.0)), "50.0 mm outside the sheet"),
        (with(("corner-long", 30.0, -30.0)), "one contact each"),
        (
            [
                corner[0],
                ("corner-short", 50.0, -22.0),
                ("straight", 30.0, -30.0),
            ],
            "90 mm apart",
        ),
    ] {
        let text = Bench::new(1, &config(&marks)).run(2);
        assert!(text.contains(says), "{says}: {text}");
    }
    Bench::new(1, &config(&with(("straight", 30.0, -30.0)))).run(0);
}

#[test]
fn a_pin_that_is_no_hash_is_refused() {
    let bench = Bench::new(1, &STAGE.replacen("\nname", "\nsha256 = \"abc\"\nname", 1));
    let text = bench.run(2);
    assert!(text.contains("64 hexadecimal digits"), "{text}");
}

#[test]
fn another_list_into_the_same_folder_is_refused_but_more_lines_go_on() {
    let bench = Bench::new(2, STAGE);
    bench.run(0);
    let first = bench.read("out/tables/unruly.csv");
    // The same names in another folder.
    for name in ["scan1.png", "scan2.png", "sheets.csv"] {
        std::fs::create_dir_all(bench.path("box2")).unwrap();
        std::fs::copy(bench.path(name), bench.path("box2").join(name)).unwrap();
    }
    let other = bench.path("box2/sheets.csv");
    let other = other.to_str().unwrap();
    let text = said(&bench.restrike(&["run", "--sheets", other]), 2);
    assert!(text.contains("the sheet list `../sheets.csv`"), "{text}");
    assert!(text.contains("--replace"), "{text}");
    assert_eq!(bench.read("out/tables/unruly.csv"), first);
    // The same list, with a line more and in another order.
    std::fs::copy(bench.path("scan1.png"), bench.path("scan3.png")).unwrap();
    bench.write(
        "sheets.csv",
        "file,position,dpi\nscan3.png,3,300\nscan1.png,1,300\nscan2.png,2,300\n",
    );
    bench.run(0);
    bench.write("sheets.csv", "file,position,dpi\nscan1.png,1,300\n");
    let text = bench.run(2);
    assert!(text.contains("first scan scan3.png"), "{text}");
    said(&bench.restrike(&["run", "--replace"]), 0);
    said(&bench.restrike(&["run", "--sheets", other, "--replace"]), 0);
}

#[test]
fn an_output_that_is_a_file_is_refused_and_left_alone() {
    let bench = Bench::new(1, STAGE);
    bench.write("letter.txt", "Dear printer");
    for out in ["letter.txt", "letter.txt/results"] {
        let out = bench.path(out);
        let text = said(&bench.restrike(&["run", "--out", out.to_str().unwrap()]), 2);
        assert!(text.contains("letter.txt"), "{text}");
        assert_eq!(text.lines().count(), 1, "{text}");
    }
    assert_eq!(bench.read("letter.txt"), "Dear printer");
}

#[test]
fn both_missing_places_are_named_at_once_and_a_check_needs_no_output() {
    let bench = Bench::new(1, STAGE);
    bench.write("p.toml", &format!("design = \"Gradients\"\n{STAGE}"));
    let text = bench.run(2);
    assert!(
        text.contains("no sheet list and no output folder"),
        "{text}"
    );
    let list = bench.path("sheets.csv");
    let check = bench.restrike(&["check", "--sheets", list.to_str().unwrap()]);
    said(&check, 0);
}

#[test]
fn a_check_shows_the_plan_and_what_is_odd_in_it() {
    let bench = Bench::new(
        3,
        &format!("[sheet]\nwidth_mm = 3.3\nheight_mm = 5.0\n{STAGE}"),
    );
    bench.write(
        "sheets.csv",
        "file,role,dpi\nscan1.png,reference,300\nscan2.png,proof:ochre,300\nscan3.png,,300\n",
    );
    let shown = |bench: &Bench| {
        let out = bench.restrike(&["check"]);
        said(&out, 0);
        String::from_utf8_lossy(&out.stdout).into_owned()
    };
    let text = shown(&bench);
    for words in [
        "sheet: 3.3 x 5 mm",
        "1 reference, 1 proof (ochre 1), 1 of the run",
        "3 at 300 dpi (sheet list)",
        "MiB for scans in flight",
        "stage: unruly ",
        "no block list",
        // 60 x 40 px at 300 dpi are 5.1 x 3.4 mm.
        "width and height exchanged",
    ] {
        assert!(text.contains(words), "{words}: {text}");
    }
    assert!(!text.contains("of an earlier run"), "{text}");
    let text = bench.run(0);
    assert!(text.contains("no block list"), "{text}");
    assert!(shown(&bench).contains("3 sheets of an earlier run"));
}
