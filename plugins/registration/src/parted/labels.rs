//! Which blocks printed at each place of an impression, by the colours they
//! are said to have.
//!
//! Every place is one of the overprints of up to three colour blocks, or the
//! key, which hides what lies under it. An overprint absorbs the sum of what
//! its inks absorb (Bouguer-Lambert law), all a little stronger or weaker
//! together as ink is laid on unevenly; a gradation's ink has any strength.
//! Places agree with their neighbours where nothing speaks against it
//! (iterated conditional modes: Besag 1986, J. R. Stat. Soc. B 48, 259).

use nalgebra::{DMatrix, DVector};

/// A set of blocks, a bit each.
pub(crate) type Set = u32;

/// Blocks as they are looked for.
#[derive(Debug, Clone)]
pub(crate) struct Inks {
    /// Absorption of each block's solid.
    pub(crate) absorption: Vec<[f64; 3]>,
    /// Which one is the key.
    pub(crate) key: usize,
    /// Which ones are printed with a gradation.
    pub(crate) fade: Vec<bool>,
}

/// Most colour blocks over each other; fewer for large block sets.
const MOST_OVER: u32 = 3;
/// Standard deviation of absorption at a place: noise, paper, mottle.
const SPREAD: f64 = 0.06;
/// The same as a share of the absorption.
const SHARE: f64 = 0.10;
/// How much stronger or weaker all inks of a place are, standard deviation.
const STRENGTH: f64 = 0.12;
/// Cost of each further block, in squared standard deviations.
const SIMPLE: f64 = 2.0;
/// Cost of a neighbour that is something else.
const DIFFERS: f64 = 1.6;
/// Beyond this a cost tells no more.
const CAP: f64 = 60.0;
/// Paper absorbs up to this much more than it does elsewhere where it is toned or stained, and
/// that is so much less likely than plain paper.
const STAINED: f64 = 0.7;
const STAIN: f64 = 30.0;
/// What was said of an ink counts as much as so many places.
const SAID: f64 = 300.0;
/// Least strength of a gradation's ink.
const FAINT: f64 = 0.2;

/// One set of blocks with what it absorbs, ready to be compared.
struct Candidate {
    set: Set,
    /// Absorption of its even inks together.
    even: [f64; 3],
    /// Absorption of the gradation's ink in it, if there is one.
    fading: Option<[f64; 3]>,
    blocks: f64,
}

fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

impl Candidate {
    /// Cost of a place that absorbs `a`, whatever the gradation's strength there.
    fn cost(&self, a: [f64; 3]) -> f64 {
        let cost = self.plain_cost(a);
        if self.set == 0 && a.iter().all(|v| *v < STAINED) {
            return cost.min(STAIN);
        }
        cost
    }

    fn plain_cost(&self, a: [f64; 3]) -> f64 {
        let mut model = self.even;
        if let Some(f) = self.fading {
            let rest = [0, 1, 2].map(|c| a[c] - self.even[c]);
            let s = (dot(rest, f) / dot(f, f).max(1e-9)).clamp(FAINT, 1.1);
            for c in 0..3 {
                model[c] += s * f[c];
            }
        }
        let square = dot(model, model);
        let t = if square > 1e-4 {
            (dot(a, model) / square).clamp(0.6, 1.4)
        } else {
            1.0
        };
        let mut cost = self.blocks * SIMPLE + ((t - 1.0) / STRENGTH).powi(2);
        for c in 0..3 {
            let spread = SPREAD + SHARE * model[c];
            let d = (a[c] - t * model[c]) / spread;
            cost += d * d;
        }
        cost
    }
}

impl Inks {
    fn candidates(&self) -> Vec<Candidate> {
        let n = self.absorption.len();
        let most = if n > 9 { 2 } else { MOST_OVER };
        let mut out = Vec::new();
        for set in 0..(1_u32 << n) {
            let has = |b: usize| set >> b & 1 == 1;
            let count = set.count_ones();
            let alone = has(self.key) && count > 1;
            let fading: Vec<usize> = (0..n).filter(|b| has(*b) && self.fade[*b]).collect();
            if count > most || alone || fading.len() > 1 {
                continue;
            }
            let mut even = [0.0; 3];
            for b in (0..n).filter(|b| has(*b) && !self.fade[*b]) {
                for c in 0..3 {
                    even[c] += self.absorption[b][c];
                }
            }
            out.push(Candidate {
                set,
                even,
                fading: fading.first().map(|b| self.absorption[*b]),
                blocks: f64::from(count),
            });
        }
        out
    }

