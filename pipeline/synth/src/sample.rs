//! The sample scenario: 'Heron at the salt pans', a two-up card, block set cut
//! in 1961; impressions of 1961, 1978 and 1994 and the reprint of 2026 at the
//! invented Kiln Lane Press, with a proof of each block and a few wrong sheets.

use crate::damage;
use crate::design::{Design, DesignSpec};
use crate::knobs::Difficulty;
use crate::run::{Change, Quantity, RunSpec};
use crate::sheet::{Format, Recut, SheetSpec};
use crate::transform::{Warp, Wave};
use crate::wrong::{Wrong, WrongKind};

/// Seed of the scenario.
const SEED: u64 = 1961;
/// The right half of the block has always printed harder.
const IMAGE_WEAR: [f64; 2] = [1.0, 1.7];

/// An edition of the scenario.
struct Edition {
    name: &'static str,
    year: i32,
    sheets: u32,
    age: f64,
    /// Growth of the key's edges, mm.
    widen: f64,
    /// Retreat of the colour blocks' edges, mm.
    retreat: f64,
    toning: f64,
    /// Ink left after fading, blue and red.
    fade: [f64; 2],
}

const EDITIONS: [Edition; 4] = [
    Edition {
        name: "1961",
        year: 1961,
        sheets: 4,
        age: 40.0,
        widen: 0.0,
        retreat: 0.01,
        toning: 0.55,
        fade: [0.72, 0.6],
    },
    Edition {
        name: "1978",
        year: 1978,
        sheets: 3,
        age: 2400.0,
        widen: 0.008,
        retreat: 0.03,
        toning: 0.4,
        fade: [0.8, 0.75],
    },
    Edition {
        name: "1994",
        year: 1994,
        sheets: 3,
        age: 5200.0,
        widen: 0.018,
        retreat: 0.05,
        toning: 0.22,
        fade: [0.9, 0.9],
    },
    Edition {
        name: "2026",
        year: 2026,
        sheets: 12,
        age: 7000.0,
        widen: 0.026,
        retreat: 0.07,
        toning: 0.05,
        fade: [1.0, 1.0],
    },
];

/// The design and every sheet of the scenario.
pub fn sample(dpi: f64, format: Format) -> (Design, Vec<SheetSpec>) {
    let design = Design::generate(&DesignSpec::heron());
    let mut knobs = Difficulty::Standard.knobs();
    knobs.light_bed = 0.0;
    knobs.breaks = 22.0;
    knobs.nicks = 10.0;
    knobs.worm_holes = 1.0;
    knobs.dust = 3.0;
    let last = EDITIONS[3].age + 20.0;
    let mut plan = damage::plan(&design, &knobs, SEED, last, 0.0, &IMAGE_WEAR);
    // Before the reprint two places were plugged.
    for image in ["left", "right"] {
        if let Some(i) = plan.iter().position(|d| {
            d.image == image && d.line.is_some() && d.length_mm > 0.4 && d.birth_age < 5000.0
        }) {
            damage::plug(&mut plan, i, 6.0, 6500.0);
        }
    }
    let mut sheets = Vec::new();
    for e in &EDITIONS {
        let reprint = e.year == 2026;
        let run = RunSpec {
            sheets: e.sheets,
            references: if reprint { 3 } else { 0 },
            seed: SEED + e.year as u64,
            block_set: Some(SEED),
            dpi,
            edition: e.name.to_owned(),
            year: Some(e.year),
            age: e.age,
            age_step: if reprint { 1.0 } else { 60.0 },
            image_wear: IMAGE_WEAR.to_vec(),
            damage: Some(plan.clone()),
            format,
            prefix: e.name.to_owned(),
            proofs: reprint,
            changes: if reprint { changes() } else { Vec::new() },
            wrong: if reprint { wrong() } else { Vec::new() },
            knobs: knobs.clone(),
            ..RunSpec::new(Difficulty::Standard)
        };
        let mut made = run.sheets(&design);
        for s in &mut made {
            age(s, e);
        }
        sheets.extend(made);
    }
    (design, sheets)
}

/// Drift of the reprint: the red block's placing creeps, and the brown one
/// jumps when its straight mark was struck.
fn changes() -> Vec<Change> {
    vec![
        Change {
            block: "red".to_owned(),
            quantity: Quantity::Dx,
            per_sheet: 0.02,
            step: 0.0,
            at_sheet: 1,
        },
        Change {
            block: "brown".to_owned(),
            quantity: Quantity::Dy,
            per_sheet: 0.0,
            step: 0.3,
            at_sheet: 9,
        },
    ]
}

fn wrong() -> Vec<Wrong> {
    [
        WrongKind::Blank,
        WrongKind::Verso,
        WrongKind::UpsideDown,
        WrongKind::OtherDesign,
        WrongKind::Duplicate,
        WrongKind::Crop,
    ]
    .map(|kind| Wrong { kind, count: 1 })
    .to_vec()
}

/// The state of blocks, inks and paper in an edition.
fn age(s: &mut SheetSpec, e: &Edition) {
    s.paper.toning = e.toning * (s.paper.toning / 0.25).clamp(0.7, 1.2);
    for b in &mut s.blocks {
        match b.block.as_str() {
            "key" => b.widen_mm += e.widen,
            _ => b.retreat_mm = e.retreat,
        }
        match b.block.as_str() {
            "blue" => b.strength *= e.fade[0],
            "red" => b.strength *= e.fade[1],
            _ => {}
        }
        // The green block was cut anew for the edition of 1994.
        if b.block == "green" && e.year >= 1994 {
            b.recut = Some(recut());
            b.retreat_mm = 0.3 * e.retreat;
        }
    }
}

/// Fine-scale deviation of the new green block from the old one.
fn recut() -> Recut {
    let wave = |k: [f64; 2], phase: f64, amplitude: [f64; 2]| Wave {
        k,
        phase,
        amplitude,
    };
    Recut {
        course: Warp(vec![
            wave([0.9, 0.4], 0.3, [0.06, -0.04]),
            wave([-0.5, 1.1], 1.9, [-0.05, 0.06]),
            wave([1.7, -1.3], 4.0, [0.03, 0.03]),
        ]),
        width_mm: 0.0,
    }
}
