//! Learning from reference impressions: each ink's colour from where it lies
//! alone, each overprint's from where it lies, both against local paper and
//! strengths.
//!
//! Paper, strengths, inks and overprints are solved for in turns until they
//! no longer change; a piece's share in each is by its uncertainty.

use std::collections::BTreeMap;

use restrike_ops::overprint_model::{Measured, OverprintModel};
use restrike_ops::overprints::Subset;
use restrike_ops::stats::median;

use crate::alone;
use crate::fields::Fields;
use crate::gaussian::dot;
use crate::inks::{Ink, Inks, Overprint, printed_in};
use crate::pieces::{Piece, Pieces};
use crate::sheet::{Block, Sheet};

/// Most inks over each other that are learned.
const DEEPEST: u32 = 4;
/// Fewest cells on all references that tell a colour.
const CELLS: usize = 6;
/// Fewest pixels of a piece.
const PIXELS: f64 = 20.0;
/// Turns.
const TURNS: usize = 6;
/// A proof's paper is uneven by so much under the record's ink, in logarithm.
const PROOF_PAPER: f64 = 0.015;
/// Neighbouring cells share their paper and strengths: errors are that much larger than of as
/// many independent ones (two sides of a cell's neighbourhood).
const SHARED: f64 = 2.0;
/// Least uncertainty of a colour, in absorption: paper and sensor are never known better.
const LEAST: f64 = 0.004;
/// A cell so far off the others, in absorption, counts half.
const FAR: f64 = 0.1;
/// Inks are laid at this strength or more where overprints are learned.
const THIN: f64 = 0.3;

/// A reference impression, as far as it is needed.
struct Seen {
    pieces: Pieces,
    paper: [f64; 3],
}

/// Reference impressions.
#[derive(Default)]
pub(crate) struct Learning {
    sheets: Vec<Seen>,
    blocks: Vec<Block>,
    /// What bodies add to overprints by what registration found: where to begin from.
    by_body: BTreeMap<u32, Mean>,
}

/// Sums of a value over cells.
#[derive(Debug, Clone, Copy, Default)]
struct Mean {
    weight: f64,
    sum: [f64; 3],
    square: [f64; 3],
    count: usize,
}

impl Mean {
    fn add(&mut self, weight: f64, v: [f64; 3]) {
        self.weight += weight;
        self.count += 1;
        for ((sum, square), v) in self.sum.iter_mut().zip(&mut self.square).zip(v) {
            *sum += weight * v;
            *square += weight * v * v;
        }
    }

    /// Of values with their weights, those far from the middle counting little.
    fn robust(values: &[(f64, [f64; 3])]) -> Self {
        let middle = [0, 1, 2].map(|c| {
            let v: Vec<f64> = values.iter().map(|v| v.1[c]).collect();
            median(&v).unwrap_or(0.0)
        });
        let mut out = Self::default();
        for (w, v) in values {
            let d = [0, 1, 2].map(|c| v[c] - middle[c]);
            out.add(w / (1.0 + dot(d, d) / (FAR * FAR)), *v);
        }
        out
    }

    fn mean(&self) -> [f64; 3] {
        self.sum.map(|s| s / self.weight.max(1e-12))
    }

    /// Standard error by the scatter over cells.
    #[allow(clippy::cast_precision_loss)]
    fn se(&self) -> [f64; 3] {
        let mean = self.mean();
        let n = (self.count as f64 - 1.0).max(1.0);
        [0, 1, 2].map(|c| {
            let variance = (self.square[c] / self.weight.max(1e-12) - mean[c] * mean[c]).max(0.0);
            (SHARED * SHARED * variance / n + LEAST * LEAST).sqrt()
        })
    }
}

impl Learning {
    /// Takes a reference impression in.
    pub(crate) fn add(&mut self, sheet: &mut Sheet<'_>) {
        let mut pieces = alone::pieces(sheet, |_, _| true);
        if self.blocks.is_empty() {
            self.blocks.clone_from(&sheet.blocks);
        }
        if self.blocks.len() != sheet.blocks.len() {
            return;
        }
        pieces.map.retain(|_, p| usable(p, &sheet.blocks));
        // Pieces are held against the first sheet's inks, so that all sheets say the same.
        for p in pieces.map.values_mut() {
            for (n, b) in sheet.blocks.iter().enumerate() {
                if p.shapes.has(n) {
                    for c in 0..3 {
                        p.beyond[c] +=
                            p.strength[n] * (b.absorption[c] - self.blocks[n].absorption[c]);
                    }
                }
            }
        }
        // Pieces hold all that is beyond the sum of the inks'.
        for p in pieces.map.values_mut() {
            let more = sheet.overprint(p.shapes, &p.strength);
            for (sum, m) in p.beyond.iter_mut().zip(more) {
                *sum += m;
            }
            let laid = least(p, &sheet.blocks);
            if p.shapes.count() > 1 && laid >= THIN {
                self.by_body
                    .entry(p.shapes.0)
                    .or_default()
                    .add(p.count, more.map(|m| m / laid));
            }
        }
        self.sheets.push(Seen {
            pieces,
            paper: sheet.log_paper(sheet.area.centre()).map(libm::exp),
        });
    }

