//! The blocks' register is taken out: a sheet with a colour block out of place
//! comes out as the sheet on which it lies right, each rendered by averaging
//! sharp layers finely, which is not how the stage reckons.

use restrike_ops::placement::{BlockPlace, Field, KEY, Placement, Ride};
use restrike_stage::{Affine, Point, Rect};

use super::consensus::shape;
use crate::ground::Ground;
use crate::register::take_out;

const KEY_INK: [f64; 3] = [1.5, 1.5, 1.4];
const RED: [f64; 3] = [0.1, 0.9, 0.8];
const BLUR_MM: f64 = 0.08;

/// A key line 0.3 mm wide about x = 0.
fn line(x: f64) -> f64 {
    x.abs() - 0.15
}

/// A colour block that begins under the line.
fn colour(x: f64) -> f64 {
    0.05 - x
}

fn place(name: &str, ride: Ride) -> BlockPlace {
    BlockPlace {
        name: name.to_owned(),
        key: name == "key",
        why: None,
        ride,
        se_mm: Some(0.004),
        retreat_mm: 0.0,
        strength: 1.0,
        veil: 0.0,
        veil_se: 0.0,
        absorption: [1.0; 3],
        local_strength: flat(),
    }
}

fn flat() -> Field {
    Field {
        origin: Point::new(0.0, 0.0),
        pitch: 1.0,
        width: 1,
        height: 1,
        values: vec![1.0],
    }
}

/// Light at x with the colour block moved by so much.
fn light(x: f64, by: f64) -> [f32; 3] {
    let (mut sum, mut weights) = ([0.0; 3], 0.0);
    for k in -160..=160 {
        let off = f64::from(k) * 0.0025;
        let w = libm::exp(-0.5 * (off / BLUR_MM) * (off / BLUR_MM));
        weights += w;
        for c in 0..3 {
            let mut depth = 0.0;
            if line(x + off) < 0.0 {
                depth += KEY_INK[c];
            }
            if colour(x + off - by) < 0.0 {
                depth += RED[c];
            }
            sum[c] += w * libm::exp(-depth);
        }
    }
    sum.map(|s| (s / weights) as f32)
}

#[test]
fn a_colour_block_out_of_register_comes_out_where_it_belongs() {
    let blocks = vec![shape("key", KEY_INK, &line), shape("red", RED, &colour)];
    let g = Ground::new(blocks, Rect::centred(8.0, 6.0), 0.1).unwrap();
    for by in [0.3, -0.25, 0.0] {
        let mut ride = Ride::still(Point::new(2.0, 0.0), 3.0);
        ride.by[0] = by;
        let still = Ride::still(Point::new(0.0, 0.0), 3.0);
        let placement = Placement {
            to_print: Affine::scale(0.1, 0.1),
            key: [0.0; KEY],
            half: 60.0,
            blur_px: 0.8,
            paper: [flat(), flat(), flat()],
            blocks: vec![place("key", still), place("red", ride)],
        };
        // Each cell is read where its own block's map has it.
        let at = |n: usize, move_: f64| {
            let owner = usize::from(g.owner[n]);
            let x = g.place(n).x + if owner == 1 { move_ } else { 0.0 };
            light(x, move_)
        };
        // A cell over which the key's line comes is left out before this.
        let told = |n: usize| {
            let x = g.place(n).x + if g.owner[n] == 1 { by } else { 0.0 };
            line(x) >= 0.2 || g.owner[n] == 0
        };
        let mut seen: Vec<[f32; 3]> = (0..g.len())
            .map(|n| if told(n) { at(n, by) } else { [f32::NAN; 3] })
            .collect();
        let before = seen.clone();
        let added = take_out(&g, &placement, BLUR_MM, &mut seen);
        let worst = |v: &[[f32; 3]]| {
            (0..g.len())
                .filter(|n| told(*n))
                .flat_map(|n| (0..3).map(move |c| (n, c)))
                .map(|(n, c)| (v[n][c] - at(n, 0.0)[c]).abs())
                .fold(0.0_f32, f32::max)
        };
        let (was, is) = (worst(&before), worst(&seen));
        if by == 0.0 {
            assert!(added.iter().flatten().all(|v| v.abs() < 1e-4));
        } else {
            assert!(was > 0.1 && is < 0.35 * was, "{by}: from {was} to {is}");
        }
    }
}
