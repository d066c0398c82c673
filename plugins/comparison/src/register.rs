//! How the other blocks lie against the block whose edge is nearest is no
//! difference between editions either: a cell is sampled through one block's
//! map, and where edges of two lie beside each other the second's place shows.
//! What the blocks' shapes say that does to a cell's light is taken out of each
//! sheet, so that it stands as if all blocks lay as the record has them.
//!
//! Inks are layered (light let through multiplies), and each block's share of a
//! cell is that of a straight edge under the scan's blur.

use restrike_ops::placement::Placement;
use restrike_ops::quantiles::normal_below;

use crate::ground::{Ground, REACHED_MM};

/// An edge further from a cell than this share of the blur changes nothing.
const FAR: f64 = 3.5;

/// What was added to each cell's light, three channels.
pub(crate) type Added = Vec<[f32; 3]>;

/// Brings the blocks that are not a cell's own to where the record has them.
/// `blur_mm`: standard deviation of the scan's blur. Light is against paper,
/// inks at the record's strengths.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn take_out(
    ground: &Ground,
    placement: &Placement,
    blur_mm: f64,
    light: &mut [[f32; 3]],
) -> Added {
    let places: Vec<_> = ground
        .blocks
        .iter()
        .map(|b| placement.block(&b.name).filter(|p| p.located()))
        .collect();
    let rides: Vec<_> = places
        .iter()
        .map(|p| p.filter(|p| !p.key).and_then(|p| p.ride.map()))
        .collect();
    let blur = blur_mm.max(0.02);
    let mut added = vec![[0.0_f32; 3]; ground.len()];
    for at in 0..ground.len() {
        if !light[at][0].is_finite() || !ground.reached(at) {
            continue;
        }
        let owner = usize::from(ground.owner[at]);
        if places[owner].is_none() {
            continue;
        }
        let p = ground.place(at);
        let k = rides[owner].map_or(p, |m| m.apply(p));
        // What the cell lets through in the record and on this sheet.
        let (mut recorded, mut here) = ([1.0_f64; 3], [1.0_f64; 3]);
        for (b, block) in ground.blocks.iter().enumerate() {
            let edges = &block.shape.edges;
            let d = if b == owner {
                f64::from(ground.edge[at])
            } else {
                edges.at(p)
            };
            let moved = match places[b] {
                Some(place) if b != owner && d.abs() < REACHED_MM => {
                    edges.at(place.own_place(k)) + place.retreat_mm
                }
                _ => d,
            };
            let (from, to) = (share(d / blur), share(moved / blur));
            if from <= 0.0 && to <= 0.0 {
                continue;
            }
            let ink = if block.bokashi {
                block.shape.ink_at(p)
            } else {
                1.0
            };
            for c in 0..3 {
                let kept = 1.0 - libm::exp(-block.absorption[c] * ink);
                recorded[c] *= 1.0 - from * kept;
                here[c] *= 1.0 - to * kept;
            }
        }
        for c in 0..3 {
            let by = (recorded[c] - here[c]) as f32;
            added[at][c] = by;
            light[at][c] = (light[at][c] + by).clamp(0.0, 2.0);
        }
    }
    added
}

/// Share of a cell that lies inside a straight edge, the distance in blurs.
fn share(d: f64) -> f64 {
    if d >= FAR {
        0.0
    } else if d <= -FAR {
        1.0
    } else {
        normal_below(-d)
    }
}
