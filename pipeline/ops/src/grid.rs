//! A regular grid of samples over the sheet.

use restrike_model::{Affine, Point, Rect};

/// A grid over the sheet: place of its first sample, distance of samples, size.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    /// Print coordinates of sample (0, 0), mm; rows run downwards.
    pub origin: Point,
    /// Distance of neighbouring samples, mm.
    pub pitch: f64,
    /// Samples across.
    pub width: usize,
    /// Samples down.
    pub height: usize,
}

impl Grid {
    /// The grid of a pitch over a rectangle; its samples are the middles of cells.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub fn over(rect: Rect, pitch: f64) -> Self {
        Self {
            origin: Point::new(rect.min.x + pitch / 2.0, rect.max.y - pitch / 2.0),
            pitch,
            width: (rect.width() / pitch).floor().max(1.0) as usize,
            height: (rect.height() / pitch).floor().max(1.0) as usize,
        }
    }

    /// The grid of its cells of `step` x `step` samples; the last of a row or
    /// column may be less than full. Its samples are the middles of full cells.
    #[allow(clippy::cast_precision_loss)]
    pub fn coarser(self, step: usize) -> Self {
        let half = self.pitch * (step as f64 - 1.0) / 2.0;
        Self {
            origin: Point::new(self.origin.x + half, self.origin.y - half),
            pitch: self.pitch * step as f64,
            width: self.width.div_ceil(step),
            height: self.height.div_ceil(step),
        }
    }

    /// From grid samples to print mm.
    pub fn to_print(self) -> Affine {
        Affine([
            self.pitch,
            0.0,
            self.origin.x,
            0.0,
            -self.pitch,
            self.origin.y,
        ])
    }

    /// Place of a sample, mm.
    pub fn place(self, i: usize, j: usize) -> Point {
        #[allow(clippy::cast_precision_loss)]
        Point::new(
            self.origin.x + i as f64 * self.pitch,
            self.origin.y - j as f64 * self.pitch,
        )
    }

    /// The four samples about a place and their bilinear weights; places
    /// beyond the grid take its nearest side.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub fn nodes(self, p: Point) -> [(usize, f64); 4] {
        let along = |v: f64, n: usize| v.clamp(0.0, ((n.max(2) - 1) as f64 - 1e-9).max(0.0));
        let x = along((p.x - self.origin.x) / self.pitch, self.width);
        let y = along((self.origin.y - p.y) / self.pitch, self.height);
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let right = usize::from(self.width > 1);
        let down = if self.height > 1 { self.width } else { 0 };
        let at = j * self.width + i;
        [
            (at, (1.0 - u) * (1.0 - v)),
            (at + right, u * (1.0 - v)),
            (at + down, (1.0 - u) * v),
            (at + down + right, u * v),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_are_the_middles_of_cells() {
        let g = Grid::over(Rect::centred(4.0, 2.0), 1.0);
        assert_eq!((g.width, g.height), (4, 2));
        assert_eq!(g.place(0, 0), Point::new(-1.5, 0.5));
        assert_eq!(g.to_print().apply(Point::new(3.0, 1.0)), g.place(3, 1));
        let c = g.coarser(2);
        assert_eq!((c.width, c.height, c.pitch), (2, 1, 2.0));
        assert_eq!(c.place(0, 0), Point::new(-1.0, 0.0));
    }

    #[test]
    fn weights_reproduce_a_plane_and_stop_at_the_sides() {
        let g = Grid::over(Rect::centred(6.0, 4.0), 1.0);
        let at = |p: Point| -> f64 {
            g.nodes(p)
                .iter()
                .map(|(n, w)| {
                    let q = g.place(n % g.width, n / g.width);
                    w * (2.0 * q.x - q.y)
                })
                .sum()
        };
        assert!((at(Point::new(0.3, -0.7)) - 1.3).abs() < 1e-12);
        assert!((at(Point::new(99.0, 0.0)) - 5.0).abs() < 1e-6);
        let one = Grid {
            width: 1,
            height: 1,
            ..g
        };
        assert!(one.nodes(Point::new(9.0, 9.0)).iter().all(|(n, _)| *n == 0));
    }
}