    /// The set that fits each place best, neighbours agreeing where they can.
    /// Places that are not looked at have none (`u32::MAX`).
    pub(crate) fn label(&self, absorbed: &[[f32; 3]], looked: &[bool], w: usize) -> Vec<Set> {
        let candidates = self.candidates();
        let wide = |a: &[f32; 3]| a.map(f64::from);
        let mut of: Vec<usize> = absorbed
            .iter()
            .zip(looked)
            .map(|(a, l)| {
                if !l {
                    return usize::MAX;
                }
                let a = wide(a);
                let mut best = (f64::INFINITY, 0);
                for (n, c) in candidates.iter().enumerate() {
                    let cost = c.cost(a);
                    if cost < best.0 {
                        best = (cost, n);
                    }
                }
                best.1
            })
            .collect();
        let h = absorbed.len() / w.max(1);
        for _ in 0..8 {
            let before = of.clone();
            for y in 1..h.saturating_sub(1) {
                for x in 1..w - 1 {
                    let k = y * w + x;
                    if !looked[k] {
                        continue;
                    }
                    let near = [
                        before[k - 1],
                        before[k + 1],
                        before[k - w],
                        before[k + w],
                        before[k - w - 1],
                        before[k - w + 1],
                        before[k + w - 1],
                        before[k + w + 1],
                    ];
                    if near.iter().all(|n| *n == before[k]) {
                        continue;
                    }
                    let a = wide(&absorbed[k]);
                    let cost = |n: usize| {
                        let differ = near.iter().filter(|m| **m != n).count();
                        #[allow(clippy::cast_precision_loss)]
                        let differ = differ as f64;
                        candidates[n].cost(a).min(CAP) + DIFFERS * differ
                    };
                    let mut best = (cost(before[k]), before[k]);
                    for n in near {
                        if n != usize::MAX && n != best.1 {
                            let c = cost(n);
                            if c < best.0 {
                                best = (c, n);
                            }
                        }
                    }
                    of[k] = best.1;
                }
            }
        }
        of.iter()
            .map(|n| candidates.get(*n).map_or(u32::MAX, |c| c.set))
            .collect()
    }

    /// The inks as they are on this sheet: least squares over places well
    /// inside an area, held to what was said of them.
    pub(crate) fn refined(&self, absorbed: &[[f32; 3]], labels: &[Set], sure: &[bool]) -> Self {
        let n = self.absorption.len();
        let mut normal = DMatrix::<f64>::zeros(n, n);
        let mut right = DMatrix::<f64>::zeros(n, 3);
        for ((a, set), s) in absorbed.iter().zip(labels).zip(sure) {
            if !s || *set == 0 || *set == u32::MAX {
                continue;
            }
            let members: Vec<usize> = (0..n).filter(|b| set >> b & 1 == 1).collect();
            // A gradation's strength is not known: it tells of no other ink.
            if members.iter().any(|b| self.fade[*b]) {
                continue;
            }
            #[allow(clippy::cast_precision_loss)]
            let weight = 1.0 / members.len() as f64;
            for i in &members {
                for j in &members {
                    normal[(*i, *j)] += weight;
                }
                for c in 0..3 {
                    right[(*i, c)] += weight * f64::from(a[c]);
                }
            }
        }
        let mut out = self.clone();
        for b in 0..n {
            normal[(b, b)] += SAID;
            for c in 0..3 {
                right[(b, c)] += SAID * self.absorption[b][c];
            }
        }
        if let Some(cholesky) = normal.cholesky() {
            for c in 0..3 {
                let solved: DVector<f64> = cholesky.solve(&right.column(c).into_owned());
                for b in 0..n {
                    out.absorption[b][c] = solved[b].max(0.0);
                }
            }
        }
        out
    }
}

