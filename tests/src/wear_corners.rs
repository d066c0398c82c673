//! Breaks planted where a line turns back on itself at a sharp angle, as at the tip of a
//! beak: its two legs print as one stroke there. Each sheet has others.

use restrike_synth::Design;
use restrike_synth::design::Line;
use restrike_synth::rng::Rng;
use restrike_synth::shapes::{P, arc_length, at_arc};
use restrike_synth::sheet::{Damage, DamageKind, SheetSpec};

use crate::wear_counts::apart;

/// Lines thinner than this are left alone, mm.
const LEAST_WIDTH_MM: f64 = 0.12;
/// Length over which the legs' directions are taken, mm.
const ARM_MM: f64 = 0.8;
/// Cosine of the widest angle between the legs.
const SHARP: f64 = 0.85;
/// Lengths of the breaks, mm.
const LENGTH_MM: [f64; 2] = [0.12, 0.8];
/// Breaks lie so far from the tip, mm, and from each other.
const REACH_MM: [f64; 2] = [0.5, 5.0];
const APART_MM: f64 = 0.9;
const TRIES: usize = 12;

/// Lengths along a line at which it turns back.
fn corners(line: &Line) -> Vec<f64> {
    let total = arc_length(&line.points);
    let mut out: Vec<(f64, f64)> = Vec::new();
    let mut s = ARM_MM;
    while s < total - ARM_MM {
        let of = |s: f64| at_arc(&line.points, s).map(|p| p.0);
        if let (Some(a), Some(b), Some(c)) = (of(s - ARM_MM), of(s), of(s + ARM_MM)) {
            let legs: [P; 2] = [[a[0] - b[0], a[1] - b[1]], [c[0] - b[0], c[1] - b[1]]];
            let cos = (legs[0][0] * legs[1][0] + legs[0][1] * legs[1][1])
                / (apart(a, b) * apart(b, c)).max(1e-9);
            match out.last_mut() {
                _ if cos < SHARP => {}
                Some(last) if s - last.0 < 2.0 * ARM_MM => {
                    if cos > last.1 {
                        *last = (s, cos);
                    }
                }
                _ => out.push((s, cos)),
            }
        }
        s += 0.02;
    }
    out.iter().map(|c| c.0).collect()
}

/// Adds a sheet's own breaks; the proofs have none.
pub(crate) fn plant(sheet: &mut SheetSpec, design: &Design, seed: u64) {
    let Some(key) = design.key() else { return };
    if sheet.role.starts_with("proof") {
        return;
    }
    let mut rng = Rng::new(seed ^ u64::from(sheet.position), "corners");
    for line in key.lines.iter().filter(|l| l.width_mm >= LEAST_WIDTH_MM) {
        for tip in corners(line) {
            for _ in 0..TRIES {
                let side = if rng.chance(0.5) { 1.0 } else { -1.0 };
                let arc = tip + side * rng.range(REACH_MM[0], REACH_MM[1]);
                let length = rng.range(LENGTH_MM[0], LENGTH_MM[1]);
                let room = arc - length > 0.4 && arc + length < arc_length(&line.points) - 0.4;
                let Some((at, _)) = at_arc(&line.points, arc).filter(|_| room) else {
                    continue;
                };
                let clear = sheet
                    .damage
                    .iter()
                    .all(|d| apart(d.at, at) > (d.length_mm + length) / 2.0 + APART_MM);
                let alone = key
                    .lines
                    .iter()
                    .filter(|l| l.id != line.id || l.image != line.image);
                let alone = alone
                    .flat_map(|l| &l.points)
                    .all(|p| apart(*p, at) > length / 2.0 + 0.6);
                if clear && alone && (arc - tip).abs() - length / 2.0 > 0.3 {
                    sheet.damage.push(Damage {
                        id: sheet.damage.len() as u32,
                        kind: DamageKind::Break,
                        block: key.name.clone(),
                        image: line.image.clone(),
                        line: Some(line.id),
                        arc_mm: arc,
                        length_mm: length,
                        growth_mm: 0.0,
                        side: 0.0,
                        at,
                        shift_mm: [0.0; 2],
                        birth_age: 0.0,
                        healed_age: None,
                        birth_sheet: None,
                    });
                }
            }
        }
    }
}

/// Share of a break's width that shows: what the line itself does not print over beside
/// it, as it does where it comes back at a sharp angle.
pub(crate) fn shown_share(line: &Line, d: &Damage, length: f64) -> f64 {
    let Some((at, along)) = at_arc(&line.points, d.arc_mm) else {
        return 1.0;
    };
    let (mut arc, mut out) = (0.0, line.width_mm);
    for w in line.points.windows(2) {
        let way = apart(w[0], w[1]);
        // Steps much shorter than a break.
        let steps = (way / 0.03).ceil().max(1.0);
        for k in 0..steps as usize {
            let t = k as f64 / steps;
            let off = [0, 1].map(|c| w[0][c] + t * (w[1][c] - w[0][c]) - at[c]);
            let beside = (off[0] * along[0] + off[1] * along[1]).abs() < length / 2.0;
            if beside && (arc + t * way - d.arc_mm).abs() > length / 2.0 + 0.05 {
                out = out.min((off[1] * along[0] - off[0] * along[1]).abs());
            }
        }
        arc += way;
    }
    // The middles of two parts that print side by side are a width apart.
    out / line.width_mm
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_synth::design::Role;

    /// Two legs 0.24 mm wide and 4 mm long that meet at 0.14 rad.
    fn beak() -> Line {
        let (s, c) = libm::sincos(0.07);
        Line {
            id: 1,
            image: "whole".into(),
            role: Role::Contour,
            width_mm: 0.24,
            taper: 0.0,
            closed: false,
            points: vec![[4.0 * c, 4.0 * s], [0.0, 0.0], [4.0 * c, -4.0 * s]],
        }
    }

    fn gap(arc_mm: f64) -> Damage {
        Damage {
            id: 0,
            kind: DamageKind::Break,
            block: "key".into(),
            image: "whole".into(),
            line: Some(1),
            arc_mm,
            length_mm: 0.2,
            growth_mm: 0.0,
            side: 0.0,
            at: [0.0; 2],
            shift_mm: [0.0; 2],
            birth_age: 0.0,
            healed_age: None,
            birth_sheet: None,
        }
    }

    #[test]
    fn a_beak_has_one_corner_at_its_tip() {
        let found = corners(&beak());
        assert!(
            found.len() == 1 && (found[0] - 4.0).abs() < 0.05,
            "{found:?}"
        );
    }

    #[test]
    fn near_the_tip_the_other_leg_prints_over_most_of_a_gap() {
        let of = |from_tip: f64| shown_share(&beak(), &gap(4.0 - from_tip), 0.2);
        assert!((of(0.8) - 0.8 * 0.14 / 0.24).abs() < 0.08, "{}", of(0.8));
        assert!((of(3.0) - 1.0).abs() < 1e-9, "{}", of(3.0));
        assert!(of(0.8) < of(1.4));
    }
}
