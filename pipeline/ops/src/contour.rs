//! Iso-contours of a raster at sub-pixel places.
//!
//! Marching squares (Lorensen and Cline 1987, doi:10.1145/37402.37422, in two
//! dimensions): where two neighbouring samples lie on either side of the
//! level, the contour crosses between them at the place linear interpolation
//! gives. A cell whose corners alternate is a saddle; the mean of its corners
//! says which pair hangs together (the cell's centre in bilinear
//! interpolation).

use restrike_model::{Point, Raster};

/// The side of the level that is inside.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Inside {
    /// Samples above the level, as with a coverage.
    Above,
    /// Samples below the level, as with a signed distance.
    Below,
}

/// A line along which a raster passes the level.
///
/// The inside lies on the left as one sees it walking along the picture held
/// upright, rows running downwards: outlines run counter-clockwise, holes
/// clockwise.
#[derive(Debug, Clone, PartialEq)]
pub struct Contour {
    /// Whether the last point is joined to the first, which is not repeated.
    pub closed: bool,
    /// Places in samples: x right, y down, sample (i, j) at (i, j).
    pub points: Vec<Point>,
}

impl Contour {
    /// Pieces from point to point, with the closing one.
    pub fn pieces(&self) -> impl Iterator<Item = (Point, Point)> + '_ {
        let last = if self.closed {
            self.points
                .last()
                .copied()
                .zip(self.points.first().copied())
        } else {
            None
        };
        self.points.windows(2).map(|p| (p[0], p[1])).chain(last)
    }

    /// Length, samples.
    pub fn length(&self) -> f64 {
        self.pieces().map(|(a, b)| a.distance(b)).sum()
    }

    /// Area on the left, square samples: positive for an outline, negative for a hole.
    pub fn area(&self) -> f64 {
        0.5 * self
            .pieces()
            .map(|(a, b)| b.x * a.y - a.x * b.y)
            .sum::<f64>()
    }
}

/// Nothing there.
const NONE: u32 = u32::MAX;

/// Contours of the first channel at a level, ordered by their first place, row by row.
///
/// A sample exactly at the level is outside. Cells with a sample that is not
/// finite are left out, so lines end there, as they do at the raster's border;
/// all others are closed. Every crossing between two samples belongs to
/// exactly one line.
pub fn contours(raster: &Raster<f32>, level: f32, inside: Inside) -> Vec<Contour> {
    let mut crossings = Crossings::default();
    if raster.channels() > 0 && raster.width() > 1 && raster.height() > 1 {
        crossings.find(raster, level, inside);
    }
    crossings.trace()
}

/// Crossings and their links to the ones before and after them on their line.
#[derive(Default)]
struct Crossings {
    at: Vec<Point>,
    next: Vec<u32>,
    previous: Vec<u32>,
}

impl Crossings {
    fn find(&mut self, raster: &Raster<f32>, level: f32, inside: Inside) {
        let (w, h, channels) = (raster.width(), raster.height(), raster.channels());
        // Height above the level, with the inside positive.
        let sign = if inside == Inside::Above { 1.0 } else { -1.0 };
        let heights = |y: usize, into: &mut Vec<f64>| {
            into.clear();
            into.extend(
                raster
                    .row(y)
                    .iter()
                    .step_by(channels)
                    .map(|v| sign * (f64::from(*v) - f64::from(level))),
            );
        };
        let (mut upper, mut lower) = (Vec::with_capacity(w), Vec::with_capacity(w));
        heights(0, &mut upper);
        // Crossings on the horizontal sides above and below the row of cells.
        let (mut above, mut below) = (vec![NONE; w], vec![NONE; w]);
        self.along_row(&upper, 0, &mut above);
        for y in 0..h - 1 {
            heights(y + 1, &mut lower);
            self.along_row(&lower, y + 1, &mut below);
            let mut left = self.down(&upper, &lower, 0, y);
            for x in 0..w - 1 {
                let right = self.down(&upper, &lower, x + 1, y);
                let corners = [upper[x], upper[x + 1], lower[x + 1], lower[x]];
                if (above[x], right, below[x], left) != (NONE, NONE, NONE, NONE)
                    && corners.iter().all(|v| v.is_finite())
                {
                    self.link(corners, [above[x], right, below[x], left]);
                }
                left = right;
            }
            std::mem::swap(&mut upper, &mut lower);
            std::mem::swap(&mut above, &mut below);
        }
    }

    #[allow(clippy::cast_precision_loss)]
    fn along_row(&mut self, row: &[f64], y: usize, into: &mut [u32]) {
        for (x, (pair, into)) in row.windows(2).zip(into).enumerate() {
            *into = self.crossing(pair[0], pair[1], |t| Point::new(x as f64 + t, y as f64));
        }
    }

    #[allow(clippy::cast_precision_loss)]
    fn down(&mut self, upper: &[f64], lower: &[f64], x: usize, y: usize) -> u32 {
        self.crossing(upper[x], lower[x], |t| Point::new(x as f64, y as f64 + t))
    }

    #[allow(clippy::cast_possible_truncation)]
    fn crossing(&mut self, a: f64, b: f64, place: impl Fn(f64) -> Point) -> u32 {
        if (a > 0.0) == (b > 0.0) || !a.is_finite() || !b.is_finite() {
            return NONE;
        }
        let index = self.at.len() as u32;
        self.at.push(place(a / (a - b)));
        self.next.push(NONE);
        self.previous.push(NONE);
        index
    }

    /// Joins the crossings on the sides of a cell. Corners run clockwise from
    /// the upper left, side i goes from corner i to i + 1.
    fn link(&mut self, corners: [f64; 4], sides: [u32; 4]) {
        let inside = corners.map(|v| v > 0.0);
        // Clockwise round the cell the inside begins at entering sides; a line
        // with the inside on its left starts there.
        let entering = |i: usize| sides[i] != NONE && !inside[i];
        let crossed = sides.iter().filter(|s| **s != NONE).count();
        let joined = corners.iter().sum::<f64>() > 0.0;
        for i in (0..4).filter(|i| entering(*i)) {
            let to = match crossed {
                // A saddle: round the inside corner that begins here, or round
                // the outside corner that ends here.
                4 if joined => (i + 3) % 4,
                4 => (i + 1) % 4,
                _ => (0..4).find(|k| *k != i && sides[*k] != NONE).unwrap_or(i),
            };
            let (from, to) = (sides[i], sides[to]);
            self.next[from as usize] = to;
            self.previous[to as usize] = from;
        }
    }

    fn trace(mut self) -> Vec<Contour> {
        let mut lines = Vec::new();
        for seed in 0..self.at.len() {
            if self.next[seed] == NONE && self.previous[seed] == NONE {
                continue;
            }
            // The start of an open line, or all round a closed one.
            let mut first = seed;
            let closed = loop {
                match self.previous[first] {
                    NONE => break false,
                    p if p as usize == seed => break true,
                    p => first = p as usize,
                }
            };
            if closed {
                first = seed;
            }
            let mut points = Vec::new();
            #[allow(clippy::cast_possible_truncation)]
            let mut n = first as u32;
            while n != NONE {
                let k = n as usize;
                points.push(self.at[k]);
                self.previous[k] = NONE;
                n = std::mem::replace(&mut self.next[k], NONE);
                if n as usize == first {
                    break;
                }
            }
            lines.push(Contour { closed, points });
        }
        lines
    }
}

#[cfg(test)]
mod tests;
