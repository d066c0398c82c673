use super::*;
use proptest::prelude::*;

const PITCH: f64 = 0.1;

fn grid(width: usize, height: usize) -> Grid {
    Grid {
        origin: Point::new(-3.0, 2.0),
        pitch: PITCH,
        width,
        height,
    }
}

fn polygon(points: Vec<Point>) -> Contour {
    Contour {
        closed: true,
        points,
    }
}

/// Distance of a place to a piece, written again without the code under test.
fn to_piece(p: Point, a: Point, b: Point) -> f64 {
    let (ab, ap) = (b - a, p - a);
    let t = if ab.norm() > 0.0 {
        (ap.dot(ab) / ab.dot(ab)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    p.distance(Point::new(a.x + t * ab.x, a.y + t * ab.y))
}

fn brute(outlines: &[Contour], p: Point) -> f64 {
    outlines
        .iter()
        .flat_map(Contour::pieces)
        .map(|(a, b)| to_piece(p, a, b))
        .fold(f64::MAX, f64::min)
}

/// Winding number not zero: another way to the inside than passages along rows.
fn winds(outlines: &[Contour], p: Point) -> bool {
    let turn: f64 = outlines
        .iter()
        .flat_map(Contour::pieces)
        .map(|(a, b)| {
            let (a, b) = (a - p, b - p);
            libm::atan2(b.x * a.y - a.x * b.y, a.dot(b))
        })
        .sum();
    turn > std::f64::consts::PI
}

fn noise(w: usize, h: usize, seed: u64) -> Raster<f32> {
    let mut state = seed;
    let mut r = Raster::new(w, h, 1);
    for v in r.data_mut() {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        *v = (state >> 40) as f32 / (1_u32 << 24) as f32;
    }
    r
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    #[test]
    fn as_looking_at_every_piece(seed: u64, level in 0.05_f32..0.95, w in 8_usize..48, h in 8_usize..48) {
        let r = noise(w, h, seed);
        let lines = contours(&r, level, Inside::Above);
        let map = level_distance(&r, level, Inside::Above, Point::new(0.0, 0.0), PITCH);
        for j in 0..h {
            for i in 0..w {
                let found = f64::from(map.distance.get(i, j, 0)) / PITCH;
                let want = brute(&lines, Point::new(i as f64, j as f64));
                if want < 6.0 {
                    prop_assert!((found.abs() - want).abs() < 0.01, "{i} {j} {found} {want}");
                }
                if want > 1e-4 {
                    prop_assert_eq!(found < 0.0, r.get(i, j, 0) > level);
                }
            }
        }
    }

    /// Few outlines, so that pieces have to travel far and regions meet anywhere.
    #[test]
    fn far_from_sparse_outlines(seed: u64) {
        let (w, h) = (70, 60);
        let mut r = noise(w, h, seed);
        for v in r.data_mut() {
            *v = if *v > 0.985 { 0.5 + 40.0 * (*v - 0.985) } else { 0.0 };
        }
        let lines = contours(&r, 0.5, Inside::Above);
        let map = edge_distance(&lines, grid(w, h));
        for j in 0..h {
            for i in 0..w {
                let found = f64::from(map.distance.get(i, j, 0)) / PITCH;
                let want = brute(&lines, Point::new(i as f64, j as f64)).min(40.0);
                let room = if want < 6.0 { 0.01 } else { 0.1 };
                prop_assert!((found.abs() - want).abs() < room, "{i} {j} {found} {want}");
            }
        }
    }

    #[test]
    fn a_disc(x in 25.0_f64..35.0, y in 25.0_f64..35.0, r in 3.0_f64..18.0) {
        let points = (0..720).map(|k| {
            let (s, c) = libm::sincos(-f64::from(k) * std::f64::consts::PI / 360.0);
            Point::new(x + r * c, y + r * s)
        });
        let map = edge_distance(&[polygon(points.collect())], grid(61, 58));
        for j in 0..58 {
            for i in 0..61 {
                let found = f64::from(map.distance.get(i, j, 0)) / PITCH;
                let want = Point::new(i as f64, j as f64).distance(Point::new(x, y)) - r;
                let want = want.min(40.0);
                prop_assert!((found - want).abs() < 0.01, "{i} {j} {found} {want}");
            }
        }
    }

    /// Long pieces at any angle.
    #[test]
    fn a_turned_rectangle(
        x in 40.0_f64..60.0, y in 40.0_f64..60.0, a in 1.0_f64..33.0, b in 0.3_f64..18.0, turn in 0.0_f64..6.3
    ) {
        let (s, c) = libm::sincos(turn);
        let corner = |u: f64, v: f64| Point::new(x + c * u - s * v, y + s * u + c * v);
        // Counter-clockwise as seen, rows running down.
        let shape = polygon(vec![corner(-a, b), corner(a, b), corner(a, -b), corner(-a, -b)]);
        let map = edge_distance(std::slice::from_ref(&shape), grid(99, 98));
        for j in 0..98 {
            for i in 0..99 {
                let found = f64::from(map.distance.get(i, j, 0)) / PITCH;
                let (dx, dy) = (i as f64 - x, j as f64 - y);
                let (u, v) = ((c * dx + s * dy).abs() - a, (c * dy - s * dx).abs() - b);
                let want = libm::hypot(u.max(0.0), v.max(0.0)) + u.max(v).min(0.0);
                if want.abs() < 6.0 {
                    prop_assert!((found - want).abs() < 0.01, "{i} {j} {found} {want}");
                }
            }
        }
    }

    #[test]
    fn signs_are_those_of_the_winding_number(seed: u64, level in 0.2_f32..0.8) {
        // A border of outside, so that every line is closed.
        let (w, h) = (16, 14);
        let mut r = noise(w, h, seed);
        for j in 0..h {
            for i in 0..w {
                if i == 0 || j == 0 || i == w - 1 || j == h - 1 {
                    r.set(i, j, 0, 0.0);
                }
            }
        }
        let lines = contours(&r, level, Inside::Above);
        let map = edge_distance(&lines, grid(w, h));
        let by_level = level_distance(&r, level, Inside::Above, Point::new(-3.0, 2.0), PITCH);
        for j in 0..h {
            for i in 0..w {
                let d = map.distance.get(i, j, 0);
                if d.abs() > 1e-5 {
                    prop_assert_eq!(d < 0.0, winds(&lines, Point::new(i as f64, j as f64)));
                    prop_assert_eq!(d, by_level.distance.get(i, j, 0));
                }
            }
        }
    }

    /// Lines that run off the raster: rows and columns without a crossing too.
    #[test]
    fn signs_with_open_lines(a in -1.0_f64..1.0, b in -1.0_f64..1.0, c in -8.0_f64..8.0) {
        let (w, h) = (12, 15);
        let mut r = Raster::new(w, h, 1);
        for j in 0..h {
            for i in 0..w {
                r.set(i, j, 0, (a * (i as f64 - 5.0) + b * (j as f64 - 7.0) + c) as f32);
            }
        }
        let lines = contours(&r, 0.0, Inside::Below);
        prop_assume!(!lines.is_empty());
        let map = edge_distance(&lines, grid(w, h));
        for (d, v) in map.distance.data().iter().zip(r.data()) {
            prop_assert!(d.abs() < 1e-4 || (*d < 0.0) == (*v < 0.0));
        }
    }
}

#[test]
fn odd_input_is_no_trouble() {
    let far = |map: &EdgeMap| map.distance.data().iter().all(|d| *d == REACH_MM);
    assert!(far(&edge_distance(&[], grid(5, 4))));
    assert_eq!(edge_distance(&[], grid(0, 4)).distance.data().len(), 0);
    let odd = [
        polygon(vec![]),
        polygon(vec![Point::new(f64::NAN, 1.0), Point::new(2.0, 2.0)]),
        polygon(vec![Point::new(f64::INFINITY, 1.0), Point::new(2.0, 2.0)]),
    ];
    assert!(far(&edge_distance(&odd, grid(5, 4))));
    let point = [polygon(vec![Point::new(2.0, 2.0)])];
    assert_eq!(edge_distance(&point, grid(5, 4)).distance.get(2, 2, 0), 0.0);
    let flat = Grid {
        pitch: 0.0,
        ..grid(5, 4)
    };
    assert!(far(&edge_distance(&point, flat)));
    // Far over the grid's rim on all sides.
    let huge = [polygon(vec![
        Point::new(-1e9, 1e9),
        Point::new(1e9, 1e9),
        Point::new(1e9, -1e9),
        Point::new(-1e9, -1e9),
    ])];
    let map = edge_distance(&huge, grid(5, 4));
    assert!(map.distance.data().iter().all(|d| *d == -REACH_MM));
}

#[test]
fn all_inside_is_inside() {
    let mut full = Raster::new(6, 5, 1);
    full.data_mut().fill(1.0);
    let map = level_distance(&full, 0.5, Inside::Above, Point::new(0.0, 0.0), PITCH);
    assert!(map.distance.data().iter().all(|d| *d == -REACH_MM));
}
