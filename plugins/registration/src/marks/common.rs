//! What all blocks are off by alike: the key's own marks.
//!
//! Every block is measured against the key's print. Where the key's own mark is
//! off, all other blocks are, by as much and to the other side; one cut at the
//! key then does what would take one at each block. Neither is told from the
//! other by the prints, so both are said and the printer chooses.

use restrike_ops::mark_contacts::RigidMotion;
use restrike_ops::stats::median;

use super::MarkOptions;
use super::decide::{decide, move_of, sizes};
use super::evidence::Evidence;
use super::fit::{BlockFit, JUDGED, judged};
use super::input::Motion;
use super::layout::Face;
use super::words::mm;

/// Blocks below which nothing can be said to be common to them.
const LEAST_BLOCKS: usize = 3;

/// What is common to the blocks.
pub(crate) struct Common {
    /// By how much the blocks are off alike at each face, mm; 0: not alike.
    by: [f64; 3],
    /// Half the 95 % interval of each, mm.
    half: [f64; 3],
    /// The cuts and pads that are advised at the blocks.
    pub(crate) now: usize,
    /// Those that would be left of them, in words.
    pub(crate) left: Vec<String>,
    /// The remark.
    pub(crate) words: String,
}

impl Common {
    /// The faces where the key's mark may be what is off.
    pub(crate) fn at(&self) -> [bool; 3] {
        self.by.map(|v| v != 0.0)
    }

    /// By how much the key's face would be moved, mm along its normal: the other way than the
    /// blocks, which are measured against the key.
    pub(crate) fn at_key(&self, face: usize) -> Option<f64> {
        Some(-self.by[face]).filter(|_| self.by[face] != 0.0)
    }

    /// The 95 % interval of how much that is, mm.
    pub(crate) fn sizes(&self, face: usize) -> (f64, f64) {
        sizes(self.by[face], self.half[face])
    }

    /// The move of a block against the key when the key's marks are corrected and what is then
    /// still advised at the block is done.
    pub(crate) fn moved(
        &self,
        block: &BlockFit,
        evidence: &[Evidence; JUDGED],
        bench: &Bench<'_>,
    ) -> RigidMotion {
        let key = move_of(bench.faces, self.by);
        let (block, evidence) = less(block, evidence, bench.faces, self.by);
        let (_, own) = decide(
            &block,
            bench.faces,
            &evidence,
            bench.tolerance,
            bench.options,
        );
        RigidMotion {
            dx: key.dx + own.dx,
            dy: key.dy + own.dy,
            theta: key.theta + own.theta,
        }
    }
}

/// What the advice is made of.
pub(crate) struct Bench<'a> {
    /// The three faces.
    pub(crate) faces: &'a [Face; 3],
    /// Largest error borne at a corner, mm.
    pub(crate) tolerance: f64,
    /// What a printer chose.
    pub(crate) options: &'a MarkOptions,
}

/// Looks for what the blocks are off by alike; none where cutting at the key
/// would save no cut.
pub(crate) fn common(
    bench: &Bench<'_>,
    blocks: &[BlockFit],
    evidence: &[[Evidence; JUDGED]],
) -> Option<Common> {
    let told: Vec<(&BlockFit, &[Evidence; JUDGED])> = blocks
        .iter()
        .zip(evidence)
        .filter(|(b, e)| b.basis.decides(bench.options) && e.iter().all(|e| e.half.is_finite()))
        .collect();
    if told.len() < LEAST_BLOCKS {
        return None;
    }
    let way = |by: [f64; 3]| Way::of(bench, &told, by);
    let now = way([0.0; 3]);
    let best = shared(&told).into_iter().map(way).min_by_key(Way::all);
    // A cut at the key moves the print on the sheet as well: it has to be worth it.
    let best = best.filter(|w| w.all() < now.cuts.len())?;
    let half = interval(&told);
    let left = best.left(bench.faces, &now);
    let words = words(
        bench.faces,
        (&best, &now),
        half,
        &names(&told, blocks, best.by),
        &left,
    );
    Some(Common {
        by: best.by,
        half,
        now: now.cuts.len(),
        left,
        words,
    })
}

/// One way to bring the blocks in.
struct Way {
    /// By how much the key's faces are taken to be off, mm.
    by: [f64; 3],
    /// What is then called for at the blocks: block, face, mm.
    cuts: Vec<(String, usize, f64)>,
    /// What is then left at the worst place of any block, mm.
    worst: f64,
}

impl Way {
    fn of(bench: &Bench<'_>, told: &[(&BlockFit, &[Evidence; JUDGED])], by: [f64; 3]) -> Self {
        let (mut cuts, mut worst) = (Vec::new(), 0.0_f64);
        for (block, e) in told {
            let (block, e) = less(block, e, bench.faces, by);
            let (advice, moved) = decide(&block, bench.faces, &e, bench.tolerance, bench.options);
            let acts = advice.iter().enumerate().filter(|(_, a)| a.acts());
            cuts.extend(acts.map(|(f, a)| (block.block.clone(), f, a.by)));
            worst = worst.max(block.worst(&moved));
        }
        Self { by, cuts, worst }
    }

    /// Cuts and pads in all, the key's among them.
    fn all(&self) -> usize {
        self.by.iter().filter(|v| **v != 0.0).count() + self.cuts.len()
    }

    /// What is still called for, beside what was before, in words.
    fn left(&self, faces: &[Face; 3], before: &Self) -> Vec<String> {
        let said = self.cuts.iter().map(|(block, f, by)| {
            let same = before.cuts.iter().find(|c| c.0 == *block && c.1 == *f);
            let instead = same.map_or(String::new(), |c| {
                let turned = if c.2 * by < 0.0 { " the other way" } else { "" };
                format!(" (instead of {}{turned})", mm(c.2))
            });
            format!("{block}: {}{instead}", told_as(&faces[*f], *by))
        });
        said.collect()
    }
}

