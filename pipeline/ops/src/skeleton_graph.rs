//! Branches and junctions of a skeleton.
//!
//! Cells with three neighbours or more are junctions (those that touch make
//! one), the chains of cells between them branches. A free end that stands out
//! of its junction's line by less than that line's half width is a spur of an
//! uneven edge and is taken off, the shortest at a junction first. Junctions
//! whose inscribed discs hold each other's centres are one.

use crate::thinning::Skeleton;

/// What a branch ends at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BranchEnd {
    /// Nothing: the skeleton stops.
    Free,
    /// A junction, by number.
    Junction(usize),
}

/// A chain of skeleton cells between junctions.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Branch {
    /// Cells in order, without the junctions' own.
    pub cells: Vec<usize>,
    /// What is before the first and after the last; none for a closed chain.
    pub ends: Option<[BranchEnd; 2]>,
}

/// Cells where branches meet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Junction {
    /// The cells, in ascending order.
    pub cells: Vec<usize>,
}

/// A skeleton's parts.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct SkeletonGraph {
    /// Chains, in the order of their lowest end cell; closed ones last.
    pub branches: Vec<Branch>,
    /// Junctions, in the order of their lowest cell.
    pub junctions: Vec<Junction>,
}

impl SkeletonGraph {
    /// The parts of a skeleton as it is.
    pub fn new(skeleton: &Skeleton) -> Self {
        let on: Vec<usize> = (0..skeleton.cells()).filter(|c| skeleton.has(*c)).collect();
        Self::of_cells(skeleton, &on)
    }

    /// The parts without spurs, close junctions joined.
    ///
    /// `depth` gives a cell's distance from the edge and `step` the distance of
    /// neighbouring cells in the same unit; `held` cells are no free ends, even
    /// if nothing follows: the line goes on beyond the skeleton. Spurs are
    /// taken off the skeleton too.
    pub fn pruned(
        skeleton: &mut Skeleton,
        step: f64,
        depth: impl Fn(usize) -> f64,
        held: impl Fn(usize) -> bool,
    ) -> Self {
        let mut on: Vec<usize> = (0..skeleton.cells()).filter(|c| skeleton.has(*c)).collect();
        loop {
            let graph = Self::of_cells(skeleton, &on);
            let spurs = graph.spurs(skeleton, step, &depth, &held);
            if spurs.is_empty() {
                return graph.joined(skeleton, step, &depth);
            }
            for (branch, junction) in spurs {
                for cell in &graph.branches[branch].cells {
                    skeleton.put(*cell, false);
                }
                // What was a junction may have become thick.
                for cell in &graph.junctions[junction].cells {
                    if skeleton.removable(*cell) {
                        skeleton.put(*cell, false);
                    }
                }
            }
            on.retain(|c| skeleton.has(*c));
        }
    }

    fn of_cells(skeleton: &Skeleton, on: &[usize]) -> Self {
        const NONE: u32 = u32::MAX;
        let node = |c: usize| skeleton.neighbours(c).count() > 2;
        let mut graph = Self::default();
        // Number of the junction a cell belongs to.
        let mut of = vec![NONE; skeleton.cells()];
        for &start in on {
            if of[start] != NONE || !node(start) {
                continue;
            }
            #[allow(clippy::cast_possible_truncation)]
            let number = graph.junctions.len() as u32;
            of[start] = number;
            let mut cells = vec![start];
            let mut seen = 0;
            while let Some(&cell) = cells.get(seen) {
                seen += 1;
                for n in skeleton.neighbours(cell) {
                    if of[n] == NONE && node(n) {
                        of[n] = number;
                        cells.push(n);
                    }
                }
            }
            cells.sort_unstable();
            graph.junctions.push(Junction { cells });
        }
        let mut done = vec![false; skeleton.cells()];
        let chained = |c: usize| skeleton.neighbours(c).filter(|n| of[*n] == NONE);
        let junctions_at = |c: usize| {
            skeleton
                .neighbours(c)
                .filter(|n| of[*n] != NONE)
                .map(|n| BranchEnd::Junction(of[n] as usize))
        };
        for closed in [false, true] {
            for &start in on {
                if of[start] != NONE || done[start] || (!closed && chained(start).count() > 1) {
                    continue;
                }
                let mut cells = vec![start];
                done[start] = true;
                let mut here = start;
                while let Some(next) = chained(here).find(|n| !done[*n]) {
                    done[next] = true;
                    cells.push(next);
                    here = next;
                }
                let ends = (!closed).then(|| {
                    let mut first = junctions_at(start);
                    let a = first.next().unwrap_or(BranchEnd::Free);
                    let b = if cells.len() == 1 {
                        first.next()
                    } else {
                        junctions_at(here).next()
                    };
                    [a, b.unwrap_or(BranchEnd::Free)]
                });
                graph.branches.push(Branch { cells, ends });
            }
        }
        graph
    }

