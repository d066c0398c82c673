//! Tests of the mark corrections.

mod advice;
mod alike;
mod placing;
mod properties;
mod stretch;
mod worked_example;

use restrike_stage::{
    BlockInfo, ImageArea, ImageView, Impression, Level, MarkInfo, MarkKind, Output, Picture,
    Project, Role, Row, Size, StageError, Summary, Table, Value, Verdict,
};

use super::{MarkOptions, summarise, tables};

/// Keeps what a stage puts out; refuses what its tables do not declare.
#[derive(Default)]
pub(super) struct Kept {
    pub(super) rows: Vec<(String, Row)>,
    pub(super) notes: Vec<String>,
    pub(super) pictures: Vec<Picture>,
    pub(super) images: Vec<String>,
}

impl Output for Kept {
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError> {
        let spec = tables().into_iter().find(|t| t.name == table);
        let spec = spec.ok_or_else(|| StageError::new(format!("table {table}")))?;
        for (name, value) in &row.0 {
            let column = spec.columns.iter().find(|c| &c.name == name);
            if !column.is_some_and(|c| value.fits(c.kind)) {
                return Err(StageError::new(format!(
                    "column {name} of {table}: {value:?}"
                )));
            }
        }
        self.rows.push((table.to_owned(), row));
        Ok(())
    }

    fn image(&mut self, name: &str, _: ImageView<'_, f32>) -> Result<(), StageError> {
        self.images.push(name.to_owned());
        Ok(())
    }

    fn picture(&mut self, picture: &Picture) -> Result<(), StageError> {
        if !super::pictures().contains(&picture.name) || !self.images.contains(&picture.base) {
            return Err(StageError::new(format!("picture {}", picture.name)));
        }
        self.pictures.push(picture.clone());
        Ok(())
    }

    fn record(&mut self, _: &str, _: &[u8]) -> Result<(), StageError> {
        Err(StageError::new("no record here"))
    }

    fn note(&mut self, _: Level, text: &str) {
        self.notes.push(text.to_owned());
    }

    fn not_measured(&mut self, _: &Verdict) {}
}

impl Kept {
    pub(super) fn of(&self, table: &str) -> Vec<&Row> {
        self.rows
            .iter()
            .filter(|r| r.0 == table)
            .map(|r| &r.1)
            .collect()
    }

    pub(super) fn correction(&self, block: &str, face: &str) -> &Row {
        self.of("mark_corrections")
            .into_iter()
            .find(|r| text(r, "block") == block && text(r, "face").contains(face))
            .unwrap()
    }
}

pub(super) fn text<'a>(row: &'a Row, column: &str) -> &'a str {
    row.0.get(column).and_then(Value::as_str).unwrap_or("")
}

pub(super) fn number(row: &Row, column: &str) -> Option<f64> {
    row.0.get(column).and_then(Value::as_f64)
}

