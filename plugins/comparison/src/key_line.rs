//! Whether a difference is ink of the key that went or came, and whether a line
//! was parted by it: by what either edition printed there, not by where the
//! record has lines, for the record may be of either state of the block.

use restrike_ops::regions::regions;

use crate::edition::Edition;
use crate::ground::Ground;
use crate::kinds::Kind;

/// Least share of the key's ink that went or came, of the quarter of a region
/// where it is most.
const LEAST: f64 = 0.3;
/// Such a change goes along the key's colour: cosine between them.
const ALONG: f64 = 0.97;
/// A colour block's ink explains as much of its own contrast.
const EXPLAINED: f64 = 1.4;
/// Cells about a region that are looked at.
const ABOUT: usize = 4;
/// A cell is inked from this share of the darkest in the region.
const INKED: f64 = 0.5;
/// Lost ink this far from what is left, cells, was no line's rim.
const FAR: usize = 3;
/// Least cells of a piece of a line.
const PIECE: usize = 3;
/// Largest window, cells a side.
const MOST: usize = 1000;

/// How much of a cell a block's ink covers in two editions, by the light, and
/// how well the difference goes along that ink's colour.
pub(crate) struct Cover {
    pub(crate) first: f64,
    pub(crate) second: f64,
    /// How light differs, and what the ink makes of it, three channels.
    pub(crate) change: [f64; 3],
    pub(crate) contrast: [f64; 3],
}

/// Of a cell with the blocks' inks at the record's strengths.
pub(crate) fn cover(ground: &Ground, a: &Edition, b: &Edition, block: usize, at: usize) -> Cover {
    let bit = 1_u32 << block;
    let recorded = ground.recorded();
    let (p, label) = (ground.place(at), ground.label[at]);
    let with = ground.log_light(&recorded, label | bit, p).map(libm::exp);
    let without = ground.log_light(&recorded, label & !bit, p).map(libm::exp);
    let contrast = [0, 1, 2].map(|c| without[c] - with[c]);
    let bottom: f64 = contrast.iter().map(|v| v * v).sum();
    let light = |e: &Edition| e.levels[0].light[at].map(f64::from);
    let of = |v: [f64; 3]| {
        let top: f64 = (0..3).map(|c| contrast[c] * (without[c] - v[c])).sum();
        if bottom > 1e-4 { top / bottom } else { 0.0 }
    };
    let (one, two) = (light(a), light(b));
    Cover {
        first: of(one),
        second: of(two),
        change: [0, 1, 2].map(|c| two[c] - one[c]),
        contrast,
    }
}

impl Cover {
    /// Share of the cell that the ink left (positive) or came to cover.
    pub(crate) fn left(&self) -> f64 {
        self.first - self.second
    }
}

/// Mean of the quarter of a region where most ink went or came, and the cosine
/// between that change and the ink's.
#[allow(clippy::cast_precision_loss)]
fn peak(covers: &[Cover]) -> (f64, f64) {
    let mut order: Vec<&Cover> = covers.iter().collect();
    order.sort_by(|p, q| q.left().abs().total_cmp(&p.left().abs()));
    order.truncate((covers.len() / 4).max(1));
    let mean = order.iter().map(|c| c.left()).sum::<f64>() / order.len().max(1) as f64;
    let (mut dot, mut one, mut two) = (0.0, 0.0, 0.0);
    for c in &order {
        for k in 0..3 {
            dot += c.change[k] * c.contrast[k];
            one += c.change[k] * c.change[k];
            two += c.contrast[k] * c.contrast[k];
        }
    }
    (mean, dot.abs() / (one * two).sqrt().max(1e-12))
}

/// What a region of the finest level is if it is ink of the key; none if it is
/// not. `nearest`: a colour block at whose edges the region lies.
pub(crate) fn key_line(
    ground: &Ground,
    a: &Edition,
    b: &Edition,
    cells: &[usize],
    nearest: Option<usize>,
) -> Option<Kind> {
    let covers = |block: usize| -> Vec<Cover> {
        cells
            .iter()
            .map(|at| cover(ground, a, b, block, *at))
            .collect()
    };
    let (share, along) = peak(&covers(ground.key));
    if share.abs() < LEAST || along < ALONG {
        return None;
    }
    if let Some(block) = nearest
        && peak(&covers(block)).0.abs() < EXPLAINED
    {
        return None;
    }
    let lost = share > 0.0;
    // The edition that has the ink, first.
    let (has, lacks) = if lost { (a, b) } else { (b, a) };
    Some(match (parted(ground, has, lacks, cells), lost) {
        (true, true) => Kind::LineLost,
        (true, false) => Kind::LineGained,
        (false, _) => Kind::EdgeMoved,
    })
}

/// Whether what one edition printed in and about a region comes apart in the
/// other, or reaches further from what is left than a line's rim.
fn parted(ground: &Ground, has: &Edition, lacks: &Edition, cells: &[usize]) -> bool {
    let (width, height) = (ground.grid.width, ground.grid.height);
    let mut bounds = [usize::MAX, usize::MAX, 0, 0];
    for at in cells {
        let (x, y) = (at % width, at / width);
        bounds = [
            bounds[0].min(x),
            bounds[1].min(y),
            bounds[2].max(x),
            bounds[3].max(y),
        ];
    }
    let (left, top) = (
        bounds[0].saturating_sub(ABOUT),
        bounds[1].saturating_sub(ABOUT),
    );
    let (right, low) = (
        (bounds[2] + ABOUT + 1).min(width),
        (bounds[3] + ABOUT + 1).min(height),
    );
    if cells.is_empty() || right - left > MOST || low - top > MOST {
        return false;
    }
    let across = right - left;
    let window: Vec<(f64, f64)> = (top..low)
        .flat_map(|y| (left..right).map(move |x| y * width + x))
        .map(|at| {
            let told = has.levels[0].count[at] > 0 && lacks.levels[0].count[at] > 0;
            if !told {
                return (0.0, 0.0);
            }
            let c = cover(ground, has, lacks, ground.key, at);
            (c.first, c.second)
        })
        .collect();
    let within = |at: usize| (at / width - top) * across + at % width - left;
    let darkest = cells
        .iter()
        .map(|at| window[within(*at)].0)
        .fold(0.0_f64, f64::max);
    let inked: Vec<bool> = window.iter().map(|v| v.0 > INKED * darkest).collect();
    let still: Vec<bool> = window.iter().map(|v| v.1 > INKED * darkest).collect();
    // The pieces of the print that the region is part of.
    let mut piece = vec![false; window.len()];
    let mut before = 0;
    for r in regions(&inked, across) {
        let pixels: Vec<usize> = r.pixels.iter().map(|(x, y)| y * across + x).collect();
        if cells
            .iter()
            .any(|at| pixels.binary_search(&within(*at)).is_ok())
        {
            before += 1;
            for at in pixels {
                piece[at] = true;
            }
        }
    }
    let kept: Vec<bool> = piece.iter().zip(&still).map(|(p, s)| *p && *s).collect();
    let after = regions(&kept, across)
        .iter()
        .filter(|r| r.pixels.len() >= PIECE)
        .count();
    if after > before {
        return true;
    }
    // Ink of the region with nothing left about it.
    cells.iter().any(|at| {
        let k = within(*at);
        let (x, y) = (k % across, k / across);
        let near = (y.saturating_sub(FAR)..(y + FAR + 1).min(low - top)).any(|j| {
            (x.saturating_sub(FAR)..(x + FAR + 1).min(across)).any(|i| still[j * across + i])
        });
        piece[k] && !near
    })
}
