//! The sheet list and the block list: CSV with a header line.

use std::collections::BTreeMap;
use std::path::{Component, Path, PathBuf};

use restrike_model::{BlockInfo, Impression, Role};

use crate::refusal::{Refusal, nearest};

const SHEET_COLUMNS: [&str; 7] = [
    "file",
    "impression",
    "edition",
    "year",
    "position",
    "role",
    "dpi",
];
/// `proposed` marks a list that nobody has looked at yet.
const BLOCK_COLUMNS: [&str; 6] = ["name", "order", "key", "bokashi", "colour", "proposed"];

/// A line of the sheet list.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetLine {
    /// What stages see of it.
    pub impression: Impression,
    /// The scan's file.
    pub path: PathBuf,
    /// Resolution said in the list, pixels per inch.
    pub dpi: Option<f64>,
    /// Its line in the list.
    pub line: usize,
}

/// A CSV file's rows as texts by column, with their line numbers.
struct Rows<'a> {
    path: &'a Path,
    columns: Vec<String>,
    rows: Vec<(usize, csv::StringRecord)>,
}

impl<'a> Rows<'a> {
    fn read(path: &'a Path, known: &[&str], needed: &[&str]) -> Result<Self, Refusal> {
        let refuse = |line, what: String| Refusal::new(path, line, what);
        let bytes =
            std::fs::read(path).map_err(|e| refuse(None, format!("cannot be read: {e}")))?;
        // Spreadsheets put a byte order mark in front.
        let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(&bytes);
        if let Err(e) = std::str::from_utf8(bytes) {
            let line = bytes[..e.valid_up_to()]
                .iter()
                .filter(|b| **b == b'\n')
                .count()
                + 1;
            return Err(refuse(
                Some(line),
                "is not UTF-8 text; save the list as UTF-8".to_owned(),
            ));
        }
        if bytes.trim_ascii().is_empty() {
            let first = needed.join(",");
            return Err(refuse(
                None,
                format!(
                    "the list is empty; expected a first line that names columns, such as `{first}`"
                ),
            ));
        }
        let mut reader = csv::ReaderBuilder::new()
            .trim(csv::Trim::All)
            .comment(Some(b'#'))
            .from_reader(bytes);
        let line_of = |e: &csv::Error| e.position().map(|p| line_at(bytes, p.byte()));
        let header = reader
            .headers()
            .map_err(|e| refuse(line_of(&e), format!("is no CSV list: {e}")))?
            .clone();
        let header_line = Some(line_at(bytes, 0));
        let columns: Vec<String> = header.iter().map(str::to_owned).collect();
        for (mark, name) in [(';', "`;`"), ('\t', "tabs")] {
            if columns.iter().any(|c| c.contains(mark)) {
                return Err(refuse(
                    header_line,
                    format!("columns are separated by {name}; save the list with commas"),
                ));
            }
        }
        for (i, c) in columns.iter().enumerate() {
            if !known.contains(&c.as_str()) {
                let hint = nearest(c, known.iter().copied())
                    .map(|n| format!("; did you mean `{n}`?"))
                    .unwrap_or_default();
                return Err(refuse(
                    header_line,
                    format!(
                        "unknown column `{c}`, expected some of {}{hint}",
                        known.join(", ")
                    ),
                ));
            }
            if columns[..i].contains(c) {
                return Err(refuse(
                    header_line,
                    format!("column `{c}` stands here twice"),
                ));
            }
        }
        for n in needed {
            if !columns.iter().any(|c| c == n) {
                return Err(refuse(header_line, format!("the column `{n}` is missing")));
            }
        }
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.map_err(|e| refuse(line_of(&e), explained(&e)))?;
            let start = record.position().map_or(0, csv::Position::byte);
            rows.push((line_at(bytes, start), record));
        }
        if rows.is_empty() {
            return Err(refuse(None, "the list has no lines".to_owned()));
        }
        Ok(Self {
            path,
            columns,
            rows,
        })
    }

    fn text<'r>(&self, record: &'r csv::StringRecord, column: &str) -> &'r str {
        self.columns
            .iter()
            .position(|c| c == column)
            .and_then(|i| record.get(i))
            .unwrap_or("")
    }

    /// A parsed cell; empty is none.
    fn cell<T: std::str::FromStr>(
        &self,
        line: usize,
        record: &csv::StringRecord,
        column: &str,
        expected: &str,
    ) -> Result<Option<T>, Refusal> {
        let text = self.text(record, column);
        if text.is_empty() {
            return Ok(None);
        }
        text.parse().map(Some).map_err(|_| {
            let point = text.replacen(',', ".", 1);
            let hint = if text.contains(',') && point.parse::<f64>().is_ok() {
                format!("; write decimals with a point: {point}")
            } else {
                String::new()
            };
            Refusal::new(
                self.path,
                Some(line),
                format!("`{column}` is `{text}`, expected {expected}{hint}"),
            )
        })
    }
}

