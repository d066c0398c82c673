//! A stage that misbehaves as told, for the tests of the boundary.

use std::collections::BTreeMap;

use restrike_stage::serde_json::{Value as Json, json};
use restrike_stage::{
    ColumnSpec, Given, Learn, Level, Manifest, Measure, Needs, Output, Phases, Project, Row, Scope,
    Stage, StageError, Summary, TableSpec,
};

struct Unruly {
    mood: String,
    on_sheet: Option<usize>,
    learned: std::sync::Mutex<usize>,
    record: Option<Vec<u8>>,
}

impl Unruly {
    fn is(&self, mood: &str, sheet: usize) -> bool {
        self.mood == mood && self.on_sheet.is_none_or(|s| s == sheet)
    }
}

impl Stage for Unruly {
    fn manifest() -> Manifest {
        Manifest {
            name: "unruly".into(),
            version: "1-test".into(),
            summary: "Misbehaves as told.".into(),
            settings: json!({
                "type": "object",
                "additionalProperties": false,
                "properties": {
                    "mood": {
                        "type": "string",
                        "description": "What to do wrong.",
                        "enum": [
                            "good", "panic", "error", "undeclared-table", "wrong-kind",
                            "blank", "sleep", "refuse", "panic-in-create", "duplicate",
                            "panic-in-summarise",
                        ]
                    },
                    "on_sheet": { "type": "integer", "minimum": 1, "description": "On which sheet." }
                }
            }),
            needs: Needs::default(),
            gives: Given {
                tables: vec![
                    TableSpec {
                        name: "unruly".into(),
                        title: "Size of the scan".into(),
                        scope: Scope::Sheet,
                        internal: false,
                        columns: vec![
                            ColumnSpec::integer("width", "px", "Width."),
                            ColumnSpec::number(
                                "mean",
                                "",
                                6,
                                "Mean of all samples, 1 = full scale.",
                            ),
                            ColumnSpec::integer("learned", "", "References learned from."),
                        ],
                    },
                    TableSpec {
                        name: "unruly_run".into(),
                        title: "The run".into(),
                        scope: Scope::Run,
                        internal: false,
                        columns: vec![ColumnSpec::integer("rows", "", "Rows seen.")],
                    },
                ],
                records: vec!["unruly-count".into()],
                ..Given::default()
            },
            phases: Phases {
                learn: true,
                measure: true,
                summarise: true,
            },
            bytes_per_pixel: 0.0,
        }
    }

    fn new(
        settings: &Json,
        _project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let mood = settings["mood"].as_str().unwrap_or("good").to_owned();
        if mood == "refuse" {
            return Err(StageError::new("these settings make no sense together"));
        }
        assert!(mood != "panic-in-create", "told to panic while made ready");
        Ok(Self {
            mood,
            on_sheet: settings["on_sheet"].as_u64().map(|n| n as usize),
            learned: std::sync::Mutex::new(0),
            record: records.get("unruly-count").cloned(),
        })
    }

    fn learn(&self, step: Learn<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let mut n = self
            .learned
            .lock()
            .map_err(|e| StageError::new(e.to_string()))?;
        match step {
            Learn::Impression(_) => *n += 1,
            Learn::Finish => out.record("unruly-count", n.to_string().as_bytes())?,
        }
        Ok(())
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let sheet = input.impression.sheet;
        assert!(!self.is("panic", sheet), "told to panic on sheet {sheet}");
        if self.is("error", sheet) {
            return Err(StageError::new("told to fail"));
        }
        if self.is("undeclared-table", sheet) {
            return out.row("nowhere", Row::new());
        }
        if self.is("wrong-kind", sheet) {
            return out.row("unruly", Row::new().set("width", "wide"));
        }
        if self.is("blank", sheet) {
            out.not_measured(&restrike_stage::Verdict {
                sheet,
                status: "blank".into(),
                reason: "told so".into(),
            });
        }
        if self.is("sleep", sheet) {
            for _ in 0..6000 {
                if out.cancelled() {
                    break;
                }
                std::thread::sleep(std::time::Duration::from_millis(10));
            }
        }
        let scan = input.scan;
        let sum: f64 = (0..scan.height())
            .flat_map(|y| scan.row(y))
            .map(|v| f64::from(*v))
            .sum();
        let count = (scan.width() * scan.height() * scan.channels()) as f64;
        let learned = self
            .record
            .as_ref()
            .and_then(|r| std::str::from_utf8(r).ok()?.parse::<i64>().ok());
        out.note(Level::Info, "measured");
        out.row(
            "unruly",
            Row::new()
                .set("width", scan.width())
                .set("mean", sum / count / 65535.0)
                .set("learned", learned),
        )
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        assert!(
            self.mood != "panic-in-summarise",
            "told to panic at the end"
        );
        if self.mood == "duplicate" {
            out.not_measured(&restrike_stage::Verdict {
                sheet: 2,
                status: "duplicate".into(),
                reason: "of sheet 1".into(),
            });
        }
        let rows = input.table("unruly").map_or(0, |t| t.rows.len());
        out.row("unruly_run", Row::new().set("rows", rows))
    }
}

restrike_stage::export!(Unruly);
