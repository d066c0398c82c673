//! Stretch shared out: planted block and paper parts come back.

use restrike_synth::rng::Rng;

use super::{Seen, number, project, run, text};

const NAMES: [&str; 5] = ["ochre", "blue", "mist", "red", "green"];

/// A block 1.5 permille narrow along x, a sheet 2 permille longer along y,
/// another whose later blocks were printed damper.
fn rows(sheets: usize, blocks: usize, noise: f64) -> Vec<Seen> {
    let mut rng = Rng::new(4, "stretch");
    let mut rows = Vec::new();
    for sheet in 1..=sheets {
        for (b, name) in NAMES.into_iter().enumerate().take(blocks) {
            let mut s = [0.6, 0.1];
            if name == "mist" {
                s[0] -= 1.5;
            }
            if sheet == 3 {
                s[1] += 2.0;
            }
            if sheet == 6 && b >= 3 {
                s[0] += 1.0;
            }
            let s = s.map(|v| v + noise * rng.normal());
            rows.push(Seen {
                stretch: Some(s),
                ..Seen::new(sheet, name, [0.0; 3])
            });
        }
    }
    rows
}

#[test]
fn block_and_paper_are_told_apart() {
    let kept = run(&project(&NAMES), &rows(8, 5, 0.02));
    let shares = kept.of("stretch_shares");
    let find = |of: &str, name: &str| {
        let mut all = shares.iter().filter(|r| text(r, "of") == of);
        *all.find(|r| text(r, "name") == name).unwrap()
    };
    let all = find("all", "all");
    assert!((number(all, "x_permille").unwrap() - 0.6).abs() < 0.05);
    assert!(text(all, "words").contains("cannot tell apart"));
    let mist = find("block", "mist");
    assert!((number(mist, "x_permille").unwrap() + 1.5).abs() < 0.06);
    assert!(
        text(mist, "words").contains("0.15 % shorter along x"),
        "{}",
        text(mist, "words")
    );
    let red = find("block", "red");
    assert!(number(red, "x_permille").unwrap().abs() < 0.06);
    assert_eq!(text(red, "words"), "Not different from the other blocks.");
    let damp = find("sheet", "3");
    assert!((number(damp, "y_permille").unwrap() - 2.0).abs() < 0.06);
    assert!(text(damp, "words").contains("damp paper"));
    let dry = find("sheet", "5");
    assert_eq!(text(dry, "words"), "As damp as the other sheets.");
    let changed = find("sheet", "6");
    assert!((number(changed, "later_x_permille").unwrap() - 1.0).abs() < 0.15);
    assert!(
        text(changed, "words").contains("damp changed"),
        "{}",
        text(changed, "words")
    );
}

#[test]
fn too_few_sheets_or_blocks_cannot_tell() {
    for (sheets, blocks) in [(3, 5), (8, 2), (1, 1)] {
        let kept = run(&project(&NAMES), &rows(sheets, blocks, 0.02));
        let shares = kept.of("stretch_shares");
        assert_eq!(shares.len(), 1 + sheets + blocks);
        for r in &shares {
            assert!(
                text(r, "words").contains("annot tell"),
                "{}",
                text(r, "words")
            );
            assert!(text(r, "of") == "all" || number(r, "x_permille").is_none());
        }
    }
}

#[test]
fn without_a_fitted_stretch_there_is_no_table() {
    let seen: Vec<Seen> = (1..=5).map(|s| Seen::new(s, "ochre", [0.0; 3])).collect();
    assert!(run(&project(&NAMES), &seen).of("stretch_shares").is_empty());
}

/// A block of small area tells its stretch a hundred times worse than the others.
#[test]
fn a_stretch_that_is_hardly_known_does_not_sway_the_others() {
    let mut rows = rows(8, 5, 0.02);
    for r in &mut rows {
        r.stretch_se = 0.02;
        if r.block == "red" {
            r.stretch_se = 0.8;
            r.stretch.as_mut().unwrap()[1] = if r.sheet == 5 { 6.0 } else { -1.0 };
        }
    }
    let kept = run(&project(&NAMES), &rows);
    let shares = kept.of("stretch_shares");
    for r in shares.iter().filter(|r| text(r, "name") == "5") {
        assert_eq!(text(r, "words"), "As damp as the other sheets.");
        assert_eq!(number(r, "cells"), Some(4.0));
    }
    let red = shares.iter().find(|r| text(r, "name") == "red").unwrap();
    assert!(
        text(red, "words").contains("too loosely"),
        "{}",
        text(red, "words")
    );
}
