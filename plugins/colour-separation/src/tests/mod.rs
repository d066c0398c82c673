//! A small made-up sheet taken apart; the whole stage is measured against
//! rendered truth in the `tests` crate.

mod bad_input;
mod fine;
mod learning;
mod rim;

use std::sync::Arc;

use restrike_ops::block_record::{About, BlockShape, Source};
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_ops::overprints::Subset;
use restrike_ops::placement::{BlockPlace, Field, Placement, Ride};
use restrike_stage::{Affine, Point, Raster, Rect};

use crate::doubts::{absent, colours_lost, same_colour};
use crate::pictures::strength;
use crate::separate::{Separated, separate};
use crate::sheet::Sheet;

const PIXEL: f64 = 25.4 / 300.0;
const SIDE: Rect = Rect {
    min: Point { x: -12.0, y: -10.0 },
    max: Point { x: 12.0, y: 10.0 },
};
const PAPER: [f64; 3] = [0.78, 0.74, 0.62];
const KEY: [f64; 3] = [2.4, 2.4, 2.3];
const RED: [f64; 3] = [0.15, 0.9, 0.8];

/// Signed distance to a rectangle, negative inside.
fn rectangle(p: Point, r: Rect) -> f64 {
    let c = r.centre();
    let dx = (p.x - c.x).abs() - r.width() / 2.0;
    let dy = (p.y - c.y).abs() - r.height() / 2.0;
    let out = Point::new(dx.max(0.0), dy.max(0.0)).norm();
    out + dx.max(dy).min(0.0)
}

fn key(p: Point) -> f64 {
    rectangle(p, Rect::new(Point::new(-9.0, -0.3), Point::new(9.0, 0.3)))
}

fn red(p: Point) -> f64 {
    rectangle(p, Rect::new(Point::new(-7.0, -6.0), Point::new(5.0, 6.0)))
}

fn shape(name: &str, absorption: [f64; 3], distance: fn(Point) -> f64) -> BlockShape {
    let pitch = PIXEL;
    let grid = Grid::over(SIDE, pitch);
    let mut raster = Raster::new(grid.width, grid.height, 1);
    for j in 0..grid.height {
        for i in 0..grid.width {
            let d = distance(grid.place(i, j)).clamp(-4.0, 4.0);
            raster.set(i, j, 0, d as f32);
        }
    }
    let edges = EdgeMap {
        origin: grid.origin,
        pitch,
        distance: raster,
    };
    let ink_grid = Grid::over(SIDE, 1.0);
    let mut ink = Raster::new(ink_grid.width, ink_grid.height, 1);
    ink.data_mut().fill(1.0);
    let about = About {
        name: name.to_owned(),
        order: 1,
        key: name == "key",
        bokashi: false,
        absorption,
        centre: Point::default(),
        radius: 5.0,
        source: Source {
            file: String::new(),
            sha256: String::new(),
            kind: "proof".to_owned(),
            scan_to_mm: [1.0, 0.0, 0.0, 0.0, 1.0, 0.0],
        },
    };
    BlockShape::new(about, Arc::new(edges), Arc::new(ink), ink_grid)
}

fn flat(value: f64) -> Field {
    Field {
        origin: SIDE.min,
        pitch: 30.0,
        width: 2,
        height: 2,
        values: vec![value; 4],
    }
}

fn placement(shapes: &[BlockShape]) -> Placement {
    Placement {
        to_print: Affine([PIXEL, 0.0, SIDE.min.x, 0.0, -PIXEL, SIDE.max.y]),
        key: [0.0; 12],
        half: 10.0,
        // With the pixel's own width as wide as the ramp of [`cover`].
        blur_px: 0.66,
        paper: PAPER.map(|p| flat(libm::log(p))),
        blocks: shapes
            .iter()
            .map(|s| BlockPlace {
                name: s.part.name.clone(),
                key: s.part.key,
                why: None,
                ride: Ride::still(Point::default(), 5.0),
                se_mm: Some(0.004),
                retreat_mm: 0.0,
                strength: 1.0,
                veil: 0.0,
                veil_se: 0.0,
                absorption: s.part.absorption,
                local_strength: flat(1.0),
            })
            .collect(),
    }
}

