//! A folder with scans, a sheet list and a config, and the executable run on it.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// The executable under test.
pub(crate) fn restrike() -> Command {
    Command::new(env!("CARGO_BIN_EXE_restrike"))
}

/// The repository's root.
pub(crate) fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../..")
        .canonicalize()
        .unwrap()
}

/// A working folder that goes when dropped.
pub(crate) struct Bench {
    dir: tempfile::TempDir,
}

impl Bench {
    /// A folder with `sheets` small grey scans at 300 dpi and a config of one stage.
    pub(crate) fn new(sheets: usize, stage: &str) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let bench = Self { dir };
        let mut list = String::from("file,position,dpi\n");
        for n in 1..=sheets {
            let name = format!("scan{n}.png");
            // A gradient that differs from sheet to sheet.
            let image = image::GrayImage::from_fn(60, 40, |x, y| {
                image::Luma([(x as usize * 3 + y as usize * 2 + n * 7) as u8])
            });
            image.save(bench.path(&name)).unwrap();
            list.push_str(&format!("{name},{n},300\n"));
        }
        bench.write("sheets.csv", &list);
        bench.config(stage);
        bench
    }

    /// Writes a config that ends with the given stages.
    pub(crate) fn config(&self, stages: &str) {
        self.write(
            "p.toml",
            &format!(
                "design = \"Gradients\"\nsheet_list = \"sheets.csv\"\noutput = \"out\"\n{stages}"
            ),
        );
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub(crate) fn write(&self, name: &str, text: &str) {
        std::fs::write(self.path(name), text).unwrap();
    }

    /// Runs a command on `p.toml`.
    pub(crate) fn restrike(&self, args: &[&str]) -> Output {
        restrike()
            .arg(args[0])
            .arg(self.path("p.toml"))
            .args(&args[1..])
            .output()
            .unwrap()
    }

    /// Runs the pipeline and asserts its exit code; returns what it said.
    pub(crate) fn run(&self, code: i32) -> String {
        let out = self.restrike(&["run"]);
        said(&out, code)
    }

    pub(crate) fn read(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }

    /// A table of the output, as rows of cells under the header.
    pub(crate) fn table(&self, name: &str) -> Vec<Vec<String>> {
        rows(&self.path(&format!("out/tables/{name}.csv")))
    }
}

/// Runs a preset on a sheet list into a folder; what it said, after its exit code is checked.
pub(crate) fn run_preset(preset: &str, list: &Path, folder: &Path, code: i32) -> String {
    let out = restrike()
        .arg("run")
        .arg(root().join("configs").join(preset))
        .arg("--sheets")
        .arg(list)
        .arg("--out")
        .arg(folder)
        .output()
        .unwrap();
    said(&out, code)
}

/// A CSV file's rows, the header first.
pub(crate) fn rows(path: &Path) -> Vec<Vec<String>> {
    csv::ReaderBuilder::new()
        .has_headers(false)
        .from_path(path)
        .unwrap()
        .records()
        .map(|r| r.unwrap().iter().map(str::to_owned).collect())
        .collect()
}

/// Where a column stands.
pub(crate) fn column(rows: &[Vec<String>], name: &str) -> usize {
    rows[0]
        .iter()
        .position(|c| c == name)
        .unwrap_or_else(|| panic!("no column {name} in {:?}", rows[0]))
}

/// What a command said, after its exit code is checked.
pub(crate) fn said(out: &Output, code: i32) -> String {
    let text = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(code), "{text}");
    text
}

/// All files below a folder with their bytes, by relative path; the engine's
/// own folder is left out.
pub(crate) fn tree(root: &Path) -> std::collections::BTreeMap<String, Vec<u8>> {
    let mut found = std::collections::BTreeMap::new();
    let mut folders = vec![root.to_path_buf()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path
                .strip_prefix(root)
                .unwrap()
                .to_string_lossy()
                .into_owned();
            if path.is_dir() {
                if name != ".restrike" {
                    folders.push(path);
                }
            } else {
                found.insert(name, std::fs::read(&path).unwrap());
            }
        }
    }
    found
}