/// What the reader says of a line, in a list's own words.
fn explained(e: &csv::Error) -> String {
    match e.kind() {
        csv::ErrorKind::UnequalLengths {
            expected_len, len, ..
        } => format!(
            "this line has {len} cells, the first line names {expected_len} columns; a cell with \
             a comma in it stands in quotation marks, decimals are written with a point"
        ),
        _ => e.to_string(),
    }
}

/// A file's path without what does not change which file it is.
fn plain(file: &str) -> PathBuf {
    Path::new(file)
        .components()
        .filter(|c| *c != Component::CurDir)
        .collect()
}

/// The line a record stands in: the reader's position lies before the line
/// ends, comments and blank lines in front of it.
fn line_at(bytes: &[u8], byte: u64) -> usize {
    let mut at = usize::try_from(byte)
        .unwrap_or(bytes.len())
        .min(bytes.len());
    while let Some(b) = bytes.get(at) {
        if b.is_ascii_whitespace() {
            at += 1;
        } else if *b == b'#' {
            let end = bytes[at..].iter().position(|b| *b == b'\n');
            at = end.map_or(bytes.len(), |n| at + n);
        } else {
            break;
        }
    }
    1 + bytes[..at].iter().filter(|b| **b == b'\n').count()
}

/// Reads a sheet list. Files are relative to the list's folder.
///
/// # Errors
/// With file, line and what is expected.
pub(crate) fn sheets(path: &Path) -> Result<Vec<SheetLine>, Refusal> {
    let rows = Rows::read(path, &SHEET_COLUMNS, &["file"])?;
    let folder = path.parent().unwrap_or(Path::new(""));
    let mut sheets: Vec<SheetLine> = Vec::new();
    let mut lines: BTreeMap<PathBuf, usize> = BTreeMap::new();
    for (i, (line, r)) in rows.rows.iter().enumerate() {
        let line = *line;
        let refuse = |what: String| Refusal::new(path, Some(line), what);
        let file = rows.text(r, "file");
        if file.is_empty() {
            return Err(refuse("`file` is empty".to_owned()));
        }
        let role = match rows.text(r, "role") {
            "" | "run" => Role::Run,
            "reference" => Role::Reference,
            other => match other.strip_prefix("proof:") {
                Some(block) if !block.is_empty() => Role::Proof(block.to_owned()),
                _ => {
                    return Err(refuse(format!(
                        "`role` is `{other}`, expected reference, run or proof:BLOCK"
                    )));
                }
            },
        };
        let dpi: Option<f64> = rows.cell(line, r, "dpi", "pixels per inch")?;
        if dpi.is_some_and(|d| !(10.0..=20_000.0).contains(&d)) {
            return Err(refuse(
                "`dpi` must lie between 10 and 20000 pixels per inch".to_owned(),
            ));
        }
        let named = rows.text(r, "impression");
        let stem = Path::new(file).file_stem().map(|s| s.to_string_lossy());
        if let Some(earlier) = lines.insert(plain(file), line) {
            return Err(refuse(format!("`{file}` stands in line {earlier} already")));
        }
        sheets.push(SheetLine {
            impression: Impression {
                sheet: i + 1,
                file: file.to_owned(),
                impression: if named.is_empty() {
                    stem.unwrap_or_default().into_owned()
                } else {
                    named.to_owned()
                },
                edition: rows.text(r, "edition").to_owned(),
                year: rows.cell(line, r, "year", "a whole number")?,
                position: rows.cell(line, r, "position", "a whole number")?,
                role,
            },
            path: folder.join(file),
            dpi,
            line,
        });
    }
    Ok(sheets)
}

