//! Files that appear whole or not at all: written under a temporary name in
//! the folder they end in, flushed to the disk, then renamed.

use std::fs::{self, File};
use std::io::{self, BufWriter, Write};
use std::path::{Path, PathBuf};

use tempfile::{Builder, NamedTempFile};
use thiserror::Error;

const PREFIX: &str = ".restrike-";
const SUFFIX: &str = ".part";

/// A file could not be written; nothing is left of the attempt.
#[derive(Debug, Error)]
#[error("cannot write {}: {source}", path.display())]
pub struct WriteError {
    /// The file that was to be.
    pub path: PathBuf,
    /// What the system said.
    pub source: io::Error,
}

impl WriteError {
    fn new(path: &Path, source: io::Error) -> Self {
        Self {
            path: path.to_owned(),
            source,
        }
    }
}

/// Writes a whole file; an older one of that name stays until the new one is complete.
///
/// # Errors
/// When the folder cannot be made or the disk takes no more.
pub fn write(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    write_with(path, |to| to.write_all(bytes)).map_err(|e: io::Error| WriteError::new(path, e))
}

/// Writes a file through `fill`. If `fill` fails, nothing appears under `path`.
///
/// # Errors
/// What `fill` answers, or the system's error.
pub fn write_with<T, E: From<io::Error>>(
    path: &Path,
    fill: impl FnOnce(&mut BufWriter<&mut File>) -> Result<T, E>,
) -> Result<T, E> {
    let folder = path.parent().unwrap_or_else(|| Path::new("."));
    fs::create_dir_all(folder)?;
    let mut part = part_file(folder)?;
    let mut to = BufWriter::with_capacity(1 << 16, part.as_file_mut());
    let answer = fill(&mut to)?;
    to.flush()?;
    drop(to);
    part.as_file().sync_all()?;
    part.persist(path).map_err(|e| e.error)?;
    sync_folder(folder)?;
    Ok(answer)
}

fn part_file(folder: &Path) -> io::Result<NamedTempFile> {
    let mut builder = Builder::new();
    builder.prefix(PREFIX).suffix(SUFFIX);
    // A temporary file is private by default; this one is to be read by others.
    #[cfg(unix)]
    builder.permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666));
    builder.tempfile_in(folder)
}

/// Makes the rename itself last; a folder cannot be opened for that on all systems.
fn sync_folder(folder: &Path) -> io::Result<()> {
    if cfg!(unix) {
        File::open(folder)?.sync_all()?;
    }
    Ok(())
}

/// Removes temporary files that a killed run left in a folder and the folders
/// below it. Only for the one who holds the output folder: another writer's
/// unfinished files would go as well.
///
/// # Errors
/// When a folder cannot be read or a file not removed.
pub fn remove_leftovers(folder: &Path) -> Result<usize, WriteError> {
    let mut removed = 0;
    let mut folders = vec![folder.to_owned()];
    while let Some(folder) = folders.pop() {
        let at = |e| WriteError::new(&folder, e);
        let entries = match fs::read_dir(&folder) {
            Ok(entries) => entries,
            Err(e) if e.kind() == io::ErrorKind::NotFound => continue,
            Err(e) => return Err(at(e)),
        };
        for entry in entries {
            let entry = entry.map_err(at)?;
            let name = entry.file_name();
            let name = name.to_string_lossy();
            if entry.file_type().map_err(at)?.is_dir() {
                folders.push(entry.path());
            } else if name.starts_with(PREFIX) && name.ends_with(SUFFIX) {
                fs::remove_file(entry.path()).map_err(|e| WriteError::new(&entry.path(), e))?;
                removed += 1;
            }
        }
    }
    Ok(removed)
}
