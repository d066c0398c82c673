//! `restrike pair` on rendered scans.

use std::path::{Path, PathBuf};
use std::process::Output;

use restrike_synth::{Design, DesignSpec, Difficulty, Format, RunSpec, SheetSpec};

use crate::bench::{column, restrike, rows, said};

fn design(seed: u64) -> Design {
    Design::generate(&DesignSpec {
        seed,
        ..DesignSpec::default()
    })
}

fn sheets(design: &Design, seed: u64) -> Vec<SheetSpec> {
    RunSpec {
        sheets: 2,
        seed,
        dpi: 130.0,
        format: Format::Png,
        ..RunSpec::new(Difficulty::Standard)
    }
    .sheets(design)
}

fn scan(design: &Design, sheet: &SheetSpec, name: &str, folder: &Path) -> PathBuf {
    let mut sheet = sheet.clone();
    sheet.name = name.to_owned();
    restrike_synth::write_sheet(design, &sheet, folder).unwrap()
}

fn pair(a: &Path, b: &Path, more: &[&str]) -> Output {
    restrike()
        .args(["pair", "--log", "quiet"])
        .args([a, b])
        .args(more)
        .output()
        .unwrap()
}

#[test]
fn a_pair_is_called_what_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let one = design(31);
    let run = sheets(&one, 31);
    let first = scan(&one, &run[0], "first", folder.path());
    let mut turned = run[1].clone();
    turned.scan.degrees = 117.0;
    turned.scan.dpi = 180.0;
    let second = scan(&one, &turned, "second", folder.path());
    let stranger = design(32);
    let other = scan(&stranger, &sheets(&stranger, 32)[0], "other", folder.path());

    let out = folder.path().join("out");
    let answer = pair(&first, &second, &["--out", out.to_str().unwrap()]);
    said(&answer, 0);
    let text = String::from_utf8(answer.stdout).unwrap();
    assert!(text.contains("two impressions of one design"), "{text}");
    let table = rows(&out.join("tables/pair.csv"));
    let cell = |name: &str| table[1][column(&table, name)].parse::<f64>().unwrap();
    assert!(
        (cell("scale") / (180.0 / 130.0) - 1.0).abs() < 0.005,
        "{table:?}"
    );
    // The first sheet lies a little turned as well.
    let turn = cell("turn_deg") + 117.0 - run[0].scan.degrees;
    assert!(
        (turn - 360.0 * (turn / 360.0).round()).abs() < 0.3,
        "{table:?}"
    );
    for file in ["difference", "first", "second"] {
        let path = out.join(format!("pictures/pair/run-{file}.png"));
        assert!(path.is_file(), "{}", path.display());
    }

    let answer = pair(&first, &first, &[]);
    said(&answer, 0);
    let text = String::from_utf8(answer.stdout).unwrap();
    assert!(text.contains("the same file twice"), "{text}");

    let answer = pair(&first, &other, &[]);
    said(&answer, 3);
    let text = String::from_utf8(answer.stdout).unwrap();
    assert!(text.contains("different designs"), "{text}");
    assert!(
        text.contains("tiles of the drawing") || text.contains("features"),
        "{text}"
    );
}

#[test]
fn a_pair_is_refused_before_anything_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let broken = folder.path().join("broken.png");
    std::fs::write(&broken, b"no scan").unwrap();
    let out = folder.path().join("out");
    let answer = pair(&broken, &broken, &["--out", out.to_str().unwrap()]);
    assert!(said(&answer, 2).contains("broken.png"));
    assert!(!out.exists());
    // A folder of something else stays as it is.
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("letter.txt"), "dear").unwrap();
    let answer = pair(&broken, &broken, &["--out", out.to_str().unwrap()]);
    assert!(said(&answer, 2).contains("--replace"));
    assert_eq!(std::fs::read_dir(&out).unwrap().count(), 1);
}
