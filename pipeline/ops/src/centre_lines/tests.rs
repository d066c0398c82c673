use super::*;
use proptest::prelude::*;

/// Millimetres a sample, 300 dpi.
const PITCH: f64 = 25.4 / 300.0;

/// A shape from its exact signed distance in samples at places in samples, rows down.
fn drawn(w: usize, h: usize, f: impl Fn(f64, f64) -> f64) -> EdgeMap {
    let mut distance = Raster::new(w, h, 1);
    for y in 0..h {
        for x in 0..w {
            let d = (f(x as f64, y as f64) * PITCH) as f32;
            distance.set(x, y, 0, d.clamp(-REACH_MM, REACH_MM));
        }
    }
    EdgeMap {
        origin: Point::new(0.0, 0.0),
        pitch: PITCH,
        distance,
    }
}

/// Distance to a stroke with round ends.
fn stroke(x: f64, y: f64, a: (f64, f64), b: (f64, f64), half: f64) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let t = (((x - a.0) * dx + (y - a.1) * dy) / (dx * dx + dy * dy)).clamp(0.0, 1.0);
    libm::hypot(x - a.0 - t * dx, y - a.1 - t * dy) - half
}

/// Place in samples, rows down.
fn samples(p: &AtlasPoint) -> (f64, f64) {
    (p.x_mm / PITCH, -p.y_mm / PITCH)
}

