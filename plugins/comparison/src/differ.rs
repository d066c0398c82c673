//! Where two editions differ: regions of cells over the test's threshold, on
//! three sizes of cell, those kept that Benjamini and Hochberg's rule keeps.

use restrike_ops::false_discovery::benjamini_hochberg;
use restrike_ops::regions::regions;

use crate::edition::{Edition, unlocated};
use crate::ground::Ground;
use crate::key_line::cover;
use crate::kinds::{self, Finding, Kind};
use crate::scatter::{Known, Tested, test};
use crate::settings::Settings;
use crate::smooth::smooth;

/// Least cells of a region, by level.
const LEAST: [usize; 3] = [3, 2, 1];
/// A region of large cells gives way to regions of small ones that cover this share of it,
/// or that hold this share of its change of light.
const COVERED: f64 = 0.35;
const EXPLAINED: f64 = 0.5;

/// Of what is taken out for the blocks' register this share may be wrong, one
/// standard deviation: shapes, inks and places are not known better.
const REGISTER_ERROR: f32 = 0.3;

/// A block whose place is not known may cover a cell or not: a cell differs by
/// more from this many times its ink, and this much light, on.
const BEYOND_INK: f64 = 1.6;
const LEAST_BEYOND: f64 = 0.15;
/// So far from where the record has it, mm, such a block's edge may lie.
const UNPLACED_MM: f64 = 0.8;
/// So near a line lost and a line gained are one line that moved, cells.
const BESIDE: usize = 3;

/// How a pair was compared.
pub(crate) struct Compared {
    /// The differences, largest effect first.
    pub(crate) found: Vec<Finding>,
    /// Tests by level.
    pub(crate) tests: Vec<Tested>,
    /// Candidate regions before the rule.
    pub(crate) candidates: usize,
    /// Where the scatter is from, in words.
    pub(crate) scatter: String,
}

/// A region of a level.
struct Candidate {
    level: usize,
    /// Cells of its level.
    cells: Vec<usize>,
    p: f64,
    score: f64,
}

