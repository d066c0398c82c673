//! Proofs printed, measured, marks cut as told, printed again: simulated with
//! exact geometry (`restrike_synth::placing`). What is measured is the truth
//! with noise. How a block's own scatter counts was chosen on seed 6; what is
//! asserted is measured on seeds 1, 2, 3 and 7.

use restrike_stage::Project;
use restrike_synth::design::Contact;
use restrike_synth::placing::{Bench, Hand, LaidBlock, against, worst_corner};
use restrike_synth::rng::Rng;
use restrike_synth::transform::Motion;

use super::{Kept, Seen, number, project, run, text};

pub(super) const NAMES: [&str; 6] = ["ochre", "blue", "mist", "red", "green", "brown"];
pub(super) const FACES: [&str; 3] = ["long", "straight", "short"];
const AREAS: [([f64; 2], [f64; 2]); 1] = [([0.0, 0.0], [370.0, 250.0])];
/// Standard errors of measuring: mm, mm, mrad.
const NOISE: [f64; 3] = [0.006, 0.006, 0.03];

fn bench() -> Bench {
    let contact = |name: &str, at, normal| Contact {
        name: name.to_owned(),
        at,
        normal,
    };
    Bench::new(&[
        contact("corner-long", [-175.0, -132.0], [0.0, 1.0]),
        contact("straight", [60.0, -132.0], [0.0, 1.0]),
        contact("corner-short", [-195.0, -125.0], [1.0, 0.0]),
    ])
    .unwrap()
}

/// Prints and measures so many sheets; every block and the key is laid anew.
fn proofs(blocks: &[LaidBlock], hand: &Hand, sheets: usize, rng: &mut Rng) -> Vec<Seen> {
    proofs_by(blocks, |_| *hand, sheets, rng)
}

/// As [`proofs`], with another hand for each block.
fn proofs_by(
    blocks: &[LaidBlock],
    hand_of: impl Fn(&str) -> Hand,
    sheets: usize,
    rng: &mut Rng,
) -> Vec<Seen> {
    proofs_of(&LaidBlock::default(), blocks, hand_of, sheets, rng)
}

/// As [`proofs_by`], with a key whose own marks may be off.
pub(super) fn proofs_of(
    key: &LaidBlock,
    blocks: &[LaidBlock],
    hand_of: impl Fn(&str) -> Hand,
    sheets: usize,
    rng: &mut Rng,
) -> Vec<Seen> {
    let bench = bench();
    let mut rows = Vec::new();
    for sheet in 1..=sheets {
        let key = bench.print(key, hand_of("key").slack(rng)).unwrap();
        for (name, block) in NAMES.into_iter().zip(blocks) {
            let print = bench.print(block, hand_of(name).slack(rng)).unwrap();
            let m = against(&print, &key).unwrap();
            let noisy = [
                m.dx + NOISE[0] * rng.normal(),
                m.dy + NOISE[1] * rng.normal(),
                1000.0 * m.theta + NOISE[2] * rng.normal(),
            ];
            rows.push(Seen {
                se: NOISE,
                ..Seen::new(sheet, name, noisy)
            });
        }
    }
    rows
}

fn told(kept: &Kept, block: &str) -> [f64; 3] {
    FACES.map(|f| {
        let row = kept.correction(block, f);
        let by = number(row, "by_mm").unwrap_or(0.0);
        match text(row, "action") {
            "cut back" => -by,
            "pad" => by,
            _ => 0.0,
        }
    })
}

/// Worst corner with no scatter: what the block and its marks make.
fn lasting(block: &LaidBlock) -> f64 {
    lasting_of(&LaidBlock::default(), block)
}

/// The same beside a key whose own marks may be off.
pub(super) fn lasting_of(key: &LaidBlock, block: &LaidBlock) -> f64 {
    let bench = bench();
    let key = bench.print(key, [0.0; 3]).unwrap();
    let print = bench.print(block, [0.0; 3]).unwrap();
    worst_corner(&against(&print, &key).unwrap(), &AREAS)
}

fn wrong_block(rng: &mut Rng) -> LaidBlock {
    LaidBlock {
        carved: Motion {
            dx: 0.3 * rng.normal(),
            dy: 0.3 * rng.normal(),
            theta: 0.0008 * rng.normal(),
            ..Motion::default()
        },
        faces: [0.0; 3],
    }
}