fn lines(map: &EdgeMap) -> Atlas {
    centre_lines(map, LineLimits::default())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_straight_line_at_any_angle(
        turn in 0.0_f64..3.15, half in 1.5_f64..6.5, x in 58.0_f64..62.0, y in 58.0_f64..62.0
    ) {
        let (s, c) = libm::sincos(turn);
        let (a, b) = ((x - 40.0 * c, y - 40.0 * s), (x + 40.0 * c, y + 40.0 * s));
        let atlas = lines(&drawn(121, 121, |x, y| stroke(x, y, a, b, half)));
        prop_assert_eq!((atlas.lines.len(), atlas.solids.len()), (1, 0));
        let line = &atlas.lines[0];
        prop_assert_eq!((line.start, line.end), (LineEnd::Free, LineEnd::Free));
        // To the tips of the round ends.
        let long = 80.0 + 2.0 * half;
        prop_assert!((line.length_mm / PITCH - long).abs() < 0.5, "{} {long}", line.length_mm / PITCH);
        for p in &line.points {
            let (px, py) = samples(p);
            let (u, v) = ((px - x) * c + (py - y) * s, (py - y) * c - (px - x) * s);
            prop_assert!(v.abs() < 0.02, "{u} {v}");
            if u.abs() < 40.0 - 0.5 * half {
                let width = 2.0 * p.half_width_mm / PITCH;
                prop_assert!((width - 2.0 * half).abs() < 0.05, "{u} {width} {half}");
            }
        }
    }

    /// What the module says of narrow lines.
    #[test]
    fn a_narrow_line_reads_low_by_no_more_than_said(turn in 0.0_f64..3.15, half in 0.75_f64..1.5, y in 58.0_f64..62.0) {
        let (s, c) = libm::sincos(turn);
        let (a, b) = ((60.0 - 40.0 * c, y - 40.0 * s), (60.0 + 40.0 * c, y + 40.0 * s));
        let atlas = lines(&drawn(121, 121, |x, y| stroke(x, y, a, b, half)));
        prop_assert_eq!(atlas.lines.len(), 1);
        let mut widths = Vec::new();
        for p in &atlas.lines[0].points {
            let (px, py) = samples(p);
            let (u, v) = ((px - 60.0) * c + (py - y) * s, (py - y) * c - (px - 60.0) * s);
            if u.abs() < 38.0 {
                prop_assert!(v.abs() < 0.1, "{u} {v}");
                let off = 2.0 * p.half_width_mm / PITCH - 2.0 * half;
                prop_assert!(off < 0.03 && off > -0.5, "{u} {off}");
                widths.push(off);
            }
        }
        let mean = widths.iter().sum::<f64>() / widths.len() as f64;
        prop_assert!(mean > -0.15, "{mean}");
    }

    #[test]
    fn a_ring(x in 58.0_f64..62.0, y in 58.0_f64..62.0, r in 12.0_f64..45.0, half in 1.5_f64..6.0) {
        let atlas = lines(&drawn(121, 121, |u, v| (libm::hypot(u - x, v - y) - r).abs() - half));
        prop_assert_eq!((atlas.lines.len(), atlas.solids.len()), (1, 0));
        let line = &atlas.lines[0];
        prop_assert!(line.closed && line.end == LineEnd::Closed);
        let round = std::f64::consts::TAU * r;
        prop_assert!((line.length_mm / PITCH - round).abs() < 0.003 * round);
        for p in &line.points {
            let (u, v) = samples(p);
            let off = libm::hypot(u - x, v - y) - r;
            prop_assert!(off.abs() < 0.03, "{off}");
            prop_assert!((p.half_width_mm / PITCH - half).abs() < 0.04);
        }
    }

    #[test]
    fn a_tee(turn in 0.0_f64..6.29, bar in 1.5_f64..5.0, stem in 1.5_f64..5.0) {
        let (s, c) = libm::sincos(turn);
        let at = |u: f64, v: f64| (75.3 + c * u - s * v, 74.8 + s * u + c * v);
        let atlas = lines(&drawn(151, 151, |x, y| {
            stroke(x, y, at(-45.0, 0.0), at(45.0, 0.0), bar)
                .min(stroke(x, y, at(0.0, 0.0), at(0.0, 45.0), stem))
        }));
        prop_assert_eq!(atlas.lines.len(), 3);
        for line in &atlas.lines {
            let ends = [line.start, line.end];
            prop_assert!(ends.contains(&LineEnd::Free) && ends.contains(&LineEnd::Junction));
            let n = line.points.len();
            let meet = if line.start == LineEnd::Junction { 0 } else { n - 1 };
            let (x, y) = samples(&line.points[meet]);
            // The wider the strokes, the less is it clear where they meet.
            let near = 0.4_f64.max(0.12 * bar.max(stem));
            prop_assert!(libm::hypot(x - 75.3, y - 74.8) < near, "{x} {y}");
            for p in &line.points {
                let (x, y) = samples(p);
                let (u, v) = ((x - 75.3) * c + (y - 74.8) * s, (y - 74.8) * c - (x - 75.3) * s);
                let (off, half) = if v > bar + 2.0 { (u, stem) } else { (v, bar) };
                let clear = v > bar + stem + 3.0 && v < 43.0
                    || u.abs() > 2.0 * (bar + stem) + 3.0 && u.abs() < 43.0;
                if clear {
                    prop_assert!(off.abs() < 0.02, "{u} {v}");
                    prop_assert!((p.half_width_mm / PITCH - half).abs() < 0.025);
                }
            }
        }
    }

    #[test]
    fn a_tapered_line(turn in 0.0_f64..6.29, small in 1.5_f64..2.5, large in 4.0_f64..6.5) {
        let (s, c) = libm::sincos(turn);
        // Between two round ends of different size: along the outer tangents.
        let slope = (large - small) / 80.0;
        let lean = (1.0 - slope * slope).sqrt();
        let map = drawn(141, 141, |x, y| {
            let (u, v) = ((x - 70.2) * c + (y - 69.7) * s, ((y - 69.7) * c - (x - 70.2) * s).abs());
            let along = (u + slope / lean * v).clamp(-40.0, 40.0);
            libm::hypot(u - along, v) - (small + (along + 40.0) * slope)
        });
        let atlas = lines(&map);
        prop_assert_eq!(atlas.lines.len(), 1);
        for p in &atlas.lines[0].points {
            let (x, y) = samples(p);
            let (u, v) = ((x - 70.2) * c + (y - 69.7) * s, (y - 69.7) * c - (x - 70.2) * s);
            // In a round end the skeleton's last sample may lie beside the
            // line: within a third of a milliradian of a diagonal it does.
            prop_assert!(v.abs() < if u.abs() < 36.0 { 0.03 } else { 0.15 }, "{u} {v}");
            if u.abs() < 36.0 {
                // Half the width across is a little more than the inscribed radius.
                let want = (small + (u + 40.0) * slope) / lean;
                let found = p.half_width_mm / PITCH;
                prop_assert!((found - want).abs() < 0.04, "{u} {found} {want}");
            }
        }
    }

    /// Any raster: no panic, the same again, ids in order, lengths that add up.
    #[test]
    fn anything_gives_a_sound_atlas(w in 0_usize..30, h in 0_usize..30, seed: u64, coarse in 1_usize..5) {
        let mut distance = Raster::new(w, h, 1);
        for y in 0..h {
            for x in 0..w {
                let k = ((x / coarse) * 31 + (y / coarse) * 57) as u64 ^ seed;
                let r = k.wrapping_mul(0x9e37_79b9_7f4a_7c15).rotate_left(29).wrapping_mul(0xbf58_476d_1ce4_e5b9);
                distance.set(x, y, 0, ((r >> 40) as f32 / 16_777_216.0 - 0.5) * 0.4);
            }
        }
        let map = EdgeMap { origin: Point::new(-1.0, 1.0), pitch: PITCH, distance };
        let atlas = centre_lines(&map, LineLimits { max_width_mm: 0.3 });
        prop_assert_eq!(&atlas, &centre_lines(&map, LineLimits { max_width_mm: 0.3 }));
        for (n, line) in atlas.lines.iter().enumerate() {
            prop_assert_eq!(line.id as usize, n);
            prop_assert!(!line.points.is_empty() && line.points[0].arc_mm == 0.0);
            prop_assert!(line.points.windows(2).all(|p| p[0].arc_mm <= p[1].arc_mm));
            for p in &line.points {
                prop_assert!(p.x_mm.is_finite() && p.y_mm.is_finite());
                prop_assert!(p.half_width_mm.is_finite() && p.half_width_mm >= 0.0);
            }
        }
    }
}

