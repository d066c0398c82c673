//! From a shape to a layer of the model.

use std::sync::Arc;

use restrike_stage::{Point, Rect};

use crate::layers::{Layer, rough};
use crate::shape::Shape;
use restrike_ops::contour::Inside;
use restrike_ops::edge_distance::level_distance;
use restrike_ops::edge_map::EdgeMap;

/// The layer of a shape: its centroid, size and extent come from its edges.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn layer(name: &str, key: bool, fade: bool, shape: &Shape) -> Layer {
    let edges = level_distance(
        &shape.coverage,
        0.5,
        Inside::Above,
        shape.grid.origin,
        shape.grid.pitch,
    );
    let Moments {
        centre,
        radius,
        spread,
        extent,
    } = moments(&edges);
    Layer {
        name: name.to_owned(),
        rough: rough(&edges),
        edges: Arc::new(edges),
        ink: Arc::new(shape.ink.clone()),
        ink_grid: shape.ink_grid,
        absorption: shape.absorption,
        key,
        fade,
        parted: false,
        centre,
        radius,
        spread: shares(spread),
        extent,
    }
}

/// Shares of the mean square distance along x and y.
pub(crate) fn shares(spread: [f64; 2]) -> [f64; 2] {
    let square = spread.map(|s| s * s);
    let all = (square[0] + square[1]).max(1e-12);
    square.map(|s| s / all)
}

/// Centroid, root mean square distance from it and extent of what prints.
pub(crate) struct Moments {
    pub(crate) centre: Point,
    pub(crate) radius: f64,
    /// Root mean square distance along x and along y, mm.
    pub(crate) spread: [f64; 2],
    pub(crate) extent: Rect,
}

/// The moments of a shape.
pub(crate) fn moments(edges: &EdgeMap) -> Moments {
    moments_within(edges, None).unwrap_or(Moments {
        centre: Point::default(),
        radius: 1.0,
        spread: [1.0; 2],
        extent: Rect::centred(0.0, 0.0),
    })
}

/// The moments of what prints within an area, if one is given; none where nothing prints.
pub(crate) fn moments_within(edges: &EdgeMap, area: Option<Rect>) -> Option<Moments> {
    let h = edges.distance.height();
    let (mut n, mut sum, mut square) = (0.0, Point::default(), Point::default());
    let (mut low, mut high) = (
        Point::new(f64::MAX, f64::MAX),
        Point::new(f64::MIN, f64::MIN),
    );
    for j in (0..h).step_by(2) {
        for (i, d) in edges.distance.row(j).iter().enumerate().step_by(2) {
            let p = edges.place(i, j);
            if *d < 0.0 && area.is_none_or(|a| a.contains(p)) {
                n += 1.0;
                sum = sum + p;
                square = square + Point::new(p.x * p.x, p.y * p.y);
                low = Point::new(low.x.min(p.x), low.y.min(p.y));
                high = Point::new(high.x.max(p.x), high.y.max(p.y));
            }
        }
    }
    if n <= 0.0 {
        return None;
    }
    let centre = sum * (1.0 / n);
    let spread = [
        (square.x / n - centre.x * centre.x).max(0.0),
        (square.y / n - centre.y * centre.y).max(0.0),
    ];
    Some(Moments {
        centre,
        radius: (spread[0] + spread[1]).sqrt(),
        spread: spread.map(f64::sqrt),
        extent: Rect::new(low, high),
    })
}
