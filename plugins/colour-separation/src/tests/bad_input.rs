//! What the stage says to a block set or a scan that is not what it should be.

use restrike_stage::{BlockInfo, Project};

use super::*;
use crate::doubts::{clipped, notes, of_block};

const GREEN: [f64; 3] = [0.9, 0.2, 0.7];

fn green(p: Point) -> f64 {
    rectangle(p, Rect::new(Point::new(6.0, -8.0), Point::new(11.0, 8.0)))
}

/// A sheet of key and red, measured with these shapes: its remarks, and of each
/// block what is doubtful and how much of its shape printed.
fn doubts(
    shapes: &[BlockShape],
    project: &Project,
    scan: &Raster<u16>,
) -> (Vec<String>, Vec<(String, f64)>) {
    let placement = placement(shapes);
    let mut sheet = Sheet::new(scan.view(), &placement, shapes, SIDE.grown(-0.5), None).unwrap();
    let s = separate(&mut sheet, &[], 1, &|| false).unwrap();
    let ends = clipped(&sheet);
    let blocks = (0..shapes.len())
        .map(|n| {
            let t = &s.tallies[0].blocks[n];
            (of_block(&sheet, n, t, &ends), t.both / t.shape)
        })
        .collect();
    (notes(project, &sheet), blocks)
}

fn printed() -> Raster<u16> {
    scan(&|p| if red(p) < 0.5 { 1.0 } else { 0.0 })
}

#[test]
fn a_block_whose_colour_is_not_on_the_sheet() {
    let shapes = [
        shape("key", KEY, key),
        shape("red", RED, red),
        shape("green", GREEN, green),
    ];
    let (_, blocks) = doubts(&shapes, &Project::default(), &printed());
    assert_eq!(blocks[2].0, "its ink is not on the sheet");
    assert!(blocks[2].1 < 0.02);
    for b in &blocks[..2] {
        assert_eq!(b.0, "");
        assert!(b.1 > 0.97, "{}", b.1);
    }
}

#[test]
fn a_listed_block_without_a_shape_has_no_plane() {
    let shapes = [shape("key", KEY, key), shape("red", RED, red)];
    let block = |name: &str, order| BlockInfo {
        name: name.to_owned(),
        order,
        key: order == 1,
        bokashi: false,
        colour: None,
    };
    let project = Project {
        blocks: vec![block("key", 1), block("red", 2), block("gold", 3)],
        ..Project::default()
    };
    let (notes, _) = doubts(&shapes, &project, &printed());
    assert!(
        notes
            .iter()
            .any(|n| n.contains("no shape") && n.ends_with(": gold")),
        "{notes:?}"
    );
}

#[test]
fn two_blocks_of_one_colour() {
    let shapes = [
        shape("key", KEY, key),
        shape("red", RED, red),
        shape("second red", RED.map(|a| 1.1 * a), green),
    ];
    let (notes, blocks) = doubts(&shapes, &Project::default(), &printed());
    assert!(
        notes
            .iter()
            .any(|n| n.starts_with("blocks red and second red have inks of one colour")),
        "{notes:?}"
    );
    assert!(blocks[1].0.contains("its ink has the colour of second red"));
    assert!(
        blocks[2].0.contains("its ink is not on the sheet"),
        "{}",
        blocks[2].0
    );
    assert!(blocks[1].1 > 0.97 && blocks[2].1 < 0.02);
}

#[test]
fn one_block_only() {
    let shapes = [shape("key", KEY, key)];
    let (notes, blocks) = doubts(&shapes, &Project::default(), &printed());
    assert!(
        notes
            .iter()
            .any(|n| n.starts_with("the record holds one block, key")),
        "{notes:?}"
    );
    assert!(blocks[0].1 > 0.9, "{}", blocks[0].1);
}

#[test]
fn clipped_ends_make_strengths_limits() {
    let shapes = [shape("key", KEY, key), shape("red", RED, red)];
    // Levels set so that the key is black and red saturates: light below 0.1 is 0, above 0.6 full.
    let levels = |v: u16| {
        let light = (f64::from(v) / 65535.0 - 0.1) / 0.5;
        (65535.0 * light.clamp(0.0, 1.0)) as u16
    };
    let mut hard = printed();
    for v in hard.data_mut() {
        *v = levels(*v);
    }
    let (_, blocks) = doubts(&shapes, &Project::default(), &hard);
    assert!(
        blocks[0].0.contains("black without detail") && blocks[0].0.contains("lower limit"),
        "{}",
        blocks[0].0
    );
    assert!(
        blocks[1].0.contains("at full scale") && blocks[1].0.contains("upper limit"),
        "{}",
        blocks[1].0
    );
    let (_, fine) = doubts(&shapes, &Project::default(), &printed());
    assert!(fine.iter().all(|b| b.0.is_empty()), "{fine:?}");
}
