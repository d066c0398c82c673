//! What is wrong before work starts, said once, with its place.

use std::path::{Path, PathBuf};

use thiserror::Error;

/// A config, list or output folder that cannot be worked with. Nothing was written.
#[derive(Debug, Error)]
#[error("{}{}: {what}", file.display(), line.map(|l| format!(":{l}")).unwrap_or_default())]
pub struct Refusal {
    /// The file or folder.
    pub file: PathBuf,
    /// The line, from 1.
    pub line: Option<usize>,
    /// What is wrong and what is expected.
    pub what: String,
}

impl Refusal {
    /// A refusal.
    pub fn new(file: &Path, line: Option<usize>, what: impl Into<String>) -> Self {
        Self {
            file: file.to_path_buf(),
            line,
            what: what.into(),
        }
    }
}

/// The nearest of some valid names, if one is near enough to be meant.
pub(crate) fn nearest<'a>(wrong: &str, valid: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    valid
        .map(|v| (strsim::damerau_levenshtein(wrong, v), v))
        .filter(|(d, v)| *d <= 1 + v.len().max(wrong.len()) / 3)
        .min_by_key(|(d, _)| *d)
        .map(|(_, v)| v)
}
