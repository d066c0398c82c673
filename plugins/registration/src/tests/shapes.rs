//! Where a proof's shape ends.

use restrike_ops::contour::Inside;
use restrike_ops::edge_distance::level_distance;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_stage::{Point, Raster, Rect};

use crate::shape::shape;

/// Edges read off a proof of 120 x 80 mm, at 0.2 mm, whose image is 80 x 50 mm.
fn read(printed: &dyn Fn(Point) -> bool) -> EdgeMap {
    graded(&|p| f64::from(u8::from(printed(p))), false)
}

/// The same by the ink's strength at each place.
fn graded(strength: &dyn Fn(Point) -> f64, fade: bool) -> EdgeMap {
    let sheet = Rect::centred(120.0, 80.0);
    let grid = Grid::over(sheet, 0.2);
    let mut laid = Raster::new(grid.width, grid.height, 3);
    for j in 0..grid.height {
        for i in 0..grid.width {
            let ink = strength(grid.place(i, j));
            for (c, (paper, left)) in [(0.80_f64, 0.85), (0.76, 0.40), (0.68, 0.35)]
                .into_iter()
                .enumerate()
            {
                laid.set(i, j, c, (paper * libm::pow(left, ink)) as f32);
            }
        }
    }
    let images = [Rect::centred(80.0, 50.0)];
    let found = shape(&laid, grid, sheet, &images, fade).unwrap();
    level_distance(&found.coverage, 0.5, Inside::Above, grid.origin, grid.pitch)
}

#[test]
fn a_colour_beyond_the_border_ends_where_its_block_does() {
    let edges = read(&|p| p.x.abs() < 46.3 && p.y.abs() < 10.1);
    for (x, inside) in [(45.9, true), (46.7, false), (-45.9, true), (-46.7, false)] {
        let d = edges.at(Point::new(x, 0.0));
        assert!((d < 0.0) == inside, "at {x}: {d}");
    }
}

#[test]
fn spots_in_the_margin_are_no_part_of_a_block() {
    let edges = read(&|p| {
        (p.x.abs() < 30.0 && p.y.abs() < 10.1) || Point::new(p.x - 50.0, p.y).norm() < 2.0
    });
    assert!(edges.at(Point::new(50.0, 0.0)) > 0.0);
    assert!(edges.at(Point::new(0.0, 0.0)) < 0.0);
}

#[test]
fn ink_that_runs_off_the_sheet_has_no_edge_there() {
    let edges = read(&|p| p.y.abs() < 10.1);
    for x in [-57.5, -58.5, -59.5, 57.5, 58.5, 59.5] {
        let d = edges.at(Point::new(x, 0.0));
        assert!(d < -3.0, "at {x}: {d}");
    }
}

#[test]
fn unevenness_of_the_paper_is_no_part_of_a_gradation() {
    // A band that fades out downwards, and paper uneven by a twentieth of its ink.
    let edges = graded(
        &|p| {
            let band = p.x.abs() < 38.0 && p.y < 24.0;
            let ink = if band {
                (p.y / 20.0).clamp(0.0, 1.0)
            } else {
                0.0
            };
            ink + 0.05 * libm::sin(0.9 * p.x) * libm::sin(1.1 * p.y)
        },
        true,
    );
    assert!(edges.at(Point::new(0.0, 15.0)) < 0.0);
    let island = (-38..38)
        .flat_map(|x| (-24..-4).map(move |y| Point::new(f64::from(x), f64::from(y))))
        .find(|p| edges.at(*p) < 0.0);
    assert_eq!(island, None);
}
