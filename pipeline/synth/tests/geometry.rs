//! Geometry of rendered scans, measured by integrals and moments that share no
//! code with the renderer: nothing but the truth's numbers is taken from it.

// The platform's maths: independent of the renderer's.
#![allow(clippy::disallowed_methods)]

mod common;

use common::{Linear, blank_design, disc, key_line, rect_area, sheet};
use restrike_synth::design::{Area, Role};
use restrike_synth::render;
use restrike_synth::sheet::BlockState;
use restrike_synth::transform::{Motion, Warp, Wave};

const LIMIT_PX: f64 = 0.01;

/// Centroids of printed discs by intensity-weighted moments. Their true places
/// are computed here from the written-down chain: warp, stretch, turn, shift,
/// then the scanner.
#[test]
fn disc_centroids() {
    let mut design = blank_design([60.0, 40.0]);
    let places = [
        [-20.0, 12.0],
        [18.3, 13.1],
        [21.7, -11.9],
        [-19.2, -13.3],
        [0.4, 0.9],
    ];
    for (i, p) in places.iter().enumerate() {
        design.blocks[0].areas.push(disc(i as u32, *p, 1.5));
    }
    for (n, (degrees, ss, dpi)) in [
        (0.0, 2, 300.0),
        (2.7, 2, 300.0),
        (-13.0, 3, 211.0),
        (1.1, 1, 600.0),
    ]
    .into_iter()
    .enumerate()
    {
        let motion = Motion {
            dx: 0.731,
            dy: -0.417,
            theta: 0.0045,
            eps_x: 0.0029,
            eps_y: -0.0017,
        };
        let wave = Wave {
            k: [0.05, 0.03],
            phase: 0.7,
            amplitude: [0.08, -0.05],
        };
        let mut s = sheet(dpi);
        s.scan.degrees = degrees;
        s.scan.supersample = ss;
        s.scan.margin_mm = [3.3, 4.1, 3.0, 3.0];
        s.blocks = vec![BlockState {
            block: "key".to_owned(),
            motion,
            warp: Warp(vec![wave]),
            ..BlockState::default()
        }];
        let r = render(&design, &s).unwrap();
        let im = Linear::new(&r);
        let k = dpi / 25.4;
        for p in places {
            let w = (0.05 * p[0] + 0.03 * p[1] + 0.7f64).sin();
            let q = [p[0] + 0.08 * w, p[1] - 0.05 * w];
            let (st, ct) = 0.0045f64.sin_cos();
            let q = [
                0.731 + 1.0029 * (ct * q[0] - st * q[1]),
                -0.417 + (1.0 - 0.0017) * (st * q[0] + ct * q[1]),
            ];
            let (sd, cd) = degrees.to_radians().sin_cos();
            // Top left of the turned sheet lies at the margins.
            let half = [
                30.0 * cd.abs() + 20.0 * sd.abs(),
                30.0 * sd.abs() + 20.0 * cd.abs(),
            ];
            let want = [
                k * (3.3 + half[0] + cd * q[0] - sd * q[1]),
                k * (4.1 + half[1] - sd * q[0] - cd * q[1]),
            ];
            let got = im.dark_centroid(want, 2.3 * k, r.truth.paper[1]);
            for a in 0..2 {
                // The warp turns a disc into nearly an ellipse: its centroid
                // moves by less than a tenth of the limit.
                let e = (got[a] - want[a]).abs();
                assert!(e < LIMIT_PX, "case {n}: {p:?} off by {e} px");
            }
            // The truth file says the same.
            let b = &r.truth.blocks[0];
            let t = b.block_to_scan.apply(b.warp.apply(p));
            assert!((t[0] - want[0]).abs() < 1e-6 && (t[1] - want[1]).abs() < 1e-6);
        }
    }
}

/// Border corners: edge positions by integrals across each side, a straight
/// line through them, intersections of neighbouring sides.
#[test]
fn frame_corners_and_sheet_corners() {
    let mut design = blank_design([60.0, 40.0]);
    let (a, b, w) = (24.0, 15.0, 0.5);
    // A solid: its outline is the border's outline.
    design.blocks[0].areas.push(rect_area(0, -a, -b, a, b));
    design.images[0].size_mm = [2.0 * a, 2.0 * b];
    design.frame_width_mm = w;
    for degrees in [0.0, 1.3, -2.9] {
        let mut s = sheet(300.0);
        s.scan.degrees = degrees;
        s.blocks = vec![BlockState {
            block: "key".to_owned(),
            motion: Motion {
                dx: 0.3,
                dy: 0.2,
                theta: -0.002,
                eps_x: 0.001,
                eps_y: 0.0,
            },
            retreat_mm: 0.07,
            ..BlockState::default()
        }];
        let r = render(&design, &s).unwrap();
        let im = Linear::new(&r);
        let inner = im.corners(r.truth.images[0].outer_px.to_array());
        let outer = im.corners(r.truth.sheet_px.to_array());
        for (got, want) in inner
            .iter()
            .zip(r.truth.images[0].outer_px.to_array())
            .chain(outer.iter().zip(r.truth.sheet_px.to_array()))
        {
            for i in 0..2 {
                let e = (got[i] - want[i]).abs();
                assert!(e < LIMIT_PX, "{degrees}: {got:?} {want:?}");
            }
        }
    }
}

