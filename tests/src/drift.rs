//! How well the stage `drift` keeps what it promises: made-up series with known
//! truth go through the stage's library as a run's tables do.

use std::collections::BTreeMap;
use std::fmt::Write;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::{Context, Result, anyhow};
use restrike_host::{Found, Instance, Library, Search};
use restrike_model::{Impression, Project, Role, Summary, Table, Value};
use restrike_synth::rng::Rng;

/// Seed of the figures; the stage was tuned on others.
pub const SEED: u64 = 900_217;

/// Made-up series of one length.
#[derive(Debug, Clone, Copy)]
pub struct Made {
    /// Sheets.
    pub sheets: usize,
    /// Correlation of neighbours.
    pub rho: f64,
    /// Change from sheet to sheet, standard deviations.
    pub slope: f64,
    /// Jump, standard deviations, and the first sheet of the new level (from 1).
    pub step: Option<(f64, usize)>,
}

impl Made {
    fn series(&self, rng: &mut Rng) -> Vec<f64> {
        let mut last = rng.normal();
        (1..=self.sheets)
            .map(|n| {
                last = self.rho * last + (1.0 - self.rho * self.rho).sqrt() * rng.normal();
                let step = self.step.filter(|s| n >= s.1).map_or(0.0, |s| s.0);
                last + self.slope * n as f64 + step
            })
            .collect()
    }
}

/// What the stage says of a batch of series.
struct Said {
    series: Vec<BTreeMap<String, Value>>,
    changes: Vec<BTreeMap<String, Value>>,
    signals: Vec<BTreeMap<String, Value>>,
}

/// The stage, ready to be asked.
struct Asked {
    library: Arc<Library>,
    settings: serde_json::Value,
}

impl Asked {
    fn new(settings: serde_json::Value) -> Result<Self> {
        let path = Search::new(Vec::new())
            .find("drift")
            .map_err(|e| anyhow!("{e}"))?;
        let library = Library::open_as("drift", &path, None).map_err(|e| anyhow!("{e}"))?;
        Ok(Self {
            library: Arc::new(library),
            settings,
        })
    }

    fn ask(&self, made: &Made, count: usize, seed: u64) -> Result<Said> {
        let mut rng = Rng::new(seed, "drift");
        let columns: Vec<Vec<f64>> = (0..count).map(|_| made.series(&mut rng)).collect();
        let names = (0..count).map(|c| format!("v{c}"));
        let table = Table {
            name: "made".into(),
            columns: std::iter::once("sheet".to_owned()).chain(names).collect(),
            rows: (0..made.sheets)
                .map(|i| {
                    let values = columns.iter().map(|c| Value::from(c[i]));
                    std::iter::once(Value::from(i + 1)).chain(values).collect()
                })
                .collect(),
        };
        let impressions: Vec<Impression> = (1..=made.sheets)
            .map(|n| Impression {
                sheet: n,
                file: String::new(),
                impression: n.to_string(),
                edition: String::new(),
                year: None,
                position: i64::try_from(n).ok(),
                role: Role::Run,
            })
            .collect();
        let stopped = Arc::new(AtomicBool::new(false));
        let (mut instance, _) = Instance::new(
            &self.library,
            &self.settings,
            &Project::default(),
            &BTreeMap::new(),
            &stopped,
        )
        .map_err(|e| anyhow!("{e}"))?;
        let found = instance
            .summarise(Summary {
                impressions: &impressions,
                tables: &[table],
            })
            .map_err(|e| anyhow!("{e}"))?;
        Ok(Said {
            series: self.rows(&found, "drift_series")?,
            changes: self.rows(&found, "drift_changes")?,
            signals: self.rows(&found, "drift_signals")?,
        })
    }

    fn rows(&self, found: &Found, table: &str) -> Result<Vec<BTreeMap<String, Value>>> {
        let specs = &self.library.manifest().gives.tables;
        let spec = specs
            .iter()
            .find(|t| t.name == table)
            .context("no such table")?;
        let names = || spec.columns.iter().map(|c| c.name.clone());
        Ok(found
            .rows
            .iter()
            .filter(|r| r.0 == table)
            .map(|r| names().zip(r.1.iter().cloned()).collect())
            .collect())
    }
}

fn number(row: &BTreeMap<String, Value>, column: &str) -> f64 {
    row.get(column).and_then(Value::as_f64).unwrap_or(f64::NAN)
}

fn is(row: &BTreeMap<String, Value>, column: &str, text: &str) -> bool {
    row.get(column).and_then(Value::as_str) == Some(text)
}