#[test]
fn a_solid_with_a_line_out_of_it() {
    // A square of 40 samples (3.4 mm) and a line of 6 from its side.
    let map = drawn(151, 81, |x, y| {
        let (u, v) = ((x - 30.0).abs() - 20.0, (y - 40.3).abs() - 20.0);
        let square = libm::hypot(u.max(0.0), v.max(0.0)) + u.max(v).min(0.0);
        square.min(stroke(x, y, (30.0, 40.3), (130.0, 40.3), 3.0))
    });
    let atlas = lines(&map);
    assert_eq!((atlas.lines.len(), atlas.solids.len()), (1, 1));
    let line = &atlas.lines[0];
    let mut ends = [line.start, line.end];
    ends.sort_by_key(|e| *e == LineEnd::Solid);
    assert_eq!(ends, [LineEnd::Free, LineEnd::Solid]);
    for p in &line.points {
        let (x, y) = samples(p);
        assert!(x > 48.0 && x < 133.2 && (y - 40.3).abs() < 0.1, "{x} {y}");
    }
    // The square's outline, its corners rounded by the opening's disc of 0.6 mm,
    // and a bulge where the line leaves; the disc's own centres lose up to half a
    // sample at their corners.
    let solid = &atlas.solids[0];
    assert!(solid.closed && !solid.hole);
    let n = solid.points.len();
    let area: f64 = (0..n)
        .map(|k| (solid.points[k], solid.points[(k + 1) % n]))
        .map(|(a, b)| 0.5 * (a.x_mm * b.y_mm - b.x_mm * a.y_mm))
        .sum();
    let r = 0.6 / PITCH;
    let want = 1600.0 - (4.0 - std::f64::consts::PI) * r * r;
    assert!(
        (area / PITCH / PITCH - want).abs() < 16.0,
        "{} {want}",
        area / PITCH / PITCH
    );
}

#[test]
fn wide_is_a_line_when_that_is_allowed() {
    let bar = drawn(150, 60, |x, y| {
        stroke(x, y, (30.0, 30.0), (120.0, 30.0), 10.0)
    });
    assert_eq!(lines(&bar).lines.len(), 0);
    assert_eq!(lines(&bar).solids.len(), 1);
    let wide = centre_lines(&bar, LineLimits { max_width_mm: 2.0 });
    assert_eq!((wide.lines.len(), wide.solids.len()), (1, 0));
    let all = centre_lines(
        &bar,
        LineLimits {
            max_width_mm: f64::NAN,
        },
    );
    assert!(all.lines.len() + all.solids.len() > 0);
}

#[test]
fn a_gap_is_not_bridged_and_a_dot_is_a_point() {
    let map = drawn(140, 40, |x, y| {
        stroke(x, y, (10.0, 20.2), (50.0, 20.2), 3.0)
            .min(stroke(x, y, (58.0, 20.2), (100.0, 20.2), 3.0))
            .min(libm::hypot(x - 120.4, y - 20.7) - 2.6)
    });
    let atlas = lines(&map);
    assert_eq!(atlas.lines.len(), 3);
    let dot = atlas.lines.iter().find(|l| l.points.len() == 1).unwrap();
    let (x, y) = samples(&dot.points[0]);
    assert!(
        (x - 120.4).abs() < 0.05 && (y - 20.7).abs() < 0.05,
        "{x} {y}"
    );
    assert!((dot.points[0].half_width_mm / PITCH - 2.6).abs() < 0.05);
    // The gap of two samples is between the ends.
    let mut at: Vec<f64> = atlas
        .lines
        .iter()
        .filter(|l| l.points.len() > 1)
        .flat_map(|l| [l.points[0], l.points[l.points.len() - 1]])
        .map(|p| samples(&p).0)
        .collect();
    at.sort_by(f64::total_cmp);
    for (found, want) in at.iter().zip([7.0, 53.0, 55.0, 103.0]) {
        assert!((found - want).abs() < 0.3, "{at:?}");
    }
}

#[test]
fn an_uneven_edge_grows_no_spurs() {
    // A wide line whose edge waves by half a sample every five.
    let map = drawn(200, 60, |x, y| {
        let wave = 0.5 * libm::sin(x * std::f64::consts::TAU / 5.0);
        ((y - 30.0).abs() - 6.0 - wave).max(5.0 - x).max(x - 195.0)
    });
    let atlas = lines(&map);
    assert_eq!(atlas.lines.len(), 1);
    assert!((atlas.lines[0].length_mm / PITCH - 190.0).abs() < 3.0);
}

#[test]
fn a_line_off_the_picture_says_so() {
    let map = drawn(60, 40, |x, y| stroke(x, y, (30.0, 20.0), (90.0, 20.0), 3.0));
    let atlas = lines(&map);
    let mut ends = [atlas.lines[0].start, atlas.lines[0].end];
    ends.sort_by_key(|e| *e == LineEnd::Border);
    assert_eq!(ends, [LineEnd::Free, LineEnd::Border]);
}
