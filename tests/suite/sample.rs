//! The sample: rendered, run, and held against its expected tables and its truth.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use crate::bench::{column, restrike, root, rows, run_preset, said};
use restrike_synth::{Format, SheetKind, Truth};

/// The sample's config beside freshly rendered scans, and its output.
pub(crate) struct Sample {
    pub(crate) dir: tempfile::TempDir,
    truth: Vec<Truth>,
}

/// Rendered and run once for all tests here.
pub(crate) fn sample() -> &'static Sample {
    static SAMPLE: OnceLock<Sample> = OnceLock::new();
    SAMPLE.get_or_init(|| {
        let dir = tempfile::tempdir().unwrap();
        for file in ["pipeline.toml", "sheets.csv", "blocks.csv"] {
            std::fs::copy(
                root().join("sample-config").join(file),
                dir.path().join(file),
            )
            .unwrap();
        }
        let (design, sheets) = restrike_synth::sample::sample(300.0, Format::TiffLzw);
        let scans = dir.path().join("scans");
        restrike_synth::write_run(&design, &sheets, &scans).unwrap();
        let truth = sheets
            .iter()
            .map(|s| {
                let path = scans.join(format!("{}.truth.json", s.name));
                serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
            })
            .collect();
        let out = restrike()
            .arg("run")
            .arg(dir.path().join("pipeline.toml"))
            .output()
            .unwrap();
        said(&out, 3);
        Sample { dir, truth }
    })
}

impl Sample {
    fn table(&self, name: &str) -> Vec<Vec<String>> {
        rows(&self.dir.path().join(format!("out/tables/{name}.csv")))
    }
}

fn tables(folder: &Path) -> Vec<PathBuf> {
    let mut list: Vec<PathBuf> = std::fs::read_dir(folder)
        .map(|d| d.map(|e| e.unwrap().path()).collect())
        .unwrap_or_default();
    list.sort();
    list
}

#[test]
fn the_committed_sheet_list_is_the_rendered_one() {
    let scans = sample().dir.path().join("scans/sheets.csv");
    let rendered: Vec<String> = std::fs::read_to_string(scans)
        .unwrap()
        .lines()
        .skip(1)
        .map(|l| format!("scans/{l}"))
        .collect();
    let committed: Vec<String> = std::fs::read_to_string(root().join("sample-config/sheets.csv"))
        .unwrap()
        .lines()
        .filter(|l| l.starts_with("scans/"))
        .map(str::to_owned)
        .collect();
    assert_eq!(committed, rendered);
}

#[test]
fn the_sample_gives_its_expected_tables() {
    let found = sample().dir.path().join("out/tables");
    let expected = root().join("sample-config/expected");
    if std::env::var_os("RESTRIKE_BLESS").is_some() {
        std::fs::remove_dir_all(&expected).ok();
        std::fs::create_dir_all(&expected).unwrap();
        for t in tables(&found) {
            std::fs::copy(&t, expected.join(t.file_name().unwrap())).unwrap();
        }
    }
    let names = |folder: &Path| -> Vec<_> {
        tables(folder)
            .iter()
            .map(|p| p.file_name().unwrap().to_owned())
            .collect()
    };
    assert_eq!(names(&expected), names(&found));
    for t in tables(&expected) {
        let name = t.file_name().unwrap();
        let (old, new) = (
            std::fs::read_to_string(&t).unwrap(),
            std::fs::read_to_string(found.join(name)).unwrap(),
        );
        if let Some((n, (o, f))) = old
            .lines()
            .zip(new.lines())
            .enumerate()
            .find(|(_, (o, f))| o != f)
        {
            panic!(
                "{}:{}: expected\n{o}\nfound\n{f}\n(RESTRIKE_BLESS=1 rewrites the expected tables)",
                name.display(),
                n + 1
            );
        }
        assert_eq!(
            old.lines().count(),
            new.lines().count(),
            "{}",
            name.display()
        );
    }
}

