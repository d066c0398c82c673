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

/// How far inside a sheet's corners a place lies, px.
fn from_edge(corners: &[[f64; 2]; 4], at: [f64; 2]) -> f64 {
    let centre = [0, 1].map(|k| corners.iter().map(|c| c[k]).sum::<f64>() / 4.0);
    let side = |k: usize| {
        let (p, q) = (corners[k], corners[(k + 1) % 4]);
        let (dx, dy) = (q[0] - p[0], q[1] - p[1]);
        let of =
            |v: [f64; 2]| ((v[0] - p[0]) * dy - (v[1] - p[1]) * dx) / (dx * dx + dy * dy).sqrt();
        of(at) * of(centre).signum()
    };
    (0..4).map(side).fold(f64::INFINITY, f64::min)
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
    // The limit comes with its reason.
    assert!(text.contains("limit of"), "{text}");
    assert!(
        !table[1][column(&table, "limit_why")].is_empty(),
        "{table:?}"
    );
    // The paper's own edge is no difference between the prints.
    let regions = rows(&out.join("tables/pair_differences.csv"));
    let truth = std::fs::read(folder.path().join("first.truth.json")).unwrap();
    let truth: restrike_synth::Truth = serde_json::from_slice(&truth).unwrap();
    let c = truth.sheet_px;
    let corners = [c.upper_left, c.upper_right, c.lower_right, c.lower_left];
    let number = |r: &[String], name: &str| r[column(&regions, name)].parse::<f64>().unwrap();
    for r in &regions[1..] {
        let at = [number(r, "x_px"), number(r, "y_px")];
        let inside = from_edge(&corners, at);
        assert!(inside > 2.0, "{inside} px from the sheet's edge: {r:?}");
    }
    for file in ["difference", "lightness", "first", "second"] {
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
