//! The output folder of a run.
//!
//! ```text
//! index.html  run.json  datapackage.json
//! tables/<table>.csv
//! pictures/<stage>/<sheet>-<impression>-<picture>.png
//! ```

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use restrike_model::{ColumnSpec, Impression, Picture, Scope, TableSpec, Value};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use thiserror::Error;

use crate::csv::{CsvError, CsvWriter, cell_text};
use crate::datapackage::{self, Package, TableFile};
use crate::files::{self, WriteError};
use crate::html::{self, TableView};
use crate::names;
use crate::picture::Rendered;
use crate::runjson::RunRecord;

/// Rows of a table the page shows.
const FIRST_ROWS: usize = 8;
/// The same of a table about the run: people work from those, and they are short.
const FIRST_ROWS_OF_RUN: usize = 60;

/// Why the report could not be written.
#[derive(Debug, Error)]
pub enum ReportError {
    /// A file could not be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// A row does not fit its table.
    #[error(transparent)]
    Table(CsvError),
    /// Two tables would be one file.
    #[error("tables `{first}` and `{second}` would both be {path}")]
    SameTable {
        /// The table that was written.
        first: String,
        /// The table that would replace it.
        second: String,
        /// The file.
        path: String,
    },
    /// A record cannot be put into JSON.
    #[error("{file}: {source}")]
    Json {
        /// The file.
        file: &'static str,
        /// What the encoder said.
        source: serde_json::Error,
    },
    /// The page's template could not be filled.
    #[error("index.html: {0}")]
    Page(#[from] minijinja::Error),
}

/// A picture that has been written; a caller may keep it to list the picture
/// again without rendering it anew.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PictureFile {
    /// Stage it is from.
    pub stage: String,
    /// Sheet it shows, from 1; none for one about the whole run.
    pub sheet: Option<usize>,
    /// Its name within the stage.
    pub name: String,
    /// What a person sees.
    pub caption: String,
    /// Where it is, relative to the output folder, with `/`.
    pub path: String,
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
}

/// Writes the files of one run.
#[derive(Debug)]
pub struct Writer {
    root: PathBuf,
    tables: Vec<TableView>,
}

impl Writer {
    /// A writer for an output folder, which is made if it is not there.
    ///
    /// # Errors
    /// When the folder cannot be made.
    pub fn new(root: impl Into<PathBuf>) -> Result<Self, WriteError> {
        let root = root.into();
        std::fs::create_dir_all(&root).map_err(|source| WriteError {
            path: root.clone(),
            source,
        })?;
        Ok(Self {
            root,
            tables: Vec::new(),
        })
    }

    /// The output folder.
    pub fn root(&self) -> &Path {
        &self.root
    }

    /// Removes unfinished files of a run that was killed: how many. Only for
    /// the one process that holds the folder.
    ///
    /// # Errors
    /// When one cannot be removed.
    pub fn remove_leftovers(&self) -> Result<usize, WriteError> {
        files::remove_leftovers(&self.root)
    }

    /// Writes a table, row by row, and returns its path; an internal table is
    /// not written. The columns are taken as they are.
    ///
    /// # Errors
    /// When a row does not fit, the file cannot be written, or another table has its name.
    pub fn table<R: AsRef<[Value]>>(
        &mut self,
        stage: &str,
        spec: &TableSpec,
        rows: impl IntoIterator<Item = R>,
    ) -> Result<Option<String>, ReportError> {
        if spec.internal {
            return Ok(None);
        }
        let path = names::table_path(&spec.name);
        if let Some(other) = self.tables.iter().find(|t| t.file.path == path) {
            return Err(ReportError::SameTable {
                first: other.file.spec.name.clone(),
                second: spec.name.clone(),
                path,
            });
        }
        let full = self.root.join(&path);
        let most = match spec.scope {
            Scope::Run => FIRST_ROWS_OF_RUN,
            Scope::Sheet => FIRST_ROWS,
        };
        let mut first_rows = Vec::new();
        let written = files::write_with(&full, |to| {
            let mut csv = CsvWriter::new(spec, Tally::new(to))?;
            for row in rows {
                let row = row.as_ref();
                csv.row(row)?;
                if first_rows.len() < most {
                    let cells = spec.columns.iter().zip(row);
                    first_rows.push(cells.map(|(c, v)| cell_text(c, v)).collect());
                }
            }
            let rows = csv.rows();
            let tally = csv.finish()?;
            Ok::<_, CsvError>((rows, tally.bytes, tally.sha256()))
        });
        let (rows, bytes, sha256) = written.map_err(|e| match e {
            CsvError::Io(source) => ReportError::Write(WriteError { path: full, source }),
            other => ReportError::Table(other),
        })?;
        self.tables.push(TableView {
            file: TableFile {
                spec: spec.clone(),
                stage: stage.to_owned(),
                path: path.clone(),
                rows,
                bytes,
                sha256,
            },
            first_rows,
        });
        Ok(Some(path))
    }

