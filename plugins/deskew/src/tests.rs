//! Small sheets drawn analytically, and the stage's answers to bad input.

use std::collections::BTreeMap;

use restrike_stage::{
    Dpi, ImageArea, ImageView, Impression, Level, Measure, Output, Picture, Point, Project, Raster,
    Role, Row, ScanInfo, Size, Stage, StageError, Value, Verdict,
};

use crate::Deskew;
use crate::tables::{IMAGES, SHEETS};

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
        colour_step: 1,
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

/// A sheet drawn by signed distances: paper on a bed, a border line round an
/// image, both turned by the same angle. Lengths in px, y down, angle as seen.
struct Drawn {
    size: (usize, usize),
    centre: (f64, f64),
    degrees: f64,
    sheet: (f64, f64),
    image: (f64, f64),
    line: f64,
    bed: f64,
}

impl Drawn {
    fn typical() -> Self {
        Self {
            size: (900, 660),
            centre: (447.3, 331.8),
            degrees: 1.37,
            sheet: (800.0, 560.0),
            image: (640.0, 420.0),
            line: 4.0,
            bed: 0.04,
        }
    }

    /// Corners of a rectangle of this size: upper left, upper right, lower right, lower left.
    fn corners(&self, size: (f64, f64)) -> [(f64, f64); 4] {
        let (s, c) = libm::sincos(self.degrees.to_radians());
        [(-0.5, 0.5), (0.5, 0.5), (0.5, -0.5), (-0.5, -0.5)].map(|(a, b)| {
            let (x, y) = (a * size.0, b * size.1);
            (
                self.centre.0 + c * x - s * y,
                self.centre.1 - (s * x + c * y),
            )
        })
    }

    fn draw(&self, channels: usize) -> Raster<u16> {
        let (s, c) = libm::sincos(self.degrees.to_radians());
        let mut scan = Raster::new(self.size.0, self.size.1, channels);
        let inside = |x: f64, y: f64, size: (f64, f64)| {
            let d = (size.0 / 2.0 - x.abs()).min(size.1 / 2.0 - y.abs());
            (0.5 + d).clamp(0.0, 1.0)
        };
        for j in 0..self.size.1 {
            for i in 0..self.size.0 {
                let (dx, dy) = (
                    i as f64 + 0.5 - self.centre.0,
                    -(j as f64 + 0.5 - self.centre.1),
                );
                let (x, y) = (c * dx + s * dy, c * dy - s * dx);
                let outer = inside(x, y, self.image);
                let inner = inside(
                    x,
                    y,
                    (
                        self.image.0 - 2.0 * self.line,
                        self.image.1 - 2.0 * self.line,
                    ),
                );
                // Bars for content, so that the sheet is not blank.
                let bar = if libm::sin(x * 0.11 + 0.05 * y) > 0.6 {
                    0.4
                } else {
                    0.0
                };
                let ink = (outer - inner).max(inner * bar);
                let paper = 0.75 * (1.0 - 0.95 * ink);
                let v = self.bed + (paper - self.bed) * inside(x, y, self.sheet);
                for k in 0..channels {
                    scan.set(i, j, k, (v * 65535.0).round() as u16);
                }
            }
        }
        scan
    }

    /// The project at 100 dpi.
    fn project(&self) -> Project {
        let mm = |px: f64| px * 0.254;
        Project {
            sheet: Some(Size {
                width_mm: mm(self.sheet.0),
                height_mm: mm(self.sheet.1),
            }),
            images: vec![ImageArea {
                name: "whole".to_owned(),
                x_mm: 0.0,
                y_mm: 0.0,
                width_mm: mm(self.image.0),
                height_mm: mm(self.image.1),
                border: self.line > 0.0,
            }],
            ..Project::default()
        }
    }
}

fn run(
    scan: &Raster<u16>,
    dpi: f64,
    project: &Project,
    settings: &serde_json::Value,
) -> Result<Capture, StageError> {
    let stage = Deskew::new(settings, project, &BTreeMap::new())?;
    let imp = impression(1, "drawn.tif", Role::Run);
    let inf = info(scan, dpi);
    let mut out = Capture::default();
    stage.measure(measure(&imp, &inf, scan), &mut out)?;
    Ok(out)
}

fn worst_corner(out: &Capture, table: &str, prefix: &str, truth: [(f64, f64); 4]) -> f64 {
    let row = out.table(table).next().unwrap();
    ["upper_left", "upper_right", "lower_right", "lower_left"]
        .iter()
        .zip(truth)
        .map(|(name, (x, y))| {
            let dx = number(row, &format!("{prefix}{name}_x_px")).unwrap() - x;
            let dy = number(row, &format!("{prefix}{name}_y_px")).unwrap() - y;
            dx.abs().max(dy.abs())
        })
        .fold(0.0, f64::max)
}

