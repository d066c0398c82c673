//! Editions in the record.

use std::collections::BTreeMap;

use super::consensus::{ground, level};
use crate::consensus::{SIDES, Stream, coarser};
use crate::edition::{About, Edition, list, load, names, write};

fn about(name: &str) -> About {
    About {
        name: name.to_owned(),
        year: Some(1961),
        files: vec!["a.tif".to_owned()],
        paper: [0.8, 0.77, 0.7],
        paper_scatter: [0.0; 3],
        blur_mm: 0.08,
        inks: Vec::new(),
    }
}

#[test]
fn what_is_written_reads_back() {
    let g = ground(0.25);
    let fine = level(&g, 3, 0.02, 9, &|_| 0.7);
    let levels = SIDES
        .iter()
        .enumerate()
        .map(|(n, side)| {
            let mut s = Stream::new(&g, *side);
            s.add(&coarser(&g, &fine.light, n));
            s.end()
        })
        .collect();
    let editions = [Edition {
        about: about("1961"),
        levels,
        register: vec![[0.25, -0.5, 0.0]; g.len()],
    }];
    let parts = write(&editions, [1.0, 2.0, 0.25]).unwrap();
    let known = names();
    assert!(parts.iter().all(|(n, _)| known.contains(n)));
    let parts: BTreeMap<String, Vec<u8>> = parts.into_iter().collect();
    let back = list(&parts, [1.0, 2.0, 0.25]).unwrap();
    assert_eq!(back, [about("1961")]);
    let e = load(&parts, 0, &back[0]).unwrap();
    for (one, two) in e.levels.iter().zip(&editions[0].levels) {
        assert_eq!(one.count, two.count);
        for (a, b) in one.light.iter().flatten().zip(two.light.iter().flatten()) {
            assert!((a - b).abs() < 2e-5);
        }
    }

    let off = e.register.iter().flatten().zip([0.25, -0.5, 0.0]);
    assert!(off.into_iter().all(|(a, b)| (a - b).abs() < 2e-5));
    assert_eq!(e.register.len(), g.len());

    let mut older = parts.clone();
    older.remove("edition-01-register-1");
    assert!(load(&older, 0, &back[0]).unwrap().register.is_empty());

    let other = list(&parts, [1.0, 2.0, 0.2]).unwrap_err();
    assert!(other.contains("another grid"), "{other}");
    let mut torn = parts.clone();
    torn.remove("edition-01-scatter-4");
    let e = load(&torn, 0, &back[0]).unwrap_err();
    assert!(e.contains("edition-01-scatter-4` is missing"), "{e}");
    torn.insert("edition-01-light-1".to_owned(), b"no picture".to_vec());
    assert!(load(&torn, 0, &back[0]).is_err());
    assert_eq!(list(&BTreeMap::new(), [0.0; 3]).unwrap(), []);
}
