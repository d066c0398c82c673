//! Tiles of two aligned scans held against each other: where each agrees best
//! and how well.
//!
//! Normalised cross-correlation over a small search area (Lewis, "Fast
//! normalized cross-correlation", Vision Interface 1995), the peak by a
//! parabola through its neighbours. Only tiles in which the drawing fixes both
//! directions are asked: the smaller eigenvalue of the structure tensor (Shi
//! and Tomasi, "Good features to track", CVPR 1994).

use restrike_model::{Point, Raster};

use super::features::dot_into;
use super::plane::{Plane, sample};
use super::plane_map::PlaneMap;

/// How large tiles are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Grain {
    /// Side of a tile, plane pixels: a multiple of eight.
    pub(crate) tile: usize,
    /// From one tile to the next.
    pub(crate) step: usize,
}
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
    grain: Grain,
    /// Corners of the first scan's tiles in which the drawing fixes both directions.
    corners: Vec<(usize, usize)>,
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
    /// Whether the peak lies inside the search area.
    pub(crate) inside: bool,
}

impl Details {
    pub(crate) fn new(first: &Plane, second: &Plane, grain: Grain) -> Self {
        use rayon::prelude::*;
        let Grain { tile, step } = grain;
        let drawing = first.detail(DETAIL);
        let corners: Vec<(usize, usize)> = (0..(drawing.height() + 1).saturating_sub(tile))
            .step_by(step)
            .flat_map(|y| {
                let across = (drawing.width() + 1).saturating_sub(tile);
                (0..across).step_by(step).map(move |x| (x, y))
            })
            .collect();
        #[allow(clippy::cast_precision_loss)]
        Self {
            corners: corners
                .into_par_iter()
                .filter(|&(x, y)| cornerness(&drawing, x, y, tile) >= LEAST_CORNER)
                .collect(),
            first: drawing,
            second: second.detail(DETAIL),
            first_factor: first.factor as f64,
            second_factor: second.factor as f64,
            grain,
        }
    }