#[test]
fn wrong_sheets_of_the_sample_are_told_by_name_and_good_ones_measured() {
    let s = sample();
    let table = s.table("deskew_sheet");
    let status = column(&table, "status");
    assert_eq!(table.len(), s.truth.len() + 1);
    for (row, truth) in table[1..].iter().zip(&s.truth) {
        let expected = match &truth.kind {
            SheetKind::Good => "measured",
            SheetKind::Blank => "blank",
            SheetKind::Verso => "verso",
            SheetKind::UpsideDown => "upside down",
            SheetKind::OtherDesign => "other design",
            SheetKind::Crop => "crop",
            SheetKind::Duplicate { .. } | SheetKind::Reencoded { .. } => "duplicate",
        };
        assert_eq!(row[status], expected, "{}", truth.name);
    }
}

#[test]
fn turns_of_the_sample_are_the_true_ones() {
    let s = sample();
    let table = s.table("deskew_sheet");
    let turn = column(&table, "sheet_rotation_deg");
    let mut measured = 0;
    for (row, truth) in table[1..].iter().zip(&s.truth) {
        let Ok(found) = row[turn].parse::<f64>() else {
            continue;
        };
        measured += 1;
        // The sample's paper is cut slightly out of square.
        assert!(
            (found - truth.rotation_deg).abs() < 0.15,
            "{}: {found}",
            truth.name
        );
    }
    assert!(measured >= 25, "{measured}");
}

#[test]
fn pictures_and_pages_of_the_sample_are_there() {
    let out = sample().dir.path().join("out");
    let listed = sample().table("pictures");
    let file = column(&listed, "file");
    assert!(listed.len() > 60);
    for row in &listed[1..] {
        let image = image::open(out.join(&row[file])).unwrap();
        assert!(image.width() > 200 && image.height() > 200, "{}", row[file]);
    }
    let run: serde_json::Value =
        serde_json::from_slice(&std::fs::read(out.join("run.json")).unwrap()).unwrap();
    assert_eq!(run["not_measured"].as_array().unwrap().len(), 6);
    assert_eq!(run["scans"][0]["sha256"].as_str().unwrap().len(), 64);
    let package: serde_json::Value =
        serde_json::from_slice(&std::fs::read(out.join("datapackage.json")).unwrap()).unwrap();
    assert!(package["resources"].as_array().unwrap().len() >= 4);
    assert!(out.join("index.html").exists());
}

#[test]
fn the_preset_for_intake_runs_on_a_list_of_its_own() {
    let s = sample();
    let list = s.dir.path().join("few.csv");
    std::fs::write(&list, "file\nscans/1961-001.tif\nscans/1961-002.tif\n").unwrap();
    let folder = s.dir.path().join("intake");
    run_preset("scan-intake.toml", &list, &folder, 0);
    let table = rows(&folder.join("tables/deskew_sheet.csv"));
    assert_eq!(table.len(), 3);
    assert!(table[1][column(&table, "identity")].starts_with("not tested"));
}

