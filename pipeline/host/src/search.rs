//! Where stage libraries are looked for.

use std::env::consts::{DLL_PREFIX, DLL_SUFFIX};
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use crate::error::HostError;

/// The folders a stage is looked for in, in order.
#[derive(Debug, Clone, Default)]
pub struct Search {
    explicit: Vec<PathBuf>,
    executable: Option<PathBuf>,
}

impl Search {
    /// Looks in `explicit` folders first, then beside the executable.
    pub fn new(explicit: Vec<PathBuf>) -> Self {
        Self {
            explicit,
            executable: std::env::current_exe()
                .ok()
                .and_then(|p| p.parent().map(Path::to_path_buf)),
        }
    }

    /// The file name a stage's library has on this system.
    pub fn file_name(stage: &str) -> String {
        format!(
            "{DLL_PREFIX}restrike_{}{DLL_SUFFIX}",
            stage.replace('-', "_")
        )
    }

    /// Finds a stage's library by the stage's name.
    ///
    /// # Errors
    /// When it is in none of the folders, which the error lists.
    pub fn find(&self, stage: &str) -> Result<PathBuf, HostError> {
        let file = Self::file_name(stage);
        let mut looked = Vec::new();
        for dir in &self.explicit {
            let path = dir.join(&file);
            if path.is_file() {
                return Ok(path);
            }
            looked.push(dir.clone());
        }
        if let Some(dir) = &self.executable {
            let installed = dir.join("plugins");
            let path = installed.join(&file);
            if path.is_file() {
                return Ok(path);
            }
            looked.push(installed);
            // cargo leaves a fresh library in `deps/` and may leave a stale one
            // beside the executable (or the other way round): the newer is meant.
            let places = [dir.clone(), dir.join("deps")];
            let newest = places
                .iter()
                .map(|d| d.join(&file))
                .filter_map(|p| Some((modified(&p)?, p)))
                .max_by_key(|(time, _)| *time);
            if let Some((_, path)) = newest {
                return Ok(path);
            }
            looked.extend(places);
        }
        Err(HostError::NotFound {
            name: stage.to_owned(),
            file,
            looked,
        })
    }

    /// All stage libraries there are, by file name; of two of a name the one
    /// [`Search::find`] would take.
    pub fn all(&self) -> Vec<PathBuf> {
        let mut dirs = self.explicit.clone();
        if let Some(dir) = &self.executable {
            dirs.extend([dir.join("plugins"), dir.clone(), dir.join("deps")]);
        }
        let prefix = format!("{DLL_PREFIX}restrike_");
        let mut names: Vec<String> = dirs
            .iter()
            .filter_map(|d| std::fs::read_dir(d).ok())
            .flatten()
            .filter_map(|e| e.ok()?.file_name().into_string().ok())
            .filter_map(|n| {
                n.strip_prefix(&prefix)?
                    .strip_suffix(DLL_SUFFIX)
                    .map(str::to_owned)
            })
            .collect();
        names.sort();
        names.dedup();
        names.iter().filter_map(|n| self.find(n).ok()).collect()
    }
}

fn modified(path: &Path) -> Option<SystemTime> {
    let meta = std::fs::metadata(path).ok()?;
    meta.is_file().then(|| meta.modified().ok()).flatten()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn explicit_folders_win_and_the_error_lists_where_it_looked() {
        let dir = tempfile::tempdir().unwrap();
        let search = Search::new(vec![dir.path().to_path_buf()]);
        let e = search.find("no-such-stage").unwrap_err().to_string();
        assert!(e.contains(&dir.path().display().to_string()), "{e}");
        assert!(e.contains("restrike_no_such_stage"), "{e}");
        let path = dir.path().join(Search::file_name("no-such-stage"));
        std::fs::write(&path, b"x").unwrap();
        assert_eq!(search.find("no-such-stage").unwrap(), path);
    }
}
