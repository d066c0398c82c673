//! Made-up runs, and what the stage says of them.

use std::collections::BTreeMap;

use restrike_stage::{
    BlockInfo, ImageArea, ImageView, Impression, Level, Output, Picture, Project, Role, Row,
    SHEET_STATUS, Size, Stage, StageError, Summary, Table, Value, Verdict,
};
use serde_json::Value as Json;

use crate::stage::Grading;
use crate::tables;

/// Keeps rows by table, notes and pictures; checks rows against the declarations.
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

impl Kept {
    pub(super) fn of(&self, table: &str) -> &[Row] {
        self.rows.get(table).map_or(&[], Vec::as_slice)
    }

    /// Grades of an image, in list order.
    pub(super) fn grades(&self, image: &str) -> Vec<&str> {
        self.of(tables::GRADES)
            .iter()
            .filter(|r| words(r, "image") == image)
            .map(|r| words(r, "grade"))
            .collect()
    }
}

/// A stack of one edition.
pub(super) fn stack(n: usize) -> Vec<Impression> {
    (1..=n)
        .map(|sheet| Impression {
            sheet,
            file: format!("{sheet}.tif"),
            impression: sheet.to_string(),
            edition: "reprint".to_owned(),
            year: Some(2026),
            position: i64::try_from(sheet).ok(),
            role: Role::Run,
        })
        .collect()
}

/// A two-up sheet of 200 x 120 mm with a key and two colour blocks.
pub(super) fn two_up() -> Project {
    let image = |name: &str, x_mm| ImageArea {
        name: name.into(),
        x_mm,
        y_mm: 0.0,
        width_mm: 80.0,
        height_mm: 100.0,
        border: true,
    };
    let block = |name: &str, order, key| BlockInfo {
        name: name.into(),
        order,
        key,
        bokashi: false,
        colour: None,
    };
    Project {
        sheet: Some(Size {
            width_mm: 200.0,
            height_mm: 120.0,
        }),
        images: vec![image("left", -45.0), image("right", 45.0)],
        blocks: vec![
            block("key", 1, true),
            block("ochre", 2, false),
            block("red", 3, false),
        ],
        ..Project::default()
    }
}

/// A sheet with one image.
pub(super) fn one_up() -> Project {
    Project::default()
}

/// Rows of values under columns; the first column is `sheet`.
pub(super) fn table(name: &str, columns: &[&str], rows: &[&[Value]]) -> Table {
    Table {
        name: name.into(),
        columns: std::iter::once("sheet")
            .chain(columns.iter().copied())
            .map(str::to_owned)
            .collect(),
        rows: rows.iter().map(|r| r.to_vec()).collect(),
    }
}

/// A table `ink` with `width_mm` and its standard error, a row a sheet.
pub(super) fn widths(values: &[(f64, f64)]) -> Table {
    Table {
        name: "ink".into(),
        columns: ["sheet", "width_mm", "width_se_mm"]
            .map(str::to_owned)
            .to_vec(),
        rows: values
            .iter()
            .enumerate()
            .map(|(i, v)| vec![Value::from(i + 1), v.0.into(), v.1.into()])
            .collect(),
    }
}

/// Sheets that a stage has not measured: sheet, table, stage, status, reason.
pub(super) fn status(rows: &[(usize, &str, &str, &str, &str)]) -> Table {
    Table {
        name: SHEET_STATUS.into(),
        columns: ["sheet", "table", "stage", "status", "reason"]
            .map(str::to_owned)
            .to_vec(),
        rows: rows
            .iter()
            .map(|r| {
                vec![
                    Value::from(r.0),
                    r.1.into(),
                    r.2.into(),
                    r.3.into(),
                    r.4.into(),
                ]
            })
            .collect(),
    }
}

/// A row of `registration`: shift at the middle (0, 0 of the sheet) alone.
#[derive(Clone)]
pub(super) struct Landed {
    pub(super) sheet: usize,
    pub(super) image: &'static str,
    pub(super) block: &'static str,
    pub(super) shift: Option<(f64, f64)>,
    pub(super) se: f64,
}

pub(super) const REGISTRATION: [&str; 18] = [
    "sheet",
    "image",
    "block",
    "basis",
    "identified",
    "why",
    "shift_x_mm",
    "shift_x_se_mm",
    "shift_y_mm",
    "shift_y_se_mm",
    "zero_se_mm",
    "off_mm",
    "off_se_mm",
    "off_low_mm",
    "off_high_mm",
    "off_at_x_mm",
    "off_at_y_mm",
    "off_by",
];

/// Half-width of the table's intervals in standard errors.
const NINETY: f64 = 1.644_853_6;

pub(super) fn registration(rows: &[Landed]) -> Table {
    let rows = rows
        .iter()
        .map(|l| {
            let (x, y) = (l.shift.map(|s| s.0), l.shift.map(|s| s.1));
            let off = l.shift.map(|s| libm::hypot(s.0, s.1));
            vec![
                l.sheet.into(),
                l.image.into(),
                l.block.into(),
                "absolute".into(),
                l.shift.is_some().into(),
                l.shift.is_none().then_some("cannot see left-right").into(),
                x.into(),
                l.se.into(),
                y.into(),
                l.se.into(),
                0.0.into(),
                off.into(),
                off.map(|_| l.se).into(),
                off.map(|o| (o - NINETY * l.se).max(0.0)).into(),
                off.map(|o| o + NINETY * l.se).into(),
                off.map(|_| -35.0).into(),
                off.map(|_| 20.0).into(),
                off.map(|_| l.image).into(),
            ]
        })
        .collect();
    Table {
        name: "registration".into(),
        columns: REGISTRATION.map(str::to_owned).to_vec(),
        rows,
    }
}

pub(super) fn try_grade(
    project: &Project,
    impressions: &[Impression],
    tables: &[Table],
    settings: &Json,
) -> Result<Kept, StageError> {
    let stage = Grading::new(settings, project, &BTreeMap::new())?;
    let mut kept = Kept::default();
    stage.summarise(
        Summary {
            impressions,
            tables,
        },
        &mut kept,
    )?;
    Ok(kept)
}

pub(super) fn grade(
    project: &Project,
    impressions: &[Impression],
    tables: &[Table],
    settings: &Json,
) -> Kept {
    try_grade(project, impressions, tables, settings).unwrap()
}