#[test]
fn corners_and_angle_of_a_drawn_sheet() {
    for (channels, bed, degrees) in [
        (1, 0.04, 1.37),
        (3, 0.04, -0.4),
        (3, 0.95, 2.9),
        (1, 0.02, 0.0),
        (3, 0.04, -8.0),
    ] {
        let drawn = Drawn {
            bed,
            degrees,
            ..Drawn::typical()
        };
        let out = run(
            &drawn.draw(channels),
            100.0,
            &drawn.project(),
            &serde_json::json!({}),
        )
        .unwrap();
        assert!(out.verdicts.is_empty(), "{:?}", out.verdicts);
        let angle = out.number(IMAGES, "rotation_deg").unwrap();
        assert!((angle - degrees).abs() < 0.003, "{degrees}: {angle}");
        let angle = out.number(SHEETS, "sheet_rotation_deg").unwrap();
        assert!((angle - degrees).abs() < 0.003, "{degrees}: paper {angle}");
        let worst = worst_corner(&out, IMAGES, "", drawn.corners(drawn.image));
        // At 100 dpi the 0.5 mm border line is two pixels wide.
        assert!(worst < 0.2, "{degrees}: {worst}");
        let worst = worst_corner(&out, SHEETS, "sheet_", drawn.corners(drawn.sheet));
        assert!(worst < 0.13, "{degrees}: paper {worst}");
        // The transform takes the scan's place of a print point back to it.
        let row = out.table(IMAGES).next().unwrap();
        let m =
            ["a", "b", "c", "d", "e", "f"].map(|k| number(row, &format!("to_print_{k}")).unwrap());
        let map = restrike_stage::Affine(m);
        let (x, y) = drawn.corners(drawn.image)[1];
        let p = map.apply(Point::new(x, y));
        let want = Point::new(drawn.image.0 * 0.127, drawn.image.1 * 0.127);
        // A fifth of a pixel, as the corners.
        assert!(p.distance(want) < 0.05, "{p:?} {want:?}");
        assert_eq!(out.pictures.len(), 2);
    }
}

#[test]
fn an_image_without_border_is_tied_to_the_paper() {
    let mut drawn = Drawn::typical();
    drawn.line = 0.0;
    let scan = drawn.draw(1);
    for border in [false, true] {
        let mut project = drawn.project();
        project.images[0].border = border;
        let out = run(&scan, 100.0, &project, &serde_json::json!({})).unwrap();
        let row = out.table(IMAGES).next().unwrap();
        assert_eq!(row.0["border_found"], Value::Boolean(false));
        assert_eq!(words(row, "angle_source"), "paper");
        assert_eq!(words(row, "frame"), "paper");
        assert!(!words(row, "remark").is_empty());
        assert_eq!(number(row, "scale_x"), None);
        assert!((number(row, "rotation_deg").unwrap() - drawn.degrees).abs() < 0.003);
        let out = run(
            &scan,
            100.0,
            &project,
            &serde_json::json!({"angle": "border"}),
        )
        .unwrap();
        let row = out.table(IMAGES).next().unwrap();
        assert_eq!(number(row, "rotation_deg"), None);
        assert!(words(row, "remark").contains("no border line"));
    }
}

#[test]
fn sheets_that_lie_wrong_or_in_part_are_refused_with_the_number() {
    let drawn = Drawn::typical();
    let scan = drawn.draw(1);
    let mut project = drawn.project();
    let size = project.sheet.unwrap();
    project.sheet = Some(Size {
        width_mm: size.height_mm,
        height_mm: size.width_mm,
    });
    let out = run(&scan, 100.0, &project, &serde_json::json!({})).unwrap();
    assert_eq!(out.verdicts[0].status, "turned");
    assert!(out.rows.is_empty());

    let mut cut = drawn.draw(1);
    let view = restrike_stage::ImageView::new(scan.data(), 700, 660, 1, 900).unwrap();
    let rows: Vec<u16> = (0..660).flat_map(|y| view.row(y).to_vec()).collect();
    cut = Raster::from_vec(700, 660, 1, rows).unwrap_or(cut);
    let out = run(&cut, 100.0, &drawn.project(), &serde_json::json!({})).unwrap();
    assert_eq!(out.verdicts[0].status, "crop");
    assert!(
        out.verdicts[0].reason.contains("right side"),
        "{:?}",
        out.verdicts
    );
    assert!(out.rows.is_empty());
}

#[test]
fn a_wrong_resolution_is_flagged_and_not_rescaled() {
    let drawn = Drawn::typical();
    let out = run(
        &drawn.draw(1),
        150.0,
        &drawn.project(),
        &serde_json::json!({}),
    )
    .unwrap();
    assert!(out.verdicts.is_empty(), "{:?}", out.verdicts);
    let note = &out.notes.iter().find(|n| n.0 == Level::Warning).unwrap().1;
    assert!(note.contains("resolution"), "{note}");
    let scale = out.number(IMAGES, "scale_x").unwrap();
    assert!((scale - 100.0 / 150.0).abs() < 0.001, "{scale}");
}

