//! Reflectance of layers, bokashi and edges against closed forms.

// The platform's maths: independent of the renderer's.
#![allow(clippy::disallowed_methods)]

mod common;

use common::{Linear, blank_design, block, rect_area, sheet};
use restrike_synth::design::Bokashi;
use restrike_synth::render;
use restrike_synth::sheet::BlockState;

/// Flat overlaps follow R = paper * prod exp(-s a) (Bouguer-Lambert).
#[test]
fn overlaps_multiply() {
    let mut design = blank_design([50.0, 30.0]);
    let inks = [
        ("red", [0.2, 1.4, 1.3], 0.8),
        ("blue", [1.5, 0.7, 0.2], 1.3),
    ];
    for (i, (name, a, _)) in inks.iter().enumerate() {
        let mut b = block(name, *a);
        let x = -12.0 + 8.0 * i as f64;
        b.areas.push(rect_area(0, x, -8.0, x + 16.0, 8.0));
        design.blocks.push(b);
    }
    let mut s = sheet(200.0);
    s.blocks = inks
        .iter()
        .map(|(name, _, strength)| BlockState {
            block: (*name).to_owned(),
            strength: *strength,
            ..BlockState::default()
        })
        .collect();
    let r = render(&design, &s).unwrap();
    let k = 200.0 / 25.4;
    for (x, layers) in [
        (-8.0, vec![0]),
        (0.0, vec![0, 1]),
        (8.0, vec![1]),
        (-20.0, vec![]),
    ] {
        let (i, j) = ((k * (29.0 + x)) as usize, (k * 19.0) as usize);
        for c in 0..3 {
            let want = layers.iter().fold(s.paper.colour[c], |v, l: &usize| {
                v * (-inks[*l].2 * inks[*l].1[c]).exp()
            });
            let got = Linear::channel(&r, c).at(i, j);
            assert!((got - want).abs() < 3e-5, "{x} {c}: {got} {want}");
        }
    }
}

/// Two inks whose edges coincide mix on sub-pixels: with the line through pixel
/// centres, the edge pixel is (paper + both inks) / 2 before blur, not the
/// product of two half tones. Seen as the integral across the edge.
#[test]
fn edges_mix_in_reflectance() {
    let mut design = blank_design([50.0, 30.0]);
    for (name, a) in [("red", [1.0; 3]), ("blue", [1.5; 3])] {
        let mut b = block(name, a);
        b.areas.push(rect_area(0, 0.0, -8.0, 16.0, 8.0));
        design.blocks.push(b);
    }
    let mut s = sheet(254.0);
    // Edge at x = 4 + 25 mm = 290 px exactly on a pixel border, plus half.
    s.scan.margin_mm[0] = 4.05;
    let r = render(&design, &s).unwrap();
    let im = Linear::new(&r);
    let paper = s.paper.colour[1];
    let ink = paper * (-2.5f64).exp();
    let sum: f64 = (270..311).map(|i| im.at(i, 190)).sum();
    let edge = 270.0 + (sum - 41.0 * ink) / (paper - ink);
    assert!((edge - 290.5).abs() < 0.005, "{edge}");
}

/// Strength of a gradation: smoothstep along its line, read back as
/// -ln(R / paper) / a.
#[test]
fn bokashi_profile() {
    let mut design = blank_design([50.0, 30.0]);
    let mut b = block("blue", [1.2, 1.2, 1.2]);
    b.areas.push(rect_area(0, -20.0, -10.0, 20.0, 10.0));
    b.bokashi.push(Bokashi {
        from: [0.0, 8.0],
        to: [0.0, -6.0],
    });
    design.blocks.push(b);
    let s = sheet(300.0);
    let r = render(&design, &s).unwrap();
    let im = Linear::new(&r);
    let k = 300.0 / 25.4;
    for step in 0..12 {
        let j = (k * (19.0 - 9.0 + 1.4 * f64::from(step))) as usize;
        let y = 19.0 - (j as f64 + 0.5) / k;
        let t = ((8.0 - y) / 14.0).clamp(0.0, 1.0);
        let want = 1.0 - t * t * (3.0 - 2.0 * t);
        let got = -(im.at(400, j) / s.paper.colour[1]).ln() / 1.2;
        assert!((got - want).abs() < 2e-3, "{y}: {got} {want}");
    }
}

/// The same picture on every platform: a checksum over texture, mottle, rim,
/// noise, light and encoding. Changes only when the renderer is changed on
/// purpose.
#[test]
fn platform_checksum() {
    use restrike_synth::Pixels;
    let mut design = blank_design([30.0, 20.0]);
    let mut b = block("red", [0.2, 1.4, 1.3]);
    b.areas.push(rect_area(0, -9.0, -5.0, 7.0, 6.0));
    b.areas.push(common::disc(1, [5.0, -3.0], 4.0));
    design.blocks.push(b);
    let mut s = sheet(100.0);
    s.paper.fibre = 0.03;
    s.paper.toning = 0.3;
    s.paper.deckle_mm = 0.2;
    s.ink.sheet_mottle = 0.05;
    s.ink.block_mottle = 0.05;
    s.ink.baren = 0.1;
    s.ink.squash = 0.2;
    s.ink.rim_mm = 0.3;
    s.scan.degrees = 2.2;
    s.scan.falloff = 0.1;
    s.scan.shadow = 0.5;
    s.scan.noise_read = 0.001;
    s.scan.noise_shot = 0.01;
    let Pixels::U16(p) = render(&design, &s).unwrap().pixels else {
        panic!("16 bits expected")
    };
    // FNV-1a over the samples' bytes.
    let sum = p
        .iter()
        .flat_map(|v| v.to_le_bytes())
        .fold(0xcbf2_9ce4_8422_2325_u64, |h, b| {
            (h ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3)
        });
    assert_eq!(sum, 0xd622_5a8f_1a9e_2543, "{sum:#x}");
}
