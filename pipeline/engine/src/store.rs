//! Files that are there whole or not at all: written beside their place under
//! a temporary name, flushed, then renamed.

use std::io::Write;
use std::path::Path;

/// Ending of files that are being written.
pub(crate) const PARTIAL: &str = ".partial";

/// Writes a file under its final name only when it is complete.
///
/// # Errors
/// What the system said, with the path; no half file is left under `path`.
pub(crate) fn write_whole(path: &Path, bytes: &[u8]) -> std::io::Result<()> {
    let name =
        |e: std::io::Error| std::io::Error::new(e.kind(), format!("{}: {e}", path.display()));
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(name)?;
    }
    let mut partial = path.as_os_str().to_owned();
    partial.push(PARTIAL);
    let written = (|| {
        let mut file = std::fs::File::create(&partial)?;
        file.write_all(bytes)?;
        file.sync_data()?;
        std::fs::rename(&partial, path)
    })();
    written.map_err(|e| {
        // The error to report is the first one.
        let _ = std::fs::remove_file(&partial);
        name(e)
    })
}
