//! How well the stage `grading` keeps what it promises: register at the worst
//! place against the truth of rendered sheets, and the forecast of sheets to
//! print against made-up printings.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::{Context, Result, anyhow};
use restrike_host::{Instance, Library, Search};
use restrike_model::{ImageArea, Impression, Point, Project, Role, Summary, Table, Value};
use restrike_synth::rng::Rng;
use restrike_synth::truth::BlockTruth;
use restrike_synth::{Difficulty, SheetKind, Truth};
use serde_json::json;

use crate::registration::printed;
use crate::whole::{Measured, batches, cell, measure};

/// Seed of the made-up printings.
const SEED: u64 = 610_207;
/// Limits that the register is graded at, mm.
const LIMITS: [f64; 4] = [0.1, 0.2, 0.3, 0.5];

/// What came of a limit.
#[derive(Debug, Clone, Copy, Default)]
pub struct AtLimit {
    /// Blocks on images that truly keep it.
    pub good: usize,
    /// Of these, called outside.
    pub condemned: usize,
    /// Those that do not keep it.
    pub bad: usize,
    /// Of these, called inside.
    pub spared: usize,
    /// Of all, to be looked at again.
    pub open: usize,
    /// Expected number that keeps it, each by the chance its number and error give.
    pub expected: f64,
}

/// Register at the worst place of what a block prints.
#[derive(Debug, Default)]
pub struct Register {
    errors_mm: Vec<f64>,
    held: usize,
    limits: [AtLimit; LIMITS.len()],
    /// Blocks on images without a number, or relative to the reference.
    left_out: usize,
}

/// How far the block truly is off the key at the worst place of what it prints
/// on an image, mm.
fn truly_off(truth: &Truth, key: &str, block: &str, printed: &[Point]) -> Option<f64> {
    let find = |name: &str| truth.blocks.iter().find(|b| b.name == name);
    let (k, b) = (find(key)?, find(block)?);
    let off = |p: &Point| {
        let at = |of: &BlockTruth| of.motion.affine().apply(of.warp.apply([p.x, p.y]));
        let (a, b) = (at(k), at(b));
        libm::hypot(b[0] - a[0], b[1] - a[1])
    };
    printed.iter().map(off).max_by(f64::total_cmp)
}

impl Register {
    fn add(&mut self, m: &Measured) -> Result<()> {
        let key = m.design.key().context("no key")?.name.clone();
        let table = m.table("registration")?;
        let mut places: BTreeMap<(String, String), Vec<Point>> = BTreeMap::new();
        for row in &table.rows {
            let truth = m.truth_of(table, row)?;
            let text = |c: &str| cell(table, row, c).as_str().unwrap_or("").to_owned();
            let number = |c: &str| cell(table, row, c).as_f64();
            if truth.kind != SheetKind::Good {
                continue;
            }
            let found = (
                number("off_mm"),
                number("off_low_mm"),
                number("off_high_mm"),
            );
            let relative = text("basis") != "absolute";
            let se = number("off_se_mm");
            let (Some(value), Some(low), Some(high), Some(se), false) =
                (found.0, found.1, found.2, se, relative)
            else {
                self.left_out += 1;
                continue;
            };
            let at = (text("block"), text("image"));
            let places = places
                .entry(at.clone())
                .or_insert_with(|| printed(&m.design, &at.0, &at.1));
            let real = truly_off(truth, &key, &at.0, places).context("a block without truth")?;
            self.errors_mm.push(value - real);
            self.held += usize::from(low <= real && real <= high);
            for (limit, at) in LIMITS.iter().zip(&mut self.limits) {
                let (inside, outside) = (high <= *limit, low > *limit);
                if real <= *limit {
                    at.good += 1;
                    at.condemned += usize::from(outside);
                } else {
                    at.bad += 1;
                    at.spared += usize::from(inside);
                }
                at.open += usize::from(!inside && !outside);
                let z = (limit - value) / se;
                at.expected += 0.5 * libm::erfc(-z * std::f64::consts::FRAC_1_SQRT_2);
            }
        }
        Ok(())
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let n = self.errors_mm.len();
        let share = |a: usize, b: usize| 100.0 * a as f64 / b.max(1) as f64;
        let mean = self.errors_mm.iter().sum::<f64>() / n.max(1) as f64;
        let rms = (self.errors_mm.iter().map(|e| e * e).sum::<f64>() / n.max(1) as f64).sqrt();
        let mut out = format!(
            "register at the worst place against the key: n {n}, rms error {rms:.4} mm, mean {mean:+.4} mm, \
             90 % intervals hold {:.1} %; {} without a number or relative to the reference\n",
            share(self.held, n),
            self.left_out
        );
        for (limit, at) in LIMITS.iter().zip(&self.limits) {
            let _ = writeln!(
                out,
                "limit {limit:.1} mm: of {:4} good {:4.1} % called outside, of {:4} bad {:4.1} % called inside, {:4.1} % look again; kept by {:.1} % truly, {:.1} % by chances",
                at.good,
                share(at.condemned, at.good),
                at.bad,
                share(at.spared, at.bad),
                share(at.open, n),
                share(at.good, n),
                100.0 * at.expected / n.max(1) as f64
            );
        }
        out
    }
}

/// Renders runs with proofs and registers them.
///
/// # Errors
/// When rendering or running fails.
pub fn register(sheets: u32, dpi: f64, difficulty: Difficulty) -> Result<Register> {
    let mut found = Register::default();
    for mut batch in batches(sheets, dpi, difficulty, &[]) {
        batch.proofs = true;
        found.add(&measure(&batch, &["deskew", "registration"])?)?;
    }
    Ok(found)
}

