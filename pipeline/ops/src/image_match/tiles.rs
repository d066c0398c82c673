//! Tiles of two aligned scans held against each other: where each agrees best
//! and how well.
//!
//! Normalised cross-correlation over a small search area (Lewis, "Fast
//! normalized cross-correlation", Vision Interface 1995), the peak by a
//! parabola through its neighbours. Only tiles in which the drawing fixes both
//! directions are asked: the smaller eigenvalue of the structure tensor (Shi
//! and Tomasi, "Good features to track", CVPR 1994).

use restrike_model::{Point, Raster};

use super::plane::{Plane, sample};
use super::plane_map::PlaneMap;

/// Side of a tile, plane pixels.
const TILE: usize = 40;
/// From one tile to the next.
const STEP: usize = 32;
/// Radius of the mean that is taken away.
const DETAIL: usize = 10;
/// Least RMS gradient in the weaker direction, lightness steps a pixel.
const LEAST_CORNER: f64 = 2.0;

/// Planes of both scans at about one pitch, without their slow parts.
pub(crate) struct Details {
    first: Raster<f32>,
    second: Raster<f32>,
    first_factor: f64,
    second_factor: f64,
}

/// A tile and where it was found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Tile {
    /// Centre, first scan's pixels.
    pub(crate) at: Point,
    /// The place in the second scan that agrees best.
    pub(crate) found: Point,
    /// How far that is from where the map has it, plane pixels.
    pub(crate) off: f64,
    /// Correlation there.
    pub(crate) correlation: f64,
    /// Correlation where the map has it at a place of the second scan that has
    /// nothing to do with the tile: what chance gives.
    pub(crate) by_chance: Option<f64>,
    /// Whether the peak lies inside the search area.
    pub(crate) inside: bool,
}

impl Details {
    pub(crate) fn new(first: &Plane, second: &Plane) -> Self {
        #[allow(clippy::cast_precision_loss)]
        Self {
            first: first.detail(DETAIL),
            second: second.detail(DETAIL),
            first_factor: first.factor as f64,
            second_factor: second.factor as f64,
        }
    }

    /// Plane pixel (centres at whole numbers) of a place of the second scan.
    fn in_second(&self, p: Point) -> (f64, f64) {
        (
            p.x / self.second_factor - 0.5,
            p.y / self.second_factor - 0.5,
        )
    }