/// Compares two editions; none, with the reason, when nothing says how much
/// impressions scatter.
pub(crate) fn compare(
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    others: &[&Edition],
    settings: &Settings,
) -> Result<Compared, String> {
    let single = |e: &Edition| e.levels[0].count.iter().max().is_none_or(|n| *n < 2);
    let borrowed: Vec<&&Edition> = others.iter().filter(|e| !single(e)).collect();
    let names = |l: &[&&Edition]| {
        let n: Vec<&str> = l.iter().map(|e| e.about.name.as_str()).collect();
        n.join(", ")
    };
    let scatter = match (single(a), single(b)) {
        (false, false) => "of both editions".to_owned(),
        (true, false) => format!(
            "borrowed from {}: one impression of {}",
            b.about.name, a.about.name
        ),
        (false, true) => format!(
            "borrowed from {}: one impression of {}",
            a.about.name, b.about.name
        ),
        (true, true) if borrowed.is_empty() => {
            return Err(
                "one impression of each, and no other edition to borrow the scatter from: what is inking and what is change cannot be told"
                    .to_owned(),
            );
        }
        (true, true) => format!("borrowed from {}: one impression of each", names(&borrowed)),
    };
    let mut tests = Vec::new();
    for level in 0..a.levels.len() {
        let lent: Vec<_> = borrowed.iter().map(|e| &e.levels[level]).collect();
        let edges = (level == 0).then(|| smooth(ground, &a.levels[0], &b.levels[0]));
        let common = (level == 0).then(|| register_error(a, b)).flatten();
        let known = Known {
            smooth: edges.as_deref(),
            crossing: (level == 0).then_some(ground.crossing.as_slice()),
            common: common.as_deref(),
        };
        let mut t = test(&a.levels[level], &b.levels[level], &lent, known)
            .ok_or("no cell was seen twice in any edition: there is no scatter to test against")?;
        if level == 0 {
            leave_out(ground, a, b, &mut t);
        }
        tests.push(t);
    }
    let mut all = Vec::new();
    for (level, t) in tests.iter().enumerate() {
        for sign in [1.0_f32, -1.0] {
            let mask: Vec<bool> = t.score.iter().map(|s| s * sign > 1.0).collect();
            for r in regions(&mask, a.levels[level].width) {
                if r.pixels.len() < LEAST[level] {
                    continue;
                }
                let w = a.levels[level].width;
                let cells: Vec<usize> = r.pixels.iter().map(|(x, y)| y * w + x).collect();
                let score = cells
                    .iter()
                    .map(|at| f64::from(t.score[*at].abs()))
                    .fold(0.0, f64::max);
                all.push(Candidate {
                    level,
                    cells,
                    p: t.peak(score),
                    score,
                });
            }
        }
    }
    let candidates = all.len();
    let p: Vec<f64> = all.iter().map(|c| c.p).collect();
    let q = benjamini_hochberg(&p);
    let kept: Vec<(Candidate, f64)> = all
        .into_iter()
        .zip(q)
        .filter(|(_, q)| *q <= settings.false_rate)
        .collect();
    let mut found: Vec<Finding> = chosen(ground, kept, &change(a, b))
        .into_iter()
        .filter_map(|(c, q)| {
            let cells = fine_cells(ground, &c);
            let t = &tests[c.level];
            let mut f = kinds::describe(ground, a, b, &cells, c.level)?;
            f.p = q;
            f.z = t.normal(c.score);
            f.tested_mm = ground.grid.pitch * a.levels[c.level].side as f64;
            Some(f)
        })
        .filter(|f| f.area_mm2 >= settings.least_mm2 && f.de00 >= settings.least_de00)
        .collect();
    pair_up(ground, &mut found);
    found.sort_by(|x, y| {
        let weight = |f: &Finding| f.de00 * f.area_mm2.sqrt();
        weight(y).total_cmp(&weight(x)).then(x.cells.cmp(&y.cells))
    });
    Ok(Compared {
        found,
        tests,
        candidates,
        scatter,
    })
}

/// Where a block's place is not known its edges are no difference, as far as its
/// ink explains one: they may lie beside where the record has them.
fn leave_out(ground: &Ground, a: &Edition, b: &Edition, t: &mut Tested) {
    let blocks: Vec<usize> = unlocated(a, b)
        .iter()
        .enumerate()
        .filter_map(|(n, u)| u.then_some(n))
        .collect();
    let near = |block: usize, at: usize| {
        if block == usize::from(ground.owner[at]) {
            return !ground.deep[at];
        }
        let edges = &ground.blocks[block].shape.edges;
        edges.at(ground.place(at)).abs() < UNPLACED_MM
    };
    for (at, score) in t.score.iter_mut().enumerate().filter(|s| *s.1 != 0.0) {
        let out = |block: &usize| near(*block, at) && explained(ground, a, b, *block, at);
        if blocks.iter().any(out) {
            *score = 0.0;
            t.cells -= 1;
        }
    }
}

/// Whether a block's ink, there or not, is enough for how a cell differs.
fn explained(ground: &Ground, a: &Edition, b: &Edition, block: usize, at: usize) -> bool {
    let c = cover(ground, a, b, block, at);
    let ink = ground.ink_beside_key(block, at);
    (0..3).all(|k| c.change[k].abs() < BEYOND_INK * c.contrast[k].abs().max(ink[k]) + LEAST_BEYOND)
}

/// A line lost beside a line gained is a line that moved, as on new wood.
fn pair_up(ground: &Ground, found: &mut [Finding]) {
    let width = ground.grid.width;
    let mut sides = vec![0_i8; ground.len()];
    let side = |f: &Finding| match f.kind {
        Kind::LineLost => 1,
        Kind::LineGained => -1,
        _ => 0,
    };
    for f in found.iter() {
        for at in &f.cells {
            sides[*at] = side(f);
        }
    }
    for f in found.iter_mut() {
        let other = -side(f);
        let beside = |at: &&usize| {
            (0..=2 * BESIDE).any(|j| {
                let row = (**at + j * width).saturating_sub(BESIDE * (width + 1));
                (row..=row + 2 * BESIDE).any(|k| sides.get(k) == Some(&other))
            })
        };
        if other != 0 && 2 * f.cells.iter().filter(beside).count() > f.cells.len() {
            f.kind = Kind::EdgeMoved;
        }
    }
}

