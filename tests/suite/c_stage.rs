//! Stages in C: the example, and libraries that break the contract.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::bench::{Bench, column, root};

/// Compiles a C source to a stage library in a folder.
pub(crate) fn compile(source: &Path, folder: &Path, name: &str, defines: &[&str]) -> PathBuf {
    let library = folder.join(format!("{name}{}", std::env::consts::DLL_SUFFIX));
    let mut cc = Command::new(std::env::var("CC").unwrap_or_else(|_| "cc".into()));
    cc.args([
        "-std=c11", "-O2", "-Wall", "-Wextra", "-Werror", "-shared", "-fPIC",
    ])
    .arg("-I")
    .arg(root().join("pipeline/abi/include"))
    .args(defines)
    .arg("-o")
    .arg(&library)
    .arg(source);
    let out = cc.output().expect("a C compiler");
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    library
}

#[test]
fn the_example_in_c_measures_a_sheet() {
    let bench = Bench::new(
        2,
        "[[stage]]\nname = \"dark-share\"\nlibrary = \"dark_share.so\"\nsettings = { limit = 0.1 }\n",
    );
    let source = root().join("plugins/example-c/dark_share.c");
    let library = compile(&source, &bench.path(""), "dark_share", &[]);
    std::fs::rename(library, bench.path("dark_share.so")).ok();
    bench.run(0);
    let rows = bench.table("dark_share");
    // A grey value below 0.1 linear is one of at most 89 (IEC 61966-2-1).
    let dark = (0..60 * 40)
        .filter(|i| ((i % 60) * 3 + i / 60 * 2 + 7) as u8 <= 89)
        .count();
    let expected = format!("{:.3}", 100.0 * dark as f64 / 2400.0);
    assert_eq!(rows[1][column(&rows, "dark_pct")], expected);
}

/// Runs a library made from `broken.c` with a define, and returns what was said.
fn broken(define: &str, code: i32) -> (Bench, String) {
    let bench = Bench::new(1, "[[stage]]\nname = \"broken\"\nlibrary = \"broken.so\"\n");
    let source = root().join("tests/suite/broken.c");
    let library = compile(
        &source,
        &bench.path(""),
        "broken",
        &[&format!("-D{define}")],
    );
    std::fs::rename(library, bench.path("broken.so")).ok();
    let said = bench.run(code);
    (bench, said)
}

#[test]
fn another_interface_version_is_refused() {
    let (_, said) = broken("OTHER_ABI", 2);
    assert!(
        said.contains("broken.so speaks interface version 999, this restrike speaks 1: rebuild it"),
        "{said}"
    );
}

#[test]
fn tables_and_manifests_that_make_no_sense_are_refused() {
    for (define, expected) in [
        ("SHORT_TABLE", "its table is 16 bytes long, version 1 has"),
        ("NULL_TABLE", "its entry returned no table"),
        ("NO_CREATE", "its table lacks `create` or `destroy`"),
        ("NO_MANIFEST", "it gives no manifest"),
        ("TORN_MANIFEST", "its manifest cannot be read"),
        ("BAD_NAME", "is no stage name"),
        (
            "LACKS_MEASURE",
            "it declares `measure` but does not have it",
        ),
        (
            "RESERVED_COLUMN",
            "has a name that every sheet table has already",
        ),
    ] {
        let (_, said) = broken(define, 2);
        assert!(said.contains(expected), "{define}: {said}");
    }
}

#[test]
fn a_library_without_the_entry_is_no_stage() {
    let (_, said) = broken("NO_ENTRY", 2);
    assert!(
        said.contains("is not a stage library: it does not export `restrike_stage`"),
        "{said}"
    );
}

#[test]
fn garbage_through_the_callbacks_costs_the_sheet_not_the_run() {
    for (define, expected) in [
        (
            "UNKNOWN_TABLE",
            "a row of table `nowhere`, which is not declared",
        ),
        (
            "SHORT_ROW",
            "a row of 0 values for table `broken`, which has 1 columns",
        ),
        ("NULL_CELLS", "a row of table `broken` without values"),
        ("NOT_FINITE", "a number that is not finite"),
        ("UNKNOWN_KIND", "a value of unknown kind 77"),
        ("NOT_UTF8", "text that is not UTF-8"),
        ("BAD_PICTURE", "a picture that cannot be read"),
        ("NULL_IMAGE", "no image"),
        ("HUGE_IMAGE", "which cannot be taken"),
        ("SILENT_ERROR", "returned status 5 and did not say why"),
    ] {
        let (bench, _) = broken(define, 3);
        let rows = bench.table("broken");
        assert_eq!(rows[1][column(&rows, "status")], "failed", "{define}");
        let reason = &rows[1][column(&rows, "reason")];
        assert!(reason.contains(expected), "{define}: {reason}");
    }
}

#[test]
fn an_instance_that_is_not_made_ends_the_run_with_a_reason() {
    let (_, said) = broken("NULL_INSTANCE", 1);
    assert!(
        said.contains("could not be made ready and did not say why"),
        "{said}"
    );
}
