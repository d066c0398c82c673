use super::*;
use proptest::prelude::*;

fn raster(w: usize, h: usize, f: impl Fn(f64, f64) -> f64) -> Raster<f32> {
    let data = (0..w * h)
        .map(|k| f((k % w) as f64, (k / w) as f64) as f32)
        .collect();
    Raster::from_vec(w, h, 1, data).unwrap()
}

fn noise(w: usize, h: usize, seed: u64) -> Raster<f32> {
    let mut state = seed;
    let data = (0..w * h)
        .map(|_| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f32 / (1_u32 << 24) as f32
        })
        .collect();
    Raster::from_vec(w, h, 1, data).unwrap()
}

#[test]
fn a_disc_has_its_area_and_its_inside_on_the_left() {
    for (cx, cy, r) in [(20.0, 20.0, 9.0), (18.3, 21.7, 12.4), (20.5, 19.5, 3.2)] {
        let cone = raster(41, 41, |x, y| libm::hypot(x - cx, y - cy) - r);
        let area = std::f64::consts::PI * r * r;
        let disc = contours(&cone, 0.0, Inside::Below);
        assert_eq!(disc.len(), 1);
        assert!(disc[0].closed);
        // Chords inside the arc and linear interpolation of a cone: second order in 1/r.
        assert!(
            (disc[0].area() - area).abs() < 1.0,
            "{} {area}",
            disc[0].area()
        );
        let hole = contours(&cone, 0.0, Inside::Above);
        assert!((hole[0].area() + area).abs() < 1.0);
    }
}

#[test]
fn a_straight_edge_is_where_it_is_and_ends_at_the_border() {
    let plane = raster(12, 9, |x, y| 0.6 * x + 0.8 * y - 6.1);
    let lines = contours(&plane, 0.0, Inside::Below);
    assert_eq!(lines.len(), 1);
    assert!(!lines[0].closed);
    for p in &lines[0].points {
        assert!((0.6 * p.x + 0.8 * p.y - 6.1).abs() < 1e-6);
    }
    // The inside is up and left of it: it runs up from the lower left.
    let (a, b) = (
        lines[0].points[0],
        lines[0].points[lines[0].points.len() - 1],
    );
    assert!(a.y > b.y && a.x < b.x, "{a:?} {b:?}");
}

#[test]
fn a_saddle_is_joined_when_its_mean_is_inside() {
    let base = |centre: f32| {
        let mut r = Raster::new(4, 4, 1);
        r.set(1, 1, 0, centre);
        r.set(2, 2, 0, centre);
        r
    };
    // Corners 1, 0, 1, 0: mean one half.
    assert_eq!(contours(&base(1.0), 0.4, Inside::Above).len(), 1);
    assert_eq!(contours(&base(1.0), 0.6, Inside::Above).len(), 2);
    // The same lines whichever side is called inside.
    assert_eq!(contours(&base(1.0), 0.4, Inside::Below).len(), 1);
    assert_eq!(contours(&base(1.0), 0.6, Inside::Below).len(), 2);
}

#[test]
fn nothing_to_see_gives_nothing() {
    assert!(contours(&Raster::new(0, 0, 1), 0.5, Inside::Above).is_empty());
    assert!(contours(&Raster::new(1, 5, 1), -1.0, Inside::Above).is_empty());
    assert!(contours(&Raster::new(5, 5, 1), 0.0, Inside::Above).is_empty());
    let mut bad = raster(5, 5, |x, _| x);
    bad.data_mut().fill(f32::NAN);
    assert!(contours(&bad, 2.5, Inside::Above).is_empty());
}

proptest! {
    #[test]
    fn every_crossing_is_used_once_with_the_inside_on_its_left(
        w in 2_usize..14, h in 2_usize..14, seed: u64, level in 0.1_f32..0.9, below: bool
    ) {
        let r = noise(w, h, seed);
        let inside = if below { Inside::Below } else { Inside::Above };
        let lines = contours(&r, level, inside);
        let mut found: Vec<(u64, u64)> = lines
            .iter()
            .flat_map(|l| &l.points)
            .map(|p| (p.y.to_bits(), p.x.to_bits()))
            .collect();
        found.sort_unstable();
        let mut want = Vec::new();
        for y in 0..h {
            for x in 0..w {
                for (dx, dy) in [(1, 0), (0, 1)] {
                    if x + dx < w && y + dy < h {
                        let a = f64::from(r.get(x, y, 0)) - f64::from(level);
                        let b = f64::from(r.get(x + dx, y + dy, 0)) - f64::from(level);
                        let (a, b) = if below { (-a, -b) } else { (a, b) };
                        if (a > 0.0) != (b > 0.0) {
                            let t = a / (a - b);
                            want.push((
                                (y as f64 + dy as f64 * t).to_bits(),
                                (x as f64 + dx as f64 * t).to_bits(),
                            ));
                        }
                    }
                }
            }
        }
        want.sort_unstable();
        prop_assert_eq!(found, want);
        for line in &lines {
            for (a, b) in line.pieces() {
                // Of the sample pair crossed at the start, the inside one is on the left.
                let (p, q) = (Point::new(a.x.floor(), a.y.floor()), Point::new(a.x.ceil(), a.y.ceil()));
                for s in [p, q] {
                    let v = r.get(s.x as usize, s.y as usize, 0);
                    let is_inside = if below { v < level } else { v > level };
                    let left = (b.y - a.y) * (s.x - a.x) - (b.x - a.x) * (s.y - a.y);
                    let right_way = if is_inside { left >= 0.0 } else { left <= 0.0 };
                    prop_assert!(right_way);
                }
            }
            let ends = [line.points[0], line.points[line.points.len() - 1]];
            let border = |p: Point| {
                p.x == 0.0 || p.y == 0.0 || p.x == (w - 1) as f64 || p.y == (h - 1) as f64
            };
            prop_assert!(line.closed || ends.into_iter().all(border));
        }
    }
}

/// The table and how it was made: tests/data/contour_reference.py.
#[test]
fn as_scikit_image_finds_them() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../tests/data/contour_reference.json"
    );
    let table: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
    let cases = table["cases"].as_array().unwrap();
    assert_eq!(cases.len(), 12);
    for case in cases {
        let values: Vec<f32> = case["values"]
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_f64().map_or(f32::NAN, |v| v as f32))
            .collect();
        let w = case["width"].as_u64().unwrap() as usize;
        let r = Raster::from_vec(w, values.len() / w, 1, values).unwrap();
        let level = case["level"].as_f64().unwrap() as f32;
        let found = contours(&r, level, Inside::Below);
        let lines = case["lines"].as_array().unwrap();
        assert_eq!(found.len(), lines.len());
        for line in lines {
            let mut want: Vec<Point> = line
                .as_array()
                .unwrap()
                .iter()
                .map(|p| Point::new(p[0].as_f64().unwrap(), p[1].as_f64().unwrap()))
                .collect();
            let closed = want.first() == want.last();
            if closed {
                want.pop();
            }
            let same = |line: &&Contour| {
                line.closed == closed
                    && line.points.len() == want.len()
                    && (0..want.len()).any(|shift| {
                        (closed || shift == 0)
                            && line
                                .points
                                .iter()
                                .enumerate()
                                .all(|(k, p)| p.distance(want[(k + shift) % want.len()]) < 1e-5)
                    })
            };
            assert_eq!(found.iter().filter(same).count(), 1, "{want:?}");
        }
    }
}