/// Width of a line: integral of darkness across it, and the position of its
/// centre, over many sub-pixel phases.
#[test]
fn line_width_and_place() {
    let mut design = blank_design([40.0, 30.0]);
    design.blocks[0].lines.push(key_line(
        0,
        Role::Contour,
        0.2,
        vec![[-15.0, -2.0], [15.0, 2.0]],
    ));
    let mut s = sheet(600.0);
    let widen = 0.03;
    s.blocks = vec![BlockState {
        block: "key".to_owned(),
        widen_mm: widen,
        ..BlockState::default()
    }];
    let r = render(&design, &s).unwrap();
    let im = Linear::new(&r);
    let k = 600.0 / 25.4;
    let paper = r.truth.paper[1];
    let ink = paper * (-design.blocks[0].absorption[1]).exp();
    let slope: f64 = 4.0 / 30.0;
    let cos = 1.0 / (1.0 + slope * slope).sqrt();
    let (mut worst, mut sum, mut n) = (0.0f64, 0.0, 0.0);
    for i in 60..(r.width as usize - 160) {
        let x = (i as f64 + 0.5) / k - 4.0 - 20.0;
        if x.abs() > 13.0 {
            continue;
        }
        let y = k * (4.0 + 15.0 - slope * x);
        let (mut m0, mut m1) = (0.0, 0.0);
        for j in (y as usize - 20)..(y as usize + 20) {
            let d = (paper - im.at(i, j)) / (paper - ink);
            m0 += d;
            m1 += d * (j as f64 + 0.5);
        }
        worst = worst.max((m1 / m0 - y).abs());
        sum += m0 * cos / k;
        n += 1.0;
    }
    assert!(worst < LIMIT_PX, "{worst}");
    let width = sum / n;
    assert!((width - (0.2 + 2.0 * widen)).abs() < 2e-4, "{width}");
}

/// Raggedness: SD of a sine edge seen through the scanner's blur. Closed form:
/// A / sqrt 2 times exp(-(2 pi sigma / L)^2 / 2), small amplitude.
#[test]
fn ragged_edge_sd() {
    use restrike_synth::stroke::Ragged;
    let (amp, wave): (f64, f64) = (0.02, 0.5);
    let mut design = blank_design([40.0, 20.0]);
    design.blocks[0].lines.push(key_line(
        0,
        Role::Contour,
        1.0,
        vec![[-15.0, 0.0], [15.0, 0.0]],
    ));
    let dpi = 1200.0;
    let k = dpi / 25.4;
    let mut s = sheet(dpi);
    s.scan.psf_sigma_px = 0.02 * k;
    s.scan.supersample = 3;
    s.blocks = vec![BlockState {
        block: "key".to_owned(),
        ragged: Some(Ragged::Sine {
            amplitude_mm: amp,
            wavelength_mm: wave,
        }),
        ..BlockState::default()
    }];
    let r = render(&design, &s).unwrap();
    let im = Linear::new(&r);
    let paper = r.truth.paper[1];
    let ink = paper * (-design.blocks[0].absorption[1]).exp();
    let mut v = Vec::new();
    let first = (k * (4.0 + 20.0 - 12.0)) as usize;
    // 48 whole wavelengths.
    for i in first..first + (24.0 * k).round() as usize {
        // Half-way crossing of the upper edge, linear between pixels.
        let mid = (k * (4.0 + 10.0 - 0.5)) as usize;
        let half = (paper + ink) / 2.0;
        let j = (mid - 8..mid + 8)
            .find(|j| im.at(i, *j + 1) < half)
            .unwrap();
        let (p, q) = (im.at(i, j), im.at(i, j + 1));
        v.push((j as f64 + 0.5 + (p - half) / (p - q)) / k);
    }
    let mean = v.iter().sum::<f64>() / v.len() as f64;
    let sd = (v.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / v.len() as f64).sqrt();
    let want = amp / 2f64.sqrt() * (-(std::f64::consts::TAU * 0.02 / wave).powi(2) / 2.0).exp();
    assert!((want - 0.013_702).abs() < 2e-6);
    assert!((sd / want - 1.0).abs() < 0.03, "{sd} {want}");
}

/// A cleared ring takes out exactly its area.
#[test]
fn cleared_area() {
    let mut design = blank_design([40.0, 30.0]);
    design.blocks[0]
        .areas
        .push(rect_area(0, -10.0, -8.0, 10.0, 8.0));
    design.blocks[0].areas.push(Area {
        cleared: true,
        ..rect_area(1, -3.0, -2.0, 4.0, 5.0)
    });
    let r = render(&design, &sheet(300.0)).unwrap();
    let im = Linear::new(&r);
    let k = 300.0 / 25.4;
    let paper = r.truth.paper[1];
    let ink = paper * (-design.blocks[0].absorption[1]).exp();
    let mut sum = 0.0;
    for j in (7.0 * k) as usize..(31.0 * k) as usize {
        for i in (7.0 * k) as usize..(41.0 * k) as usize {
            sum += (paper - im.at(i, j)) / (paper - ink);
        }
    }
    let area = sum / (k * k);
    assert!((area - (320.0 - 49.0)).abs() < 0.02, "{area}");
}