    /// Area of a tile's place against that of another grain's.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn tile_area(&self, other: Grain) -> f64 {
        let side = self.grain.step as f64 / other.step as f64;
        side * side
    }

    /// Plane pixel (centres at whole numbers) of a place of the second scan.
    fn in_second(&self, p: Point) -> (f64, f64) {
        (
            p.x / self.second_factor - 0.5,
            p.y / self.second_factor - 0.5,
        )
    }

    /// The tiles of the first scan, by their corner, whose drawing fixes a place
    /// and that a map puts into the second: at most about `most`, spread evenly.
    pub(crate) fn asked(&self, map: &PlaneMap, most: usize) -> Vec<(usize, usize)> {
        use rayon::prelude::*;
        let all: Vec<(usize, usize)> = self
            .corners
            .par_iter()
            .copied()
            .filter(|&(x, y)| self.covered(map, x, y))
            .collect();
        let every = all.len().div_ceil(most.max(1)).max(1);
        all.into_iter().step_by(every).collect()
    }

    /// Holds tiles against the second scan. `reach`: search each way, plane
    /// pixels of the first.
    pub(crate) fn compare(
        &self,
        map: &PlaneMap,
        asked: &[(usize, usize)],
        reach: usize,
    ) -> Vec<Tile> {
        use rayon::prelude::*;
        asked
            .par_iter()
            .filter_map(|at| self.search(map, *at, *at, reach))
            .collect()
    }

    /// Correlations of tiles with places of the second scan that have nothing
    /// to do with them, found in the same way: what chance gives.
    pub(crate) fn by_chance(
        &self,
        map: &PlaneMap,
        asked: &[(usize, usize)],
        reach: usize,
    ) -> Vec<f64> {
        use rayon::prelude::*;
        let n = asked.len();
        (0..n)
            .into_par_iter()
            .filter_map(|i| {
                // A tile half the list further on: elsewhere on the sheet.
                let elsewhere = asked[(i + n / 2) % n];
                let far = (elsewhere.0.abs_diff(asked[i].0)).max(elsewhere.1.abs_diff(asked[i].1));
                (far >= 2 * self.grain.tile)
                    .then(|| self.search(map, asked[i], elsewhere, reach))
                    .flatten()
                    .map(|t| t.correlation)
            })
            .collect()
    }

    fn centre(&self, x: usize, y: usize) -> Point {
        #[allow(clippy::cast_precision_loss)]
        let half = self.grain.tile as f64 / 2.0;
        #[allow(clippy::cast_precision_loss)]
        Point::new(
            (x as f64 + half) * self.first_factor,
            (y as f64 + half) * self.first_factor,
        )
    }

    /// Whether a tile's place lies wholly in the second scan.
    fn covered(&self, map: &PlaneMap, x: usize, y: usize) -> bool {
        let t = self.grain.tile;
        #[allow(clippy::cast_precision_loss)]
        [(0, 0), (t, 0), (0, t), (t, t)].into_iter().all(|(i, j)| {
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
        let size = self.grain.tile;
        let side = size + 2 * reach;
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
        let mut patch = vec![0.0_f32; size * size];
        for j in 0..size {
            patch[j * size..(j + 1) * size].copy_from_slice(&self.first.row(y + j)[x..x + size]);
        }
        let n = (size * size) as f32;
        let mean = patch.iter().sum::<f32>() / n;
        patch.iter_mut().for_each(|v| *v -= mean);
        let norm = patch.iter().map(|v| v * v).sum::<f32>().sqrt();
        let places = 2 * reach + 1;
        let sums = BoxSums::of(&field, side, size);
        let mut surface = vec![0.0_f32; places * places];
        for dy in 0..places {
            for dx in 0..places {
                let mut cross = [0.0_f32; 8];
                for (j, line) in patch.chunks_exact(size).enumerate() {
                    dot_into(&mut cross, line, &field[(dy + j) * side + dx..][..size]);
                }
                let other = sums.deviation(dx, dy) as f32;
                surface[dy * places + dx] = if norm * other > 1e-3 {
                    cross.iter().sum::<f32>() / (norm * other)
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
            inside,
        })
    }
}

/// Sums and sums of squares of a square field from its corner to each place.
struct BoxSums {
    sums: Vec<[f64; 2]>,
    wide: usize,
    tile: usize,
}

impl BoxSums {
    fn of(field: &[f32], side: usize, tile: usize) -> Self {
        let wide = side + 1;
        let mut sums = vec![[0.0_f64; 2]; wide * wide];
        for (y, line) in field.chunks_exact(side).enumerate() {
            let mut row = [0.0_f64; 2];
            for (x, v) in line.iter().enumerate() {
                let v = f64::from(*v);
                row = [row[0] + v, row[1] + v * v];
                let above = sums[y * wide + x + 1];
                sums[(y + 1) * wide + x + 1] = [above[0] + row[0], above[1] + row[1]];
            }
        }
        Self { sums, wide, tile }
    }

    /// Root of the summed squares about the mean of the tile with its corner there.
    #[allow(clippy::cast_precision_loss)]
    fn deviation(&self, x: usize, y: usize) -> f64 {
        let at = |x: usize, y: usize, k: usize| self.sums[y * self.wide + x][k];
        let t = self.tile;
        let over = |k: usize| at(x + t, y + t, k) - at(x, y + t, k) - at(x + t, y, k) + at(x, y, k);
        let (sum, square) = (over(0), over(1));
        (square - sum * sum / (t * t) as f64).max(0.0).sqrt()
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
fn cornerness(plane: &Raster<f32>, x: usize, y: usize, tile: usize) -> f64 {
    let (mut xx, mut xy, mut yy) = (0.0_f64, 0.0_f64, 0.0_f64);
    for j in y + 1..y + tile - 1 {
        let (above, row, below) = (plane.row(j - 1), plane.row(j), plane.row(j + 1));
        for i in x + 1..x + tile - 1 {
            let gx = f64::from(row[i + 1] - row[i - 1]) / 2.0;
            let gy = f64::from(below[i] - above[i]) / 2.0;
            xx += gx * gx;
            xy += gx * gy;
            yy += gy * gy;
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let n = ((tile - 2) * (tile - 2)) as f64;
    let half = (xx + yy) / 2.0;
    let root = ((xx - yy) * (xx - yy) / 4.0 + xy * xy).sqrt();
    ((half - root).max(0.0) / n).sqrt()
}