/// One row of the table `registration`; lengths in mm, angle in mrad.
#[derive(Clone)]
pub(super) struct Seen {
    pub(super) sheet: usize,
    pub(super) image: &'static str,
    pub(super) block: &'static str,
    pub(super) basis: &'static str,
    pub(super) motion: [f64; 3],
    pub(super) se: [f64; 3],
    pub(super) stretch: Option<[f64; 2]>,
    pub(super) stretch_se: f64,
    pub(super) zero_se: f64,
    pub(super) hidden: Option<(&'static str, [f64; 4])>,
}

impl Seen {
    pub(super) fn new(sheet: usize, block: &'static str, motion: [f64; 3]) -> Self {
        Self {
            sheet,
            image: "whole",
            block,
            basis: "absolute",
            motion,
            se: [0.005, 0.005, 0.02],
            stretch: None,
            stretch_se: 0.0,
            zero_se: 0.0,
            hidden: None,
        }
    }
}

pub(super) fn registration(rows: &[Seen]) -> Table {
    let names = [
        "sheet",
        "image",
        "block",
        "basis",
        "identified",
        "why",
        "dx_mm",
        "dy_mm",
        "theta_mrad",
        "dx_se_mm",
        "dy_se_mm",
        "theta_se_mrad",
        "stretch_x_permille",
        "stretch_y_permille",
        "stretch_x_se_permille",
        "stretch_y_se_permille",
        "zero_at_se_mm",
        "dx_low_mm",
        "dx_high_mm",
        "dy_low_mm",
        "dy_high_mm",
    ];
    let rows = rows.iter().map(|s| {
        let shown = s.hidden.is_none();
        let value = |v: f64| if shown { v.into() } else { Value::Null };
        let interval = |i: usize| Value::from(s.hidden.map(|h| h.1[i]));
        vec![
            s.sheet.into(),
            s.image.into(),
            s.block.into(),
            s.basis.into(),
            shown.into(),
            s.hidden.map(|h| h.0).into(),
            value(s.motion[0]),
            value(s.motion[1]),
            value(s.motion[2]),
            value(s.se[0]),
            value(s.se[1]),
            value(s.se[2]),
            s.stretch.map(|v| v[0]).into(),
            s.stretch.map(|v| v[1]).into(),
            value(s.stretch_se),
            value(s.stretch_se),
            value(s.zero_se),
            interval(0),
            interval(1),
            interval(2),
            interval(3),
        ]
    });
    Table {
        name: "registration".to_owned(),
        columns: names.map(str::to_owned).into(),
        rows: rows.collect(),
    }
}

/// The sheet and marks of the worked example.
pub(super) fn project(blocks: &[&str]) -> Project {
    let mark = |face, x_mm, y_mm| MarkInfo { face, x_mm, y_mm };
    let block = |(i, name): (usize, &&str)| BlockInfo {
        name: (*name).to_owned(),
        order: u32::try_from(i).unwrap() + 2,
        key: false,
        bokashi: false,
        colour: None,
    };
    let key = BlockInfo {
        name: "key".to_owned(),
        order: 1,
        key: true,
        bokashi: false,
        colour: None,
    };
    Project {
        design: "Heron at the salt pans".to_owned(),
        sheet: Some(Size {
            width_mm: 390.0,
            height_mm: 264.0,
        }),
        images: vec![ImageArea {
            name: "whole".to_owned(),
            x_mm: 0.0,
            y_mm: 0.0,
            width_mm: 370.0,
            height_mm: 250.0,
            border: true,
        }],
        blocks: std::iter::once(key)
            .chain(blocks.iter().enumerate().map(block))
            .collect(),
        marks: vec![
            mark(MarkKind::CornerLong, -175.0, -132.0),
            mark(MarkKind::Straight, 60.0, -132.0),
            mark(MarkKind::CornerShort, -195.0, -125.0),
        ],
        tolerances: [("register_mm".to_owned(), 0.1)].into(),
    }
}

pub(super) fn impressions(n: usize) -> Vec<Impression> {
    let one = |sheet: usize| Impression {
        sheet,
        file: format!("{sheet}.tif"),
        impression: sheet.to_string(),
        edition: String::new(),
        year: None,
        position: None,
        role: Role::Run,
    };
    (1..=n).map(one).collect()
}

pub(super) fn run(project: &Project, rows: &[Seen]) -> Kept {
    run_with(project, MarkOptions::default(), rows)
}

pub(super) fn run_with(project: &Project, options: MarkOptions, rows: &[Seen]) -> Kept {
    let n = rows.iter().map(|r| r.sheet).max().unwrap_or(0);
    summed_up(project, options, &impressions(n), rows)
}

/// With the sheet list given.
pub(super) fn run_of(project: &Project, files: &[Impression], rows: &[Seen]) -> Kept {
    summed_up(project, MarkOptions::default(), files, rows)
}

fn summed_up(
    project: &Project,
    options: MarkOptions,
    impressions: &[Impression],
    rows: &[Seen],
) -> Kept {
    let tables = [registration(rows)];
    let summary = Summary {
        impressions,
        tables: &tables,
    };
    let mut kept = Kept::default();
    summarise(project, &options, summary, &|_, _| Vec::new(), &mut kept).unwrap();
    kept
}