/// A made-up printing and what the stage forecasts of it.
#[derive(Debug, Clone, Copy, Default)]
pub struct Promise {
    /// Printings.
    pub printings: usize,
    /// Of these, the order was filled by the sheets forecast.
    pub filled: usize,
    /// Of these, filled by one sheet for each good one wanted over the yield.
    pub filled_on_average: usize,
    /// Intervals of the yield that hold the true one.
    pub held: usize,
}

impl Promise {
    /// Share of orders filled, %.
    pub fn filled_pct(&self) -> f64 {
        100.0 * self.filled as f64 / self.printings.max(1) as f64
    }

    /// The report as text.
    pub fn text(&self, what: &str) -> String {
        let share = |n: usize| 100.0 * n as f64 / self.printings.max(1) as f64;
        format!(
            "{what}: of {} orders {:.1} % are filled by the sheets forecast at 95 % ({:.1} % by those that do on average); 95 % intervals of the yield hold {:.1} %",
            self.printings,
            share(self.filled),
            share(self.filled_on_average),
            share(self.held)
        )
    }
}

/// Made-up printings: each half of a sheet is good with a probability of the
/// printing's own, drawn evenly from 0.6 to 0.99; of two-up sheets, three in ten
/// share their fate.
///
/// # Errors
/// When the stage cannot be opened or fails.
pub fn promise(two_up: bool, printings: usize) -> Result<Promise> {
    let path = Search::new(Vec::new())
        .find("grading")
        .map_err(|e| anyhow!("{e}"))?;
    let library = Arc::new(Library::open_as("grading", &path, None).map_err(|e| anyhow!("{e}"))?);
    let mut rng = Rng::new(SEED, if two_up { "two-up" } else { "one" });
    let mut found = Promise::default();
    for _ in 0..printings {
        let p = rng.range(0.6, 0.99);
        let sheet = |rng: &mut Rng| -> [bool; 2] {
            let first = rng.unit() < p;
            let shared = two_up && rng.unit() < 0.3;
            let second = if shared { first } else { rng.unit() < p };
            [first, second]
        };
        let pilot: Vec<[bool; 2]> = (0..30).map(|_| sheet(&mut rng)).collect();
        let (wanted, said) = ask(&library, &pilot, two_up)?;
        let good = |s: &[bool; 2]| usize::from(s[0]) + usize::from(two_up && s[1]);
        let mut future = 0;
        let mut printed = 0;
        let mut reach = |sheets: usize, rng: &mut Rng| {
            while printed < sheets {
                future += good(&sheet(rng));
                printed += 1;
            }
            future >= wanted
        };
        let average = said.average;
        found.printings += 1;
        found.filled_on_average += usize::from(reach(average, &mut rng));
        found.filled += usize::from(reach(said.sheets, &mut rng));
        found.held += usize::from(said.low <= p && p <= said.high);
    }
    Ok(found)
}

struct Said {
    sheets: usize,
    average: usize,
    low: f64,
    high: f64,
}

/// Lets the stage grade a pilot and asks for 100 more good ones.
fn ask(library: &Arc<Library>, pilot: &[[bool; 2]], two_up: bool) -> Result<(usize, Said)> {
    let names: &[&str] = if two_up {
        &["left", "right"]
    } else {
        &["whole"]
    };
    let images = names
        .iter()
        .map(|n| ImageArea {
            name: (*n).to_owned(),
            x_mm: 0.0,
            y_mm: 0.0,
            width_mm: 80.0,
            height_mm: 100.0,
            border: true,
        })
        .collect();
    let mut rows = Vec::new();
    let mut good = 0;
    for (n, halves) in pilot.iter().enumerate() {
        for (name, is_good) in names.iter().zip(halves) {
            good += usize::from(*is_good);
            let value = f64::from(u8::from(!*is_good));
            rows.push(vec![(n + 1).into(), (*name).into(), value.into()]);
        }
    }
    let table = Table {
        name: "made".into(),
        columns: ["sheet", "image", "fault"].map(str::to_owned).to_vec(),
        rows,
    };
    let impressions: Vec<Impression> = (1..=pilot.len())
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
    let settings = json!({
        "tolerance": [{ "table": "made", "column": "fault", "high": 0.5, "grade": "reject" }],
        "order": { "good": good + 100 },
    });
    let project = Project {
        images,
        ..Project::default()
    };
    let stopped = Arc::new(AtomicBool::new(false));
    let (mut instance, _) = Instance::new(library, &settings, &project, &BTreeMap::new(), &stopped)
        .map_err(|e| anyhow!("{e}"))?;
    let found = instance
        .summarise(Summary {
            impressions: &impressions,
            tables: &[table],
        })
        .map_err(|e| anyhow!("{e}"))?;
    let specs = &library.manifest().gives.tables;
    let get = |table: &str, at: &dyn Fn(&[Value]) -> bool, column: &str| -> Result<f64> {
        let spec = specs
            .iter()
            .find(|t| t.name == table)
            .context("no such table")?;
        let c = spec.column(column).context("no such column")?;
        let row = found.rows.iter().find(|r| r.0 == table && at(&r.1));
        row.and_then(|r| r.1[c].as_f64())
            .with_context(|| format!("no {table}.{column}"))
    };
    let any = |_: &[Value]| true;
    let of = if two_up { "copies" } else { "sheets" };
    let of_all = |r: &[Value]| r.iter().any(|v| v.as_str() == Some(of));
    let whole = |v: f64| v as usize;
    let said = Said {
        sheets: whole(get("grading_order", &any, "sheets_to_print")?),
        average: whole(get("grading_order", &any, "sheets_on_average")?),
        low: get("grading_yield", &of_all, "yield_low_pct")? / 100.0,
        high: get("grading_yield", &of_all, "yield_high_pct")? / 100.0,
    };
    Ok((100, said))
}