fn quantile(sorted: &[f64], q: f64) -> f64 {
    sorted[((sorted.len() - 1) as f64 * q) as usize]
}

fn with_tolerance(blocks: usize, mm: f64) -> Project {
    let mut p = project(&NAMES[..blocks]);
    p.tolerances.insert("register_mm".to_owned(), mm);
    p
}

/// Shares of blocks whose worst corner is under 0.08 mm after each round of
/// proofs and cuts, and the median after the first.
fn rounds(hand: &Hand, rng: &mut Rng) -> ([f64; 3], f64) {
    let project = with_tolerance(6, 0.08);
    let mut rounds: [Vec<f64>; 3] = Default::default();
    for _ in 0..50 {
        let mut blocks: Vec<LaidBlock> = (0..6).map(|_| wrong_block(rng)).collect();
        for round in &mut rounds {
            let kept = run(&project, &proofs(&blocks, hand, 8, rng));
            for (name, block) in NAMES.into_iter().zip(&mut blocks) {
                hand.cut(block, told(&kept, name), rng);
                round.push(lasting(block));
            }
        }
    }
    for r in &mut rounds {
        r.sort_by(f64::total_cmp);
    }
    let under = |r: &Vec<f64>| r.iter().filter(|w| **w < 0.08).count() as f64 / r.len() as f64;
    println!(
        "placing {:.2} mm, cutting +-{:.2} mm: after the first cut median {:.3}, 95 % {:.3}, most {:.3} mm",
        hand.placing_sd,
        hand.cutting_error,
        quantile(&rounds[0], 0.5),
        quantile(&rounds[0], 0.95),
        quantile(&rounds[0], 1.0)
    );
    let shares = [0, 1, 2].map(|i| under(&rounds[i]));
    println!("  under 0.08 mm after 1, 2, 3 rounds: {shares:.3?}");
    (shares, quantile(&rounds[0], 0.5))
}

/// Blocks 0.5 mm out at the worst corner; cut as told, with every cut or pad up
/// to 0.05 mm wrong, and printed again. Three faces each 0.05 mm wrong can make
/// 0.19 mm at a corner, so one round cannot promise 0.08 mm; the next mends it.
#[test]
fn cutting_as_told_brings_the_worst_corner_in() {
    let hand = |placing_sd, cutting_error| Hand {
        placing_sd,
        cutting_error,
    };
    let mut rng = Rng::new(1, "cutting");
    let (exact, _) = rounds(&hand(0.02, 0.0), &mut rng);
    assert!(exact[0] > 0.97, "{exact:?}");
    for placing in [0.0, 0.02] {
        let (shares, median) = rounds(&hand(placing, 0.05), &mut rng);
        assert!(median < 0.08, "{median}");
        assert!(
            shares[0] > 0.6 && shares[1] > 0.78 && shares[2] > 0.85,
            "{shares:?}"
        );
    }
}

/// Nothing is wrong but the placing: hardly ever is a cut advised.
#[test]
fn scatter_alone_is_left_alone() {
    for (blocks, sheets, tolerance) in [
        (1, 3, 0.1),
        (1, 5, 0.01),
        (1, 10, 0.01),
        (6, 2, 0.01),
        (6, 3, 0.01),
        (6, 5, 0.01),
        (6, 5, 0.1),
        (6, 20, 0.01),
    ] {
        let hand = Hand {
            placing_sd: 0.12,
            cutting_error: 0.0,
        };
        let project = with_tolerance(blocks, tolerance);
        let mut rng = Rng::new(2, "scatter");
        let set = vec![LaidBlock::default(); blocks];
        let cases = 1200 / blocks;
        let (mut left, mut quiet) = (0, 0);
        for _ in 0..cases {
            let kept = run(&project, &proofs(&set, &hand, sheets, &mut rng));
            for name in &NAMES[..blocks] {
                let n = FACES
                    .iter()
                    .filter(|f| text(kept.correction(name, f), "action") == "leave it")
                    .count();
                left += n;
                quiet += usize::from(n == 3);
            }
        }
        let faces = left as f64 / (3 * cases * blocks) as f64;
        let whole = quiet as f64 / (cases * blocks) as f64;
        println!(
            "{blocks} blocks, {sheets} sheets, tolerance {tolerance}: faces left alone {faces:.4}, blocks {whole:.4}"
        );
        // 95 % of blocks, less three standard errors of 1200 cases.
        assert!(faces >= 0.95 && whole >= 0.931, "{faces} {whole}");
    }
}