/// Share of a pixel covered by a shape whose edge is so far away.
fn cover(d: f64) -> f64 {
    (0.5 - d / (2.5 * PIXEL)).clamp(0.0, 1.0)
}

/// A scan of this light, relative to the paper, with grain.
fn painted(seed: u64, light: &dyn Fn(Point) -> [f64; 3]) -> Raster<u16> {
    let (w, h) = (
        (SIDE.width() / PIXEL) as usize,
        (SIDE.height() / PIXEL) as usize,
    );
    let mut out = Raster::new(w, h, 3);
    let mut noise = seed;
    for y in 0..h {
        for x in 0..w {
            let p = Point::new(
                SIDE.min.x + (x as f64 + 0.5) * PIXEL,
                SIDE.max.y - (y as f64 + 0.5) * PIXEL,
            );
            noise = noise
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            let grain = 1.0 + 0.015 * ((noise >> 40) as f64 / (1_u64 << 23) as f64 - 1.0);
            for (c, l) in light(p).into_iter().enumerate() {
                out.set(x, y, c, (65535.0 * PAPER[c] * grain * l) as u16);
            }
        }
    }
    out
}

/// The sheet: `ink` of red at a place, 0 for none.
fn scan(ink: &dyn Fn(Point) -> f64) -> Raster<u16> {
    painted(1, &|p| {
        let s = ink(p);
        let covered = if s > 0.0 {
            cover(red(p)).max(f64::from(u8::from(red(p) > 0.5)))
        } else {
            0.0
        };
        [0, 1, 2].map(|c| {
            let k = 1.0 - cover(key(p)) * (1.0 - libm::exp(-KEY[c]));
            k * (1.0 - covered * (1.0 - libm::exp(-RED[c] * s)))
        })
    })
}

fn apart(ink: &dyn Fn(Point) -> f64) -> (Separated, Vec<BlockShape>) {
    let shapes = vec![shape("key", KEY, key), shape("red", RED, red)];
    let placement = placement(&shapes);
    let scan = scan(ink);
    let mut sheet = Sheet::new(scan.view(), &placement, &shapes, SIDE.grown(-0.5), None).unwrap();
    let out = separate(&mut sheet, &[], 1, &|| false).unwrap();
    (out, shapes)
}

fn at(s: &Separated, x: f64, y: f64) -> usize {
    let i = ((x - SIDE.min.x) / PIXEL) as usize;
    let j = ((SIDE.max.y - y) / PIXEL) as usize;
    j * s.labels.width() + i
}

#[test]
fn a_sheet_as_the_record_says() {
    let (s, _) = apart(&|p| if red(p) < 0.5 { 1.1 } else { 0.0 });
    let t = &s.tallies[0];
    assert!(t.sure > 0.93 * t.pixels, "{} of {}", t.sure, t.pixels);
    let area = t.blocks[1].printed * PIXEL * PIXEL;
    assert!((area / 144.0 - 1.0).abs() < 0.01, "{area}");
    let strength = t.blocks[1].strength / t.blocks[1].whole;
    assert!((strength / 1.1 - 1.0).abs() < 0.03, "{strength}");
    let overprint = s.labels.data()[at(&s, 0.0, 0.0)];
    assert_eq!(overprint.abs(), 4.0, "key and red");
    assert_eq!(s.labels.data()[at(&s, 8.0, 5.0)], 1.0, "paper");
}

#[test]
fn missing_and_stray_ink_are_found() {
    let hole = Point::new(-3.0, 3.0);
    let spot = Point::new(9.0, -5.0);
    let (s, _) = apart(&|p| {
        if p.distance(hole) < 0.8 {
            0.0
        } else if red(p) < 0.5 || p.distance(spot) < 0.8 {
            1.0
        } else {
            0.0
        }
    });
    let label = |x, y| s.labels.data()[at(&s, x, y)].abs();
    assert_eq!(label(-3.0, 3.0), 1.0, "the hole shows paper");
    assert_eq!(label(-3.0, -3.0), 3.0, "red elsewhere");
    assert_eq!(label(9.0, -5.0), 3.0, "red in the spot");
    assert!(strength(s.planes[1].data()[at(&s, -3.0, 3.0)]) < 0.1);
}

