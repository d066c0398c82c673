//! A small run written out whole: file names, CSV, data package, `run.json`
//! and the page, byte by byte against `golden/`. After a wanted change:
//! `RESTRIKE_BLESS=1 cargo test -p restrike-report`.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Command;

use restrike_model::{
    ColumnSpec, Dpi, Impression, Level, Mark, Picture, Point, Raster, Role, ScanInfo, Scope,
    TableSpec, Tone, Value,
};
use restrike_report::datapackage::Package;
use restrike_report::picture::{Base, Options, render};
use restrike_report::runjson::{
    Circumstances, NotMeasured, Note, Program, RunRecord, ScanRecord, StageRecord,
};
use restrike_report::{ReportError, Writer};
use serde_json::{Value as Json, json};

// The sheet's own columns, as the engine puts them before a stage's.

/// Their declarations.
fn sheet_columns() -> Vec<ColumnSpec> {
    vec![
        ColumnSpec::integer("sheet", "", "Place of the sheet in the sheet list, from 1."),
        ColumnSpec::text("impression", "Name or number of the impression."),
        ColumnSpec::text("edition", "Edition the impression belongs to."),
        ColumnSpec::integer("year", "", "Year of printing."),
        ColumnSpec::integer("position", "", "Place of the sheet in the stack, from 1."),
    ]
}

/// Their values for one impression.
fn sheet_values(impression: &Impression) -> Vec<Value> {
    let text = |s: &str| {
        if s.is_empty() {
            Value::Null
        } else {
            Value::from(s)
        }
    };
    vec![
        impression.sheet.into(),
        text(&impression.impression),
        text(&impression.edition),
        impression.year.map(i64::from).into(),
        impression.position.into(),
    ]
}

/// A stage's table as it is written: with the sheet's columns first where its
/// scope is a sheet.
fn with_sheet_columns(spec: &TableSpec) -> TableSpec {
    let mut spec = spec.clone();
    if spec.scope == Scope::Sheet {
        let own = std::mem::take(&mut spec.columns);
        spec.columns = sheet_columns();
        spec.columns
            .extend(own.into_iter().filter(|c| c.name != "sheet"));
    }
    spec
}

fn impression(sheet: usize, name: &str) -> Impression {
    Impression {
        sheet,
        file: format!("scans/{name}.tif"),
        impression: name.into(),
        edition: "1978".into(),
        year: Some(1978),
        position: (sheet != 2).then_some(sheet as i64 * 10),
        role: Role::Run,
    }
}

fn skew() -> TableSpec {
    TableSpec {
        name: "deskew".into(),
        title: "Where the sheet lies in the scan".into(),
        scope: Scope::Sheet,
        internal: false,
        columns: vec![
            ColumnSpec::text("image", "Image on the sheet."),
            ColumnSpec::number(
                "angle_deg",
                "degree",
                4,
                "Turn of the sheet, counter-clockwise.",
            ),
            ColumnSpec {
                decimals: None,
                ..ColumnSpec::number("scale", "", 0, "Scale against the stated resolution.")
            },
            ColumnSpec::integer("edges", "", "Edges found."),
            ColumnSpec::boolean("border_found", "Whether the border line was found."),
        ],
    }
}

fn skew_rows() -> Vec<Vec<Value>> {
    let row = |sheet: usize, name: &str, own: [Value; 5]| {
        let mut row = sheet_values(&impression(sheet, name));
        row.extend(own);
        row
    };
    vec![
        row(
            1,
            "Heron 1978/3",
            [
                "left".into(),
                (-0.00004).into(),
                (0.1 + 0.2).into(),
                4_i64.into(),
                true.into(),
            ],
        ),
        row(
            1,
            "Heron 1978/3",
            [
                "right, \"upper\"\nproof".into(),
                12.345_65.into(),
                1e-9.into(),
                Value::Null,
                false.into(),
            ],
        ),
        row(
            2,
            "=鷺",
            [
                "left".into(),
                Value::Integer(2),
                f64::NAN.into(),
                (-4_i64).into(),
                Value::Null,
            ],
        ),
    ]
}

fn summary() -> TableSpec {
    TableSpec {
        name: "Deskew: Summary".into(),
        title: "The run as a whole".into(),
        scope: Scope::Run,
        internal: false,
        columns: vec![ColumnSpec::number(
            "spread_deg",
            "degree",
            3,
            "Spread of the turns.",
        )],
    }
}

