//! The zero of a block from its outline and the key's lines.

use restrike_stage::{Point, Raster};

use super::{Set, affine};
use crate::outline::{crossing, outline};
use crate::state::Ride;
use crate::zero::zero;
use restrike_ops::contour::Inside;
use restrike_ops::edge_distance::level_distance;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;

#[test]
fn outlines_that_follow_key_lines_find_their_place() {
    let set = Set::new(305, false, &|_| ());
    let key = set.at("key");
    let mut found = 0;
    for name in ["ochre", "green"] {
        let n = set.at(name);
        let layer = &set.layers[n];
        let Ok(z) = zero(
            &layer.edges,
            &set.layers[key].edges,
            Ride::still(layer.centre, layer.radius),
        ) else {
            continue;
        };
        found += 1;
        // The true zero: design place by the block's proof to design place by the key's.
        let of = |n: usize, b: &str| {
            let t = &set.proofs[n];
            affine(
                t.blocks
                    .iter()
                    .find(|x| x.name == b)
                    .unwrap()
                    .motion
                    .affine(),
            )
        };
        let want = of(n, name).inverse().unwrap().then(&of(key, "key"));
        let c = layer.centre;
        let d = c + z.ride.displacement(c) - want.apply(c);
        // Both blocks are warped by some hundredths of a millimetre.
        assert!(d.norm() < 0.05, "{name}: {d:?}, stated {:.3}", z.se);
        assert!(z.se < 0.04);
    }
    assert!(found >= 1);
}

/// Edges of everything a condition covers, on a grid of 0.1 mm about the origin.
fn drawn(inside: &dyn Fn(Point) -> f64) -> EdgeMap {
    let grid = Grid {
        origin: Point::new(-25.0, 25.0),
        pitch: 0.1,
        width: 501,
        height: 501,
    };
    let mut c = Raster::new(501, 501, 1);
    for j in 0..501 {
        for i in 0..501 {
            // A distance as a ramp two samples wide.
            let d = inside(grid.place(i, j));
            c.set(i, j, 0, (0.5 - d / 0.4).clamp(0.0, 1.0) as f32);
        }
    }
    level_distance(&c, 0.5, Inside::Above, grid.origin, grid.pitch)
}

#[test]
fn a_ring_of_key_line_tells_the_disc_inside_where_to_be() {
    let key = drawn(&|p| (p.norm() - 15.0).abs() - 0.25);
    let block = drawn(&|p| Point::new(p.x - 0.42, p.y + 0.31).norm() - 15.0);
    let z = zero(&block, &key, Ride::still(Point::new(0.42, -0.31), 10.6)).unwrap();
    assert!((z.ride.by[0] + 0.42).abs() < 0.01, "{:?}", z.ride.by);
    assert!((z.ride.by[1] - 0.31).abs() < 0.01, "{:?}", z.ride.by);
}

#[test]
fn an_outline_between_many_lines_is_not_given_a_zero() {
    // Lines every millimetre: each is as good as the next.
    let key = drawn(&|p| {
        let t = p.x - p.x.floor();
        (t - 0.5).abs() - 0.15
    });
    let block = drawn(&|p| (p.x.abs() - 10.0).max(p.y.abs() - 10.0));
    let why = zero(&block, &key, Ride::still(Point::default(), 8.0)).unwrap_err();
    assert!(why.contains("more than one place"), "{why}");
    // No lines at all near it.
    let key = drawn(&|p| (p.norm() - 24.0).abs() - 0.2);
    assert!(zero(&block, &key, Ride::still(Point::default(), 8.0)).is_err());
}

#[test]
fn what_is_cut_to_the_inner_side_of_a_frame_is_not_taken_for_its_middle() {
    // A frame of 1 mm with a wash to its inner side, at the foot and the sides
    // only, and two rings that the wash follows in the middle of their lines.
    let frame = |p: Point| (p.x.abs().max(p.y.abs()) - 19.5).abs() - 0.5;
    let ring = |p: Point, x: f64| (Point::new(p.x - x, p.y - 10.0).norm() - 6.0).abs() - 0.2;
    let key = drawn(&|p| frame(p).min(ring(p, -9.0)).min(ring(p, 9.0)));
    let off = Point::new(0.2, -0.15);
    let block = drawn(&|p| {
        let p = p - off;
        let wash = (p.x.abs() - 19.0).max(-19.0 - p.y).max(p.y + 2.0);
        let disc = |x: f64| Point::new(p.x - x, p.y - 10.0).norm() - 6.0;
        wash.min(disc(-9.0)).min(disc(9.0))
    });
    let z = zero(&block, &key, Ride::still(off, 16.0)).unwrap();
    let d = z.ride.displacement(Point::new(0.2, 9.85)) + off;
    assert!(d.norm() < 0.06, "the discs' zero is off by {d:?}");
    let d = z.ride.displacement(Point::new(0.2, -10.0)) + off;
    assert!(d.y.abs() < 3.0 * z.se, "{d:?} with {:.3}", z.se);
    assert!(z.se > 0.05, "stated {:.3}", z.se);
}

#[test]
fn a_side_that_bows_across_a_line_is_told_from_one_that_follows_it() {
    // A frame, and a wash whose upper side bows across it; its foot runs in the line's middle.
    let key = drawn(&|p| ((p.x.abs() - 20.0).max(p.y.abs() - 14.0)).abs() - 0.3);
    let wash = |bow: f64| {
        drawn(&move |p| {
            let top = 14.0 + bow * libm::cos(p.x / 20.0 * std::f64::consts::PI);
            (p.x.abs() - 20.0).max(p.y - top).max(-14.0 - p.y)
        })
    };
    let still = Ride::still(Point::default(), 14.0);
    let sides = |bow| crossing(&outline(&wash(bow)), &key, &still);
    assert_eq!(sides(0.0), [false; 4]);
    // Right, up, left, down.
    assert_eq!(sides(0.25), [false, true, false, false]);
    // Its zero leans on that side less.
    let zero = |bow| zero(&wash(bow), &key, still).unwrap();
    assert!(zero(0.25).se > 3.0 * zero(0.0).se);
}
