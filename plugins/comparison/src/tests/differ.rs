//! Which regions are listed: a line by itself, and nothing that a block of unknown place explains.

use restrike_stage::Rect;

use super::consensus::{Numbers, shape};
use crate::consensus::{SIDES, Stream, coarser};
use crate::differ::compare;
use crate::edition::{About, Edition, Ink};
use crate::ground::Ground;
use crate::kinds::{Finding, Kind};
use crate::settings::Settings;

const KEY_INK: [f64; 3] = [1.5, 1.5, 1.4];
const BLUE: [f64; 3] = [0.9, 0.5, 0.2];

/// Four impressions whose cells scatter about a value.
fn edition(ground: &Ground, seed: u64, located: bool, value: &dyn Fn(usize) -> f64) -> Edition {
    let mut numbers = Numbers::new(seed);
    let mut levels = SIDES.map(|side| Stream::new(ground, side));
    for _ in 0..4 {
        let light: Vec<[f32; 3]> = (0..ground.len())
            .map(|at| [(value(at) + 0.01 * numbers.normal()) as f32; 3])
            .collect();
        for (n, level) in levels.iter_mut().enumerate() {
            level.add(&coarser(ground, &light, n));
        }
    }
    let ink = |block: &str, located: usize| Ink {
        block: block.to_owned(),
        located,
        absorption: [1.0; 3],
        scatter: [0.01; 3],
        why: String::new(),
    };
    Edition {
        about: About {
            name: format!("edition {seed}"),
            year: None,
            files: Vec::new(),
            paper: [0.8; 3],
            paper_scatter: [0.01; 3],
            blur_mm: 0.09,
            inks: vec![ink("key", 4), ink("blue", if located { 4 } else { 0 })],
        },
        levels: levels.each_ref().map(Stream::end).to_vec(),
        register: Vec::new(),
    }
}

/// A border of 0.6 mm about x = -3, and blue right of its middle.
fn ground() -> Ground {
    let border = |x: f64| (x + 3.0).abs() - 0.3;
    let blue = |x: f64| -3.0 - x;
    let blocks = vec![shape("key", KEY_INK, &border), shape("blue", BLUE, &blue)];
    Ground::new(blocks, Rect::centred(10.0, 8.0), 0.1).unwrap()
}

fn listed(ground: &Ground, located: bool, change: &dyn Fn(usize) -> f64) -> Vec<Finding> {
    let usual = |at: usize| {
        let d = ground.place(at).x + 3.0;
        // Blurred edges of the border; paper on its left, blue on its right.
        let inside = 1.0 / (1.0 + libm::exp((d.abs() - 0.3) / 0.05));
        let beside = if d < 0.0 { 1.0 } else { 0.6 };
        beside * (1.0 - 0.9 * inside)
    };
    let a = edition(ground, 3, located, &usual);
    let b = edition(ground, 8, located, &|at| usual(at) + change(at));
    compare(ground, &a, &b, &[], &Settings::default())
        .unwrap()
        .found
}

/// It used to be lost among the means about it, which are larger and less sure of.
#[test]
fn a_new_line_is_listed_by_its_own_cells() {
    let g = ground();
    let line = |at: usize| {
        let p = g.place(at);
        if (p.x - 2.0).abs() < 1.5 && (p.y - 1.0).abs() < 0.16 {
            -0.5
        } else {
            0.0
        }
    };
    let found = listed(&g, true, &line);
    let own = |f: &Finding| f.kind == Kind::LineGained && f.de00 > 20.0 && f.tested_mm < 0.11;
    assert!(!found.is_empty() && found.iter().all(own), "{found:?}");
    let area: f64 = found.iter().map(|f| f.area_mm2).sum();
    assert!((area - 1.0).abs() < 0.3, "{found:?}");
}

/// Blue that comes out beside the border by 0.3 mm is no change of the border where blue's place
/// is not known, and one where it is.
#[test]
fn what_a_block_of_unknown_place_may_do_is_not_listed() {
    let g = ground();
    let out = |at: usize| {
        let d = g.place(at).x + 3.0;
        if (-0.6..-0.3).contains(&d) && g.place(at).y.abs() < 0.4 {
            -0.4
        } else {
            0.0
        }
    };
    assert!(!listed(&g, true, &out).is_empty());
    let found = listed(&g, false, &out);
    assert!(found.is_empty(), "{found:?}");
}
