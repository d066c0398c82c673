//! Which run an output folder belongs to.

use std::collections::BTreeSet;
use std::path::{Component, Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::journal::FOLDER;

/// The config and sheet list an output folder belongs to.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct Origin {
    format: u32,
    config: String,
    design: String,
    /// The list's file name.
    #[serde(default)]
    list: String,
    /// The list's folder as seen from the output folder: both may be moved together.
    #[serde(default)]
    folder: String,
    /// The first scan the list names: lines may be added to a list, one that
    /// lacks this scan is another.
    #[serde(default)]
    first: String,
    /// All scans the list names.
    #[serde(skip)]
    files: BTreeSet<String>,
}

/// What an output folder is to a run.
#[derive(Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    /// Not there, or empty.
    New,
    /// It holds results of this run.
    Own,
    /// It cannot be used without being told.
    Refused(String),
}

impl Origin {
    /// The origin of a run.
    pub(crate) fn new<'a>(
        config: &str,
        design: &str,
        folder: &str,
        list: &str,
        files: impl IntoIterator<Item = &'a str>,
    ) -> Self {
        let files: Vec<&str> = files.into_iter().collect();
        Self {
            format: 1,
            config: config.to_owned(),
            design: design.to_owned(),
            folder: folder.to_owned(),
            list: list.to_owned(),
            first: files.first().copied().unwrap_or_default().to_owned(),
            files: files.into_iter().map(str::to_owned).collect(),
        }
    }

    /// The file it is kept in.
    pub(crate) fn path(output: &Path) -> PathBuf {
        output.join(FOLDER).join("origin.json")
    }

    /// Whether this run may go on with results of the found one; an older
    /// folder may not say which list it is of.
    fn agrees(&self, found: &Self) -> bool {
        let unsaid_or = |said: &str, same: bool| said.is_empty() || same;
        (self.format, &self.config, &self.design) == (found.format, &found.config, &found.design)
            && unsaid_or(&found.list, self.list == found.list)
            && unsaid_or(&found.folder, self.folder == found.folder)
            && unsaid_or(&found.first, self.files.contains(&found.first))
    }

    /// What a folder is to this run. Reads only.
    pub(crate) fn standing(&self, output: &Path) -> Standing {
        if !output.exists() {
            return Standing::New;
        }
        if !output.is_dir() {
            return Standing::Refused("is no folder; name another with --out".to_owned());
        }
        let found: Option<Self> = std::fs::read(Self::path(output))
            .ok()
            .and_then(|b| serde_json::from_slice(&b).ok());
        if let Some(found) = found {
            if self.agrees(&found) {
                return Standing::Own;
            }
            let list = match (found.folder.as_str(), found.list.as_str()) {
                (_, "") => String::new(),
                ("", list) => format!(" and the sheet list `{list}` (first scan {})", found.first),
                (folder, list) => format!(
                    " and the sheet list `{folder}/{list}` as seen from there (first scan {})",
                    found.first
                ),
            };
            return Standing::Refused(format!(
                "holds results of `{}` for `{}`{list}; name another folder with --out, or say \
                 --replace to work in this one",
                found.config, found.design
            ));
        }
        match std::fs::read_dir(output) {
            Err(e) => Standing::Refused(format!("cannot be read: {e}")),
            Ok(entries) => {
                let foreign = |e: std::fs::DirEntry| e.file_name() != FOLDER;
                if entries.filter_map(Result::ok).any(foreign) {
                    return Standing::Refused(
                        "is not empty and not an output folder of restrike; name another folder \
                         with --out, or say --replace to work in this one"
                            .to_owned(),
                    );
                }
                Standing::New
            }
        }
    }
}

/// One folder as seen from another, with `/` between names on every system.
pub(crate) fn seen_from(here: &Path, folder: &Path) -> String {
    let (here, folder) = (real(here), real(folder));
    let common = here
        .components()
        .zip(folder.components())
        .take_while(|(a, b)| a == b)
        .count();
    let up = here.components().skip(common).map(|_| "..".to_owned());
    let down = folder
        .components()
        .skip(common)
        .map(|c: Component<'_>| c.as_os_str().to_string_lossy().into_owned());
    let all: Vec<String> = up.chain(down).collect();
    if all.is_empty() {
        ".".to_owned()
    } else {
        all.join("/")
    }
}

/// A path without links and dots, as far as it exists.
fn real(path: &Path) -> PathBuf {
    let Ok(whole) = std::path::absolute(path) else {
        return path.to_path_buf();
    };
    whole
        .ancestors()
        .find_map(|there| {
            let rest = whole.strip_prefix(there).ok()?;
            Some(there.canonicalize().ok()?.join(rest))
        })
        .unwrap_or(whole.clone())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_seen_from_one_another_whether_they_exist_or_not() {
        let dir = tempfile::tempdir().unwrap();
        let at = |p: &str| dir.path().join(p);
        std::fs::create_dir_all(at("box1")).unwrap();
        assert_eq!(seen_from(&at("box1/out"), &at("box1")), "..");
        assert_eq!(seen_from(&at("results/new"), &at("box1")), "../../box1");
        assert_eq!(seen_from(&at("box1"), &at("box1")), ".");
        assert_eq!(seen_from(&at("out"), &at("box1/../box1")), "../box1");
    }

    #[test]
    fn lines_may_be_added_but_another_list_is_another_run() {
        let dir = tempfile::tempdir().unwrap();
        let of = |folder: &str, files: &[&str]| {
            Origin::new("a.toml", "Heron", folder, "s.csv", files.iter().copied())
        };
        let first = of("../box1", &["1.tif", "2.tif"]);
        std::fs::create_dir_all(dir.path().join(FOLDER)).unwrap();
        let text = serde_json::to_vec(&first).unwrap();
        std::fs::write(Origin::path(dir.path()), text).unwrap();
        let standing = |o: &Origin| o.standing(dir.path());
        assert_eq!(standing(&first), Standing::Own);
        let longer = of("../box1", &["0.tif", "1.tif", "2.tif", "3.tif"]);
        assert_eq!(standing(&longer), Standing::Own);
        for other in [of("../box2", &["1.tif"]), of("../box1", &["2.tif"])] {
            let Standing::Refused(why) = standing(&other) else {
                panic!("another list was taken for the same");
            };
            assert!(why.contains("`../box1/s.csv`"), "{why}");
            assert!(why.contains("first scan 1.tif"), "{why}");
        }
    }
}
