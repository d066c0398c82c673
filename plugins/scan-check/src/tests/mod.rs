//! The stage as a whole, on sheets whose truth is known.

mod analytic;
mod rendered;

use std::collections::BTreeMap;

use restrike_stage::{
    Dpi, ImageView, Impression, Level, Measure, Output, Picture, Project, Raster, Role, Row,
    ScanInfo, Size, Stage, StageError, Value, Verdict,
};
use serde_json::json;

use crate::ScanCheck;

/// Keeps what the stage puts out and checks it against the declaration.
#[derive(Default)]
struct Kept {
    rows: Vec<Row>,
    pictures: Vec<Picture>,
    notes: Vec<String>,
}

impl Output for Kept {
    fn row(&mut self, table: &str, row: Row) -> Result<(), StageError> {
        let manifest = ScanCheck::manifest();
        let spec = manifest.gives.tables.iter().find(|t| t.name == table);
        let spec = spec.ok_or_else(|| StageError::new("no such table"))?;
        for (name, value) in &row.0 {
            let column = spec.column(name).map(|i| &spec.columns[i]);
            let fits = column.is_some_and(|c| value.fits(c.kind));
            assert!(fits, "{name} = {value:?} is not as declared");
        }
        self.rows.push(row);
        Ok(())
    }

    fn image(&mut self, _: &str, _: ImageView<'_, f32>) -> Result<(), StageError> {
        Err(StageError::new("no image is declared"))
    }

    fn picture(&mut self, picture: &Picture) -> Result<(), StageError> {
        self.pictures.push(picture.clone());
        Ok(())
    }

    fn record(&mut self, _: &str, _: &[u8]) -> Result<(), StageError> {
        Err(StageError::new("no record is declared"))
    }

    fn note(&mut self, _: Level, text: &str) {
        self.notes.push(text.to_owned());
    }

    fn not_measured(&mut self, _: &Verdict) {}
}

impl Kept {
    fn value(&self, column: &str) -> Value {
        self.rows[0].0.get(column).cloned().unwrap_or_default()
    }

    fn number(&self, column: &str) -> f64 {
        self.value(column)
            .as_f64()
            .unwrap_or_else(|| panic!("{column} is {:?}: {:?}", self.value(column), self.rows[0]))
    }

    fn text(&self, column: &str) -> String {
        self.value(column).as_str().unwrap_or_default().to_owned()
    }
}

fn run(
    scan: &Raster<u16>,
    dpi: f64,
    bits: u8,
    sheet: Option<Size>,
    settings: &serde_json::Value,
) -> Result<Kept, StageError> {
    run_file(scan, (dpi, bits, 1), sheet, settings)
}

/// `file`: resolution, bits a sample, pixels to a side that share one colour.
fn run_file(
    scan: &Raster<u16>,
    (dpi, bits, colour_step): (f64, u8, usize),
    sheet: Option<Size>,
    settings: &serde_json::Value,
) -> Result<Kept, StageError> {
    let project = Project {
        sheet,
        ..Project::default()
    };
    let stage = ScanCheck::new(settings, &project, &BTreeMap::new())?;
    let impression = Impression {
        sheet: 1,
        file: "a.tif".to_owned(),
        impression: "a".to_owned(),
        edition: String::new(),
        year: None,
        position: None,
        role: Role::Run,
    };
    let info = ScanInfo {
        width: scan.width(),
        height: scan.height(),
        channels: scan.channels(),
        bits,
        dpi: Dpi::square(dpi),
        dpi_source: "config".to_owned(),
        colour: "sRGB (untagged)".to_owned(),
        format: "TIFF".to_owned(),
        colour_step,
        sha256: String::new(),
    };
    let mut kept = Kept::default();
    stage.measure(
        Measure {
            impression: &impression,
            info: &info,
            scan: scan.view(),
            tables: &[],
            images: &[],
        },
        &mut kept,
    )?;
    Ok(kept)
}

#[test]
fn settings_are_checked_and_described() {
    let new = |v: serde_json::Value| ScanCheck::new(&v, &Project::default(), &BTreeMap::new());
    assert!(new(json!({})).is_ok() && new(serde_json::Value::Null).is_ok());
    assert!(new(json!({"resolution_tolerance": 2})).is_err());
    let manifest = ScanCheck::manifest();
    let properties = &manifest.settings["properties"];
    assert!(properties["target"].is_object() && properties["line_wear_dpi"].is_object());
    for c in &manifest.gives.tables[0].columns {
        assert!(
            c.description.ends_with('.') || c.description.ends_with(')'),
            "{c:?}"
        );
    }
}

#[test]
fn odd_scans_are_refused_with_the_reason_or_answered_without_a_panic() {
    let tiny = Raster::<u16>::new(20, 30, 3);
    let reason = run(&tiny, 300.0, 8, None, &json!({})).err().unwrap().0;
    assert!(reason.contains("20 x 30"), "{reason}");
    let two = Raster::<u16>::new(100, 100, 2);
    assert!(run(&two, 300.0, 8, None, &json!({})).is_err());
    for (w, h) in [(64, 64), (70, 3000), (3000, 70), (481, 479)] {
        for v in [0, 30000, 65535] {
            for channels in [1, 3] {
                let scan = Raster::from_vec(w, h, channels, vec![v; w * h * channels]).unwrap();
                let kept = run(&scan, 300.0, 8, None, &json!({})).unwrap();
                assert_eq!(kept.value("mtf50_across_cy_px"), Value::Null);
                assert!(!kept.text("focus_reason").is_empty());
            }
        }
    }
}