fn scan(sheet: usize, name: &str, measured: bool) -> ScanRecord {
    ScanRecord {
        impression: impression(sheet, name),
        sha256: measured.then(|| "ab".repeat(32)),
        info: measured.then(|| ScanInfo {
            width: 2400,
            height: 1650,
            channels: 3,
            bits: 8,
            dpi: Dpi::square(300.0),
            dpi_source: "XResolution".into(),
            colour: "sRGB (untagged)".into(),
            format: "TIFF, LZW".into(),
            colour_step: 1,
            sha256: "ab".repeat(32),
        }),
        measured,
    }
}

fn record() -> RunRecord {
    RunRecord {
        program: Program {
            name: "restrike".into(),
            version: "0.1.0".into(),
            abi_version: 1,
        },
        design: "Heron at the salt pans".into(),
        settings: json!({"stages": ["deskew"], "design": "Heron at the salt pans"}),
        stages: vec![StageRecord {
            name: "deskew".into(),
            version: "0.1.0".into(),
            summary: "Finds the sheet in the scan.".into(),
            library: "librestrike_deskew.so".into(),
            library_sha256: "cd".repeat(32),
            settings: json!({"split": true, "edge": {"z": 1, "a": 2}}),
            tables: vec!["deskew".into(), "Deskew: Summary".into()],
        }],
        scans: vec![scan(1, "Heron 1978/3", true), scan(2, "=鷺", false)],
        not_measured: vec![NotMeasured {
            sheet: Some(2),
            stage: Some("deskew".into()),
            status: "blank".into(),
            reason: "No printed edge: <0.1 % of the sheet is darker than paper & bed.".into(),
        }],
        notes: vec![
            Note {
                level: Level::Info,
                stage: None,
                sheet: None,
                text: "2 scans read.".into(),
            },
            Note {
                level: Level::Warning,
                stage: Some("deskew".into()),
                sheet: Some(1),
                text: "The lower edge is torn.".into(),
            },
        ],
        circumstances: None,
    }
}

fn package() -> Package {
    Package {
        name: "Heron at the salt pans".into(),
        title: "Heron at the salt pans".into(),
        description: "Stack check of the 1978 edition.".into(),
    }
}

fn write_run(folder: &Path) {
    let mut writer = Writer::new(folder).unwrap();
    let picture = Picture {
        name: "overlay".into(),
        caption: "Edges that were \"found\" & kept.".into(),
        base: "scan".into(),
        frame: None,
        marks: vec![Mark::Cross {
            at: Point::new(20.0, 20.0),
            tone: Tone::Measured,
        }],
    };
    let base = Raster::from_vec(60, 40, 1, vec![40000_u16; 2400]).unwrap();
    let options = Options {
        long_side_px: Some(120),
        ..Options::default()
    };
    let rendered = render(&picture, Base::Light(base.view()), &options).unwrap();
    let pictures: Vec<_> = [
        Some(impression(1, "Heron 1978/3")),
        Some(impression(2, "=鷺")),
        None,
    ]
    .iter()
    .map(|i| {
        writer
            .picture("deskew", i.as_ref(), &picture, &rendered)
            .unwrap()
    })
    .collect();
    let spec = with_sheet_columns(&skew());
    writer.table("deskew", &spec, skew_rows()).unwrap();
    writer
        .table("deskew", &summary(), [[Value::Number(0.25)]])
        .unwrap();
    writer.finish(&package(), &record(), &pictures).unwrap();
}

fn files(folder: &Path) -> Vec<String> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(&at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let relative = path.strip_prefix(folder).unwrap();
                found.push(relative.to_str().unwrap().replace('\\', "/"));
            }
        }
    }
    found.sort();
    found
}

#[test]
fn a_run_is_written_as_the_golden_files_have_it() {
    let folder = tempfile::tempdir().unwrap();
    write_run(folder.path());
    let names = files(folder.path());
    assert_eq!(
        names,
        [
            "datapackage.json",
            "index.html",
            "pictures/deskew/001-heron-1978-3-overlay.png",
            "pictures/deskew/002-overlay.png",
            "pictures/deskew/run-overlay.png",
            "run.json",
            "tables/deskew-summary.csv",
            "tables/deskew.csv",
            "tables/pictures.csv",
        ]
    );
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    for name in names.iter().filter(|n| !n.ends_with(".png")) {
        let got = std::fs::read(folder.path().join(name)).unwrap();
        let kept = golden.join(name.rsplit('/').next().unwrap());
        if std::env::var_os("RESTRIKE_BLESS").is_some() {
            std::fs::create_dir_all(&golden).unwrap();
            std::fs::write(&kept, &got).unwrap();
        }
        let expected = std::fs::read(&kept).unwrap_or_default();
        assert_eq!(
            String::from_utf8_lossy(&got),
            String::from_utf8_lossy(&expected),
            "{name} is not as {}: run with RESTRIKE_BLESS=1 if this is wanted",
            kept.display()
        );
    }
}

