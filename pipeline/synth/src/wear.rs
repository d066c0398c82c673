//! From a block's nominal shapes to what its wood prints on one sheet: wear,
//! breaks, nicks, worm holes, plugs, re-cutting. Block coordinates, mm.

use crate::design::{Block, Design, Line};
use crate::rng::{mix, word};
use crate::shapes::{
    P, add, arc_length, at_arc, densify, densify_ring, ellipse, len, normals, offset_ring, runs,
    scale, signed_area, sub, sub_line,
};
use crate::sheet::{BlockState, Damage, DamageKind, SheetSpec};
use crate::stroke::{Edge, Ragged, edge_outline, right_edge, taper_at};

/// Rings applied together: printed, or cleared from what came before.
#[derive(Debug, Clone, Default)]
pub(crate) struct Group {
    pub(crate) cleared: bool,
    pub(crate) rings: Vec<Vec<P>>,
    /// The same moved inward by the rim of squashed ink.
    pub(crate) cores: Vec<Vec<P>>,
}

/// All rings of a block.
pub(crate) fn block_groups(
    design: &Design,
    block: &Block,
    state: &BlockState,
    sheet: &SheetSpec,
) -> Vec<Group> {
    let present: Vec<(&Damage, f64)> = sheet
        .damage
        .iter()
        .filter(|d| d.block == block.name)
        .filter_map(|d| d.length_at(sheet.age).map(|l| (d, l)))
        .collect();
    let growth = |image: &str| {
        let i = design
            .images
            .iter()
            .position(|m| m.name == image)
            .unwrap_or(0);
        sheet.growth(state, i)
    };
    let recut = |pts: &[P]| -> Vec<P> {
        match &state.recut {
            Some(r) => pts.iter().map(|p| r.course.apply(*p)).collect(),
            None => pts.to_vec(),
        }
    };
    let rim = sheet.ink.rim_mm;
    let mut first = Group::default();
    for line in &block.lines {
        let centre = recut(&line.points);
        let half = line.width_mm / 2.0 + growth(&line.image);
        for (pts, edge) in pieces(line, &centre, half, state, &present) {
            first.rings.push(edge_outline(&pts, &edge));
            if sheet.ink.squash != 0.0 && edge.half > rim + 0.02 {
                let inner = Edge {
                    half: edge.half - rim,
                    ..edge
                };
                first.cores.push(edge_outline(&pts, &inner));
            }
        }
    }
    for ring in fill_ins(block, &growth, &present) {
        if sheet.ink.squash != 0.0 {
            first.cores.push(ring.clone());
        }
        first.rings.push(ring);
    }
    let mut groups = vec![first];
    for area in &block.areas {
        if groups.last().is_none_or(|g| g.cleared != area.cleared) {
            groups.push(Group {
                cleared: area.cleared,
                ..Group::default()
            });
        }
        let by = if area.cleared { -1.0 } else { 1.0 };
        let seed = word(u64::from(area.id), mix(u64::from(block.order)));
        if let Some(g) = groups.last_mut() {
            for (i, ring) in area.rings.iter().enumerate() {
                let ring = recut(ring);
                let e = by * growth(&area.image);
                g.rings.push(edge_ring(&ring, e, i > 0, state.ragged, seed));
                if sheet.ink.squash != 0.0 {
                    g.cores
                        .push(edge_ring(&ring, e - by * rim, i > 0, state.ragged, seed));
                }
            }
        }
    }
    let holes = holes(block, &growth, &present);
    if !holes.is_empty() {
        groups.push(Group {
            cleared: true,
            cores: holes.clone(),
            rings: holes,
        });
    }
    for g in &mut groups {
        // One orientation for all, so that overlaps add up.
        for r in g.rings.iter_mut().chain(&mut g.cores) {
            if r.len() > 2 && signed_area(r) < 0.0 {
                r.reverse();
            }
        }
    }
    groups
}

fn edge_ring(ring: &[P], by: f64, hole: bool, ragged: Option<Ragged>, seed: u64) -> Vec<P> {
    let ring = if by == 0.0 {
        ring.to_vec()
    } else {
        offset_ring(ring, by, hole)
    };
    let Some(r) = ragged else { return ring };
    let ring = densify_ring(&ring, r.step());
    let mut s = 0.0;
    let norm = normals(&ring, true);
    (0..ring.len())
        .map(|i| {
            if i > 0 {
                s += len(sub(ring[i], ring[i - 1]));
            }
            add(ring[i], scale(norm[i], r.at(s, seed)))
        })
        .collect()
}

/// How far a line's left and right edge lie outside its smooth ones, mm, at
/// places `step` apart along all of it.
pub fn line_edges(line: &Line, ragged: Ragged, step: f64) -> Vec<[f64; 2]> {
    let seed = line_seed(line);
    let count = (arc_length(&line.points) / step) as usize;
    (0..=count)
        .map(|i| {
            let s = i as f64 * step;
            [ragged.at(s, seed), ragged.at(s, right_edge(seed))]
        })
        .collect()
}

/// Nominal width of a line at an arc length, mm.
pub fn line_width(line: &Line, arc: f64) -> f64 {
    let total = arc_length(&line.points).max(1e-9);
    line.width_mm * taper_at(arc / total, line.taper)
}

fn line_seed(line: &Line) -> u64 {
    let image = line.image.bytes().fold(0, |h, b| mix(h ^ u64::from(b)));
    word(image ^ u64::from(line.id), 1)
}

