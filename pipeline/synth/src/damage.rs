//! A block set's damage over its life, and where it may sit.

use crate::design::{Design, Line, Role};
use crate::knobs::Knobs;
use crate::rng::Rng;
use crate::shapes::{P, arc_length, at_arc, dot, inside, len, scale, sub};
use crate::sheet::{Damage, DamageKind};

/// Distance from a point to a polyline, mm.
fn distance(pts: &[P], p: P) -> f64 {
    pts.windows(2)
        .map(|w| {
            let d = sub(w[1], w[0]);
            let t = (dot(sub(p, w[0]), d) / dot(d, d).max(1e-12)).clamp(0.0, 1.0);
            len(sub(sub(p, w[0]), scale(d, t)))
        })
        .fold(f64::INFINITY, f64::min)
}

/// Whether damage of that length on a line is seen: away from the line's ends,
/// from every other line, from key solids and from other damage.
fn clear(design: &Design, line: &Line, arc: f64, length: f64, at: P, taken: &[Damage]) -> bool {
    let total = arc_length(&line.points);
    let Some(key) = design.key() else {
        return false;
    };
    if arc - length / 2.0 < 0.4 || arc + length / 2.0 > total - 0.4 {
        return false;
    }
    let reach = length / 2.0 + 0.5;
    key.lines
        .iter()
        .filter(|l| l.image == line.image && l.id != line.id)
        .all(|l| distance(&l.points, at) > reach + l.width_mm / 2.0)
        && key.areas.iter().all(|a| {
            a.rings
                .iter()
                .all(|r| !inside(r, at) && distance(r, at) > reach)
        })
        && taken
            .iter()
            .all(|d| len(sub(d.at, at)) > (d.length_mm + length) / 2.0 + 1.0)
}

/// Damage of a block set: births are spread over its life up to `age`, three in
/// ten of them over the last `run` impressions. The images' wear multiplies
/// the number of places.
pub fn plan(
    design: &Design,
    knobs: &Knobs,
    seed: u64,
    age: f64,
    run: f64,
    wear: &[f64],
) -> Vec<Damage> {
    let mut out: Vec<Damage> = Vec::new();
    let Some(key) = design.key() else { return out };
    let mut rng = Rng::new(seed, "damage");
    let birth = |rng: &mut Rng| {
        if run > 0.0 && (age <= run || rng.chance(0.3)) {
            age - run * rng.unit()
        } else {
            (age - run).max(0.0) * rng.unit()
        }
    };
    for (i, image) in design.images.iter().enumerate() {
        let wear = wear.get(i).copied().unwrap_or(1.0);
        let lines: Vec<&Line> = key
            .lines
            .iter()
            .filter(|l| l.image == image.name && l.width_mm >= 0.12)
            .collect();
        let total: f64 = lines.iter().map(|l| arc_length(&l.points)).sum();
        for (kind, mean) in [
            (DamageKind::Break, knobs.breaks),
            (DamageKind::Nick, knobs.nicks),
        ] {
            let mut left = rng.poisson(mean * wear);
            let mut tries = 0;
            while left > 0 && tries < 40 * (left + 20) {
                tries += 1;
                // A place uniform over the length of all lines.
                let mut s = rng.unit() * total;
                let Some(line) = lines.iter().find(|l| {
                    let n = arc_length(&l.points);
                    s -= n;
                    if s < 0.0 {
                        s += n;
                        true
                    } else {
                        false
                    }
                }) else {
                    continue;
                };
                // Log-normal, median 0.35 mm.
                let length = (0.35 * libm::exp(0.7 * rng.normal())).clamp(0.08, 3.0);
                let Some((at, _)) = at_arc(&line.points, s) else {
                    continue;
                };
                if line.role == Role::Lettering && kind == DamageKind::Break && length > 0.6 {
                    continue;
                }
                if clear(design, line, s, length, at, &out) {
                    out.push(Damage {
                        id: out.len() as u32,
                        kind,
                        block: key.name.clone(),
                        image: image.name.clone(),
                        line: Some(line.id),
                        arc_mm: s,
                        length_mm: length,
                        growth_mm: rng.range(0.0, 0.04),
                        side: if rng.chance(0.5) { 1.0 } else { -1.0 },
                        at,
                        shift_mm: [0.0; 2],
                        birth_age: birth(&mut rng),
                        healed_age: None,
                        birth_sheet: None,
                    });
                    left -= 1;
                }
            }
        }
        for _ in 0..rng.poisson(knobs.worm_holes * wear) {
            let b = rng.below(design.blocks.len());
            let at = [
                image.centre[0] + rng.range(-0.45, 0.45) * image.size_mm[0],
                image.centre[1] + rng.range(-0.45, 0.45) * image.size_mm[1],
            ];
            out.push(Damage {
                id: out.len() as u32,
                kind: DamageKind::WormHole,
                block: design.blocks[b].name.clone(),
                image: image.name.clone(),
                line: None,
                arc_mm: 0.0,
                length_mm: rng.range(1.4, 2.3),
                growth_mm: 0.0,
                side: 0.0,
                at,
                shift_mm: [0.0; 2],
                birth_age: birth(&mut rng),
                healed_age: None,
                birth_sheet: None,
            });
        }
    }
    out
}