    /// Holds every tile of the first scan that lies in the second against it.
    /// `reach`: search each way, plane pixels of the first.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn compare(&self, map: &PlaneMap, reach: usize) -> Vec<Tile> {
        use rayon::prelude::*;
        let (w, h) = (self.first.width(), self.first.height());
        let mut corners = Vec::new();
        let mut y = 0;
        while y + TILE <= h {
            let mut x = 0;
            while x + TILE <= w {
                corners.push((x, y));
                x += STEP;
            }
            y += STEP;
        }
        let asked: Vec<(usize, usize)> = corners
            .into_par_iter()
            .filter(|&(x, y)| {
                cornerness(&self.first, x, y) >= LEAST_CORNER && self.covered(map, x, y)
            })
            .collect();
        let n = asked.len();
        (0..n)
            .into_par_iter()
            .filter_map(|i| {
                let here = self.search(map, asked[i], asked[i], reach)?;
                // A tile half the list further on: elsewhere on the sheet.
                let elsewhere = asked[(i + n / 2) % n];
                let far = (elsewhere.0.abs_diff(asked[i].0)).max(elsewhere.1.abs_diff(asked[i].1));
                let by_chance = (far >= 2 * TILE)
                    .then(|| self.search(map, asked[i], elsewhere, reach))
                    .flatten()
                    .map(|t| t.correlation);
                Some(Tile { by_chance, ..here })
            })
            .collect()
    }

    fn centre(&self, x: usize, y: usize) -> Point {
        #[allow(clippy::cast_precision_loss)]
        let half = TILE as f64 / 2.0;
        #[allow(clippy::cast_precision_loss)]
        Point::new(
            (x as f64 + half) * self.first_factor,
            (y as f64 + half) * self.first_factor,
        )
    }

    /// Whether a tile's place lies wholly in the second scan.
    fn covered(&self, map: &PlaneMap, x: usize, y: usize) -> bool {
        #[allow(clippy::cast_precision_loss)]
        [(0, 0), (TILE, 0), (0, TILE), (TILE, TILE)]
            .into_iter()
            .all(|(i, j)| {
                let p = Point::new(
                    (x + i) as f64 * self.first_factor,
                    (y + j) as f64 * self.first_factor,
                );
                let (u, v) = self.in_second(map.apply(p));
                let (w, h) = (self.second.width() as f64, self.second.height() as f64);
                u >= 1.0 && v >= 1.0 && u < w - 2.0 && v < h - 2.0
            })
    }

    /// The tile of the first scan at `tile`, searched for in the second about
    /// where the map has the tile at `about`.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    fn search(
        &self,
        map: &PlaneMap,
        tile: (usize, usize),
        about: (usize, usize),
        reach: usize,
    ) -> Option<Tile> {
        let side = TILE + 2 * reach;
        let m = map.affine_at(self.centre(about.0, about.1));
        // The second scan on the first one's pixels round the tile.
        let mut field = vec![0.0_f32; side * side];
        for j in 0..side {
            for i in 0..side {
                let p = Point::new(
                    (about.0 as f64 + i as f64 - reach as f64 + 0.5) * self.first_factor,
                    (about.1 as f64 + j as f64 - reach as f64 + 0.5) * self.first_factor,
                );
                let (u, v) = self.in_second(m.apply(p));
                // Just outside: no drawing there.
                field[j * side + i] = sample(&self.second, u, v).unwrap_or(0.0);
            }
        }
        let (x, y) = tile;
        let mut patch = vec![0.0_f32; TILE * TILE];
        for j in 0..TILE {
            patch[j * TILE..(j + 1) * TILE].copy_from_slice(&self.first.row(y + j)[x..x + TILE]);
        }
        let n = (TILE * TILE) as f32;
        let mean = patch.iter().sum::<f32>() / n;
        patch.iter_mut().for_each(|v| *v -= mean);
        let norm = patch.iter().map(|v| v * v).sum::<f32>().sqrt();
        let places = 2 * reach + 1;
        let mut surface = vec![0.0_f32; places * places];
        for dy in 0..places {
            for dx in 0..places {
                let (mut cross, mut sum, mut square) = (0.0_f32, 0.0_f32, 0.0_f32);
                for j in 0..TILE {
                    let row = &field[(dy + j) * side + dx..][..TILE];
                    for (a, b) in patch[j * TILE..(j + 1) * TILE].iter().zip(row) {
                        cross += a * b;
                        sum += b;
                        square += b * b;
                    }
                }
                let other = (square - sum * sum / n).max(0.0).sqrt();
                surface[dy * places + dx] = if norm * other > 1e-3 {
                    cross / (norm * other)
                } else {
                    0.0
                };
            }
        }
        let best =
            (0..surface.len()).max_by(|a, b| surface[*a].total_cmp(&surface[*b]).then(b.cmp(a)))?;
        let (bx, by) = (best % places, best / places);
        let inside = bx > 0 && by > 0 && bx + 1 < places && by + 1 < places;
        let at = |x: usize, y: usize| f64::from(surface[y * places + x]);
        let (mut ox, mut oy) = (bx as f64 - reach as f64, by as f64 - reach as f64);
        if inside {
            ox += vertex(at(bx - 1, by), at(bx, by), at(bx + 1, by));
            oy += vertex(at(bx, by - 1), at(bx, by), at(bx, by + 1));
        }
        let centre = self.centre(about.0, about.1);
        let found = m.apply(centre + Point::new(ox, oy) * self.first_factor);
        Some(Tile {
            at: self.centre(x, y),
            found,
            off: libm::hypot(ox, oy),
            correlation: at(bx, by),
            by_chance: None,
            inside,
        })
    }
}

/// Where the parabola through three equidistant values has its top, -0.5 to 0.5.
fn vertex(left: f64, middle: f64, right: f64) -> f64 {
    let bend = left - 2.0 * middle + right;
    if bend < -1e-12 {
        (0.5 * (left - right) / bend).clamp(-0.5, 0.5)
    } else {
        0.0
    }
}

/// RMS gradient across the direction in which a tile changes least.
fn cornerness(plane: &Raster<f32>, x: usize, y: usize) -> f64 {
    let (mut xx, mut xy, mut yy) = (0.0_f64, 0.0_f64, 0.0_f64);
    for j in y + 1..y + TILE - 1 {
        let (above, row, below) = (plane.row(j - 1), plane.row(j), plane.row(j + 1));
        for i in x + 1..x + TILE - 1 {
            let gx = f64::from(row[i + 1] - row[i - 1]) / 2.0;
            let gy = f64::from(below[i] - above[i]) / 2.0;
            xx += gx * gx;
            xy += gx * gy;
            yy += gy * gy;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let n = ((TILE - 2) * (TILE - 2)) as f64;
    let half = (xx + yy) / 2.0;
    let root = ((xx - yy) * (xx - yy) / 4.0 + xy * xy).sqrt();
    ((half - root).max(0.0) / n).sqrt()
}