    /// What was learned; none without a reference impression.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn finish(self) -> Option<Inks> {
        if self.sheets.is_empty() {
            return None;
        }
        let (overprints, beyond) = self.solve();
        let n = self.sheets.len() as f64;
        let mut paper = [0.0; 3];
        for s in &self.sheets {
            for (p, v) in paper.iter_mut().zip(s.paper) {
                *p += v / n;
            }
        }
        let fields: Vec<Fields> = self
            .sheets
            .iter()
            .map(|s| {
                let mut plain = self.without(s, &beyond);
                plain.leave_out_overprints();
                Fields::fit(&self.blocks, &plain)
            })
            .collect();
        let mut inks: Vec<Ink> = (0..self.blocks.len())
            .map(|n| self.ink(n, &fields))
            .collect();
        let absorptions: Vec<[f64; 3]> = inks.iter().map(|i| i.absorption).collect();
        let orders: Vec<u32> = self.blocks.iter().map(|b| b.shape.part.order).collect();
        let seen: Vec<Measured> = overprints
            .iter()
            .map(|(set, by_sheet)| {
                let (beyond, se) = together(by_sheet);
                Measured {
                    inks: Subset(*set),
                    beyond,
                    se,
                }
            })
            .collect();
        let model = OverprintModel::fit(paper, &absorptions, &printed_in(&orders), &seen);
        for (n, ink) in inks.iter_mut().enumerate() {
            ink.scattering = model.scattering(n);
        }
        let list = seen
            .iter()
            .zip(overprints.values())
            .map(|(m, by_sheet)| {
                let taken = model.beyond(m.inks);
                Overprint {
                    blocks: self.names(m.inks),
                    beyond: m.beyond,
                    se: m.se,
                    sheets: by_sheet.len(),
                    cells: by_sheet.iter().map(|m| m.count).sum(),
                    model: model.kind(m.inks).name().to_owned(),
                    taken,
                    layered_de00: model.difference(m.inks, [0.0; 3], m.beyond),
                    model_de00: model.difference(m.inks, taken, m.beyond),
                }
            })
            .collect();
        Some(Inks::new(paper, inks, list))
    }

    fn names(&self, set: Subset) -> Vec<String> {
        let blocks = self.blocks.iter().enumerate();
        blocks
            .filter(|(n, _)| set.has(*n))
            .map(|(_, b)| b.name.clone())
            .collect()
    }

    /// Solves in turns: each overprint's absorption beyond the sum, by sheet, where it was seen
    /// well enough; and what is held of every overprint.
    fn solve(&self) -> (BTreeMap<u32, Vec<Mean>>, BTreeMap<u32, [f64; 3]>) {
        let start: BTreeMap<u32, [f64; 3]> = (self.by_body.iter())
            .map(|(set, m)| (*set, m.mean()))
            .filter(|(_, m)| *m != [0.0; 3])
            .collect();
        let mut beyond = start.clone();
        let mut found = BTreeMap::new();
        for turn in 0..TURNS {
            found = BTreeMap::<u32, Vec<Mean>>::new();
            for s in &self.sheets {
                let mut less = self.without(s, &beyond);
                if turn == 0 {
                    less.leave_out_overprints();
                }
                let fields = Fields::fit(&self.blocks, &less);
                let mut values: BTreeMap<u32, Vec<(f64, [f64; 3])>> = BTreeMap::new();
                for p in s.pieces.map.values() {
                    if p.shapes.count() < 2 || p.shapes.count() > DEEPEST {
                        continue;
                    }
                    let laid = least(p, &self.blocks);
                    if laid < THIN {
                        continue;
                    }
                    let left = self.left(p, &fields).map(|v| v / laid);
                    values
                        .entry(p.shapes.0)
                        .or_default()
                        .push((weight(p) * laid * laid, left));
                }
                for (set, v) in values {
                    found.entry(set).or_default().push(Mean::robust(&v));
                }
            }
            found.retain(|_, m| m.iter().map(|m| m.count).sum::<usize>() >= CELLS);
            beyond.clone_from(&start);
            beyond.extend(found.iter().map(|(set, m)| (*set, together(m).0)));
        }
        (found, beyond)
    }

    /// A sheet's pieces without what overprints have beyond the sum of their inks'.
    fn without(&self, s: &Seen, beyond: &BTreeMap<u32, [f64; 3]>) -> Pieces {
        let mut less = s.pieces.clone();
        for p in less.map.values_mut() {
            let laid = least(p, &self.blocks);
            if let Some(b) = beyond.get(&p.shapes.0) {
                for (o, b) in p.beyond.iter_mut().zip(b) {
                    *o -= laid * b;
                }
                p.label = p.shapes;
            }
        }
        less
    }

    /// Absorption of a piece beyond paper, strengths and the sum of its inks'.
    fn left(&self, p: &Piece, fields: &Fields) -> [f64; 3] {
        let f = fields.of_cell(p.cell);
        [0, 1, 2].map(|c| {
            let mut v = p.beyond[c] + f[c];
            for (n, b) in self.blocks.iter().enumerate() {
                if p.shapes.has(n) {
                    v -= f[3 + n] * p.strength[n] * b.absorption[c];
                }
            }
            v
        })
    }

    /// A block's ink: the record's, from its proof, and the references' together.
    ///
    /// `fields`: each sheet's corrections.
    fn ink(&self, n: usize, fields: &[Fields]) -> Ink {
        let block = &self.blocks[n];
        let record = block.shape.part.absorption;
        let size = dot(record, record).sqrt().max(1e-9);
        let mut means = Vec::new();
        let alone = Subset(0).flipped(n);
        for (s, fields) in self.sheets.iter().zip(fields) {
            let mut m = Mean::default();
            for p in s.pieces.map.values().filter(|p| p.shapes == alone) {
                if p.strength[n] < THIN {
                    continue;
                }
                let f = fields.of_cell(p.cell);
                let all =
                    [0, 1, 2].map(|c| p.beyond[c] + f[c] + p.strength[n] * block.absorption[c]);
                let long = dot(all, all).sqrt();
                if long > 0.0 {
                    m.add(weight(p) * long * long, all.map(|v| v / long));
                }
            }
            if m.count > 0 {
                means.push(m);
            }
        }
        let cells: usize = means.iter().map(|m| m.count).sum();
        let own = PROOF_PAPER / size;
        let mut direction = record.map(|v| v / size);
        let mut se = [own; 3];
        if cells >= CELLS {
            let (seen, by) = together(&means);
            for c in 0..3 {
                let other = (by[c] * by[c] + (LEAST / size) * (LEAST / size)).sqrt();
                let (a, b) = (1.0 / (own * own), 1.0 / (other * other));
                direction[c] = (a * direction[c] + b * seen[c]) / (a + b);
                se[c] = (1.0 / (a + b)).sqrt();
            }
        }
        let k = size / dot(direction, direction).sqrt().max(1e-9);
        Ink {
            block: block.name.clone(),
            absorption: direction.map(|v| v * k),
            se: se.map(|v| v * size),
            sheets: if cells >= CELLS { means.len() } else { 0 },
            cells,
            scattering: 0.0,
        }
    }
}