/// Adds fill-ins of 0.5 to 1.5 mm beside lines of the key, there from `age` on:
/// up to `count`, each clear of other lines, key solids and damage.
pub fn fill_ins(damage: &mut Vec<Damage>, design: &Design, seed: u64, count: usize, age: f64) {
    let Some(key) = design.key() else { return };
    let mut rng = Rng::new(seed, "fill-ins");
    let lines: Vec<&Line> = key.lines.iter().filter(|l| l.width_mm >= 0.12).collect();
    if lines.is_empty() {
        return;
    }
    let mut left = count;
    for _ in 0..200 * count {
        let line = lines[rng.below(lines.len())];
        let s = rng.unit() * arc_length(&line.points);
        let length = rng.range(0.5, 1.5);
        let Some((at, _)) = at_arc(&line.points, s) else {
            continue;
        };
        if left == 0 {
            break;
        }
        // A fill-in as deep as it is long keeps clear of everything.
        if clear(design, line, s, length.max(1.0), at, damage) {
            damage.push(Damage {
                id: damage.len() as u32,
                kind: DamageKind::FillIn,
                block: key.name.clone(),
                image: line.image.clone(),
                line: Some(line.id),
                arc_mm: s,
                length_mm: length,
                growth_mm: 0.0,
                side: if rng.chance(0.5) { 1.0 } else { -1.0 },
                at,
                shift_mm: [0.0; 2],
                birth_age: age,
                healed_age: None,
                birth_sheet: None,
            });
            left -= 1;
        }
    }
}

/// Lets a plug into the key at the place of the damage `which`: everything
/// within its circle is repaired at `age`.
pub fn plug(damage: &mut Vec<Damage>, which: usize, diameter: f64, age: f64) {
    let Some(site) = damage.get(which).cloned() else {
        return;
    };
    for d in damage.iter_mut() {
        if d.image == site.image
            && d.block == site.block
            && len(sub(d.at, site.at)) < diameter / 2.0
        {
            d.healed_age = Some(age);
        }
    }
    let mut rng = Rng::new(u64::from(site.id), "plug");
    let (s, c) = libm::sincos(rng.range(0.0, std::f64::consts::TAU));
    damage.push(Damage {
        id: damage.len() as u32,
        kind: DamageKind::Plug,
        shift_mm: [0.14 * c, 0.14 * s],
        line: None,
        arc_mm: 0.0,
        length_mm: diameter,
        growth_mm: 0.0,
        side: 0.0,
        birth_age: age,
        healed_age: None,
        ..site
    });
}
