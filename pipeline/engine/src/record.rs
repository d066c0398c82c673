//! The block record on disk: a folder with `record.json` and one file a part.

use std::collections::BTreeMap;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::hash;
use crate::refusal::Refusal;
use crate::store::write_whole;

/// Name of the record's index.
const INDEX: &str = "record.json";
/// What the index says it is.
const FORMAT: &str = "restrike block record";
/// Version of the layout this writes; older ones are read.
const VERSION: u32 = 1;

/// What is learned about a block set.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Record {
    /// Parts by name.
    pub parts: BTreeMap<String, Part>,
}

/// A part of the record.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// The stage that learned it.
    pub stage: String,
    /// Fingerprint of what it was learned from.
    pub origin: String,
    /// The bytes.
    pub data: Vec<u8>,
}

#[derive(Serialize, Deserialize)]
struct Index {
    format: String,
    version: u32,
    design: String,
    parts: Vec<IndexPart>,
}

#[derive(Serialize, Deserialize)]
struct IndexPart {
    name: String,
    stage: String,
    file: String,
    sha256: String,
    origin: String,
}

impl Record {
    /// Reads a record folder. A folder without an index is an empty record.
    ///
    /// # Errors
    /// When it is of a later version, or a part is missing or altered.
    pub fn load(folder: &Path) -> Result<Self, Refusal> {
        let path = folder.join(INDEX);
        let refuse = |what: String| Refusal::new(&path, None, what);
        if !path.exists() {
            return Ok(Self::default());
        }
        let text = std::fs::read(&path).map_err(|e| refuse(format!("cannot be read: {e}")))?;
        let index: Index = serde_json::from_slice(&text)
            .map_err(|e| refuse(format!("is no block record: {e}")))?;
        if index.format != FORMAT {
            return Err(refuse(format!("is a `{}`, not a `{FORMAT}`", index.format)));
        }
        if index.version > VERSION {
            return Err(refuse(format!(
                "is of version {}, this restrike reads up to {VERSION}",
                index.version
            )));
        }
        let mut parts = BTreeMap::new();
        for p in index.parts {
            // The index may come from elsewhere: it names files of its own folder only.
            if p.file.contains(['/', '\\']) || p.file.starts_with('.') {
                return Err(refuse(format!(
                    "part `{}` names the file `{}`",
                    p.name, p.file
                )));
            }
            let data = std::fs::read(folder.join(&p.file))
                .map_err(|e| refuse(format!("part `{}`, file `{}`: {e}", p.name, p.file)))?;
            if hash::of_bytes(&data) != p.sha256 {
                return Err(refuse(format!(
                    "part `{}`: the file `{}` was altered since it was learned",
                    p.name, p.file
                )));
            }
            parts.insert(
                p.name,
                Part {
                    stage: p.stage,
                    origin: p.origin,
                    data,
                },
            );
        }
        Ok(Self { parts })
    }

    /// Writes the record; the index last, so that it never names what is not there.
    ///
    /// # Errors
    /// When a file cannot be written.
    pub fn save(&self, folder: &Path, design: &str) -> std::io::Result<()> {
        let mut parts = Vec::new();
        for (name, p) in &self.parts {
            let file = format!("{name}.{}", ending(&p.data));
            write_whole(&folder.join(&file), &p.data)?;
            parts.push(IndexPart {
                name: name.clone(),
                stage: p.stage.clone(),
                file,
                sha256: hash::of_bytes(&p.data),
                origin: p.origin.clone(),
            });
        }
        let index = Index {
            format: FORMAT.to_owned(),
            version: VERSION,
            design: design.to_owned(),
            parts,
        };
        let mut text = serde_json::to_vec_pretty(&index)?;
        text.push(b'\n');
        write_whole(&folder.join(INDEX), &text)
    }
}

/// A file name ending that lets a person open the part.
fn ending(data: &[u8]) -> &'static str {
    match data {
        [0x89, b'P', b'N', b'G', ..] => "png",
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => "tif",
        [b'{' | b'[', ..] => "json",
        _ => "bin",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Record {
        let part = |data: &[u8]| Part {
            stage: "deskew".into(),
            origin: "o".into(),
            data: data.to_vec(),
        };
        Record {
            parts: [
                ("a".to_owned(), part(b"{\"x\":1}")),
                ("b".to_owned(), part(b"\x89PNG")),
            ]
            .into(),
        }
    }

    #[test]
    fn a_record_reads_back_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(Record::load(dir.path()).unwrap(), Record::default());
        sample().save(dir.path(), "Heron").unwrap();
        assert!(dir.path().join("a.json").exists() && dir.path().join("b.png").exists());
        assert_eq!(Record::load(dir.path()).unwrap(), sample());
    }

    #[test]
    fn an_altered_part_and_a_later_version_are_refused() {
        let dir = tempfile::tempdir().unwrap();
        sample().save(dir.path(), "Heron").unwrap();
        std::fs::write(dir.path().join("a.json"), "{}").unwrap();
        let e = Record::load(dir.path()).unwrap_err().to_string();
        assert!(e.contains("altered since"), "{e}");
        sample().save(dir.path(), "Heron").unwrap();
        let index = dir.path().join(INDEX);
        let text = std::fs::read_to_string(&index).unwrap();
        std::fs::write(&index, text.replace("\"version\": 1", "\"version\": 9")).unwrap();
        let e = Record::load(dir.path()).unwrap_err().to_string();
        assert!(e.contains("version 9"), "{e}");
    }
}
