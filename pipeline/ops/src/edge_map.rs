//! A block's printed shape as signed distance to its edge.
//!
//! A distance is smooth across the edge where a mask jumps, so bilinear
//! sampling places the edge far finer than the map's pitch, and a retreat of
//! the edge is a constant added to it.

use restrike_model::{Point, Raster};

pub use crate::grid::Grid;

/// Signed distance to the nearest printed edge on a grid over the sheet, mm:
/// negative where the block prints.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeMap {
    /// Place of sample (0, 0) in print coordinates, mm; rows run downwards.
    pub origin: Point,
    /// Distance of neighbouring samples, mm.
    pub pitch: f64,
    /// The distances, one channel; beyond [`REACH_MM`] they stay at that.
    pub distance: Raster<f32>,
}

/// Largest distance kept, mm.
pub const REACH_MM: f32 = 4.0;

/// Distance and its slope at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Signed distance, mm.
    pub distance: f64,
    /// Its gradient in print coordinates: the outward normal near an edge.
    pub slope: Point,
}

impl EdgeMap {
    /// Place of a sample.
    pub fn place(&self, i: usize, j: usize) -> Point {
        #[allow(clippy::cast_precision_loss)]
        Point::new(
            self.origin.x + i as f64 * self.pitch,
            self.origin.y - j as f64 * self.pitch,
        )
    }

    /// Place of a point between samples, as a contour gives them: (i, j).
    pub fn between(&self, p: Point) -> Point {
        Point::new(
            self.origin.x + p.x * self.pitch,
            self.origin.y - p.y * self.pitch,
        )
    }

    /// Every `step`-th sample: enough to tell how far the edge is, and small
    /// enough to stay in a processor's cache.
    pub fn thinned(&self, step: usize) -> Self {
        let step = step.max(1);
        let (w, h) = (self.distance.width(), self.distance.height());
        let (cw, ch) = (w.div_ceil(step), h.div_ceil(step));
        let mut distance = Raster::new(cw, ch, 1);
        for j in 0..ch {
            for i in 0..cw {
                distance.set(i, j, 0, self.distance.get(i * step, j * step, 0));
            }
        }
        #[allow(clippy::cast_precision_loss)]
        Self {
            origin: self.origin,
            pitch: self.pitch * step as f64,
            distance,
        }
    }

    /// Distance at a place, bilinear; [`REACH_MM`] outside the grid.
    pub fn at(&self, p: Point) -> f64 {
        self.sample(p).map_or(f64::from(REACH_MM), |s| s.distance)
    }

    /// Distance and slope at a place; none outside the grid.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub fn sample(&self, p: Point) -> Option<Sample> {
        let (x, y) = (
            (p.x - self.origin.x) / self.pitch,
            (self.origin.y - p.y) / self.pitch,
        );
        let (w, h) = (self.distance.width(), self.distance.height());
        if !(x >= 0.0 && y >= 0.0 && x < w as f64 - 1.0 && y < h as f64 - 1.0) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let data = self.distance.data();
        let at = j * w + i;
        let (a, b) = (f64::from(data[at]), f64::from(data[at + 1]));
        let (c, d) = (f64::from(data[at + w]), f64::from(data[at + w + 1]));
        let top = a + (b - a) * u;
        let low = c + (d - c) * u;
        let along = ((b - a) + ((d - c) - (b - a)) * v) / self.pitch;
        let down = (low - top) / self.pitch;
        Some(Sample {
            distance: top + (low - top) * v,
            slope: Point::new(along, -down),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Distance from a straight edge through the origin: linear, so bilinear sampling is exact.
    fn slanted() -> EdgeMap {
        let (c, s) = (0.8, 0.6);
        let mut map = EdgeMap {
            origin: Point::new(-1.0, 1.0),
            pitch: 0.1,
            distance: Raster::new(21, 21, 1),
        };
        for j in 0..21 {
            for i in 0..21 {
                let p = map.place(i, j);
                map.distance.set(i, j, 0, (c * p.x + s * p.y) as f32);
            }
        }
        map
    }

    #[test]
    fn between_samples_a_straight_edge_is_exact() {
        let map = slanted();
        for (x, y) in [(0.03, 0.07), (-0.52, 0.31), (0.999, -0.999)] {
            let s = map.sample(Point::new(x, y)).unwrap();
            assert!((s.distance - (0.8 * x + 0.6 * y)).abs() < 1e-6);
            assert!((s.slope.x - 0.8).abs() < 1e-5 && (s.slope.y - 0.6).abs() < 1e-5);
        }
        let half = map.thinned(2);
        assert!((half.at(Point::new(0.03, 0.07)) - 0.066).abs() < 1e-6);
    }

    #[test]
    fn outside_and_without_samples_it_is_far() {
        let far = f64::from(REACH_MM);
        assert_eq!(slanted().at(Point::new(1.1, 0.0)), far);
        assert_eq!(slanted().at(Point::new(f64::NAN, 0.0)), far);
        let none = EdgeMap {
            distance: Raster::new(0, 0, 1),
            ..slanted()
        };
        assert_eq!(none.at(Point::new(0.0, 0.0)), far);
        assert_eq!(none.thinned(0).distance.width(), 0);
    }
}