/// Reads a block list.
///
/// # Errors
/// With file, line and what is expected.
pub(crate) fn blocks(path: &Path) -> Result<Vec<BlockInfo>, Refusal> {
    let rows = Rows::read(path, &BLOCK_COLUMNS, &["name", "order"])?;
    let mut blocks: Vec<BlockInfo> = Vec::new();
    for (line, r) in &rows.rows {
        let line = *line;
        let refuse = |what: String| Refusal::new(path, Some(line), what);
        let name = rows.text(r, "name").to_owned();
        if name.is_empty() {
            return Err(refuse("`name` is empty".to_owned()));
        }
        if blocks.iter().any(|b| b.name == name) {
            return Err(refuse(format!("block `{name}` stands here twice")));
        }
        let yes = |column: &str| match rows.text(r, column) {
            "" | "no" | "false" => Ok(false),
            "yes" | "true" => Ok(true),
            other => Err(refuse(format!(
                "`{column}` is `{other}`, expected yes or no"
            ))),
        };
        if yes("proposed")? {
            return Err(refuse(format!(
                "block `{name}` is only proposed: hold it against the blocks, give it its name and place, then delete the column `proposed`"
            )));
        }
        let colour = rows.text(r, "colour");
        let is_colour = colour
            .strip_prefix('#')
            .is_some_and(|h| h.len() == 6 && h.bytes().all(|b| b.is_ascii_hexdigit()));
        if !colour.is_empty() && !is_colour {
            return Err(refuse(format!("`colour` is `{colour}`, expected #rrggbb")));
        }
        blocks.push(BlockInfo {
            order: rows
                .cell(line, r, "order", "a whole number from 1")?
                .ok_or_else(|| refuse("`order` is empty".to_owned()))?,
            key: yes("key")?,
            bokashi: yes("bokashi")?,
            colour: is_colour.then(|| colour.to_owned()),
            name,
        });
    }
    if blocks.iter().filter(|b| b.key).count() > 1 {
        return Err(Refusal::new(
            path,
            None,
            "more than one block is the key block",
        ));
    }
    Ok(blocks)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn write(text: &str) -> (tempfile::TempDir, PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("list.csv");
        std::fs::write(&path, text).unwrap();
        (dir, path)
    }

    #[test]
    fn a_sheet_list_reads_with_only_a_file_column() {
        let (_dir, path) = write("\u{feff}file\r\na/b 1.tif\r\n# aside\r\n\r\nc.png\r\n");
        let sheets = sheets(&path).unwrap();
        assert_eq!(sheets.len(), 2);
        assert_eq!(sheets[0].impression.impression, "b 1");
        assert_eq!(sheets[1].impression.sheet, 2);
        assert_eq!(sheets[1].line, 5);
    }

    #[test]
    fn wrong_cells_and_columns_are_refused_with_their_line() {
        let (_d, path) = write("file,yer\na.tif,1961\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.ends_with("did you mean `year`?"), "{e}");
        let (_d, path) = write("file,year\na.tif,1961\nb.tif,old\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(
            e.contains(":3: `year` is `old`, expected a whole number"),
            "{e}"
        );
        let (_d, path) = write("file\na.tif\nb.tif\na.tif\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":4: `a.tif` stands in line 2 already"), "{e}");
        let (_d, path) = write("file\na.tif\n./a.tif\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":3: `./a.tif` stands in line 2 already"), "{e}");
        let (_d, path) = write("file,dpi\na.tif,\"300,5\"\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":2: `dpi` is `300,5`"), "{e}");
        assert!(e.ends_with("with a point: 300.5"), "{e}");
        let (_d, path) = write("file,dpi\n# aside\na.tif,300,5\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":3: this line has 3 cells"), "{e}");
        for nothing in ["", "\u{feff}\n \n"] {
            let (_d, path) = write(nothing);
            let e = sheets(&path).unwrap_err().to_string();
            assert!(e.contains("the list is empty"), "{e}");
        }
        let (_d, path) = write("file,role\n# none yet\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains("the list has no lines"), "{e}");
        let (_d, path) = write("file\tyear\na.tif\t1961\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":1: columns are separated by tabs"), "{e}");
        let (_d, path) = write("file;year\na.tif;1961\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains("save the list with commas"), "{e}");
        let (_d, path) = write("file\n");
        std::fs::write(&path, b"file\na.tif\nk\xfcste.tif\n").unwrap();
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains(":3: is not UTF-8"), "{e}");
        let (_d, path) = write("file,role\na.tif,proof:\n");
        let e = sheets(&path).unwrap_err().to_string();
        assert!(e.contains("expected reference, run or proof:BLOCK"), "{e}");
        let (_d, path) = write("name,order,colour\nkey,1,black\n");
        let e = blocks(&path).unwrap_err().to_string();
        assert!(e.contains("expected #rrggbb"), "{e}");
        let (_d, path) = write("name,order,proposed\nkey,1,no\nblock-2,2,yes\n");
        let e = blocks(&path).unwrap_err().to_string();
        assert!(e.contains(":3: block `block-2` is only proposed"), "{e}");
    }
}
