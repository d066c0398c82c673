//! The command: what it says and how it ends.

#![allow(clippy::unwrap_used)]

use std::process::{Command, Output};

fn synth(args: &[&str]) -> (Output, String, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_restrike-synth"))
        .env("RUST_BACKTRACE", "1")
        .args(args)
        .output()
        .unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (said, complained) = (text(&out.stdout), text(&out.stderr));
    (out, said, complained)
}

#[test]
fn it_says_what_it_wrote() {
    let dir = tempfile::tempdir().unwrap();
    let out = dir.path().join("scans");
    let out = out.to_str().unwrap();
    let small = [
        "--sheets", "2", "--dpi", "50", "--width", "60", "--height", "40",
    ];
    let (done, said, complained) = synth(&[&["run", "--out", out][..], &small].concat());
    assert_eq!(done.status.code(), Some(0), "{complained}");
    assert!(
        said.starts_with("wrote 2 scans, the truth beside each"),
        "{said}"
    );
    assert!(said.trim_end().ends_with(out), "{said}");
    for name in ["design.json", "sheets.csv"] {
        assert!(dir.path().join("scans").join(name).is_file(), "{name}");
    }
}

#[test]
fn an_error_is_one_line_without_a_backtrace() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("letter.txt");
    std::fs::write(&file, "Dear printer").unwrap();
    let file = file.to_str().unwrap();
    for args in [
        &["run", "--out", file, "--sheets", "1"][..],
        &["sheet", "--out", file],
        &["run", "--out", file, "--run-spec", file],
    ] {
        let (done, said, complained) = synth(args);
        assert_eq!(done.status.code(), Some(1), "{complained}");
        assert_eq!(said, "");
        assert_eq!(complained.lines().count(), 1, "{complained}");
        assert!(complained.starts_with("restrike-synth: "), "{complained}");
        assert!(complained.contains("letter.txt"), "{complained}");
    }
}