fn share(count: usize, of: usize) -> f64 {
    100.0 * count as f64 / of.max(1) as f64
}

/// A finished report.
#[derive(Debug, Clone, PartialEq)]
pub struct Report {
    /// The figures.
    pub text: String,
    /// What is not as promised.
    pub missed: Vec<String>,
}

impl Report {
    fn new(title: &str) -> Self {
        Self {
            text: format!("{title}\n"),
            missed: Vec::new(),
        }
    }

    fn hold(&mut self, held: bool, what: String) {
        if !held {
            self.missed.push(what);
        }
    }
}

/// Lengths and correlations the intervals are tried at.
const TRIED: [(usize, f64); 9] = [
    (60, 0.0),
    (60, 0.25),
    (60, 0.5),
    (120, 0.0),
    (120, 0.25),
    (120, 0.5),
    (300, 0.0),
    (300, 0.25),
    (300, 0.5),
];

/// Share of 95 % intervals of the slope that hold the true slope.
///
/// # Errors
/// When the stage cannot be loaded or run.
pub fn slopes(count: usize) -> Result<Report> {
    let mut r = Report::new("slope: share of 95 % intervals that hold the true slope");
    let asked = Asked::new(serde_json::Value::Null)?;
    for (sheets, rho) in TRIED {
        let made = Made {
            sheets,
            rho,
            slope: 1.5 / sheets as f64,
            step: None,
        };
        let said = asked.ask(&made, count, SEED)?;
        let true_slope = 100.0 * made.slope;
        let held = said.series.iter().filter(|s| {
            number(s, "slope_per_100_sheets_low") <= true_slope
                && true_slope <= number(s, "slope_per_100_sheets_high")
        });
        let assessed = said
            .series
            .iter()
            .filter(|s| !is(s, "verdict", "not assessed"))
            .count();
        let held = share(held.count(), assessed);
        writeln!(r.text, "  {sheets:4} sheets, rho {rho:4.2}: {held:5.1} %")?;
        r.hold(
            (93.0..=97.0).contains(&held),
            format!("slope interval at {sheets}, {rho}: {held:.1} %"),
        );
    }
    Ok(r)
}

/// Share of steady series that the tests call drifting at 5 %, before the
/// adjustment for many series.
///
/// # Errors
/// When the stage cannot be loaded or run.
pub fn alarms(count: usize) -> Result<Report> {
    let mut r =
        Report::new("steady series: share with a probability under 5 %, and called drifting");
    let asked = Asked::new(serde_json::Value::Null)?;
    for (sheets, rho) in [(20, 0.0), (30, 0.0)].into_iter().chain(TRIED) {
        let made = Made {
            sheets,
            rho,
            slope: 0.0,
            step: None,
        };
        let said = asked.ask(&made, count, SEED + 1)?;
        let under = |column: &str| {
            share(
                said.series
                    .iter()
                    .filter(|s| number(s, column) < 0.05)
                    .count(),
                count,
            )
        };
        let called = said
            .series
            .iter()
            .filter(|s| is(s, "verdict", "trend") || is(s, "verdict", "step"))
            .count();
        let (trend, p) = (under("mk_p"), under("p"));
        writeln!(
            r.text,
            "  {sheets:4} sheets, rho {rho:4.2}: trend test {trend:4.1} %, trend or step {p:4.1} %, called {called} of {count}"
        )?;
        r.hold(
            p <= 7.5,
            format!("steady series at {sheets}, {rho}: {p:.1} % under 5 %"),
        );
    }
    Ok(r)
}