/// Standard error of what was taken out of the cells for the blocks' register:
/// a share of how far that differs between the editions. None where a record
/// does not have it.
fn register_error(a: &Edition, b: &Edition) -> Option<Vec<[f32; 3]>> {
    let n = a.levels[0].light.len();
    (a.register.len() == n && b.register.len() == n).then(|| {
        let pairs = a.register.iter().zip(&b.register);
        pairs
            .map(|(a, b)| [0, 1, 2].map(|c| REGISTER_ERROR * (b[c] - a[c]).abs()))
            .collect()
    })
}

/// Cells of the finest level that a candidate covers, edges left out of larger cells.
fn fine_cells(ground: &Ground, c: &Candidate) -> Vec<usize> {
    let side = crate::consensus::SIDES[c.level];
    if side == 1 {
        return c.cells.clone();
    }
    let (width, height) = (ground.grid.width, ground.grid.height);
    let across = width.div_ceil(side);
    let mut out = Vec::new();
    for cell in &c.cells {
        let (x, y) = ((cell % across) * side, (cell / across) * side);
        for j in y..(y + side).min(height) {
            for i in x..(x + side).min(width) {
                if ground.deep[j * width + i] {
                    out.push(j * width + i);
                }
            }
        }
    }
    out.sort_unstable();
    out
}

/// How light differs, by cell, the three channels together.
fn change(a: &Edition, b: &Edition) -> Vec<f32> {
    let of = |l: &[f32; 3]| l.iter().sum::<f32>();
    let pairs = a.levels[0].light.iter().zip(&b.levels[0].light);
    pairs.map(|(a, b)| of(b) - of(a)).collect()
}

/// One region for each difference: small cells where they cover it or make most of it, as a
/// line does in the means about it, else large ones.
#[allow(clippy::cast_precision_loss)]
fn chosen(
    ground: &Ground,
    mut kept: Vec<(Candidate, f64)>,
    change: &[f32],
) -> Vec<(Candidate, f64)> {
    let mut out: Vec<(Candidate, f64)> = Vec::new();
    // From small cells to large: a large one takes the place of the small ones
    // inside it that cover too little of it.
    kept.sort_by_key(|(c, _)| c.level);
    let mut taken = vec![u32::MAX; ground.len()];
    for (c, q) in kept {
        let cells = fine_cells(ground, &c);
        let covered = cells.iter().filter(|at| taken[**at] != u32::MAX).count();
        if c.level > 0 {
            let sum = |of: &dyn Fn(&&usize) -> bool| -> f64 {
                let cells = cells.iter().filter(of);
                cells.map(|at| f64::from(change[*at])).sum()
            };
            let (all, small) = (sum(&|_| true), sum(&|at| taken[**at] != u32::MAX));
            if covered as f64 >= COVERED * cells.len() as f64 || small / all >= EXPLAINED {
                continue;
            }
            let inside: std::collections::BTreeSet<u32> = cells
                .iter()
                .map(|at| taken[*at])
                .filter(|t| *t != u32::MAX)
                .collect();
            for n in inside {
                let other = &mut out[n as usize].0;
                let own = fine_cells(ground, other);
                let within = own
                    .iter()
                    .filter(|at| cells.binary_search(at).is_ok())
                    .count();
                if within * 2 > own.len() {
                    other.cells.clear();
                }
            }
        }
        let n = u32::try_from(out.len()).unwrap_or(u32::MAX - 1);
        for at in cells {
            taken[at] = n;
        }
        out.push((c, q));
    }
    out.retain(|(c, _)| !c.cells.is_empty());
    out
}
