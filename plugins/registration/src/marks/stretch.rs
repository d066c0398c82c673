//! Shares the stretch out between blocks and damp paper.
//!
//! The table sheets x blocks is taken apart by median polish: what a block
//! keeps over the run is the block's own (a plank shrinks across its grain),
//! what all blocks of a sheet share is the paper's, swollen or dried since the
//! key was printed. What all cells share cannot be told apart: the key's own
//! stretch looks the same as steady damp. A stretch that is measured far worse
//! than most (a block of small area) is left out: the polish weighs all alike.

use std::collections::{BTreeMap, BTreeSet};

use restrike_ops::median_polish::{Polished, median_polish};
use restrike_ops::stats::{mad_sigma, median};
use restrike_stage::{Impression, Project, Row};

use super::fit::{count, mean};
use super::input::Readings;

/// Sheets and blocks below which the two cannot be told apart.
const LEAST_SHEETS: usize = 4;
const LEAST_BLOCKS: usize = 3;
/// A stretch counts whose standard error is within so many times the median one.
const LOOSE: f64 = 3.0;
/// Efficiency of a median against a mean on normal data: sqrt(pi / 2).
const MEDIAN_SE: f64 = 1.253_314_137_315_500_3;

/// A measured stretch, permille.
#[derive(Clone, Copy)]
struct Cell {
    value: f64,
    se: f64,
}

struct Axis {
    polished: Polished,
    sigma: f64,
    /// Standard error of each block's zero, permille: the same on every sheet.
    zero: Vec<f64>,
}

impl Axis {
    fn se(&self, cells: usize) -> Option<f64> {
        (cells > 0).then(|| MEDIAN_SE * self.sigma / count(cells).sqrt())
    }

    /// Of a block's own share: its zero does not average out.
    fn block_se(&self, cells: usize, block: usize) -> Option<f64> {
        self.se(cells).map(|se| libm::hypot(se, self.zero[block]))
    }

    /// Of what all cells share: the blocks' zeros average over the blocks.
    fn common_se(&self, cells: usize) -> Option<f64> {
        let zeros = self.zero.iter().map(|z| z * z).sum::<f64>().sqrt();
        let mean = MEDIAN_SE * zeros / count(self.zero.len().max(1));
        self.se(cells).map(|se| libm::hypot(se, mean))
    }
}

