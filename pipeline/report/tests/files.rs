//! Nothing half-written under a final name.

#![allow(clippy::unwrap_used)]

use std::io;
use std::path::Path;

use restrike_report::files::{WriteError, remove_leftovers, write, write_with};

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

#[test]
fn a_failed_write_keeps_the_old_file_and_leaves_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    write(&path, b"old").unwrap();
    let failed = write_with(&path, |to| {
        io::Write::write_all(to, &[b'x'; 200_000])?;
        Err::<(), _>(io::Error::from(io::ErrorKind::StorageFull))
    });
    assert_eq!(failed.unwrap_err().kind(), io::ErrorKind::StorageFull);
    assert_eq!(names(folder.path()), ["table.csv"]);
    assert_eq!(std::fs::read(&path).unwrap(), b"old");
    write(&path, b"new").unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), b"new");
}

#[test]
fn errors_name_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("file");
    write(&file, b"").unwrap();
    let error: WriteError = write(&file.join("below.csv"), b"x").unwrap_err();
    assert!(error.to_string().contains("below.csv"), "{error}");
}

#[test]
fn leftovers_of_a_killed_run_are_removed_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let below = folder.path().join("pictures/deskew");
    write(&below.join("001-overlay.png"), b"x").unwrap();
    std::fs::write(below.join(".restrike-a1b2.part"), b"half").unwrap();
    std::fs::write(folder.path().join(".restrike-notes"), b"mine").unwrap();
    assert_eq!(remove_leftovers(folder.path()).unwrap(), 1);
    assert_eq!(names(&below), ["001-overlay.png"]);
    assert_eq!(names(folder.path()), [".restrike-notes", "pictures"]);
    assert_eq!(remove_leftovers(&folder.path().join("none")).unwrap(), 0);
}

#[cfg(unix)]
#[test]
fn a_file_can_be_read_by_those_the_system_lets() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = tempfile::tempdir().unwrap();
    let ours = folder.path().join("ours");
    let plain = folder.path().join("plain");
    write(&ours, b"x").unwrap();
    std::fs::write(&plain, b"x").unwrap();
    let mode = |p: &Path| std::fs::metadata(p).unwrap().permissions().mode();
    assert_eq!(mode(&ours), mode(&plain));
}

/// The system itself refuses further bytes: this test runs itself again under
/// a limit on file size, as a full disk would do.
#[cfg(target_os = "linux")]
#[test]
fn a_disk_that_takes_no_more_is_an_error_with_the_path() {
    const FOLDER: &str = "RESTRIKE_TEST_FOLDER";
    if let Some(folder) = std::env::var_os(FOLDER) {
        let path = Path::new(&folder).join("tables/long.csv");
        let error = write(&path, &vec![b'x'; 1 << 20]).unwrap_err();
        assert!(error.to_string().contains("tables/long.csv"), "{error}");
        assert_eq!(error.source.kind(), io::ErrorKind::FileTooLarge);
        assert_eq!(names(&Path::new(&folder).join("tables")), [""; 0]);
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let this = std::env::current_exe().unwrap();
    // Without the trap the signal of the limit would end the process.
    let output = std::process::Command::new("sh")
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 8; exec \"$0\" --exact \"$1\"",
        ])
        .arg(&this)
        .arg("a_disk_that_takes_no_more_is_an_error_with_the_path")
        .env(FOLDER, folder.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(
        output.status.success() && said.contains("1 passed"),
        "{said}"
    );
}