    /// Branches at each junction; one that comes back counts twice.
    fn meeting(&self) -> Vec<Vec<usize>> {
        let mut at = vec![Vec::new(); self.junctions.len()];
        for (n, branch) in self.branches.iter().enumerate() {
            for end in branch.ends.iter().flatten() {
                if let BranchEnd::Junction(j) = end {
                    at[*j].push(n);
                }
            }
        }
        at
    }

    /// The shortest spur at each junction that has one, with the junction.
    fn spurs(
        &self,
        skeleton: &Skeleton,
        step: f64,
        depth: &impl Fn(usize) -> f64,
        held: &impl Fn(usize) -> bool,
    ) -> Vec<(usize, usize)> {
        let mut out = Vec::new();
        for (j, branches) in self.meeting().into_iter().enumerate() {
            if branches.len() < 3 {
                continue;
            }
            let deepest = self.junctions[j].depth(depth);
            let centre = self.junctions[j].centre(skeleton);
            let spur = branches
                .into_iter()
                .filter_map(|b| {
                    let branch = &self.branches[b];
                    let tip = branch.tip()?;
                    if held(tip) {
                        return None;
                    }
                    let from = branch.far_from_tip()?;
                    let whole = branch.length(skeleton) + distance(place(skeleton, from), centre);
                    let out = whole * step + depth(tip) - deepest;
                    (out < deepest).then_some((out, b))
                })
                .min_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            out.extend(spur.map(|(_, b)| (b, j)));
        }
        out
    }

    /// Joins junctions that lie within each other, and branches that meet alone.
    fn joined(mut self, skeleton: &Skeleton, step: f64, depth: &impl Fn(usize) -> f64) -> Self {
        let mut group: Vec<usize> = (0..self.junctions.len()).collect();
        let mut keep = vec![true; self.branches.len()];
        for (n, branch) in self.branches.iter().enumerate() {
            let Some([BranchEnd::Junction(a), BranchEnd::Junction(b)]) = branch.ends else {
                continue;
            };
            if a == b {
                continue;
            }
            let (ja, jb) = (&self.junctions[a], &self.junctions[b]);
            let apart = distance(ja.centre(skeleton), jb.centre(skeleton)) * step;
            let deep = ja.depth(depth).min(jb.depth(depth));
            // A narrow way between two wide places is a line of its own.
            let narrowest = branch.cells.iter().map(|c| depth(*c)).fold(deep, f64::min);
            if apart < deep && narrowest > 0.7 * deep {
                keep[n] = false;
                let (a, b) = (root(&group, a), root(&group, b));
                group[a.max(b)] = a.min(b);
            }
        }
        let mut members = vec![Vec::new(); self.junctions.len()];
        for (j, junction) in self.junctions.iter().enumerate() {
            members[root(&group, j)].extend_from_slice(&junction.cells);
        }
        for (branch, _) in self.branches.iter().zip(&keep).filter(|(_, keep)| !**keep) {
            if let Some([BranchEnd::Junction(a), _]) = branch.ends {
                members[root(&group, a)].extend_from_slice(&branch.cells);
            }
        }
        for (junction, mut cells) in self.junctions.iter_mut().zip(members) {
            cells.sort_unstable();
            junction.cells = cells;
        }
        let mut kept = keep.iter();
        self.branches
            .retain(|_| kept.next().copied().unwrap_or(true));
        for end in self
            .branches
            .iter_mut()
            .flat_map(|b| b.ends.iter_mut().flatten())
        {
            if let BranchEnd::Junction(j) = end {
                *j = root(&group, *j);
            }
        }
        self.passed_through(skeleton)
    }

