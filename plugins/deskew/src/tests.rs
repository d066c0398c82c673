//! Small sheets drawn analytically, and the stage's answers to bad input.

use std::collections::BTreeMap;

use restrike_model::{
    Dpi, ImageView, Impression, Level, Measure, Output, Picture, Raster, Role, Row, ScanInfo,
    StageError, Verdict,
};

/// Collects what a stage puts out.
#[derive(Debug, Default)]
pub(crate) struct Capture {
    pub(crate) rows: Vec<(String, Row)>,
    pub(crate) pictures: Vec<Picture>,
    pub(crate) records: BTreeMap<String, Vec<u8>>,
    pub(crate) notes: Vec<(Level, String)>,
    pub(crate) verdicts: Vec<Verdict>,
}

impl Capture {
    pub(crate) fn table<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a Row> {
        self.rows.iter().filter(move |r| r.0 == name).map(|r| &r.1)
    }
    pub(crate) fn number(&self, table: &str, column: &str) -> Option<f64> {
        number(self.table(table).next()?, column)
    }
}

pub(crate) fn number(row: &Row, column: &str) -> Option<f64> {
    row.0.get(column)?.as_f64()
}

pub(crate) fn words<'a>(row: &'a Row, column: &str) -> &'a str {
    row.0.get(column).and_then(|v| v.as_str()).unwrap_or("")
}

impl Output for Capture {
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError> {
        let specs = crate::tables::specs();
        let spec = specs
            .iter()
            .find(|s| s.name == table)
            .expect("a declared table");
        for (name, value) in &row.0 {
            let column = spec
                .column(name)
                .unwrap_or_else(|| panic!("{table}.{name} is not declared"));
            assert!(
                value.fits(spec.columns[column].kind),
                "{table}.{name}: {value:?}"
            );
        }
        self.rows.push((table.to_owned(), row));
        Ok(())
    }
    fn image(&mut self, _: &str, _: ImageView<'_, f32>) -> Result<(), StageError> {
        Ok(())
    }
    fn picture(&mut self, picture: &Picture) -> Result<(), StageError> {
        self.pictures.push(picture.clone());
        Ok(())
    }
    fn record(&mut self, name: &str, bytes: &[u8]) -> Result<(), StageError> {
        self.records.insert(name.to_owned(), bytes.to_vec());
        Ok(())
    }
    fn note(&mut self, level: Level, text: &str) {
        self.notes.push((level, text.to_owned()));
    }
    fn not_measured(&mut self, verdict: &Verdict) {
        self.verdicts.push(verdict.clone());
    }
}

pub(crate) fn impression(sheet: usize, file: &str, role: Role) -> Impression {
    Impression {
        sheet,
        file: file.to_owned(),
        impression: file.to_owned(),
        edition: String::new(),
        year: None,
        position: None,
        role,
    }
}

pub(crate) fn info(scan: &Raster<u16>, dpi: f64) -> ScanInfo {
    ScanInfo {
        width: scan.width(),
        height: scan.height(),
        channels: scan.channels(),
        bits: 16,
        dpi: Dpi::square(dpi),
        dpi_source: "test".to_owned(),
        colour: "linear".to_owned(),
        format: "none".to_owned(),
        sha256: String::new(),
    }
}

pub(crate) fn measure<'a>(
    impression: &'a Impression,
    info: &'a ScanInfo,
    scan: &'a Raster<u16>,
) -> Measure<'a> {
    Measure {
        impression,
        info,
        scan: scan.view(),
        tables: &[],
        images: &[],
    }
}