/// By how much the blocks are off alike at each face: the median, where it is
/// more than chance makes of one block. (All blocks of a sheet share the key's
/// own placing, so many blocks are little surer than one.) Face by face,
/// and without a turn.
fn shared(told: &[(&BlockFit, &[Evidence; JUDGED])]) -> Vec<[f64; 3]> {
    let beyond: [f64; JUDGED] = std::array::from_fn(|f| {
        let of = |v: fn(&Evidence) -> f64| {
            median(&told.iter().map(|t| v(&t.1[f])).collect::<Vec<f64>>())
        };
        let off = of(|e| e.correction).zip(of(|e| e.half));
        off.map_or(0.0, |(off, half)| if off.abs() > half { off } else { 0.0 })
    });
    let [long, straight, short, up, across] = beyond;
    let mut out = vec![[long, straight, short], [up, up, across]];
    out.retain(|by| *by != [0.0; 3]);
    out
}

/// A block as it would be with the key moved so that its faces are off by so much less.
fn less(
    block: &BlockFit,
    evidence: &[Evidence; JUDGED],
    faces: &[Face; 3],
    by: [f64; 3],
) -> (BlockFit, [Evidence; JUDGED]) {
    let motion = move_of(faces, by);
    let mut out = block.clone();
    for part in &mut out.parts {
        let less: Motion = [motion.dx, motion.dy, motion.theta, 0.0, 0.0];
        for (m, l) in part.mean.iter_mut().zip(less) {
            *m -= l;
        }
    }
    out.best.dx -= motion.dx;
    out.best.dy -= motion.dy;
    out.best.theta -= motion.theta;
    let mut e = *evidence;
    let less = judged(faces, &motion, block.middle);
    for ((c, e), b) in out.correction.iter_mut().zip(&mut e).zip(less) {
        *c -= b;
        e.correction -= b;
    }
    (out, e)
}

/// Half the 95 % interval of what the blocks are off by alike at each face: that of one block.
fn interval(told: &[(&BlockFit, &[Evidence; JUDGED])]) -> [f64; 3] {
    [0, 1, 2].map(|f| {
        let half: Vec<f64> = told.iter().map(|t| t.1[f].half).collect();
        median(&half).unwrap_or(0.0)
    })
}

/// The blocks that are off alike, those that are not, and those that cannot be judged.
fn names<'a>(
    told: &[(&'a BlockFit, &[Evidence; JUDGED])],
    blocks: &'a [BlockFit],
    by: [f64; 3],
) -> [Vec<&'a str>; 3] {
    let is_alike = |e: &[Evidence; JUDGED]| {
        let mut moved = (0..3).filter(|f| by[*f] != 0.0);
        moved.all(|f| (e[f].correction - by[f]).abs() <= e[f].half)
    };
    let (alike, otherwise): (Vec<_>, Vec<_>) = told.iter().partition(|t| is_alike(t.1));
    let of = |blocks: Vec<&(&'a BlockFit, &[Evidence; JUDGED])>| -> Vec<&'a str> {
        blocks.into_iter().map(|t| t.0.block.as_str()).collect()
    };
    let all = blocks.iter().map(|b| b.block.as_str());
    let cannot = all.filter(|b| !told.iter().any(|t| t.0.block == *b));
    [of(alike), of(otherwise), cannot.collect()]
}

/// What to do at a face: over 0 it is padded.
fn told_as(face: &Face, by: f64) -> String {
    if by > 0.0 {
        format!("pad {} by {}", face.spoken(), mm(by))
    } else {
        format!("cut {} back by {}", face.spoken(), mm(by))
    }
}

fn words(
    faces: &[Face; 3],
    (by_key, by_blocks): (&Way, &Way),
    half: [f64; 3],
    [alike, otherwise, cannot]: &[Vec<&str>; 3],
    left: &[String],
) -> String {
    let by = by_key.by;
    let at_key: Vec<String> = [0, 1, 2]
        .into_iter()
        .filter(|f| by[*f] != 0.0)
        .map(|f| {
            // The key the other way: it is what the blocks are measured against.
            format!(
                "{} (give or take {})",
                told_as(&faces[f], -by[f]),
                mm(half[f])
            )
        })
        .collect();
    let rest = if left.is_empty() {
        "no block then needs another".to_owned()
    } else {
        format!(
            "then only this is still called for at the blocks: {}",
            left.join("; ")
        )
    };
    let not_so = if otherwise.is_empty() {
        String::new()
    } else {
        format!(" ({} not so)", otherwise.join(", "))
    };
    let others = if cannot.is_empty() {
        String::new()
    } else {
        format!(
            " It moves {} against the key as well, of which these sheets do not tell.",
            cannot.join(", ")
        )
    };
    let gently = if by.iter().any(|v| *v < 0.0) {
        " A slip of paper pasted on a mark comes off again, so that can be tried first."
    } else {
        ""
    };
    format!(
        "the blocks {} are off alike{not_so}, as if the key's own marks were. Either the {} cuts and pads that the table advises at them, or on the key's block {}; {rest}. Never both ways. At the worst place of these blocks the first leaves {}, the second {}; each cut brings its own error besides.{others}{gently} All of the print then lies that much otherwise on the sheet; proof again before anything else is cut",
        alike.join(", "),
        by_blocks.cuts.len(),
        at_key.join(", "),
        mm(by_blocks.worst),
        mm(by_key.worst),
    )
}