    /// Takes away junctions of fewer than three branches, numbers the others anew.
    fn passed_through(mut self, skeleton: &Skeleton) -> Self {
        // A branch that was made part of another, by that one's number.
        let mut part_of: Vec<usize> = (0..self.branches.len()).collect();
        for (j, here) in self.meeting().into_iter().enumerate() {
            let Some(middle) = self.junctions[j].middle(skeleton) else {
                continue;
            };
            match *here.as_slice() {
                [] => self.branches.push(Branch {
                    cells: vec![middle],
                    ends: Some([BranchEnd::Free; 2]),
                }),
                [n] => {
                    let branch = &mut self.branches[root(&part_of, n)];
                    branch.end_at(j);
                    branch.ends = branch.ends.map(|[a, _]| [a, BranchEnd::Free]);
                    branch.cells.push(middle);
                }
                [n, m] => {
                    let (n, m) = (root(&part_of, n), root(&part_of, m));
                    if n == m {
                        self.branches[n].ends = None;
                        self.branches[n].cells.push(middle);
                    } else {
                        let cells = std::mem::take(&mut self.branches[m].cells);
                        let ends = self.branches[m].ends.take();
                        let mut second = Branch { cells, ends };
                        let first = &mut self.branches[n];
                        first.end_at(j);
                        second.end_at(j);
                        second.cells.reverse();
                        first.cells.push(middle);
                        first.cells.append(&mut second.cells);
                        let far = first.ends.zip(second.ends);
                        first.ends = far.map(|([a, _], [b, _])| [a, b]);
                        part_of[m] = n;
                    }
                }
                _ => continue,
            }
            self.junctions[j].cells.clear();
        }
        self.branches.retain(|b| !b.cells.is_empty());
        let mut number = vec![0; self.junctions.len()];
        let mut next = 0;
        for (number, junction) in number.iter_mut().zip(&self.junctions) {
            *number = next;
            next += usize::from(!junction.cells.is_empty());
        }
        self.junctions.retain(|j| !j.cells.is_empty());
        for end in self
            .branches
            .iter_mut()
            .flat_map(|b| b.ends.iter_mut().flatten())
        {
            if let BranchEnd::Junction(j) = end {
                *j = number[*j];
            }
        }
        self
    }
}

impl Branch {
    /// The end cell of a branch that is free at one end only.
    fn tip(&self) -> Option<usize> {
        match self.ends? {
            [BranchEnd::Free, BranchEnd::Junction(_)] => self.cells.first().copied(),
            [BranchEnd::Junction(_), BranchEnd::Free] => self.cells.last().copied(),
            _ => None,
        }
    }

    fn far_from_tip(&self) -> Option<usize> {
        match self.ends? {
            [BranchEnd::Free, _] => self.cells.last().copied(),
            _ => self.cells.first().copied(),
        }
    }

    /// Turns the branch so that it ends at a junction.
    fn end_at(&mut self, junction: usize) {
        if let Some([a, b]) = self.ends
            && b != BranchEnd::Junction(junction)
        {
            self.cells.reverse();
            self.ends = Some([b, a]);
        }
    }

    /// Length along the cells' centres, cells.
    fn length(&self, skeleton: &Skeleton) -> f64 {
        self.cells
            .windows(2)
            .map(|c| distance(place(skeleton, c[0]), place(skeleton, c[1])))
            .sum()
    }
}

impl Junction {
    /// Mean place of its cells, samples.
    pub fn centre(&self, skeleton: &Skeleton) -> [f64; 2] {
        #[allow(clippy::cast_precision_loss)]
        let count = self.cells.len().max(1) as f64;
        let sum = self.cells.iter().fold([0.0, 0.0], |sum, c| {
            let p = place(skeleton, *c);
            [sum[0] + p[0], sum[1] + p[1]]
        });
        sum.map(|s| s / count)
    }

    /// The cell nearest to the centre.
    fn middle(&self, skeleton: &Skeleton) -> Option<usize> {
        let centre = self.centre(skeleton);
        let from = |c: &usize| distance(place(skeleton, *c), centre);
        self.cells
            .iter()
            .copied()
            .min_by(|a, b| from(a).total_cmp(&from(b)))
    }

    /// Greatest depth of its cells.
    pub fn depth(&self, depth: impl Fn(usize) -> f64) -> f64 {
        self.cells.iter().map(|c| depth(*c)).fold(0.0, f64::max)
    }
}

