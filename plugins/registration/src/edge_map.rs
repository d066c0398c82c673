//! A block's printed shape as signed distance to its edge.
//!
//! A distance is smooth across the edge where a mask jumps, so bilinear
//! sampling places the edge far finer than the map's pitch, and a retreat of
//! the edge is a constant added to it.

use restrike_stage::{Point, Raster};

/// Signed distance to the nearest printed edge on a grid over the sheet, mm:
/// negative where the block prints.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct EdgeMap {
    /// Place of sample (0, 0) in print coordinates, mm; rows run downwards.
    pub(crate) origin: Point,
    /// Distance of neighbouring samples, mm.
    pub(crate) pitch: f64,
    /// The distances, one channel; beyond [`REACH_MM`] they stay at that.
    pub(crate) distance: Raster<f32>,
}

/// Largest distance kept, mm.
pub(crate) const REACH_MM: f32 = 4.0;

/// Distance and its slope at a place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Sample {
    /// Signed distance, mm.
    pub(crate) distance: f64,
    /// Its gradient in print coordinates: the outward normal near an edge.
    pub(crate) slope: Point,
}

impl EdgeMap {
    /// Place of a sample.
    pub(crate) fn place(&self, i: usize, j: usize) -> Point {
        #[allow(clippy::cast_precision_loss)]
        Point::new(
            self.origin.x + i as f64 * self.pitch,
            self.origin.y - j as f64 * self.pitch,
        )
    }

    /// Every `step`-th sample: enough to tell how far the edge is, and small
    /// enough to stay in a processor's cache.
    pub(crate) fn thinned(&self, step: usize) -> Self {
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
    pub(crate) fn at(&self, p: Point) -> f64 {
        self.sample(p).map_or(f64::from(REACH_MM), |s| s.distance)
    }

    /// Distance and slope at a place; none outside the grid.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn sample(&self, p: Point) -> Option<Sample> {
        let (x, y) = (
            (p.x - self.origin.x) / self.pitch,
            (self.origin.y - p.y) / self.pitch,
        );
        let (w, h) = (self.distance.width(), self.distance.height());
        if !(x >= 0.0 && y >= 0.0 && x < (w - 1) as f64 && y < (h - 1) as f64) {
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
