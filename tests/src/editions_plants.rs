//! Differences planted between editions.

use restrike_synth::design::{Block, Line};
use restrike_synth::rng::Rng;
use restrike_synth::shapes::{P, arc_length, at_arc, inside};
use restrike_synth::sheet::{Damage, DamageKind, Void};
use restrike_synth::{Design, Difficulty, SheetSpec};

/// Name of the edition with planted differences; it stands last.
pub(crate) const PLANTED: &str = "planted";
/// Stated limits: length of a gap in a line at 300 dpi, diameter of a hole, mm.
pub(crate) const LEAST_GAP_MM: f64 = 0.2;
pub(crate) const LEAST_HOLE_MM: f64 = 0.4;

/// A planted difference.
#[derive(Debug, Clone)]
pub(crate) struct Plant {
    pub(crate) kind: &'static str,
    pub(crate) at: P,
    /// Length, diameter or radius, mm.
    pub(crate) size: f64,
    /// Whether it is twice the stated limit or more.
    pub(crate) asked: bool,
    /// Share of the ink, of a change of tone.
    pub(crate) depth: f64,
}

fn prints(b: &Block, p: P) -> bool {
    let mut inked = false;
    for a in &b.areas {
        if a.rings.iter().filter(|r| inside(r, p)).count() % 2 == 1 {
            inked = !a.cleared;
        }
    }
    inked
}

/// Colour blocks that print at a place, in order.
pub(crate) fn inks_at(design: &Design, p: P) -> Vec<&Block> {
    design
        .blocks
        .iter()
        .filter(|b| !b.key && prints(b, p))
        .collect()
}

fn clear_of_lines(lines: &[Line], p: P, reach: f64) -> bool {
    lines.iter().all(|l| {
        let total = arc_length(&l.points);
        let n = (total / 0.3).ceil().max(1.0);
        (0..=n as usize).all(|k| {
            at_arc(&l.points, total * k as f64 / n).is_none_or(|(q, _)| {
                ((q[0] - p[0]).powi(2) + (q[1] - p[1]).powi(2)).sqrt() > reach + l.width_mm / 2.0
            })
        })
    })
}

/// A place amid one colour, clear of every edge.
fn place(design: &Design, rng: &mut Rng, reach: f64, taken: &[P]) -> Option<(P, String)> {
    let key = design.key()?;
    let [w, h] = design.sheet_mm;
    for _ in 0..4000 {
        let p = [rng.range(-0.45, 0.45) * w, rng.range(-0.45, 0.45) * h];
        let names =
            |q: P| -> Vec<&str> { inks_at(design, q).iter().map(|b| b.name.as_str()).collect() };
        let here = names(p);
        let Some(top) = inks_at(design, p).pop() else {
            continue;
        };
        if !top.bokashi.is_empty()
            || top.absorption.iter().sum::<f64>() < 0.45
            || taken
                .iter()
                .any(|t| ((t[0] - p[0]).powi(2) + (t[1] - p[1]).powi(2)).sqrt() < reach + 3.0)
            || prints(key, p)
        {
            continue;
        }
        let round = (0..16).all(|k| {
            let (s, c) = libm::sincos(std::f64::consts::TAU * f64::from(k) / 16.0);
            [0.5, 1.0].iter().all(|f| {
                let q = [p[0] + f * reach * c, p[1] + f * reach * s];
                names(q) == here && !prints(key, q)
            })
        });
        if round && clear_of_lines(&key.lines, p, reach) {
            return Some((p, top.name.clone()));
        }
    }
    None
}

fn hole(block: &str, at: P, diameter: f64, id: u32) -> Damage {
    Damage {
        id,
        kind: DamageKind::WormHole,
        block: block.to_owned(),
        image: "whole".to_owned(),
        line: None,
        arc_mm: 0.0,
        length_mm: diameter,
        growth_mm: 0.0,
        side: 0.0,
        shift_mm: [0.0; 2],
        at,
        birth_age: 0.0,
        healed_age: None,
        birth_sheet: None,
    }
}

/// Gaps lost and gained, nicks, holes and changes of tone: added to the planted
/// edition's sheets, or taken away from all others.
pub(crate) fn plant(design: &Design, specs: &mut [SheetSpec], seed: u64) -> Vec<Plant> {
    let mut rng = Rng::new(seed, "plants");
    let mut knobs = Difficulty::Standard.knobs();
    (knobs.breaks, knobs.nicks, knobs.worm_holes) = (14.0, 4.0, 0.0);
    let mut sites = restrike_synth::damage::plan(design, &knobs, seed + 5, 1000.0, 0.0, &[1.0]);
    let lengths = [0.25, 0.3, 0.4, 0.5, 0.7, 1.0];
    let mut plants = Vec::new();
    let (mut added, mut healed) = (Vec::new(), Vec::new());
    for (k, d) in sites.iter_mut().enumerate() {
        d.birth_age = 0.0;
        d.growth_mm = 0.0;
        d.healed_age = None;
        d.id = 9000 + k as u32;
        match d.kind {
            DamageKind::Break => {
                d.length_mm = lengths[k % lengths.len()];
                let gained = k % 3 == 0;
                plants.push(Plant {
                    kind: if gained { "line gained" } else { "line lost" },
                    at: d.at,
                    size: d.length_mm,
                    asked: d.length_mm >= 2.0 * LEAST_GAP_MM,
                    depth: 0.0,
                });
                if gained {
                    healed.push(d.clone());
                } else {
                    added.push(d.clone());
                }
            }
            DamageKind::Nick => {
                d.length_mm = d.length_mm.max(0.6);
                plants.push(Plant {
                    kind: "edge moved (nick)",
                    at: d.at,
                    size: d.length_mm,
                    asked: false,
                    depth: 0.0,
                });
                added.push(d.clone());
            }
            DamageKind::WormHole | DamageKind::Plug | DamageKind::FillIn => {}
        }
    }
    let mut taken: Vec<P> = plants.iter().map(|p| p.at).collect();
    for (k, d) in [0.5, 0.8, 1.2, 2.0].into_iter().enumerate() {
        if let Some((at, block)) = place(design, &mut rng, d / 2.0 + 0.8, &taken) {
            taken.push(at);
            added.push(hole(&block, at, d, 9500 + k as u32));
            plants.push(Plant {
                kind: "area lost (hole)",
                at,
                size: d,
                asked: d >= 2.0 * LEAST_HOLE_MM,
                depth: 0.0,
            });
        }
    }
    let mut voids = Vec::new();
    for (radius, depth) in [(1.6, 0.8), (2.0, 0.6), (2.6, 0.45), (2.0, 0.3), (3.0, 0.7)] {
        if let Some((at, block)) = place(design, &mut rng, radius + 0.4, &taken) {
            taken.push(at);
            voids.push(Void {
                block,
                at,
                radii: [radius, radius],
                depth,
            });
            plants.push(Plant {
                kind: "tone",
                at,
                size: radius,
                asked: true,
                depth,
            });
        }
    }
    for s in specs.iter_mut() {
        if s.edition == PLANTED {
            s.damage.extend(added.iter().cloned());
            s.voids.extend(voids.iter().cloned());
        } else {
            s.damage.extend(healed.iter().cloned());
        }
    }
    plants
}
