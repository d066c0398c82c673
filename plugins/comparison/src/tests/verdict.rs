//! The verdict: decided by the deviation, and only where it is to be believed.

use nalgebra::Matrix2;
use restrike_stage::Point;

use crate::recut::{Course, Tile};
use crate::verdict::{Verdict, judge};

/// A course of alike tiles whose typical move is given, mm.
fn course(moved_mm: f64, least_mm: f64, tiles: usize) -> Course {
    let tile = Tile {
        at: (0, 0),
        centre: Point::new(0.0, 0.0),
        by: [0.0; 2],
        info: Matrix2::identity(),
        unlikely: 0.0,
        moved: false,
    };
    let square = moved_mm * moved_mm;
    Course {
        tiles: vec![tile; tiles],
        deviation_mm: (square - least_mm * least_mm).max(0.0).sqrt(),
        least_mm,
        square,
        moved: 0.0,
        explained: 0.5,
    }
}

fn said(c: &Course, key: bool, located: [bool; 2], placing: [Option<f64>; 2]) -> Verdict {
    judge(Some(c), (1, key), &[], located, placing)
}

#[test]
fn a_key_is_told_by_its_deviation() {
    let placed = [Some(0.0); 2];
    let old = said(&course(0.003, 0.002, 600), true, [true; 2], placed);
    assert_eq!(old.word, "worn");
    let new = said(&course(0.03, 0.003, 600), true, [true; 2], placed);
    assert_eq!(new.word, "re-cut");
}

/// What looks like a new course is a wrong place as well: no ratio is given.
#[test]
fn a_colour_block_that_is_not_well_placed_has_no_ratio() {
    let moved = course(0.04, 0.01, 60);
    let well = said(&moved, false, [true; 2], [Some(0.004); 2]);
    assert_eq!(well.word, "re-cut");
    for (located, placing) in [
        ([true, false], [Some(0.004); 2]),
        ([true; 2], [Some(0.004), Some(0.05)]),
        ([true; 2], [Some(0.004), None]),
    ] {
        let v = said(&moved, false, located, placing);
        assert_eq!(v.word, "undecided");
        assert!(v.log_ratio.is_none() && !v.why.is_empty());
    }
    // Further than a new colour block's course, as beside moved lines of the key.
    let beside = said(&course(0.09, 0.008, 60), false, [true; 2], [Some(0.004); 2]);
    assert!(beside.word == "undecided" && beside.log_ratio.is_none());
    assert_eq!(
        said(&course(0.09, 0.008, 600), true, [true; 2], [None; 2]).word,
        "re-cut"
    );
    let blind = said(&course(0.04, 0.03, 60), false, [true; 2], [Some(0.004); 2]);
    assert!(blind.log_ratio.is_none());
}