#[test]
fn a_plain_sheet_is_blank() {
    let mut drawn = Drawn::typical();
    drawn.image = (0.0, 0.0);
    drawn.line = 0.0;
    let project = Project {
        sheet: drawn.project().sheet,
        ..Project::default()
    };
    let out = run(&drawn.draw(3), 100.0, &project, &serde_json::json!({})).unwrap();
    assert_eq!(out.verdicts[0].status, "blank");
    assert!(out.verdicts[0].reason.contains("contrast"));
}

#[test]
fn odd_scans_are_answered_without_a_panic() {
    let project = Drawn::typical().project();
    let mut state = 1_u64;
    let mut noise = || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 48) as u16
    };
    let mut scans = vec![
        Raster::<u16>::new(0, 0, 1),
        Raster::<u16>::new(1, 5000, 3),
        Raster::<u16>::new(47, 400, 1),
        Raster::<u16>::new(300, 200, 1),
        Raster::from_vec(300, 200, 3, vec![u16::MAX; 180_000]).unwrap(),
        Raster::from_vec(48, 3000, 1, vec![30_000; 144_000]).unwrap(),
    ];
    scans.push(Raster::from_vec(200, 150, 3, (0..90_000).map(|_| noise()).collect()).unwrap());
    for scan in &scans {
        for p in [&project, &Project::default()] {
            for dpi in [1.0, 72.0, 100.0, 4800.0, f64::NAN, 0.0] {
                if let Ok(out) = run(scan, dpi, p, &serde_json::json!({})) {
                    for row in out.table(IMAGES) {
                        assert_eq!(
                            row.0["border_found"],
                            Value::Boolean(false),
                            "{}x{} {dpi}",
                            scan.width(),
                            scan.height()
                        );
                    }
                }
            }
        }
    }
    assert!(
        run(&scans[2], 100.0, &project, &serde_json::json!({}))
            .unwrap_err()
            .0
            .contains("48")
    );
    assert!(
        run(&scans[3], f64::NAN, &project, &serde_json::json!({}))
            .unwrap_err()
            .0
            .contains("resolution")
    );
}

#[test]
fn settings_that_are_not_known_are_refused() {
    let project = Project::default();
    let none = BTreeMap::new();
    assert!(Deskew::new(&serde_json::json!({"angel": "auto"}), &project, &none).is_err());
    assert!(
        Deskew::new(
            &serde_json::json!({"angle": "paper", "bed": "dark"}),
            &project,
            &none
        )
        .is_ok()
    );
    let schema = Deskew::manifest().settings;
    assert!(schema["properties"]["max_rotation_deg"].is_object());
}

#[test]
fn a_record_that_is_broken_or_newer_is_refused() {
    let read = |text: &str| {
        let records = BTreeMap::from([("deskew-identity".to_owned(), text.as_bytes().to_vec())]);
        Deskew::new(&serde_json::json!({}), &Project::default(), &records).map(|_| ())
    };
    assert!(read("not json").is_err());
    let good = serde_json::json!({
        "kind": "x", "version": 1, "design": "", "mm_per_px": 1.0, "width": 16, "height": 16,
        "zero": -1.0, "step": 1e-4, "samples": base64::Engine::encode(&base64::engine::general_purpose::STANDARD, [0_u8; 512]),
        "contrast": 0.2, "references": 1, "least_mutual_response": null
    });
    assert!(read(&good.to_string()).is_ok());
    let mut newer = good.clone();
    newer["version"] = 2.into();
    assert!(read(&newer.to_string()).unwrap_err().0.contains("newer"));
    let mut short = good;
    short["width"] = 17.into();
    assert!(read(&short.to_string()).is_err());
}

#[test]
fn every_repeat_is_named_after_the_first_of_its_kind() {
    use crate::duplicate::{SAMPLES, find};
    let mut state = 7_u64;
    let mut deviate = |spread: f64| {
        let mut sum = 0.0;
        for _ in 0..4 {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            sum += (state >> 40) as f64 / f64::from(1_u32 << 24) - 0.5;
        }
        sum * spread
    };
    let mut textures: Vec<Vec<i8>> = (0..200)
        .map(|_| (0..SAMPLES).map(|_| deviate(40.0) as i8).collect())
        .collect();
    for (of, at) in [(3, 50), (3, 120), (77, 199)] {
        let again: Vec<i8> = textures[of]
            .iter()
            .map(|v| (f64::from(*v) + deviate(15.0)) as i8)
            .collect();
        textures[at] = again;
    }
    let pairs: Vec<(usize, usize)> = find(&textures, 0.5)
        .iter()
        .map(|p| (p.first, p.second))
        .collect();
    assert_eq!(pairs, [(3, 50), (3, 120), (77, 199)]);
}