/// The foretold number of proofs decides about four times in five.
#[test]
fn the_foretold_number_of_proofs_decides() {
    let mut rng = Rng::new(3, "more");
    for (shift, sd) in [(0.15, 0.12), (0.12, 0.2), (0.3, 0.3), (0.1, 0.05)] {
        // Four proofs whose mean and scatter are exactly these.
        let a = sd * (3.0_f64 / 4.0).sqrt();
        let pilot: Vec<Seen> = [a, -a, a, -a]
            .iter()
            .enumerate()
            .map(|(i, d)| Seen {
                se: [1e-6; 3],
                ..Seen::new(i + 1, "ochre", [shift + d, 0.0, 0.0])
            })
            .collect();
        let project = with_tolerance(1, 0.02);
        let kept = run(&project, &pilot);
        let row = kept.correction("ochre", "short");
        let more = number(row, "more_proofs").unwrap() as usize;
        let n = 4 + more;
        let decided = (0..800)
            .filter(|_| {
                let rows: Vec<Seen> = (1..=n)
                    .map(|s| Seen {
                        se: [1e-6; 3],
                        ..Seen::new(s, "ochre", [shift + sd * rng.normal(), 0.0, 0.0])
                    })
                    .collect();
                let kept = run(&project, &rows);
                number(kept.correction("ochre", "short"), "correction_low_mm").unwrap() > 0.0
            })
            .count();
        let share = decided as f64 / 800.0;
        println!("{shift} {sd}: {more} more, decided {share:.3}");
        assert!((0.74..0.92).contains(&share), "{share}");
    }
}

/// The interval holds the corrections of all three faces of a block about 95
/// times in 100; also of a block that is placed twice as badly as the others,
/// whose scatter is told from theirs where there are proofs enough.
#[test]
fn the_interval_holds_what_the_faces_need() {
    let mut rng = Rng::new(7, "interval");
    let bench = bench();
    let project = with_tolerance(6, 0.05);
    let contacts = crate::marks::layout::faces(&project)
        .unwrap()
        .map(|f| f.contact);
    for (uneven, sheets) in [(1.0, 3), (1.0, 6), (2.0, 3), (2.0, 6), (2.0, 12)] {
        let hand = |name: &str| Hand {
            placing_sd: if name == "red" { 0.08 * uneven } else { 0.08 },
            cutting_error: 0.0,
        };
        let (mut held, mut held_red) = (0, 0);
        for _ in 0..250 {
            let blocks: Vec<LaidBlock> = (0..6).map(|_| wrong_block(&mut rng)).collect();
            let kept = run(&project, &proofs_by(&blocks, hand, sheets, &mut rng));
            let key = bench.print(&LaidBlock::default(), [0.0; 3]).unwrap();
            for (name, block) in NAMES.into_iter().zip(&blocks) {
                let print = bench.print(block, [0.0; 3]).unwrap();
                let m = against(&print, &key).unwrap();
                let m = restrike_ops::mark_contacts::RigidMotion {
                    dx: m.dx,
                    dy: m.dy,
                    theta: m.theta,
                };
                let inside = contacts.iter().zip(FACES).all(|(c, f)| {
                    let row = kept.correction(name, f);
                    let at = |n: &str| number(row, n).unwrap();
                    (at("correction_low_mm")..=at("correction_high_mm")).contains(&c.shift(&m))
                });
                held += usize::from(inside);
                held_red += usize::from(inside && name == "red");
            }
        }
        let (share, red) = (held as f64 / 1500.0, held_red as f64 / 250.0);
        println!(
            "scatter of one block x {uneven}, {sheets} sheets: all blocks {share:.3}, that block {red:.3}"
        );
        assert!(share > 0.935 && red > 0.87, "{share} {red}");
    }
}
