//! Fingerprints: SHA-256 in hexadecimal.

use sha2::{Digest, Sha256};

/// SHA-256 of bytes.
pub(crate) fn of_bytes(bytes: &[u8]) -> String {
    hex(&Sha256::digest(bytes))
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

fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut s, b| {
        // Writing to a string cannot fail.
        let _ = write!(s, "{b:02x}");
        s
    })
}