/// Verdict, place and size of jumps, and verdicts on trends.
///
/// # Errors
/// When the stage cannot be loaded or run.
pub fn verdicts(count: usize) -> Result<Report> {
    let mut r = Report::new("verdicts: series that jump or creep");
    let asked = Asked::new(serde_json::Value::Null)?;
    for (size, rho) in [(1.0, 0.0), (2.0, 0.0), (3.0, 0.0), (2.0, 0.3)] {
        let (sheets, at) = (120, 71);
        let made = Made {
            sheets,
            rho,
            slope: 0.0,
            step: Some((size, at)),
        };
        let said = asked.ask(&made, count, SEED + 2)?;
        let verdict = |v: &str| {
            share(
                said.series.iter().filter(|s| is(s, "verdict", v)).count(),
                count,
            )
        };
        let only: Vec<_> = said
            .changes
            .iter()
            .filter(|c| {
                said.changes
                    .iter()
                    .filter(|d| d["series"] == c["series"])
                    .count()
                    == 1
            })
            .collect();
        let near = only
            .iter()
            .filter(|c| (number(c, "sheet") - at as f64).abs() <= 2.0)
            .count();
        let held = only
            .iter()
            .filter(|c| number(c, "at_low") <= at as f64 && at as f64 <= number(c, "at_high"))
            .count();
        let mean = only.iter().map(|c| number(c, "size")).sum::<f64>() / only.len().max(1) as f64;
        writeln!(
            r.text,
            "  jump of {size} sigma at sheet {at} of {sheets}, rho {rho}: step {:.1} %, trend {:.1} %; one change in {:.1} %, \
             within 2 sheets {:.1} %, interval holds it {:.1} %, mean size {mean:.2}",
            verdict("step"),
            verdict("trend"),
            share(only.len(), count),
            share(near, only.len()),
            share(held, only.len()),
        )?;
    }
    for total in [1.0, 2.0, 4.0] {
        let made = Made {
            sheets: 120,
            rho: 0.0,
            slope: total / 120.0,
            step: None,
        };
        let said = asked.ask(&made, count, SEED + 3)?;
        let verdict = |v: &str| {
            share(
                said.series.iter().filter(|s| is(s, "verdict", v)).count(),
                count,
            )
        };
        writeln!(
            r.text,
            "  creep of {total} sigma over 120 sheets: trend {:.1} %, step {:.1} %",
            verdict("trend"),
            verdict("step")
        )?;
    }
    Ok(r)
}

const CHARTS: [&str; 4] = ["individuals", "moving range", "EWMA", "CUSUM"];

/// Sheets to the first signal: of a steady run, and after a jump of one standard
/// deviation.
///
/// # Errors
/// When the stage cannot be loaded or run.
pub fn charts(count: usize) -> Result<Report> {
    let mut r = Report::new("charts: mean sheets to the first signal");
    let first = |said: &Said, chart: &str, from: f64| -> BTreeMap<i64, f64> {
        let mut first = BTreeMap::new();
        for s in said.signals.iter().filter(|s| is(s, "chart", chart)) {
            let at = number(s, "at");
            if at > from {
                let id = s["series"].as_i64().unwrap_or(0);
                let known = first.entry(id).or_insert(at);
                *known = at.min(*known);
            }
        }
        first
    };
    // First signals of long steady runs.
    let sheets = 2000;
    let steady = Made {
        sheets,
        rho: 0.0,
        slope: 0.0,
        step: None,
    };
    for (name, baseline) in [
        ("centre from the run itself", 0),
        ("from its first 200 sheets", 200),
    ] {
        let asked = Asked::new(serde_json::json!({ "baseline_sheets": baseline }))?;
        let said = asked.ask(&steady, count, SEED + 4)?;
        for chart in CHARTS {
            let found = first(&said, chart, 0.0);
            let watched = found.values().sum::<f64>() + ((count - found.len()) * sheets) as f64;
            let mean = watched / found.len().max(1) as f64;
            writeln!(r.text, "  steady, {name}, {chart}: {mean:.0}")?;
            r.hold(
                mean >= 350.0 || baseline > 0,
                format!("{chart}: a false signal in {mean:.0} sheets"),
            );
        }
    }
    // A jump after steady sheets that the centre is taken from.
    for (before, baseline) in [(1000, 1000), (200, 200), (200, 0)] {
        let jump = Made {
            sheets: before + 200,
            rho: 0.0,
            slope: 0.0,
            step: Some((1.0, before + 1)),
        };
        let name = match baseline {
            0 => "the first stretch found".to_owned(),
            b => format!("the {b} sheets before"),
        };
        let asked = Asked::new(serde_json::json!({ "baseline_sheets": baseline }))?;
        let said = asked.ask(&jump, count, SEED + 5)?;
        for chart in CHARTS {
            let found = first(&said, chart, before as f64);
            let delays: Vec<f64> = found.values().map(|at| at - before as f64).collect();
            let mean = delays.iter().sum::<f64>() / delays.len().max(1) as f64;
            let soon = delays.iter().filter(|d| **d <= 10.0).count();
            writeln!(
                r.text,
                "  jump of 1 sigma, centre from {name}, {chart}: {mean:.1}, within 10 sheets {:.0} %",
                share(soon, count)
            )?;
            if matches!(chart, "EWMA" | "CUSUM") && baseline == 1000 {
                r.hold(
                    mean <= 10.0,
                    format!("{chart}: a jump of 1 sigma after {mean:.1} sheets"),
                );
            }
        }
    }
    Ok(r)
}