/// The printing pieces of a line.
fn pieces(
    line: &Line,
    centre: &[P],
    half: f64,
    state: &BlockState,
    present: &[(&Damage, f64)],
) -> Vec<(Vec<P>, Edge)> {
    let total = arc_length(centre);
    let seed = line_seed(line);
    let edge = |from: f64, slant: [f64; 2]| Edge {
        half,
        from,
        total,
        taper: line.taper,
        ragged: state.ragged.map(|r| (r, seed)),
        slant,
    };
    if half < 0.01 {
        return Vec::new();
    }
    let mut gaps: Vec<(f64, f64, u32)> = present
        .iter()
        .filter(|(d, _)| {
            d.kind == DamageKind::Break && d.line == Some(line.id) && d.image == line.image
        })
        .map(|(d, l)| (d.arc_mm - l / 2.0, d.arc_mm + l / 2.0, d.id))
        .collect();
    gaps.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut out = Vec::new();
    let mut from = 0.0;
    let mut slant = 0.0;
    for (a, b, id) in gaps {
        // The ends of a broken line are oblique; their middle is the true end.
        let tilt = ((mix(u64::from(id)) >> 40) as f64 / f64::from(1u32 << 24) - 0.5) * half;
        if a > from {
            out.push((from, a, [slant, tilt]));
        }
        from = from.max(b);
        slant = tilt;
    }
    if from < total {
        out.push((from, total, [slant, 0.0]));
    }
    let plugs: Vec<(&Damage, f64)> = present
        .iter()
        .filter(|(d, _)| d.kind == DamageKind::Plug && d.image == line.image)
        .copied()
        .collect();
    // A plug's rim is looked for between the points of the line.
    let dense;
    let centre = if plugs.is_empty() {
        centre
    } else {
        dense = densify(centre, 0.3);
        &dense
    };
    let mut done = Vec::new();
    for (a, b, slant) in out {
        let mut parts = vec![sub_line(centre, a, b)];
        let mut plugged = Vec::new();
        for (d, diameter) in &plugs {
            let within = |p: P| len(sub(p, d.at)) < diameter / 2.0;
            let shift = d.shift_mm;
            parts = parts
                .iter()
                .flat_map(|p| runs(p, &|q| !within(q)))
                .collect();
            // New wood carries the whole line, gaps included.
            if a == 0.0 {
                for r in runs(centre, &within) {
                    plugged.push(r.iter().map(|p| add(*p, shift)).collect::<Vec<P>>());
                }
            }
        }
        let n = parts.len();
        let mut s = a;
        for (i, p) in parts.into_iter().enumerate() {
            let ends = [
                if i == 0 { slant[0] } else { 0.0 },
                if i + 1 == n { slant[1] } else { 0.0 },
            ];
            let l = arc_length(&p);
            if p.len() > 1 && l > 1e-6 {
                done.push((p, edge(s, ends)));
            }
            s += l;
        }
        for p in plugged {
            done.push((
                p,
                Edge {
                    half: line.width_mm / 2.0,
                    taper: 0.0,
                    ragged: None,
                    ..edge(0.0, [0.0; 2])
                },
            ));
        }
    }
    done
}

/// How far a fill-in reaches from the line's edge, mm.
const FILLED_MM: f64 = 0.45;

/// Rings that fill-ins print: beside their line, and touching it.
fn fill_ins(
    block: &Block,
    growth: &dyn Fn(&str) -> f64,
    present: &[(&Damage, f64)],
) -> Vec<Vec<P>> {
    let fill_ins = present.iter().filter(|(d, _)| d.kind == DamageKind::FillIn);
    fill_ins
        .filter_map(|(d, length)| {
            let line = block
                .lines
                .iter()
                .find(|l| Some(l.id) == d.line && l.image == d.image)?;
            let (p, t) = at_arc(&line.points, d.arc_mm)?;
            let half = line.width_mm / 2.0 + growth(&line.image);
            let n = [-t[1], t[0]];
            let c = add(p, scale(n, d.side * (half + 0.5 * FILLED_MM)));
            let deep = 0.5 * FILLED_MM + 0.05;
            Some(ellipse(c, length / 2.0, deep, libm::atan2(t[1], t[0])))
        })
        .collect()
}

/// Rings that nicks and worm holes take out.
fn holes(block: &Block, growth: &dyn Fn(&str) -> f64, present: &[(&Damage, f64)]) -> Vec<Vec<P>> {
    let mut out = Vec::new();
    for (d, length) in present {
        match d.kind {
            DamageKind::WormHole => {
                let r = length / 2.0;
                let ring = ellipse(d.at, r, r, 0.0);
                let n = ring.len() as f64;
                out.push(
                    ring.iter()
                        .enumerate()
                        .map(|(i, p)| {
                            let t = std::f64::consts::TAU * i as f64 / n;
                            let k = 1.0 + 0.06 * libm::sin(3.0 * t + f64::from(d.id));
                            add(d.at, scale(sub(*p, d.at), k))
                        })
                        .collect(),
                );
            }
            DamageKind::Nick => {
                let Some(line) = block
                    .lines
                    .iter()
                    .find(|l| Some(l.id) == d.line && l.image == d.image)
                else {
                    continue;
                };
                let Some((p, t)) = at_arc(&line.points, d.arc_mm) else {
                    continue;
                };
                let half = line.width_mm / 2.0 + growth(&line.image);
                let n = [-t[1], t[0]];
                let c = add(p, scale(n, d.side * half));
                let depth = (1.2 * half).min(length / 2.0);
                out.push(ellipse(c, length / 2.0, depth, libm::atan2(t[1], t[0])));
            }
            DamageKind::Break | DamageKind::Plug | DamageKind::FillIn => {}
        }
    }
    out
}
