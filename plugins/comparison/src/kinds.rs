//! What a region that differs is.

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{LabOfRgb, White};
use restrike_stage::Point;

use crate::edition::Edition;
use crate::ground::{EDGE_MM, Ground};
use crate::key_line::{cover, key_line};

/// What a difference is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    LineLost,
    LineGained,
    AreaLost,
    AreaGained,
    EdgeMoved,
    Tone,
    Colour,
    Stain,
}

impl Kind {
    pub(crate) fn words(self) -> &'static str {
        match self {
            Self::LineLost => "line lost",
            Self::LineGained => "line gained",
            Self::AreaLost => "area lost",
            Self::AreaGained => "area gained",
            Self::EdgeMoved => "edge moved",
            Self::Tone => "tone",
            Self::Colour => "colour",
            Self::Stain => "stain or paper",
        }
    }
}

/// A difference.
#[derive(Debug, Clone)]
pub(crate) struct Finding {
    pub(crate) kind: Kind,
    /// Place of the block among the ground's; none where no block explains it.
    pub(crate) block: Option<usize>,
    /// Cells of the finest level.
    pub(crate) cells: Vec<usize>,
    pub(crate) centre: Point,
    pub(crate) area_mm2: f64,
    /// Longest side of its box, mm.
    pub(crate) extent_mm: f64,
    /// Size, CIEDE2000 of the mean colours.
    pub(crate) de00: f64,
    /// Of a moved edge: how far, mm; positive outwards.
    pub(crate) moved_mm: Option<f64>,
    /// Change of lightness, second less first.
    pub(crate) lightness: f64,
    /// Adjusted p value.
    pub(crate) p: f64,
    /// Peak, in standard deviations of a normal distribution.
    pub(crate) z: f64,
    /// Side of the cells it was tested on, mm.
    pub(crate) tested_mm: f64,
}

/// Share of an ink's contrast that must be gone for the printing to be lost.
const GONE: f64 = 0.5;
/// Share of a region at one block's edges for it to be an edge's.
const AT_EDGE: f64 = 0.5;
/// A change along an ink's own colour: cosine of the angle between them.
const ALONG: f64 = 0.965;
/// Reach into the line from its edge that makes it lost, not its edge moved, mm.
const REACH_MM: f64 = 0.11;

fn cosine(a: [f64; 3], b: [f64; 3]) -> f64 {
    let dot = |x: [f64; 3], y: [f64; 3]| -> f64 { x.iter().zip(y).map(|(a, b)| a * b).sum() };
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt().max(1e-12)
}

fn mean_light(e: &Edition, cells: &[usize]) -> [f64; 3] {
    let mut sum = [0.0; 3];
    for at in cells {
        for c in 0..3 {
            sum[c] += f64::from(e.levels[0].light[*at][c]);
        }
    }
    #[allow(clippy::cast_precision_loss)]
    sum.map(|s| s / cells.len().max(1) as f64)
}

/// Describes a region; none when neither edition tells of it.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn describe(
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    cells: &[usize],
    level: usize,
) -> Option<Finding> {
    let cells: Vec<usize> = cells
        .iter()
        .copied()
        .filter(|at| a.levels[0].count[*at] > 0 && b.levels[0].count[*at] > 0)
        .collect();
    if cells.is_empty() {
        return None;
    }
    let (from, to) = (mean_light(a, &cells), mean_light(b, &cells));
    let lab = LabOfRgb::new(White::D50);
    let (one, two) = (lab.lab(from), lab.lab(to));
    let change = [0, 1, 2].map(|c| libm::log(to[c].max(0.004) / from[c].max(0.004)));
    let pitch = ground.grid.pitch;
    let n = cells.len() as f64;
    let mut least = [f64::INFINITY; 2];
    let mut most = [f64::NEG_INFINITY; 2];
    let mut centre = Point::new(0.0, 0.0);
    for at in &cells {
        let p = ground.place(*at);
        centre = centre + p * (1.0 / n);
        for (k, v) in [p.x, p.y].into_iter().enumerate() {
            least[k] = least[k].min(v);
            most[k] = most[k].max(v);
        }
    }
    let near: Vec<usize> = cells
        .iter()
        .copied()
        .filter(|at| f64::from(ground.edge[*at]).abs() < EDGE_MM && level == 0)
        .collect();
    let (kind, block, moved) = if near.len() as f64 > AT_EDGE * n {
        at_edge(ground, a, b, &near)
    } else {
        let (kind, block) = inside(ground, &cells, change);
        (kind, block, None)
    };
    // The key's ink is told by what either edition printed; amid a solid of the
    // key it is no line.
    let solid = cells
        .iter()
        .filter(|at| ground.deep[**at] && ground.label[**at] >> ground.key & 1 == 1)
        .count();
    let nearest = block.filter(|b| *b != ground.key && near.len() as f64 > AT_EDGE * n);
    let line = (level == 0 && solid * 2 < cells.len())
        .then(|| key_line(ground, a, b, &cells, nearest))
        .flatten();
    let (kind, block, moved) = match line {
        Some(k) => {
            let same = block == Some(ground.key) && k == Kind::EdgeMoved;
            (k, Some(ground.key), moved.filter(|_| same))
        }
        None => (kind, block, moved),
    };
    Some(Finding {
        kind,
        block,
        centre,
        area_mm2: n * pitch * pitch,
        extent_mm: (most[0] - least[0]).max(most[1] - least[1]) + pitch,
        de00: ciede2000(one, two),
        moved_mm: moved,
        lightness: two[0] - one[0],
        p: 1.0,
        z: 0.0,
        tested_mm: pitch,
        cells,
    })
}

