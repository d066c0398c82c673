//! Shapes from an impression of all blocks, and the key found by them.

use restrike_ops::grid::Grid;
use restrike_ops::resample::resample;
use restrike_stage::Point;
use restrike_synth::{Design, DesignSpec, Family};

use super::{PAPER, Scan, Set, affine, blocks};
use crate::align::{Rules, align};
use crate::layers::Layer;
use crate::{learned, parted, relative, seen};

/// The layers of a set as an impression of all blocks shows them.
fn parted_layers(set: &Set, reference: &Scan, grid: Grid) -> Vec<Layer> {
    let laid = resample(reference.view(), &reference.to_print(), grid).unwrap();
    let blocks = blocks(set, PAPER);
    let shapes = parted::shapes(&laid, grid, set.sheet, &set.images, &blocks).unwrap();
    blocks
        .iter()
        .zip(shapes)
        .filter_map(|(b, s)| {
            let mut layer = learned::layer(&b.name, b.key, b.bokashi, &s.ok()?);
            layer.parted = true;
            Some(layer)
        })
        .collect()
}

#[test]
fn without_proofs_the_key_is_found_by_a_reference_impression() {
    let set = Set::new(304, false, &|run| run.sheets = 2);
    let reference = set.scan(0);
    let grid = Grid::over(set.sheet, 25.4 / 300.0);
    let layers = parted_layers(&set, &reference, grid);

    // What a solid colour shows beside the key is found where its proof has it.
    let red = layers.iter().find(|l| l.name == "red").unwrap();
    let proof = &set.layers[set.at("red")];
    let area = |l: &Layer| {
        let inked = l.edges.distance.data().iter().filter(|d| **d < 0.0).count();
        inked as f64 * l.edges.pitch * l.edges.pitch
    };
    assert!(
        (area(red) / area(proof) - 1.0).abs() < 0.12,
        "{:.1} mm2 of {:.1}",
        area(red),
        area(proof)
    );

    let sheet = set.scan(1);
    let frame = sheet.to_print();
    let found = align(
        sheet.view(),
        &frame,
        set.sheet,
        &set.images,
        &layers,
        &Rules::default(),
    )
    .unwrap();
    let key = set.design.key().unwrap().name.clone();
    let motion = |t: &restrike_synth::Truth| {
        affine(
            t.blocks
                .iter()
                .find(|b| b.name == key)
                .unwrap()
                .motion
                .affine(),
        )
    };
    let (then, now) = (motion(&reference.truth), motion(&sheet.truth));
    let (mut square, mut count) = (0.0, 0.0);
    for j in -3..=3 {
        for i in -4..=4 {
            let q = Point::new(f64::from(i) * 11.0, f64::from(j) * 10.0);
            let d = found.whole.state.record_place(now.apply(q)) - then.apply(q);
            square += d.dot(d);
            count += 1.0;
        }
    }
    let rms = f64::sqrt(square / count) / (25.4 / 300.0);
    assert!(rms < 0.15, "{rms:.3} px");
}

/// Where enough of a block's edges lies free on both impressions, its motion
/// against the reference is found as well as with a proof; elsewhere nothing is said.
#[test]
fn without_proofs_motion_between_sheets_is_found_or_refused() {
    let (mut found, mut refused) = (0, 0);
    let seed = 54;
    let design = Design::generate(&DesignSpec {
        seed,
        family: Family::Lettering,
        ..DesignSpec::default()
    });
    let set = Set::of(design, seed, &|run| run.sheets = 2);
    let reference = set.scan(0);
    let grid = Grid::over(set.sheet, 25.4 / 300.0);
    let mut layers = parted_layers(&set, &reference, grid);
    let places = seen::by_the_same_rule(&mut layers, reference.view(), &reference.to_print());
    // As a record keeps them.
    let free: Vec<_> = places
        .iter()
        .enumerate()
        .map(|(n, at)| {
            let kept: Vec<[f64; 2]> = at.iter().map(|p| [p.x, p.y]).collect();
            let edges = seen::edges_at(&layers, n, grid.pitch, &kept);
            assert!(edges.len() <= at.len());
            edges
        })
        .collect();
    // An edge in another colour than the block's is none of its edges.
    let most = (0..layers.len()).max_by_key(|n| places[*n].len()).unwrap();
    let mut other = layers.clone();
    other[most].absorption.rotate_left(1);
    let wrong = seen::by_the_same_rule(&mut other, reference.view(), &reference.to_print());
    assert!(places[most].len() > 500 && wrong[most].len() * 10 < places[most].len());
    let sheet = set.scan(1);
    let frame = sheet.to_print();
    let rules = Rules::default();
    let mut fit = align(
        sheet.view(),
        &frame,
        set.sheet,
        &set.images,
        &layers,
        &rules,
    )
    .unwrap()
    .whole;
    relative::locate(&mut fit, &layers, &free, sheet.view(), &frame, None);
    let map = |t: &restrike_synth::Truth, name: &str| {
        let b = t.blocks.iter().find(|b| b.name == name).unwrap();
        affine(b.block_to_scan)
    };
    let key = &set.design.key().unwrap().name;
    // Place of a block on the reference -> where the sheet has it, both against the key.
    let to_record = reference.to_print();
    for (n, layer) in layers.iter().enumerate().filter(|(_, l)| !l.key) {
        if fit.why[n].is_some() {
            refused += 1;
            continue;
        }
        let back = map(&reference.truth, &layer.name).then(&to_record);
        let true_map = back
            .inverse()
            .unwrap()
            .then(&map(&sheet.truth, &layer.name))
            .then(&map(&sheet.truth, key).inverse().unwrap())
            .then(&map(&reference.truth, key))
            .then(&to_record);
        let c = layer.centre;
        let off = fit.state.rides[n].map().unwrap().apply(c) - true_map.apply(c);
        let px = off.norm() / (25.4 / 300.0);
        println!("{seed} {}: {px:.3} px", layer.name);
        assert!(px < 0.5, "{seed} {}: {px:.3} px off", layer.name);
        found += 1;
    }
    assert!(
        found >= 1 && refused >= 1,
        "{found} found, {refused} refused"
    );
}

#[test]
fn colours_that_are_missing_or_misspelt_are_named() {
    let set = Set::new(304, false, &|_| ());
    let scan = set.scan(0);
    let grid = Grid::over(set.sheet, 25.4 / 75.0);
    let laid = resample(scan.view(), &scan.to_print(), grid).unwrap();
    for (colour, says) in [
        (None, "gives no colour of block red"),
        (Some("rouge"), "not `#rrggbb`"),
    ] {
        let mut list = blocks(&set, [0.8; 3]);
        let red = list.iter_mut().find(|b| b.name == "red").unwrap();
        red.colour = colour.map(str::to_owned);
        let why = parted::shapes(&laid, grid, set.sheet, &set.images, &list).unwrap_err();
        assert!(why.contains(says), "{why}");
    }
}