/// Registration fits a block's ink along with its place, and of one that was skipped finds
/// hardly any: bare paper must not pass for its print.
#[test]
fn a_block_that_was_skipped_is_missing() {
    let shapes = vec![shape("key", KEY, key), shape("red", RED, red)];
    let mut placement = placement(&shapes);
    let place = &mut placement.blocks[1];
    place.strength = 0.03;
    place.local_strength = flat(0.4);
    (place.why, place.se_mm) = (Some("its ink is not on the sheet".to_owned()), None);
    let scan = scan(&|_| 0.0);
    let mut sheet = Sheet::new(scan.view(), &placement, &shapes, SIDE.grown(-0.5), None).unwrap();
    let s = separate(&mut sheet, &[], 1, &|| false).unwrap();
    let t = &s.tallies[0].blocks[1];
    assert!(absent(t), "{} of {}", t.both, t.shape);
    assert!(t.printed < 0.05 * t.shape, "{}", t.printed);
    assert_eq!(s.labels.data()[at(&s, 0.0, 4.0)].abs(), 1.0, "paper");
    // Where it is there, weakly or not, it is not called so.
    let (s, _) = apart(&|p| if red(p) < 0.5 { 0.5 } else { 0.0 });
    assert!(!absent(&s.tallies[0].blocks[1]));
}

/// Where hardly any light comes back, a black level a third of a percent off must not
/// pass for another ink.
#[test]
fn a_black_level_that_is_off_is_no_ink() {
    const BLACK: [f64; 3] = [4.6; 3];
    fn solid(p: Point) -> f64 {
        rectangle(p, Rect::new(Point::new(6.0, -6.0), Point::new(11.0, 6.0)))
    }
    let shapes = vec![shape("key", BLACK, solid), shape("red", RED, red)];
    let placement = placement(&shapes);
    let scan = painted(4, &|p| {
        let (k, r) = (cover(solid(p)), cover(red(p)));
        [0, 1, 2].map(|c| {
            let off = if c == 0 { 0.0 } else { 0.0033 / PAPER[c] };
            (1.0 - k * (1.0 - libm::exp(-BLACK[c]))) * (1.0 - r * (1.0 - libm::exp(-RED[c]))) - off
        })
    });
    let mut sheet = Sheet::new(scan.view(), &placement, &shapes, SIDE.grown(-0.5), None).unwrap();
    let s = separate(&mut sheet, &[], 1, &|| false).unwrap();
    assert_eq!(s.labels.data()[at(&s, 8.5, 0.0)].abs(), 2.0, "key alone");
    assert_eq!(s.labels.data()[at(&s, -1.0, 0.0)], 3.0, "red alone");
}

#[test]
fn a_block_that_did_not_print_is_missing() {
    let (s, _) = apart(&|_| 0.0);
    let red = &s.tallies[0].blocks[1];
    assert!(red.both < 0.05 * red.shape, "{} of {}", red.both, red.shape);
}

#[test]
fn inks_of_one_colour_are_told_from_others() {
    assert!(same_colour([0.2, 0.9, 1.1], [0.22, 0.99, 1.21]));
    assert!(!same_colour([0.2, 0.9, 1.1], [0.4, 1.8, 2.2]));
    assert!(!same_colour([0.2, 0.9, 1.1], [0.9, 0.4, 0.1]));
    assert_eq!(Subset(0b101).flipped(1), Subset(0b111));
}

#[test]
fn a_grey_scan_is_refused_only_where_colour_is_needed() {
    let shapes = vec![shape("key", KEY, key), shape("red", RED, red)];
    assert!(colours_lost(true, &shapes).unwrap().contains("red"));
    assert!(colours_lost(false, &shapes).is_none());
    assert!(colours_lost(true, &shapes[..1]).is_none());
}
