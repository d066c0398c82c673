//! Made-up runs, and what the stage says of them.

use std::collections::BTreeMap;

use restrike_stage::{
    ImageView, Impression, Level, Output, Picture, Project, Role, Row, Stage, StageError, Summary,
    Table, Value, Verdict,
};

use crate::stage::Drift;
use crate::tables;

/// Normal-like numbers, the same everywhere.
pub(super) struct Noise(pub(super) u64);

impl Noise {
    pub(super) fn next(&mut self) -> f64 {
        (0..12)
            .map(|_| {
                self.0 = self
                    .0
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695);
                (self.0 >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }

    pub(super) fn series(&mut self, n: usize) -> Vec<f64> {
        (0..n).map(|_| self.next()).collect()
    }
}

/// Keeps rows by table and notes; checks both against the declarations.
#[derive(Default)]
pub(super) struct Kept {
    pub(super) rows: BTreeMap<String, Vec<Row>>,
    pub(super) notes: Vec<String>,
    pub(super) pictures: Vec<Picture>,
}

impl Output for Kept {
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError> {
        let specs = tables::specs();
        let spec = specs.iter().find(|t| t.name == table).unwrap();
        for (name, value) in &row.0 {
            let at = spec
                .column(name)
                .unwrap_or_else(|| panic!("{table}.{name}"));
            assert!(
                value.fits(spec.columns[at].kind),
                "{table}.{name}: {value:?}"
            );
        }
        self.rows.entry(table.to_owned()).or_default().push(row);
        Ok(())
    }
    fn image(&mut self, _: &str, _: ImageView<'_, f32>) -> Result<(), StageError> {
        Ok(())
    }
    fn picture(&mut self, picture: &Picture) -> Result<(), StageError> {
        self.pictures.push(picture.clone());
        Ok(())
    }
    fn record(&mut self, _: &str, _: &[u8]) -> Result<(), StageError> {
        Ok(())
    }
    fn note(&mut self, _: Level, text: &str) {
        self.notes.push(text.to_owned());
    }
    fn not_measured(&mut self, _: &Verdict) {}
}

impl Kept {
    pub(super) fn of(&self, table: &str) -> &[Row] {
        self.rows.get(table).map_or(&[], Vec::as_slice)
    }
}

pub(super) fn get<'r>(row: &'r Row, column: &str) -> &'r Value {
    const NONE: &Value = &Value::Null;
    row.0.get(column).unwrap_or(NONE)
}

pub(super) fn num(row: &Row, column: &str) -> f64 {
    get(row, column)
        .as_f64()
        .unwrap_or_else(|| panic!("{column}: {:?}", get(row, column)))
}

pub(super) fn words<'r>(row: &'r Row, column: &str) -> &'r str {
    get(row, column).as_str().unwrap_or_default()
}

/// A sheet of an edition.
pub(super) fn sheet(
    n: usize,
    edition: &str,
    year: Option<i32>,
    position: Option<i64>,
) -> Impression {
    Impression {
        sheet: n,
        file: format!("{n}.tif"),
        impression: n.to_string(),
        edition: edition.to_owned(),
        year,
        position,
        role: Role::Run,
    }
}

/// A stack of one edition.
pub(super) fn stack(n: usize) -> Vec<Impression> {
    (1..=n)
        .map(|i| sheet(i, "reprint", Some(2026), i64::try_from(i).ok()))
        .collect()
}

/// A table `ink` with a column `width_mm`.
pub(super) fn widths(values: &[f64]) -> Table {
    Table {
        name: "ink".into(),
        columns: vec!["sheet".into(), "width_mm".into()],
        rows: values
            .iter()
            .enumerate()
            .map(|(i, v)| vec![Value::from(i + 1), Value::from(*v)])
            .collect(),
    }
}

pub(super) fn drift(
    impressions: &[Impression],
    tables: &[Table],
    settings: &serde_json::Value,
) -> Kept {
    let stage = Drift::new(settings, &Project::default(), &BTreeMap::new()).unwrap();
    let mut kept = Kept::default();
    stage
        .summarise(
            Summary {
                impressions,
                tables,
            },
            &mut kept,
        )
        .unwrap();
    kept
}