/// Rows of the table of stretch; none where no stretch was fitted.
pub(crate) fn rows(
    project: &Project,
    readings: &Readings,
    blocks: &[String],
    files: &[Impression],
) -> Vec<Row> {
    let mut cells: BTreeMap<(usize, &str), Vec<[Cell; 2]>> = BTreeMap::new();
    for r in readings.found.iter().filter(|r| r.stretched) {
        let here = cells.entry((r.sheet, &r.block)).or_default();
        here.push([3, 4].map(|i| Cell {
            value: r.motion[i] * 1000.0,
            se: r.covariance[i][i].max(0.0).sqrt() * 1000.0,
        }));
    }
    let sheets: Vec<usize> = cells
        .keys()
        .map(|k| k.0)
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let blocks: Vec<&str> = blocks
        .iter()
        .map(String::as_str)
        .filter(|b| cells.keys().any(|k| k.1 == *b))
        .collect();
    if sheets.is_empty() {
        return Vec::new();
    }
    let errors = |axis: usize| -> Vec<f64> {
        let all = cells.values().flatten();
        all.map(|c| c[axis].se).filter(|se| *se > 0.0).collect()
    };
    let usual = [0, 1].map(|axis| median(&errors(axis)).unwrap_or(0.0));
    let table = |axis: usize| -> Vec<Vec<Option<f64>>> {
        let cell = |s: usize, b: &str| {
            let here = cells.get(&(s, b))?;
            let close = |c: &&[Cell; 2]| c[axis].se <= LOOSE * usual[axis];
            let close: Vec<f64> = here.iter().filter(close).map(|c| c[axis].value).collect();
            (!close.is_empty()).then(|| mean(close.into_iter()))
        };
        sheets
            .iter()
            .map(|s| blocks.iter().map(|b| cell(*s, b)).collect())
            .collect()
    };
    let zero = |axis: usize| -> Vec<f64> {
        let of = |b: &&str| {
            let here = readings.found.iter().filter(|r| r.block == **b);
            mean(here.map(|r| 1000.0 * r.zero.se[2 + axis]))
        };
        blocks.iter().map(of).collect()
    };
    let axes = [0, 1].map(|axis| {
        let t = table(axis);
        let polished = median_polish(&t, 1e-6)?;
        let left: Vec<f64> = polished.left.iter().flatten().copied().flatten().collect();
        // Row and column effects have taken some of the scatter away.
        let free = count((sheets.len() - 1) * (blocks.len() - 1)).max(1.0);
        let sigma = mad_sigma(&left)? * (count(left.len()) / free).max(1.0).sqrt();
        Some(Axis {
            polished,
            // What is left is no less than what measuring makes.
            sigma: sigma.max(usual[axis]),
            zero: zero(axis),
        })
    });
    let [Some(x), Some(y)] = axes else {
        return Vec::new();
    };
    let enough = sheets.len() >= LEAST_SHEETS && blocks.len() >= LEAST_BLOCKS;
    let later = later_blocks(project, &blocks);
    let mut out = vec![all_row(&x, &y, sheets.len(), blocks.len(), enough)];
    for (j, block) in blocks.iter().enumerate() {
        let [n, m] = [&x, &y].map(|a| {
            let rows = a.polished.left.iter();
            rows.filter(|r| r[j].is_some()).count()
        });
        let effect = |a: &Axis| a.polished.columns[j];
        let (x_se, y_se) = (x.block_se(n, j), y.block_se(m, j));
        let row = effect_row(
            "block",
            block,
            n.max(m),
            (effect(&x), x_se),
            (effect(&y), y_se),
            enough,
        );
        out.push(row.set(
            "words",
            block_words(effect(&x), effect(&y), x_se, y_se, enough),
        ));
    }
    for (i, sheet) in sheets.iter().enumerate() {
        let [n, m] = [&x, &y].map(|a| a.polished.left[i].iter().flatten().count());
        let effect = |a: &Axis| a.polished.rows[i];
        let mut row = effect_row(
            "sheet",
            &sheet.to_string(),
            n.max(m),
            (effect(&x), x.se(n)),
            (effect(&y), y.se(m)),
            enough,
        );
        let file = files.iter().find(|f| f.sheet == *sheet);
        row = row.set("file", file.map(|f| f.file.as_str()));
        let trend = [&x, &y].map(|a| later_less_earlier(&a.polished.left[i], &later, a.sigma));
        if enough {
            for (axis, t) in ["x", "y"].into_iter().zip(trend) {
                row = row
                    .set(&format!("later_{axis}_permille"), t.map(|t| t.0))
                    .set(&format!("later_{axis}_se_permille"), t.map(|t| t.1));
            }
        }
        out.push(row.set(
            "words",
            sheet_words(effect(&x), effect(&y), x.se(n), y.se(m), trend, enough),
        ));
    }
    out
}

/// Whether each block is in the later half of the printing order; none: the
/// middle one, or of unknown order.
fn later_blocks(project: &Project, blocks: &[&str]) -> Vec<Option<bool>> {
    let order = |b: &str| {
        project
            .blocks
            .iter()
            .find(|i| i.name == b)
            .map(|i| f64::from(i.order))
    };
    let orders: Vec<Option<f64>> = blocks.iter().map(|b| order(b)).collect();
    let known: Vec<f64> = orders.iter().copied().flatten().collect();
    let Some(middle) = median(&known) else {
        return vec![None; blocks.len()];
    };
    orders
        .into_iter()
        .map(|o| o.filter(|o| (o - middle).abs() > 1e-9).map(|o| o > middle))
        .collect()
}

fn later_less_earlier(
    left: &[Option<f64>],
    later: &[Option<bool>],
    sigma: f64,
) -> Option<(f64, f64)> {
    let of = |which: bool| -> Vec<f64> {
        let pairs = left.iter().zip(later);
        pairs
            .filter(|(_, l)| **l == Some(which))
            .filter_map(|(v, _)| *v)
            .collect()
    };
    let (late, early) = (of(true), of(false));
    if late.len() < 2 || early.len() < 2 {
        return None;
    }
    let d = mean(late.iter().copied()) - mean(early.iter().copied());
    let se = sigma * (1.0 / count(late.len()) + 1.0 / count(early.len())).sqrt();
    Some((d, se))
}