/// A region along a block's edges.
#[allow(clippy::cast_precision_loss)]
fn at_edge(
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    near: &[usize],
) -> (Kind, Option<usize>, Option<f64>) {
    let mut votes = vec![0_usize; ground.blocks.len()];
    for at in near {
        votes[usize::from(ground.owner[*at])] += 1;
    }
    let block = (0..votes.len()).max_by_key(|b| (votes[*b], usize::MAX - b));
    let Some(block) = block else {
        return (Kind::Colour, None, None);
    };
    let (mut gone, mut shares) = (0.0, Vec::new());
    let (mut edge, mut deepest, mut outermost) = (0_usize, 0.0_f64, 0.0_f64);
    for at in near
        .iter()
        .filter(|at| usize::from(ground.owner[**at]) == block)
    {
        let share = cover(ground, a, b, block, *at).left();
        gone += share;
        shares.push(share);
        let d = f64::from(ground.edge[*at]);
        if d.abs() <= 0.6 * ground.grid.pitch {
            edge += 1;
        }
        if share.abs() > 0.35 {
            deepest = deepest.min(d);
            outermost = outermost.max(d);
        }
    }
    shares.sort_by(|x, y| y.abs().total_cmp(&x.abs()));
    let quarter = (shares.len() / 4).max(1);
    let peak = shares.iter().take(quarter).sum::<f64>() / quarter as f64;
    let lost = peak > 0.0;
    let key = block == ground.key;
    // A thin line is reached when both its sides are.
    let through = both_sides(ground, near, block) || deepest < -REACH_MM;
    let beyond = outermost > REACH_MM;
    let kind = match (lost, key) {
        (true, true) if peak > GONE && through => Kind::LineLost,
        (true, false) if peak > GONE && deepest < -1.5 * REACH_MM => Kind::AreaLost,
        (false, true) if peak < -GONE && (beyond || through) => Kind::LineGained,
        (false, false) if peak < -GONE && outermost > 1.5 * REACH_MM => Kind::AreaGained,
        _ => Kind::EdgeMoved,
    };
    // Cells within reach of the edge tell of no longer move.
    let moved = (kind == Kind::EdgeMoved && edge > 0)
        .then(|| -gone * ground.grid.pitch / edge as f64)
        .filter(|m| m.abs() <= EDGE_MM);
    (kind, Some(block), moved)
}

/// Whether a region touches both sides of a line: normals that face each other.
fn both_sides(ground: &Ground, near: &[usize], block: usize) -> bool {
    let mut sum = [0.0_f32; 2];
    let mut count = 0.0;
    for at in near
        .iter()
        .filter(|at| usize::from(ground.owner[**at]) == block)
    {
        sum[0] += ground.normal[*at][0];
        sum[1] += ground.normal[*at][1];
        count += 1.0;
    }
    (sum[0] * sum[0] + sum[1] * sum[1]).sqrt() < 0.55 * count
}

/// A region clear of edges.
#[allow(clippy::cast_precision_loss)]
fn inside(ground: &Ground, cells: &[usize], change: [f64; 3]) -> (Kind, Option<usize>) {
    let n = cells.len();
    let covers = |b: usize| {
        cells
            .iter()
            .filter(|at| ground.label[**at] >> b & 1 == 1)
            .count()
            * 2
            > n
    };
    // Light gained: ink went; light lost: ink came.
    let came = change.map(|v| -v);
    let size = came.iter().map(|v| v * v).sum::<f64>().sqrt();
    let darker = came.iter().sum::<f64>() > 0.0;
    let mut best: Option<(usize, f64, f64)> = None;
    for (b, block) in ground.blocks.iter().enumerate() {
        let inked = covers(b);
        if !inked && !block.key {
            continue;
        }
        let solid = block.absorption.iter().map(|v| v * v).sum::<f64>().sqrt();
        let along = cosine(came, block.absorption).abs();
        let share = size / solid.max(0.05);
        if along > ALONG && best.is_none_or(|(_, a, _)| along > a) {
            best = Some((b, along, share));
        }
    }
    let paper = (0..ground.blocks.len()).all(|b| !covers(b));
    match best {
        Some((b, _, share)) if b == ground.key && !covers(b) => {
            if share > 0.4 {
                (
                    if darker {
                        Kind::LineGained
                    } else {
                        Kind::LineLost
                    },
                    Some(b),
                )
            } else {
                (Kind::Stain, None)
            }
        }
        Some((b, _, share)) if !darker && share > 0.75 => (Kind::AreaLost, Some(b)),
        Some((b, _, _)) => (Kind::Tone, Some(b)),
        None if paper => (Kind::Stain, None),
        None => {
            // On top of several inks alike: not one block's doing.
            let labels: std::collections::BTreeSet<u32> =
                cells.iter().map(|at| ground.label[*at]).collect();
            let many = labels.iter().any(|l| *l == 0) && labels.len() > 1;
            if many {
                (Kind::Stain, None)
            } else {
                let top = ground.inside(ground.label[cells[n / 2]]).max_by(|a, b| {
                    let s = |k: usize| ground.blocks[k].absorption.iter().sum::<f64>();
                    s(*a).total_cmp(&s(*b))
                });
                (Kind::Colour, top)
            }
        }
    }
}