#[test]
fn the_preset_for_first_proofs_gives_corrections_and_drawings() {
    let s = sample();
    let list = s.dir.path().join("first-proofs.csv");
    std::fs::copy(root().join("sample-config/first-proofs.csv"), &list).unwrap();
    let folder = s.dir.path().join("bench");
    run_preset("first-proofs.toml", &list, &folder, 0);
    let marks = rows(&folder.join("tables/mark_corrections.csv"));
    // Three faces for each of six colour blocks.
    assert_eq!(marks.len(), 19);
    let (action, against) = (column(&marks, "action"), column(&marks, "basis"));
    let advice = column(&marks, "advice");
    let decided = |r: &&Vec<String>| {
        ["cut back", "pad", "leave it"].contains(&r[action].as_str())
            || r[advice].contains("not known well enough")
    };
    let (known, unknown): (Vec<_>, Vec<_>) =
        marks[1..].iter().partition(|r| r[against] == "absolute");
    // One of the six follows no key lines enough to have a true place of its own.
    assert_eq!((known.len(), unknown.len()), (15, 3));
    assert!(known.iter().all(decided));
    let acts = |r: &&&Vec<String>| ["cut back", "pad"].contains(&r[action].as_str());
    assert!(known.iter().filter(acts).count() >= 6);
    assert!(unknown.iter().all(|r| r[action] == "undecided"));
    let blocks = rows(&folder.join("tables/registration.csv"));
    let (basis, image) = (column(&blocks, "basis"), column(&blocks, "image"));
    let absolute = blocks[1..].iter().filter(|r| r[basis] == "absolute");
    assert!(absolute.count() > 20);
    for name in ["whole", "left", "right"] {
        // Five sheets, six blocks each.
        assert_eq!(blocks[1..].iter().filter(|r| r[image] == name).count(), 30);
    }
    assert!(
        folder
            .join("pictures/registration/run-marks-06.png")
            .exists()
    );
    assert!(folder.join("record/edges-01.png").exists());
    let told = restrike()
        .arg("record")
        .arg(folder.join("record"))
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    for words in [
        "edges-07: ",
        "learned by stage registration",
        "name: brown",
        "basis: key lines",
    ] {
        assert!(told.contains(words), "{words}: {told}");
    }
    let drawings = folder.join("drawings");
    let drawn = restrike()
        .arg("record")
        .arg(folder.join("record"))
        .arg("--drawings")
        .arg(&drawings)
        .output()
        .unwrap();
    assert_eq!(drawn.status.code(), Some(0));
    let key = std::fs::read_to_string(drawings.join("block-01-key.svg")).unwrap();
    // True to size, and the key's lines have their numbers.
    assert!(key.contains("mm\"") && key.contains("</text>"));
    for kind in ["svg", "pdf"] {
        let files = std::fs::read_dir(&drawings).unwrap();
        let of_kind =
            files.filter(|f| f.as_ref().unwrap().path().extension() == Some(kind.as_ref()));
        assert_eq!(of_kind.count(), 7, "{kind}");
    }
    let none = restrike().arg("record").arg(&folder).output().unwrap();
    assert_eq!(none.status.code(), Some(2));
}

/// Four editions on the record of today's proofs: what is called damage lies where
/// damage was planted, scans of 300 dpi though they are.
#[test]
fn the_preset_for_a_wear_study_tells_damage_to_the_block() {
    let s = sample();
    let list = s.dir.path().join("wear-study.csv");
    let text = std::fs::read_to_string(root().join("sample-config/wear-study.csv")).unwrap();
    // Some of its sheets are enough, and quicker.
    let left_out = ["1961-003", "1978-002", "1994-002", "2026-005"];
    let kept = text
        .lines()
        .filter(|l| !left_out.iter().any(|o| l.contains(o)));
    std::fs::write(&list, kept.map(|l| format!("{l}\n")).collect::<String>()).unwrap();
    let folder = s.dir.path().join("study");
    run_preset("wear-study.toml", &list, &folder, 0);
    let sites = rows(&folder.join("tables/damage_sites.csv"));
    let at = |name: &str| column(&sites, name);
    let number = |r: &[String], name: &str| r[at(name)].parse::<f64>().unwrap();
    let truth = s.truth.iter().find(|t| t.name == "2026-005").unwrap();
    let near = |r: &[String], d: &restrike_synth::truth::DamageTruth| {
        let (dx, dy) = (
            number(r, "x_mm") - d.damage.at[0],
            number(r, "y_mm") - d.damage.at[1],
        );
        (dx * dx + dy * dy).sqrt() < 0.5 + d.length_now_mm / 2.0
    };
    let key: Vec<_> = truth
        .damage
        .iter()
        .filter(|d| d.damage.block == "key")
        .collect();
    let block: Vec<_> = sites[1..]
        .iter()
        .filter(|r| r[at("class")] == "block damage")
        .collect();
    let right = block
        .iter()
        .filter(|r| key.iter().any(|d| near(r, d)))
        .count();
    assert!(block.len() >= 10, "{}", block.len());
    assert!(right * 3 >= block.len() * 2, "{right} of {}", block.len());
    let map = rows(&folder.join("tables/repair_map.csv"));
    assert!(map.len() > 5);
    let svg =
        std::fs::read_to_string(folder.join("pictures/edge-wear/run-repair-map.svg")).unwrap();
    assert!(svg.contains("width=\"192mm\"") && svg.contains("50 mm"));
    assert!(
        folder
            .join("pictures/edge-wear")
            .read_dir()
            .unwrap()
            .count()
            > 6
    );
}