/// Places of areas of one label, of those marked, that are at least so large.
pub(crate) fn large(labels: &[Set], marked: &[bool], w: usize, least: usize) -> Vec<bool> {
    let h = labels.len() / w.max(1);
    let mut seen = vec![false; labels.len()];
    let mut out = vec![false; labels.len()];
    let mut area = Vec::new();
    for start in 0..labels.len() {
        if !marked[start] || seen[start] {
            continue;
        }
        area.clear();
        area.push(start);
        seen[start] = true;
        let mut at = 0;
        while at < area.len() {
            let k = area[at];
            at += 1;
            let (x, y) = (k % w, k / w);
            let near = [
                (x > 0).then(|| k - 1),
                (x + 1 < w).then(|| k + 1),
                (y > 0).then(|| k - w),
                (y + 1 < h).then(|| k + w),
            ];
            for n in near.into_iter().flatten() {
                if marked[n] && !seen[n] && labels[n] == labels[k] {
                    seen[n] = true;
                    area.push(n);
                }
            }
        }
        if area.len() >= least {
            for k in &area {
                out[*k] = true;
            }
        }
    }
    out
}

/// Places whose eight neighbours have the same label.
pub(crate) fn inside(labels: &[Set], w: usize) -> Vec<bool> {
    let h = labels.len() / w.max(1);
    let mut out = vec![false; labels.len()];
    for y in 1..h.saturating_sub(1) {
        for x in 1..w - 1 {
            let k = y * w + x;
            let own = labels[k];
            out[k] = own != u32::MAX
                && (k - w - 1..=k - w + 1)
                    .chain(k - 1..=k + 1)
                    .chain(k + w - 1..=k + w + 1)
                    .all(|n| labels[n] == own);
        }
    }
    out
}

/// Each place's nearest seed: the seeds' labels spread evenly until they meet.
/// Gives the place in the picture, `usize::MAX` where there is none.
pub(crate) fn nearest(seeds: &[bool], open: &[bool], w: usize) -> Vec<usize> {
    let mut from = vec![usize::MAX; seeds.len()];
    let h = seeds.len() / w.max(1);
    let mut front: Vec<usize> = Vec::new();
    for (k, s) in seeds.iter().enumerate() {
        if *s {
            from[k] = k;
            front.push(k);
        }
    }
    // Alternating four and eight neighbours comes near to round.
    let mut diagonal = false;
    while !front.is_empty() {
        let mut next = Vec::new();
        for k in front {
            let (x, y) = (k % w, k / w);
            for (dx, dy) in [
                (0_i64, -1_i64),
                (-1, 0),
                (1, 0),
                (0, 1),
                (-1, -1),
                (1, -1),
                (-1, 1),
                (1, 1),
            ] {
                if !diagonal && dx != 0 && dy != 0 {
                    continue;
                }
                let (Some(u), Some(v)) = (
                    x.checked_add_signed(dx as isize),
                    y.checked_add_signed(dy as isize),
                ) else {
                    continue;
                };
                if u >= w || v >= h {
                    continue;
                }
                let n = v * w + u;
                if open[n] && from[n] == usize::MAX {
                    from[n] = from[k];
                    next.push(n);
                }
            }
        }
        diagonal = !diagonal;
        front = next;
    }
    from
}

#[cfg(test)]
mod tests {
    use super::*;

    const RED: [f64; 3] = [0.5, 1.9, 2.2];

    fn inks() -> Inks {
        Inks {
            absorption: vec![[3.0, 3.2, 3.2], RED],
            key: 0,
            fade: vec![false; 2],
        }
    }

    fn share(s: f64) -> [f32; 3] {
        RED.map(|v| (v * s) as f32)
    }

    #[test]
    fn stains_are_paper_and_pale_ink_is_ink() {
        let w = 5;
        let label = |s: f64| inks().label(&vec![share(s); w * w], &vec![true; w * w], w)[12];
        assert_eq!(label(0.0), 0);
        assert_eq!(label(0.2), 0);
        for s in [0.45, 0.7, 1.0, 1.2] {
            assert_eq!(label(s), 0b10, "{s}");
        }
    }
}
