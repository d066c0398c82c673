//! Opening a stage library and checking what it says of itself.

use std::path::{Path, PathBuf};

use restrike_abi as abi;
use restrike_model::{Manifest, Scope};
use sha2::{Digest, Sha256};

use crate::error::HostError;

/// An opened, checked stage library. It stays loaded for the life of the process.
#[derive(Debug)]
pub struct Library {
    path: PathBuf,
    sha256: String,
    manifest: Manifest,
    pub(crate) table: abi::StageTable,
    schema: jsonschema::Validator,
}

/// Bytes of a version-1 stage table; a larger one comes from a later library
/// that only added at the end.
const TABLE_SIZE: u32 = abi::size_of::<abi::StageTable>();

impl Library {
    /// Opens a library and checks it: its hash against `pin` before any of its
    /// code runs, then its interface version, then its manifest.
    ///
    /// # Errors
    /// Each thing that can be wrong has its own message.
    pub fn open(path: &Path, pin: Option<&str>) -> Result<Self, HostError> {
        let bytes = std::fs::read(path).map_err(|source| HostError::Unreadable {
            path: path.to_path_buf(),
            source,
        })?;
        let sha256 = hex(&Sha256::digest(&bytes));
        drop(bytes);
        if let Some(pinned) = pin
            && !pinned.eq_ignore_ascii_case(&sha256)
        {
            return Err(HostError::WrongHash {
                path: path.to_path_buf(),
                found: sha256,
                pinned: pinned.to_owned(),
            });
        }
        // The loader searches its own path for a name without a folder.
        let absolute = std::path::absolute(path).map_err(|source| HostError::Unreadable {
            path: path.to_path_buf(),
            source,
        })?;
        // SAFETY: running a stage library's initialisers is what the person who
        // named it in the config or put it into the plugin folder asked for.
        let library =
            unsafe { libloading::Library::new(&absolute) }.map_err(|e| HostError::NotLoadable {
                path: path.to_path_buf(),
                reason: chain(&e),
            })?;
        // Stages may leave threads or statics behind that still run their code.
        let library: &'static libloading::Library = Box::leak(Box::new(library));
        // SAFETY: the symbol's type is fixed by the interface.
        let entry = unsafe { library.get::<abi::Entry>(abi::ENTRY_SYMBOL) }.map_err(|_| {
            HostError::NoEntry {
                path: path.to_path_buf(),
            }
        })?;
        // SAFETY: the interface's entry takes nothing and returns a table.
        let table = unsafe { entry() };
        let table = check_table(path, table)?;
        let manifest = read_manifest(path, &table)?;
        let broken = |reason: String| HostError::Broken {
            path: path.to_path_buf(),
            reason,
        };
        check_manifest(&manifest, &table).map_err(broken)?;
        let schema = jsonschema::validator_for(&manifest.settings)
            .map_err(|e| broken(format!("its settings schema is not valid: {e}")))?;
        Ok(Self {
            path: path.to_path_buf(),
            sha256,
            manifest,
            table,
            schema,
        })
    }

    /// Opens a library that must hold the stage `name`.
    ///
    /// # Errors
    /// As [`Library::open`], and when it holds another stage.
    pub fn open_as(name: &str, path: &Path, pin: Option<&str>) -> Result<Self, HostError> {
        let library = Self::open(path, pin)?;
        if library.manifest.name == name {
            Ok(library)
        } else {
            Err(HostError::OtherStage {
                path: path.to_path_buf(),
                found: library.manifest.name,
                wanted: name.to_owned(),
            })
        }
    }

    /// Where it was loaded from.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// SHA-256 of the file, hexadecimal.
    pub fn sha256(&self) -> &str {
        &self.sha256
    }

    /// What the stage says of itself.
    pub fn manifest(&self) -> &Manifest {
        &self.manifest
    }

    /// Checks settings against the stage's schema.
    ///
    /// # Errors
    /// The first thing that does not fit, with its place.
    pub fn check_settings(&self, settings: &serde_json::Value) -> Result<(), HostError> {
        self.schema.validate(settings).map_err(|e| {
            let place = e.instance_path().to_string();
            HostError::Settings {
                stage: self.manifest.name.clone(),
                place: if place.is_empty() {
                    "/".to_owned()
                } else {
                    place
                },
                reason: e.to_string(),
            }
        })
    }
}