/// Two editions on today's key: breaks that came between them are listed as
/// lines lost, at their places, and a block that was not cut anew is not called so.
#[test]
fn the_preset_for_editions_lists_the_breaks_that_came_between_them() {
    let s = sample();
    let list = s.dir.path().join("edition-comparison.csv");
    let text =
        std::fs::read_to_string(root().join("sample-config/edition-comparison.csv")).unwrap();
    // The key alone and two sheets of two editions are enough, and quicker.
    let wanted = [
        "file,",
        "proof-key",
        "1961-001",
        "1961-002",
        "2026-001",
        "2026-004",
    ];
    let kept = text
        .lines()
        .filter(|l| wanted.iter().any(|w| l.contains(w)));
    std::fs::write(&list, kept.map(|l| format!("{l}\n")).collect::<String>()).unwrap();
    let folder = s.dir.path().join("editions");
    run_preset("edition-comparison.toml", &list, &folder, 0);
    let found = rows(&folder.join("tables/comparison_differences.csv"));
    let at = |name: &str| column(&found, name);
    let number = |r: &[String], name: &str| r[at(name)].parse::<f64>().unwrap();
    let truth = |name: &str| s.truth.iter().find(|t| t.name == name).unwrap();
    let (old, new) = (truth("1961-001"), truth("2026-001"));
    let came: Vec<_> = new
        .damage
        .iter()
        .filter(|d| {
            d.damage.block == "key" && d.damage.kind == restrike_synth::sheet::DamageKind::Break
        })
        .filter(|d| d.length_now_mm >= 0.4 && old.damage.iter().all(|o| o.damage.id != d.damage.id))
        .collect();
    let lost: Vec<_> = found[1..]
        .iter()
        .filter(|r| ["line lost", "edge moved"].contains(&r[at("kind")].as_str()))
        .filter(|r| r[at("block")] == "key")
        .collect();
    let named = lost.iter().filter(|r| r[at("kind")] == "line lost").count();
    assert!(named >= 15, "{named}");
    let seen = came
        .iter()
        .filter(|d| {
            lost.iter().any(|r| {
                let (dx, dy) = (
                    number(r, "x_mm") - d.damage.at[0],
                    number(r, "y_mm") - d.damage.at[1],
                );
                (dx * dx + dy * dy).sqrt() < 0.6 + d.length_now_mm / 2.0
            })
        })
        .count();
    assert!(came.len() >= 15, "{}", came.len());
    assert!(seen * 10 >= came.len() * 8, "{seen} of {}", came.len());
    let blocks = rows(&folder.join("tables/comparison_blocks.csv"));
    let verdict = &blocks[1][column(&blocks, "verdict")];
    assert_ne!(verdict, "re-cut");
    let pairs = rows(&folder.join("tables/comparison_pairs.csv"));
    assert_eq!(pairs.len(), 2);
    assert_eq!(pairs[1][column(&pairs, "status")], "compared");
    for picture in ["run-where-01.png", "run-cut-outs-01.png"] {
        assert!(folder.join("pictures/comparison").join(picture).exists());
    }
}