#[test]
fn two_writings_are_the_same_to_the_byte() {
    let [a, b] = [(); 2].map(|()| tempfile::tempdir().unwrap());
    write_run(a.path());
    write_run(b.path());
    for name in files(a.path()) {
        let read = |f: &Path| std::fs::read(f.join(&name)).unwrap();
        assert_eq!(read(a.path()), read(b.path()), "{name}");
    }
}

#[test]
fn what_changes_from_run_to_run_has_its_own_part() {
    let plain = record();
    let mut timed = record();
    timed.circumstances = Some(Circumstances {
        started: Some("2026-04-01T09:00:00Z".into()),
        seconds: Some(12.5),
        threads: Some(2),
        ..Circumstances::default()
    });
    let parse = |r: &RunRecord| -> Json { serde_json::from_slice(&r.to_bytes().unwrap()).unwrap() };
    let mut with = parse(&timed);
    with.as_object_mut()
        .unwrap()
        .remove("circumstances")
        .unwrap();
    assert_eq!(with, parse(&plain));
    let back: RunRecord = serde_json::from_slice(&timed.to_bytes().unwrap()).unwrap();
    assert_eq!(back, timed);
}

/// Reads RFC 4180 (<https://www.rfc-editor.org/rfc/rfc4180>) by its grammar,
/// with a line feed for its CRLF, sharing nothing with the writer.
fn parse_csv(text: &str) -> Vec<Vec<String>> {
    let mut records = vec![vec![String::new()]];
    let mut quoted = false;
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        let record = records.last_mut().unwrap();
        match c {
            '"' if quoted && chars.peek() == Some(&'"') => {
                chars.next();
                record.last_mut().unwrap().push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => record.push(String::new()),
            '\n' if !quoted => records.push(vec![String::new()]),
            c => record.last_mut().unwrap().push(c),
        }
    }
    assert!(!quoted, "open quote");
    assert_eq!(
        records.pop(),
        Some(vec![String::new()]),
        "ends with a line feed"
    );
    records
}

/// What the Data Package standard asks of this descriptor: version 2.0,
/// <https://datapackage.org/standard/data-package/>, `/data-resource/`,
/// `/table-dialect/`, `/table-schema/`, `/glossary/` (URL or Path) there, and
/// version 1 where it is stricter (name pattern of the JSON Schema of
/// <https://specs.frictionlessdata.io/data-resource/>).
fn check_descriptor(folder: &Path) {
    let text = std::fs::read_to_string(folder.join("datapackage.json")).unwrap();
    let package: Json = serde_json::from_str(&text).unwrap();
    let name_is_plain = |n: &Json| {
        let n = n.as_str().unwrap();
        let plain = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b"._-".contains(&b);
        assert!(!n.is_empty() && n.bytes().all(plain), "{n}");
        n.to_owned()
    };
    assert_eq!(
        package["$schema"],
        "https://datapackage.org/profiles/2.0/datapackage.json"
    );
    name_is_plain(&package["name"]);
    assert!(package["title"].is_string());
    let resources = package["resources"].as_array().unwrap();
    assert!(!resources.is_empty(), "at least one resource");
    let mut names = BTreeSet::new();
    for resource in resources {
        assert!(
            names.insert(name_is_plain(&resource["name"])),
            "unique name"
        );
        assert!(resource.get("data").is_none(), "path or data, not both");
        let path = resource["path"].as_str().unwrap();
        // A relative POSIX path, not absolute, not upwards, no hidden folder.
        assert!(!path.starts_with('/') && !path.contains('\\') && !path.contains("://"));
        assert!(
            path.split('/')
                .all(|p| !p.is_empty() && !p.starts_with('.'))
        );
        let bytes = std::fs::read(folder.join(path)).unwrap();
        if resource["type"] == "table" {
            check_table(resource, &bytes);
        }
    }
}

