//! The journal: one file a finished sheet, so that a run that was ended at any
//! moment goes on where it was.

use std::path::{Path, PathBuf};

use crate::origin::{Origin, Standing};
use crate::outcome::SheetOutcome;
use crate::refusal::Refusal;
use crate::store::{PARTIAL, write_whole};

/// Folder in the output folder that the engine keeps its own files in.
pub(crate) const FOLDER: &str = ".restrike";
/// Folder in it with a file for each finished sheet.
const SHEETS: &str = "sheets";

/// The journal of an output folder, held by one run at a time.
#[derive(Debug)]
pub(crate) struct Journal {
    sheets: PathBuf,
    // The lock ends with the file.
    _lock: std::fs::File,
}

impl Journal {
    /// Opens the output folder's journal.
    ///
    /// # Errors
    /// When the folder belongs to another config (unless `replace`), holds
    /// other things, or another run is at work in it.
    pub(crate) fn open(output: &Path, origin: &Origin, replace: bool) -> Result<Self, Refusal> {
        let refuse = |what: String| Refusal::new(output, None, what);
        let io = |e: std::io::Error| refuse(format!("cannot be written: {e}"));
        let own = output.join(FOLDER);
        let origin_path = Origin::path(output);
        if let Standing::Refused(what) = origin.standing(output)
            && !(replace && output.is_dir())
        {
            return Err(refuse(what));
        }
        std::fs::create_dir_all(&own).map_err(io)?;
        let lock = std::fs::File::create(own.join("lock")).map_err(io)?;
        if lock.try_lock().is_err() {
            return Err(refuse(
                "another restrike is at work in this folder".to_owned(),
            ));
        }
        let sheets = own.join(SHEETS);
        std::fs::create_dir_all(&sheets).map_err(io)?;
        let text = serde_json::to_vec_pretty(origin).map_err(|e| refuse(e.to_string()))?;
        write_whole(&origin_path, &text).map_err(io)?;
        sweep(&sheets);
        Ok(Self {
            sheets,
            _lock: lock,
        })
    }

    fn path(&self, sheet: usize) -> PathBuf {
        self.sheets.join(format!("{sheet:07}.json"))
    }

    /// What an earlier run found of a sheet; an entry that cannot be read is none.
    pub(crate) fn get(&self, sheet: usize) -> Option<SheetOutcome> {
        let bytes = std::fs::read(self.path(sheet)).ok()?;
        serde_json::from_slice(&bytes).ok()
    }

    /// Keeps what was found of a sheet.
    pub(crate) fn put(&self, outcome: &SheetOutcome) -> std::io::Result<()> {
        let bytes = serde_json::to_vec(outcome)?;
        write_whole(&self.path(outcome.sheet), &bytes)
    }

    /// Entries of sheets beyond the end of the list, taken out of the journal.
    pub(crate) fn drop_beyond(&self, sheets: usize) -> Vec<SheetOutcome> {
        let mut gone = Vec::new();
        for n in numbers(&self.sheets) {
            if n > sheets {
                gone.extend(self.get(n));
                let _ = std::fs::remove_file(self.path(n));
            }
        }
        gone
    }
}

/// How many sheets an output folder's journal holds.
pub(crate) fn kept(output: &Path) -> usize {
    numbers(&output.join(FOLDER).join(SHEETS)).len()
}

fn numbers(folder: &Path) -> Vec<usize> {
    let mut list: Vec<usize> = std::fs::read_dir(folder)
        .into_iter()
        .flatten()
        .filter_map(|e| {
            e.ok()?
                .file_name()
                .to_str()?
                .strip_suffix(".json")?
                .parse()
                .ok()
        })
        .collect();
    list.sort_unstable();
    list
}

/// Takes away what a killed run left half written.
fn sweep(folder: &Path) {
    for e in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        if e.file_name().to_string_lossy().ends_with(PARTIAL) {
            let _ = std::fs::remove_file(e.path());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(config: &str, list: &str) -> Origin {
        Origin::new(config, "Heron", "..", list, ["scans/1.tif"])
    }

    #[test]
    fn another_config_and_a_foreign_folder_are_refused_unless_told() {
        let dir = tempfile::tempdir().unwrap();
        let out = dir.path().join("out");
        drop(Journal::open(&out, &of("a.toml", "s.csv"), false).unwrap());
        drop(Journal::open(&out, &of("a.toml", "s.csv"), false).unwrap());
        let e = Journal::open(&out, &of("b.toml", "s.csv"), false).unwrap_err();
        assert!(e.to_string().contains("holds results of `a.toml`"), "{e}");
        drop(Journal::open(&out, &of("b.toml", "s.csv"), true).unwrap());

        // Another list is another run; lines may be added to one.
        let e = Journal::open(&out, &of("b.toml", "t.csv"), false).unwrap_err();
        assert!(e.to_string().contains("the sheet list `../s.csv`"), "{e}");
        let file = dir.path().join("file");
        std::fs::write(&file, "x").unwrap();
        let e = Journal::open(&file, &of("a.toml", "s.csv"), false).unwrap_err();
        assert!(e.to_string().contains("is no folder"), "{e}");

        let foreign = dir.path().join("foreign");
        std::fs::create_dir(&foreign).unwrap();
        std::fs::write(foreign.join("letter.txt"), "x").unwrap();
        let e = Journal::open(&foreign, &of("a.toml", "s.csv"), false).unwrap_err();
        assert!(e.to_string().contains("is not empty"), "{e}");
    }

    #[test]
    fn two_runs_do_not_work_in_one_folder() {
        let dir = tempfile::tempdir().unwrap();
        let held = Journal::open(dir.path(), &of("a", "s.csv"), false).unwrap();
        let e = Journal::open(dir.path(), &of("a", "s.csv"), false).unwrap_err();
        assert!(e.to_string().contains("another restrike"), "{e}");
        drop(held);
    }

    #[test]
    fn a_torn_entry_counts_as_none() {
        let dir = tempfile::tempdir().unwrap();
        let j = Journal::open(dir.path(), &of("a", "s.csv"), false).unwrap();
        std::fs::write(j.path(3), "{\"key\":\"x\"").unwrap();
        assert!(j.get(3).is_none());
        assert!(j.get(4).is_none());
    }
}