fn root(group: &[usize], mut j: usize) -> usize {
    while group[j] != j {
        j = group[j];
    }
    j
}

#[allow(clippy::cast_precision_loss)]
fn place(skeleton: &Skeleton, cell: usize) -> [f64; 2] {
    let (x, y) = skeleton.sample(cell);
    [x as f64, y as f64]
}

fn distance(a: [f64; 2], b: [f64; 2]) -> f64 {
    ((a[0] - b[0]) * (a[0] - b[0]) + (a[1] - b[1]) * (a[1] - b[1])).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn skeleton(rows: &[&str]) -> Skeleton {
        let mut s = Skeleton::new(rows[0].len(), rows.len());
        for (y, row) in rows.iter().enumerate() {
            for (x, b) in row.bytes().enumerate() {
                let cell = s.cell(x, y);
                s.put(cell, b == b'#');
            }
        }
        s
    }

    const TEE: [&str; 6] = [
        "...........",
        "###########",
        ".....#.....",
        ".....#.....",
        ".....#.....",
        ".....#.....",
    ];

    #[test]
    fn a_tee_has_three_branches() {
        let g = SkeletonGraph::new(&skeleton(&TEE));
        assert_eq!((g.branches.len(), g.junctions.len()), (3, 1));
        for b in &g.branches {
            assert_eq!(
                b.ends
                    .unwrap()
                    .iter()
                    .filter(|e| **e == BranchEnd::Free)
                    .count(),
                1
            );
        }
    }

    #[test]
    fn a_short_stem_is_a_spur_unless_it_goes_on() {
        // Half width 4: the stem stands out by a little less.
        let thin = |held: bool| {
            let mut s = skeleton(&TEE);
            SkeletonGraph::pruned(&mut s, 1.0, |_| 4.0, |_| held)
        };
        let g = thin(false);
        assert_eq!((g.branches.len(), g.junctions.len()), (1, 0));
        assert_eq!(g.branches[0].cells.len(), 11);
        assert_eq!(thin(true).branches.len(), 3);
        // Half width 1: a line of its own.
        let mut s = skeleton(&TEE);
        let g = SkeletonGraph::pruned(&mut s, 1.0, |_| 1.0, |_| false);
        assert_eq!(g.branches.len(), 3);
    }

    #[test]
    fn a_ring_is_closed_and_a_ring_on_a_stem_comes_back() {
        let ring = skeleton(&[".##.", "#..#", "#..#", ".##."]);
        let g = SkeletonGraph::new(&ring);
        assert_eq!((g.branches.len(), g.branches[0].ends), (1, None));
        assert_eq!(g.branches[0].cells.len(), 8);
        let mut stem = skeleton(&[
            ".##.......",
            "#..#......",
            "#...######",
            "#..#......",
            ".##.......",
        ]);
        let g = SkeletonGraph::pruned(&mut stem, 1.0, |_| 1.0, |_| false);
        assert_eq!((g.branches.len(), g.junctions.len()), (2, 1));
        let back = Some([BranchEnd::Junction(0); 2]);
        assert_eq!(g.branches.iter().filter(|b| b.ends == back).count(), 1);
    }

    #[test]
    fn a_crossing_seen_as_two_junctions_is_one() {
        let rows = [
            "#.........#",
            ".#.......#.",
            "..#.....#..",
            "...#####...",
            "..#.....#..",
            ".#.......#.",
            "#.........#",
        ];
        let wide = SkeletonGraph::pruned(&mut skeleton(&rows), 1.0, |_| 6.0, |_| true);
        assert_eq!((wide.branches.len(), wide.junctions.len()), (4, 1));
        let narrow = SkeletonGraph::pruned(&mut skeleton(&rows), 1.0, |_| 1.0, |_| true);
        assert_eq!((narrow.branches.len(), narrow.junctions.len()), (5, 2));
    }

    #[test]
    fn dots_and_nothing() {
        let dot = SkeletonGraph::new(&skeleton(&["...", ".#.", "..."]));
        assert_eq!(dot.branches[0].ends, Some([BranchEnd::Free; 2]));
        assert_eq!(
            SkeletonGraph::new(&Skeleton::new(0, 0)),
            SkeletonGraph::default()
        );
    }
}
