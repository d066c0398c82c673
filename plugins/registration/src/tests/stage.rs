//! What the stage says of blocks it cannot locate, and its record.

use std::collections::BTreeMap;

use super::{PAPER, Set, blocks};
use crate::align::{Aligned, Rules};
use crate::doubts::doubtful;
use crate::located::{Limits, Located, direction, located};
use crate::record::{self, Known, Source};

/// Limits as by default, at 300 dpi.
const LIMITS: Limits = Limits {
    se: 0.012,
    given: 0.05,
    reach: 3.5,
    pixel: 25.4 / 300.0,
};

pub(super) fn known(set: &Set) -> Vec<Known> {
    set.layers
        .iter()
        .zip(1_u32..)
        .map(|(l, order)| {
            Known::new(
                l.clone(),
                order,
                Source {
                    file: "proof.tif".into(),
                    sha256: "0".repeat(64),
                    kind: "proof".into(),
                    scan_to_mm: [0.0; 6],
                },
            )
        })
        .collect()
}

/// Where a block lies on the whole sheet.
pub(super) fn on_sheet(found: &Aligned, blocks: &[Known], n: usize) -> Option<Located> {
    let spread = blocks[n].layer.spread;
    located(&found.whole, &blocks[n], n, spread, LIMITS)
}

#[test]
fn a_block_that_did_not_print_is_not_located() {
    let set = Set::new(306, false, &|_| ());
    let mut spec = set.sheets[0].clone();
    let others = set.design.blocks.iter().map(|b| b.name.clone());
    spec.only_blocks = others.filter(|b| b != "red").collect();
    let scan = super::Scan::new(&set.design, &spec);
    let found = set.align(&scan, &Rules::default());
    let blocks = known(&set);
    let red = set.at("red");
    let l = on_sheet(&found, &blocks, red).unwrap();
    assert!(l.reason.is_some(), "red was not printed: {:?}", l.middle);
    let green = set.at("green");
    assert_eq!(on_sheet(&found, &blocks, green).unwrap().reason, None);
    assert!(on_sheet(&found, &blocks, set.at("key")).is_none());
}

#[test]
fn a_record_reads_back_to_a_micrometre() {
    let set = Set::new(307, false, &|_| ());
    let blocks = known(&set);
    let parts: BTreeMap<String, Vec<u8>> = record::write("A design", &blocks)
        .unwrap()
        .into_iter()
        .collect();
    let names = record::names();
    assert!(parts.keys().all(|p| names.contains(p)));
    let back = record::read(&parts).unwrap().unwrap();
    assert_eq!(back.len(), blocks.len());
    for (a, b) in blocks.iter().zip(&back) {
        assert_eq!(a.part, b.part);
        for (x, y) in a
            .layer
            .edges
            .distance
            .data()
            .iter()
            .zip(b.layer.edges.distance.data())
        {
            assert!(x.abs() > 0.39 || (x - y).abs() <= 0.001_01, "{x} {y}");
            assert_eq!(*x < 0.0, *y < 0.0);
        }
    }
    assert!(record::read(&BTreeMap::new()).unwrap().is_none());
    let mut later = parts.clone();
    let index = String::from_utf8(later["registration"].clone()).unwrap();
    later.insert(
        "registration".into(),
        index.replace("\"version\": 1", "\"version\": 9").into(),
    );
    assert!(
        record::read(&later)
            .unwrap_err()
            .to_string()
            .contains("version 9")
    );
    let mut short = parts;
    short.remove("edges-02");
    assert!(
        record::read(&short)
            .unwrap_err()
            .to_string()
            .contains("edges-02")
    );
}

#[test]
fn directions_have_words() {
    assert_eq!(direction(3.0), "left-right");
    assert_eq!(direction(-4.0), "left-right");
    assert_eq!(direction(88.0), "up-down");
    assert_eq!(direction(45.0), "lower left to upper right");
    assert_eq!(direction(-40.0), "upper left to lower right");
}

/// Exchanged proofs and one block's proof listed twice are named; a right list is not.
#[test]
fn exchanged_and_doubled_proofs_are_not_used() {
    let set = Set::new(301, false, &|_| ());
    let list = blocks(&set, PAPER);
    let right = known(&set);
    assert_eq!(doubtful(&right, &list), []);

    let (red, green) = (set.at("red"), set.at("green"));
    let mut exchanged = known(&set);
    exchanged[red].part.name = "green".to_owned();
    exchanged[green].part.name = "red".to_owned();
    let found = doubtful(&exchanged, &list);
    assert_eq!(found.len(), 2, "{found:?}");
    assert!(
        found
            .iter()
            .all(|(n, why)| [red, green].contains(n) && why.contains("exchanged"))
    );

    let mut doubled = known(&set);
    let mut copy = doubled[green].clone();
    copy.part.name = "moss".to_owned();
    doubled.push(copy);
    let found = doubtful(&doubled, &list);
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(found[0].1.contains("same shape and ink"));
}