    /// Writes a picture of a sheet, or of the whole run without one; of a drawing a PDF to
    /// be printed beside it. May be
    /// called from several threads.
    ///
    /// # Errors
    /// When the file cannot be written.
    pub fn picture(
        &self,
        stage: &str,
        sheet: Option<&Impression>,
        picture: &Picture,
        rendered: &Rendered,
    ) -> Result<PictureFile, WriteError> {
        let of = sheet.map(|i| (i.sheet, i.impression.as_str()));
        let path = names::picture_path(stage, of, &picture.name, rendered.encoding.extension());
        files::write(&self.root.join(&path), &rendered.bytes)?;
        if let Some(print) = &rendered.print {
            files::write(&self.root.join(&path).with_extension("pdf"), print)?;
        }
        Ok(PictureFile {
            stage: stage.to_owned(),
            sheet: sheet.map(|i| i.sheet),
            name: picture.name.clone(),
            caption: picture.caption.clone(),
            path,
            width: rendered.width,
            height: rendered.height,
        })
    }

    /// Writes the list of pictures (`tables/pictures.csv`), `run.json`,
    /// `index.html` and, last, `datapackage.json`. Pictures are listed in the
    /// order they are given.
    ///
    /// # Errors
    /// When one of them cannot be written.
    pub fn finish(
        mut self,
        package: &Package,
        run: &RunRecord,
        pictures: &[PictureFile],
    ) -> Result<(), ReportError> {
        if !pictures.is_empty() {
            self.table("", &picture_table(), pictures.iter().map(picture_row))?;
        }
        let json = |file| move |source| ReportError::Json { file, source };
        let record = run.to_bytes().map_err(json("run.json"))?;
        let page = html::render(package, run, &self.tables, pictures)?;
        let tables: Vec<TableFile> = self.tables.iter().map(|t| t.file.clone()).collect();
        let descriptor =
            datapackage::to_bytes(package, &tables).map_err(json("datapackage.json"))?;
        files::write(&self.root.join("run.json"), &record)?;
        files::write(&self.root.join("index.html"), page.as_bytes())?;
        files::write(&self.root.join("datapackage.json"), &descriptor)?;
        Ok(())
    }
}

fn picture_table() -> TableSpec {
    let text = ColumnSpec::text;
    TableSpec {
        name: "pictures".into(),
        title: "Pictures".into(),
        scope: Scope::Run,
        internal: false,
        columns: vec![
            ColumnSpec::integer(
                "sheet",
                "",
                "Place of the sheet in the sheet list, from 1; empty for a picture of the whole run.",
            ),
            text("stage", "Stage the picture is from."),
            text("picture", "Name of the picture within its stage."),
            text("caption", "What the picture shows."),
            text("file", "The file, relative to this package."),
            ColumnSpec::integer(
                "width_px",
                "px",
                "Pixels across; of a drawing true to size millimetres.",
            ),
            ColumnSpec::integer(
                "height_px",
                "px",
                "Pixels down; of a drawing true to size millimetres.",
            ),
        ],
    }
}

fn picture_row(p: &PictureFile) -> Vec<Value> {
    vec![
        p.sheet.into(),
        p.stage.as_str().into(),
        p.name.as_str().into(),
        p.caption.as_str().into(),
        p.path.as_str().into(),
        p.width.into(),
        p.height.into(),
    ]
}

/// Counts and hashes what passes through.
struct Tally<W> {
    to: W,
    bytes: u64,
    hash: Sha256,
}

impl<W: Write> Tally<W> {
    fn new(to: W) -> Self {
        Self {
            to,
            bytes: 0,
            hash: Sha256::new(),
        }
    }

    fn sha256(self) -> String {
        let digest = self.hash.finalize();
        digest.iter().map(|b| format!("{b:02x}")).collect()
    }
}

impl<W: Write> Write for Tally<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let n = self.to.write(buf)?;
        self.hash.update(&buf[..n]);
        self.bytes += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}