fn check_table(resource: &Json, bytes: &[u8]) {
    assert_eq!(resource["bytes"], bytes.len());
    use sha2::Digest as _;
    let digest = sha2::Sha256::digest(bytes);
    let hex: String = digest.iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(resource["hash"], format!("sha256:{hex}"));
    let dialect = &resource["dialect"];
    assert_eq!(dialect["delimiter"], ",");
    assert_eq!(dialect["lineTerminator"], "\n");
    assert_eq!(dialect["header"], true);
    let schema = &resource["schema"];
    assert_eq!(schema["missingValues"], json!([""]));
    let fields = schema["fields"].as_array().unwrap();
    let records = parse_csv(std::str::from_utf8(bytes).unwrap());
    let mut names = BTreeSet::new();
    for (field, header) in fields.iter().zip(&records[0]) {
        assert_eq!(field["name"], header.as_str());
        assert!(names.insert(header), "unique field names");
        assert!(!field["description"].as_str().unwrap().is_empty());
    }
    for record in &records[1..] {
        assert_eq!(record.len(), fields.len());
        for (field, cell) in fields.iter().zip(record) {
            if cell.is_empty() {
                assert_ne!(field["constraints"]["required"], true, "{field}");
                continue;
            }
            let fits = match field["type"].as_str().unwrap() {
                "boolean" => cell == "true" || cell == "false",
                "integer" => cell.parse::<i64>().is_ok(),
                "number" => cell
                    .bytes()
                    .all(|b| b.is_ascii_digit() || b"+-.E".contains(&b)),
                "string" => true,
                other => panic!("{other} is no type of the standard"),
            };
            assert!(fits, "{field}: {cell}");
        }
    }
}

#[test]
fn the_descriptor_keeps_to_the_standard() {
    let folder = tempfile::tempdir().unwrap();
    write_run(folder.path());
    check_descriptor(folder.path());
    let text = std::fs::read_to_string(folder.path().join("datapackage.json")).unwrap();
    let package: Json = serde_json::from_str(&text).unwrap();
    let fields = &package["resources"][0]["schema"]["fields"];
    assert_eq!(
        fields[6],
        json!({
            "name": "angle_deg",
            "type": "number",
            "description": "Turn of the sheet, counter-clockwise.",
            "unit": "degree",
        })
    );
    assert_eq!(
        fields[0]["constraints"],
        json!({"required": true, "minimum": 1})
    );
}

/// The standard's own program, where it is installed.
#[test]
fn the_standards_own_validator_agrees() {
    let folder = tempfile::tempdir().unwrap();
    write_run(folder.path());
    let answer = Command::new("frictionless")
        .arg("validate")
        .arg("datapackage.json")
        .current_dir(folder.path())
        .output();
    match answer {
        Err(_) => println!("not run: `pip install frictionless` puts the validator on the path"),
        Ok(output) => assert!(
            output.status.success(),
            "{}{}",
            String::from_utf8_lossy(&output.stdout),
            String::from_utf8_lossy(&output.stderr)
        ),
    }
}

#[test]
fn rows_that_do_not_fit_are_named_and_leave_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::new(folder.path()).unwrap();
    let wrong = writer.table("deskew", &summary(), [[Value::from("much")]]);
    let message = wrong.unwrap_err().to_string();
    assert_eq!(
        message,
        "table `Deskew: Summary`, row 1, column `spread_deg`: Text(\"much\") is no number"
    );
    let short = writer.table("deskew", &summary(), [Vec::<Value>::new()]);
    assert!(
        short
            .unwrap_err()
            .to_string()
            .contains("0 cells for 1 columns")
    );
    assert_eq!(files(folder.path()), [""; 0]);

    writer.table("deskew", &summary(), [[Value::Null]]).unwrap();
    let mut twin = summary();
    twin.name = "deskew summary".into();
    let error = writer.table("deskew", &twin, [[Value::Null]]).unwrap_err();
    assert!(matches!(error, ReportError::SameTable { .. }), "{error}");
    let internal = TableSpec {
        internal: true,
        ..summary()
    };
    assert_eq!(
        writer.table("deskew", &internal, [[Value::Null]]).unwrap(),
        None
    );
    // One empty cell is a record of its own, not an empty line.
    let text = std::fs::read_to_string(folder.path().join("tables/deskew-summary.csv")).unwrap();
    assert_eq!(text, "spread_deg\n\"\"\n");
}
