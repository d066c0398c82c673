//! The whole stage on 100,000 sheets with 50 columns.

// The stage is a shared library that nothing can link to: its source is taken in.
#[path = "../src/assess.rs"]
mod assess;
#[path = "../src/charts.rs"]
mod charts;
#[path = "../src/choose.rs"]
mod choose;
#[path = "../src/copies.rs"]
mod copies;
#[path = "../src/editions.rs"]
mod editions;
#[path = "../src/model.rs"]
mod model;
#[path = "../src/plots.rs"]
mod plots;
#[path = "../src/series.rs"]
mod series;
#[path = "../src/settings.rs"]
mod settings;
#[path = "../src/stage.rs"]
mod stage;
#[path = "../src/tables.rs"]
mod tables;
#[path = "../src/words.rs"]
mod words;

use std::collections::BTreeMap;

use restrike_stage::{
    ImageView, Impression, Level, Output, Picture, Project, Role, Row, Stage, StageError, Summary,
    Table, Value, Verdict,
};

fn main() {
    divan::main();
}

/// Counts what it is given.
#[derive(Default)]
struct Counter {
    rows: usize,
}

impl Output for Counter {
    fn row(&mut self, _: &str, _: Row) -> Result<(), StageError> {
        self.rows += 1;
        Ok(())
    }
    fn image(&mut self, _: &str, _: ImageView<'_, f32>) -> Result<(), StageError> {
        Ok(())
    }
    fn picture(&mut self, _: &Picture) -> Result<(), StageError> {
        Ok(())
    }
    fn record(&mut self, _: &str, _: &[u8]) -> Result<(), StageError> {
        Ok(())
    }
    fn note(&mut self, _: Level, _: &str) {}
    fn not_measured(&mut self, _: &Verdict) {}
}

/// A table of normal-like numbers; every fifth column steps, every seventh creeps.
fn table(sheets: usize, columns: usize) -> (Vec<Impression>, Table) {
    let impressions = (1..=sheets)
        .map(|n| Impression {
            sheet: n,
            file: String::new(),
            impression: n.to_string(),
            edition: "reprint".into(),
            year: Some(2026),
            position: i64::try_from(n).ok(),
            role: Role::Run,
        })
        .collect();
    let mut s = 1_u64;
    let mut normal = || {
        (0..12)
            .map(|_| {
                s = s.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                (s >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    };
    let rows = (1..=sheets)
        .map(|n| {
            let mut row = vec![Value::from(n)];
            row.extend((0..columns).map(|c| {
                let step = if c % 5 == 0 && n > sheets / 3 {
                    0.5
                } else {
                    0.0
                };
                let creep = if c % 7 == 0 {
                    n as f64 / sheets as f64
                } else {
                    0.0
                };
                Value::Number(normal() + step + creep)
            }));
            row
        })
        .collect();
    let names = (0..columns).map(|c| format!("shift_{c}_mm"));
    let table = Table {
        name: "long".into(),
        columns: std::iter::once("sheet".to_owned()).chain(names).collect(),
        rows,
    };
    (impressions, table)
}

#[divan::bench(args = [(1_000, 50), (10_000, 50), (100_000, 50)], sample_count = 1, sample_size = 1)]
fn summarise(bencher: divan::Bencher<'_, '_>, (sheets, columns): (usize, usize)) {
    let (impressions, table) = table(sheets, columns);
    let stage = stage::Drift::new(
        &serde_json::Value::Null,
        &Project::default(),
        &BTreeMap::new(),
    );
    let tables = [table];
    bencher.bench_local(|| {
        let mut out = Counter::default();
        let input = Summary {
            impressions: &impressions,
            tables: &tables,
        };
        let done = stage.as_ref().map(|s| s.summarise(input, &mut out));
        assert!(matches!(done, Ok(Ok(()))) && out.rows >= columns);
    });
}