/// Whether a piece tells a colour: of located blocks, and where inks lie alone, decided as the
/// shapes say. An ink that hides another is taken for no ink under it at first, so overprints
/// may be called otherwise.
fn usable(p: &Piece, blocks: &[Block]) -> bool {
    (p.shapes.count() > 1 || (p.label == p.shapes && p.rival.is_none()))
        && p.count >= PIXELS
        && blocks
            .iter()
            .enumerate()
            .all(|(n, b)| !p.shapes.has(n) || b.place.located())
}

/// Strength of the weakest ink of a piece.
fn least(p: &Piece, blocks: &[Block]) -> f64 {
    (0..blocks.len())
        .filter(|n| p.shapes.has(*n))
        .map(|n| p.strength[n])
        .fold(1.5, f64::min)
}

fn weight(p: &Piece) -> f64 {
    p.count / (p.count + 60.0)
}

/// Several sheets' means as one, with the scatter between them.
#[allow(clippy::cast_precision_loss)]
fn together(means: &[Mean]) -> ([f64; 3], [f64; 3]) {
    let mut mean = [0.0; 3];
    let mut se = [0.0; 3];
    for c in 0..3 {
        let (mut sum, mut weight) = (0.0, 0.0);
        for m in means {
            let w = 1.0 / (m.se()[c] * m.se()[c]);
            sum += w * m.mean()[c];
            weight += w;
        }
        mean[c] = sum / weight.max(1e-12);
        let mut between = 0.0;
        if means.len() > 1 {
            let n = means.len() as f64;
            let scatter: f64 = means
                .iter()
                .map(|m| (m.mean()[c] - mean[c]) * (m.mean()[c] - mean[c]))
                .sum();
            between = scatter / (n - 1.0) / n;
        }
        se[c] = (1.0 / weight.max(1e-12) + between).sqrt();
    }
    (mean, se)
}