/// Columns the engine puts around a sheet table's own.
const RESERVED: [&str; 9] = [
    "sheet",
    "file",
    "impression",
    "edition",
    "year",
    "position",
    "role",
    "status",
    "reason",
];

/// The loader's own message sits in the error's source.
fn chain(e: &dyn std::error::Error) -> String {
    let mut text = e.to_string();
    let mut at = e.source();
    while let Some(s) = at {
        text = format!("{text}: {s}");
        at = s.source();
    }
    text
}

pub(crate) fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write as _;
    bytes.iter().fold(String::new(), |mut s, b| {
        // Writing to a string cannot fail.
        let _ = write!(s, "{b:02x}");
        s
    })
}

fn check_table(path: &Path, table: *const abi::StageTable) -> Result<abi::StageTable, HostError> {
    let broken = |reason: &str| HostError::Broken {
        path: path.to_path_buf(),
        reason: reason.to_owned(),
    };
    if table.is_null() || !(table as usize).is_multiple_of(align_of::<abi::StageTable>()) {
        return Err(broken("its entry returned no table"));
    }
    // SAFETY: every version of the table starts with these two numbers.
    let (size, version) = unsafe {
        let head = table.cast::<u32>();
        (head.read(), head.add(1).read())
    };
    if version != abi::ABI_VERSION {
        return Err(HostError::WrongAbi {
            path: path.to_path_buf(),
            found: version,
        });
    }
    if size < TABLE_SIZE {
        return Err(broken(&format!(
            "its table is {size} bytes long, version {version} has {TABLE_SIZE}"
        )));
    }
    // SAFETY: the table is at least as long as version 1's.
    let table = unsafe { table.read() };
    if table.create.is_none() || table.destroy.is_none() {
        return Err(broken("its table lacks `create` or `destroy`"));
    }
    Ok(table)
}

fn read_manifest(path: &Path, table: &abi::StageTable) -> Result<Manifest, HostError> {
    let broken = |reason: String| HostError::Broken {
        path: path.to_path_buf(),
        reason,
    };
    // SAFETY: the interface says the manifest lives as long as the process.
    let bytes = unsafe { table.manifest.bytes() }
        .filter(|b| !b.is_empty())
        .ok_or_else(|| broken("it gives no manifest".to_owned()))?;
    serde_json::from_slice(bytes).map_err(|e| broken(format!("its manifest cannot be read: {e}")))
}

fn name_is_plain(name: &str) -> bool {
    !name.is_empty()
        && name.len() <= 60
        && name
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-' || b == b'_')
}

fn check_manifest(m: &Manifest, table: &abi::StageTable) -> Result<(), String> {
    if !name_is_plain(&m.name) {
        return Err(format!(
            "`{}` is no stage name: lower-case letters, digits, - and _ only",
            m.name
        ));
    }
    for (said, there, what) in [
        (m.phases.learn, table.learn.is_some(), "learn"),
        (m.phases.measure, table.measure.is_some(), "measure"),
        (m.phases.summarise, table.summarise.is_some(), "summarise"),
    ] {
        if said && !there {
            return Err(format!("it declares `{what}` but does not have it"));
        }
    }
    let mut seen = std::collections::BTreeSet::new();
    for t in &m.gives.tables {
        if !name_is_plain(&t.name) || !seen.insert(&t.name) {
            return Err(format!(
                "table name `{}` is not usable or not unique",
                t.name
            ));
        }
        let mut columns = std::collections::BTreeSet::new();
        for c in &t.columns {
            if t.scope == Scope::Sheet && RESERVED.contains(&c.name.as_str()) {
                return Err(format!(
                    "column `{}` of table `{}` has a name that every sheet table has already",
                    c.name, t.name
                ));
            }
            if !name_is_plain(&c.name) || !columns.insert(&c.name) {
                return Err(format!(
                    "column `{}` of table `{}` is not usable or not unique",
                    c.name, t.name
                ));
            }
        }
    }
    for name in m
        .gives
        .images
        .iter()
        .chain(&m.gives.pictures)
        .chain(&m.gives.records)
    {
        if !name_is_plain(name) {
            return Err(format!("`{name}` is no usable name"));
        }
    }
    if !(m.bytes_per_pixel.is_finite() && m.bytes_per_pixel >= 0.0) {
        return Err("its bytes_per_pixel is not a number of bytes".to_owned());
    }
    Ok(())
}
