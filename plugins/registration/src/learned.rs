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
    let (centre, radius, extent) = moments(&edges);
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
        extent,
    }
}

/// Centroid, root mean square distance from it and extent of what prints.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn moments(edges: &EdgeMap) -> (Point, f64, Rect) {
    let h = edges.distance.height();
    let (mut n, mut sum, mut square) = (0.0, Point::default(), 0.0);
    let (mut low, mut high) = (
        Point::new(f64::MAX, f64::MAX),
        Point::new(f64::MIN, f64::MIN),
    );
    for j in (0..h).step_by(2) {
        for (i, d) in edges.distance.row(j).iter().enumerate().step_by(2) {
            if *d < 0.0 {
                let p = edges.place(i, j);
                n += 1.0;
                sum = sum + p;
                square += p.dot(p);
                low = Point::new(low.x.min(p.x), low.y.min(p.y));
                high = Point::new(high.x.max(p.x), high.y.max(p.y));
            }
        }
    }
    if n <= 0.0 {
        return (Point::default(), 1.0, Rect::centred(0.0, 0.0));
    }
    let centre = sum * (1.0 / n);
    let radius = (square / n - centre.dot(centre)).max(0.0).sqrt();
    (centre, radius, Rect::new(low, high))
}