fn effect_row(
    of: &str,
    name: &str,
    cells: usize,
    x: (Option<f64>, Option<f64>),
    y: (Option<f64>, Option<f64>),
    enough: bool,
) -> Row {
    let row = Row::new()
        .set("of", of)
        .set("name", name)
        .set("cells", cells);
    if !enough {
        return row;
    }
    row.set("x_permille", x.0)
        .set("x_se_permille", x.1)
        .set("y_permille", y.0)
        .set("y_se_permille", y.1)
}

fn all_row(x: &Axis, y: &Axis, sheets: usize, blocks: usize, enough: bool) -> Row {
    let cells = x.polished.left.iter().flatten().flatten().count();
    // What is common to all is as sure as the fewer of rows and columns make it.
    let few = sheets.min(blocks);
    let (sx, sy) = (x.polished.overall, y.polished.overall);
    let said: Vec<String> = [("x", sx, x.common_se(few)), ("y", sy, y.common_se(few))]
        .into_iter()
        .filter_map(|(axis, v, se)| clause(axis, Some(v), se))
        .collect();
    let words = if enough && said.is_empty() {
        "All blocks on all sheets together are not told to be stretched against the key.".to_owned()
    } else if enough {
        format!(
            "All blocks on all sheets are {} against the key: the key block's own change or steady damp, which these sheets cannot tell apart.",
            said.join(" and ")
        )
    } else {
        format!(
            "Cannot tell paper from block: that takes at least {LEAST_SHEETS} sheets and {LEAST_BLOCKS} blocks with a measured stretch; there are {sheets} and {blocks}."
        )
    };
    Row::new()
        .set("of", "all")
        .set("name", "all")
        .set("cells", cells)
        .set("x_permille", sx)
        .set("x_se_permille", x.common_se(few))
        .set("y_permille", sy)
        .set("y_se_permille", y.common_se(few))
        .set("words", words)
}

fn percent(permille: f64) -> String {
    let which = if permille > 0.0 { "longer" } else { "shorter" };
    format!("{:.2} % {which}", permille.abs() / 10.0)
}

/// Least stretch that is spoken of, permille.
const LEAST_PERMILLE: f64 = 0.2;

/// An effect beyond three times its standard error, as a clause: there are many
/// rows, and twice would cry wolf in one of twenty.
fn clause(axis: &str, effect: Option<f64>, se: Option<f64>) -> Option<String> {
    let (e, se) = effect.zip(se)?;
    // Paper bends by about as much as 0.02 % of a sheet, which no error of a stretch
    // counts, and nobody prints by it.
    (e.abs() > 3.0 * se && e.abs() >= LEAST_PERMILLE)
        .then(|| format!("{} along {axis}", percent(e)))
}

fn block_words(
    x: Option<f64>,
    y: Option<f64>,
    x_se: Option<f64>,
    y_se: Option<f64>,
    enough: bool,
) -> String {
    if !enough {
        return "Cannot tell.".to_owned();
    }
    if x.is_none() && y.is_none() {
        return "Its stretch is measured too loosely to be told from the others'.".to_owned();
    }
    match (clause("x", x, x_se), clause("y", y, y_se)) {
        (None, None) => "Not different from the other blocks.".to_owned(),
        (Some(c), None) | (None, Some(c)) => format!(
            "{c} than the other blocks on every sheet: the block itself, as a plank changes across its grain."
        ),
        (Some(a), Some(b)) => {
            format!(
                "{a} and {b} than the other blocks on every sheet: the block itself, or a print taken at another dampness throughout."
            )
        }
    }
}

fn sheet_words(
    x: Option<f64>,
    y: Option<f64>,
    x_se: Option<f64>,
    y_se: Option<f64>,
    later: [Option<(f64, f64)>; 2],
    enough: bool,
) -> String {
    if !enough {
        return "Cannot tell.".to_owned();
    }
    let parts: Vec<String> = [clause("x", x, x_se), clause("y", y, y_se)]
        .into_iter()
        .flatten()
        .collect();
    let mut text = if parts.is_empty() {
        "As damp as the other sheets.".to_owned()
    } else {
        format!(
            "{} than the other sheets in all blocks: damp paper.",
            parts.join(" and ")
        )
    };
    for (axis, l) in ["x", "y"].into_iter().zip(later) {
        if let Some(c) = l.and_then(|(d, se)| clause(axis, Some(d), Some(se))) {
            text.push_str(&format!(
                " Its later blocks are {c} than the earlier ones: the damp changed while it was printed."
            ));
        }
    }
    text
}
