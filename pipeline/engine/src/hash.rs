//! Fingerprints: SHA-256 in hexadecimal.

use sha2::{Digest, Sha256};

use crate::run::RunError;

/// SHA-256 of bytes.
pub(crate) fn of_bytes(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
}

/// What a value says of itself, as text to be fingerprinted.
pub(crate) fn json<T: serde::Serialize>(value: &T) -> Result<String, RunError> {
    serde_json::to_string(value).map_err(|e| RunError::Write(e.into()))
}

/// Fingerprint of several texts; their borders count.
pub(crate) fn of_parts<'a>(parts: impl IntoIterator<Item = &'a str>) -> String {
    let mut hasher = Sha256::new();
    for p in parts {
        hasher.update((p.len() as u64).to_le_bytes());
        hasher.update(p.as_bytes());
    }
    hex(&hasher.finalize())
}

/// Bytes in hexadecimal.
pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut s, b| {
        // Writing to a string cannot fail.
        let _ = write!(s, "{b:02x}");
        s
    })
}
