//! What can be wrong with a stage library, and how a stage can fail.

use std::path::PathBuf;

use thiserror::Error;

/// A stage library cannot be used.
#[derive(Debug, Error)]
pub enum HostError {
    /// No library of that name in any of the places looked at.
    #[error("stage `{name}` was not found: no {file} in {}; name its file with `library` in the config, or its folder with --plugin-dir", join(.looked))]
    NotFound {
        /// The stage's name.
        name: String,
        /// The file looked for.
        file: String,
        /// The folders looked in.
        looked: Vec<PathBuf>,
    },
    /// The file cannot be read.
    #[error("stage library {}: {source}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file is not the one the config pins.
    #[error("stage library {} has SHA-256 {found}, but the config pins {pinned}: it is another file than the one that was vetted", path.display())]
    WrongHash {
        /// The file.
        path: PathBuf,
        /// What it has.
        found: String,
        /// What it should have.
        pinned: String,
    },
    /// The system's loader refused it.
    #[error("stage library {} cannot be loaded: {reason}", path.display())]
    NotLoadable {
        /// The file.
        path: PathBuf,
        /// What the loader said.
        reason: String,
    },
    /// It has no entry.
    #[error("{} is not a stage library: it does not export `{}`", path.display(), restrike_abi::ENTRY_SYMBOL)]
    NoEntry {
        /// The file.
        path: PathBuf,
    },
    /// It was built for another interface.
    #[error("stage library {} speaks interface version {found}, this restrike speaks {}: rebuild it against the matching header", path.display(), restrike_abi::ABI_VERSION)]
    WrongAbi {
        /// The file.
        path: PathBuf,
        /// What it speaks.
        found: u32,
    },
    /// Its table makes no sense.
    #[error("stage library {} is broken: {reason}", path.display())]
    Broken {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// It says it is another stage than the config wants.
    #[error("stage library {} holds stage `{found}`, the config asks for `{wanted}`", path.display())]
    OtherStage {
        /// The file.
        path: PathBuf,
        /// The stage it holds.
        found: String,
        /// The stage wanted.
        wanted: String,
    },
    /// The settings do not fit the stage's schema.
    #[error("stage `{stage}`: setting {place}: {reason}")]
    Settings {
        /// The stage.
        stage: String,
        /// Where, as a JSON pointer.
        place: String,
        /// What is wrong.
        reason: String,
    },
}

fn join(paths: &[PathBuf]) -> String {
    let shown: Vec<String> = paths.iter().map(|p| p.display().to_string()).collect();
    if shown.is_empty() {
        "any folder".to_owned()
    } else {
        shown.join(", ")
    }
}

/// A stage did not do a call.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum StageFailure {
    /// It said why.
    #[error("{0}")]
    Error(String),
    /// It panicked.
    #[error("panicked: {0}")]
    Panic(String),
    /// What it gave back breaks the contract.
    #[error("gave something it did not declare: {0}")]
    Contract(String),
}
