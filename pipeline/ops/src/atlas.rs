//! The key-line atlas: a block's lines by number and length along them.
//!
//! # As JSON
//! ```json
//! {
//!   "version": 1,
//!   "lines": [
//!     { "id": 0, "closed": false, "start": "free", "end": "junction", "length_mm": 12.3,
//!       "points": [ { "x_mm": -3.1, "y_mm": 40.2, "arc_mm": 0.0, "half_width_mm": 0.15 } ] }
//!   ],
//!   "solids": [
//!     { "id": 0, "closed": true, "hole": false, "points": [ { "x_mm": 1.0, "y_mm": 2.0 } ] }
//!   ]
//! }
//! ```
//! Places are print coordinates of the block's record: millimetres, face up, x
//! to the right, y up. Numbers are rounded to 0.01 micrometres.

use restrike_model::Point;
use serde::{Deserialize, Serialize};

/// Lines and solids of a block's printed shape.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Atlas {
    /// Version of this layout.
    pub version: u32,
    /// Centre lines from junction to junction or end, ordered by their first
    /// point from top to bottom, then left to right; `id` is the place here.
    pub lines: Vec<AtlasLine>,
    /// Outlines of what is too wide for a line, in the same order.
    pub solids: Vec<Outline>,
}

/// The layout's version that this code writes.
pub const ATLAS_VERSION: u32 = 1;

/// The middle of a printed line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AtlasLine {
    /// Number of the line, the same for the same shape.
    pub id: u32,
    /// Whether the last point is joined to the first, which is not repeated.
    pub closed: bool,
    /// What is at the first point.
    pub start: LineEnd,
    /// What is at the last point.
    pub end: LineEnd,
    /// Length, mm, with the closing piece of a closed line.
    pub length_mm: f64,
    /// Points about one sample of the shape apart. An open line starts at the
    /// end that comes first from top to bottom, then left to right; a closed
    /// one at its highest point, running counter-clockwise. A dot has one point.
    pub points: Vec<AtlasPoint>,
}

/// What a line's end is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LineEnd {
    /// The line stops: its last point is at the printed edge.
    Free,
    /// It meets other lines.
    Junction,
    /// It runs into a solid.
    Solid,
    /// It runs off the shape's picture.
    Border,
    /// It has no end: a closed line.
    Closed,
}

/// A place on a line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct AtlasPoint {
    /// Print x, mm.
    pub x_mm: f64,
    /// Print y, mm.
    pub y_mm: f64,
    /// Length along the line from its first point, mm.
    pub arc_mm: f64,
    /// Half the printed width across the line, mm. Inside a junction or at an
    /// end, where the line has no edges of its own, that of its nearest place
    /// with edges.
    pub half_width_mm: f64,
}

/// An edge of a solid: counter-clockwise round it, clockwise round its holes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Outline {
    /// Number of the outline, the same for the same shape.
    pub id: u32,
    /// False where the solid runs off the shape's picture.
    pub closed: bool,
    /// Whether it bounds a hole.
    pub hole: bool,
    /// Its places; the first is not repeated.
    pub points: Vec<OutlinePoint>,
}

/// A place on an outline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OutlinePoint {
    /// Print x, mm.
    pub x_mm: f64,
    /// Print y, mm.
    pub y_mm: f64,
}

impl Atlas {
    /// An atlas of lines and outlines in any order; numbers them by position.
    pub fn new(mut lines: Vec<AtlasLine>, mut solids: Vec<Outline>) -> Self {
        lines.iter_mut().for_each(AtlasLine::turn);
        lines.sort_by(|a, b| earlier(&a.places(), &b.places()));
        solids.sort_by(|a, b| earlier(&a.places(), &b.places()));
        for (id, line) in (0..).zip(&mut lines) {
            line.id = id;
            line.measure();
        }
        for (id, solid) in (0..).zip(&mut solids) {
            solid.id = id;
            for p in &mut solid.points {
                (p.x_mm, p.y_mm) = (rounded(p.x_mm), rounded(p.y_mm));
            }
        }
        Self {
            version: ATLAS_VERSION,
            lines,
            solids,
        }
    }

    /// The place at a length along a line, mm; none beyond its ends or for an
    /// unknown line. A closed line goes round.
    pub fn place(&self, line: u32, arc_mm: f64) -> Option<AtlasPoint> {
        self.lines.get(line as usize)?.place(arc_mm)
    }
}

impl AtlasLine {
    /// The place at a length along the line, mm; none beyond an open line's ends.
    pub fn place(&self, arc_mm: f64) -> Option<AtlasPoint> {
        let first = self.points.first()?;
        let arc = if self.closed && self.length_mm > 0.0 {
            arc_mm - self.length_mm * (arc_mm / self.length_mm).floor()
        } else {
            arc_mm
        };
        if !(arc >= 0.0 && arc <= self.length_mm) {
            return None;
        }
        let n = self.until(arc).max(1);
        let a = self.points[n - 1];
        let (b, until) = match self.points.get(n) {
            Some(b) => (b, b.arc_mm),
            None if self.closed => (first, self.length_mm),
            None => return Some(AtlasPoint { arc_mm: arc, ..a }),
        };
        let t = if until > a.arc_mm {
            (arc - a.arc_mm) / (until - a.arc_mm)
        } else {
            0.0
        };
        let mix = |a: f64, b: f64| a + t * (b - a);
        Some(AtlasPoint {
            x_mm: mix(a.x_mm, b.x_mm),
            y_mm: mix(a.y_mm, b.y_mm),
            arc_mm: arc,
            half_width_mm: mix(a.half_width_mm, b.half_width_mm),
        })
    }

    /// How many points lie no further along than a length: they are about evenly far
    /// apart, so the guess is near.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    fn until(&self, arc: f64) -> usize {
        let count = self.points.len();
        let share = arc / self.length_mm.max(1e-9) * count as f64;
        let mut n = (share.max(0.0) as usize).min(count);
        while n < count && self.points[n].arc_mm <= arc {
            n += 1;
        }
        while n > 0 && self.points[n - 1].arc_mm > arc {
            n -= 1;
        }
        n
    }

    fn places(&self) -> Vec<Point> {
        self.points
            .iter()
            .map(|p| Point::new(p.x_mm, p.y_mm))
            .collect()
    }

    /// Starts the line where [`AtlasLine::points`] says.
    fn turn(&mut self) {
        let places = self.places();
        if self.closed {
            let twice: f64 = (0..places.len())
                .map(|k| (places[k], places[(k + 1) % places.len()]))
                .map(|(a, b)| a.x * b.y - b.x * a.y)
                .sum();
            if twice < 0.0 {
                self.points.reverse();
            }
            let places = self.places();
            let first = (0..places.len())
                .min_by(|a, b| by_position(places[*a], places[*b]))
                .unwrap_or(0);
            self.points.rotate_left(first);
        } else if let (Some(a), Some(b)) = (places.first(), places.last())
            && by_position(*b, *a).is_lt()
        {
            self.points.reverse();
            std::mem::swap(&mut self.start, &mut self.end);
        }
    }

    /// Rounds the places and takes lengths along them.
    fn measure(&mut self) {
        let (mut arc, mut last) = (0.0, None);
        for p in &mut self.points {
            (p.x_mm, p.y_mm) = (rounded(p.x_mm), rounded(p.y_mm));
            p.half_width_mm = rounded(p.half_width_mm);
            let here = Point::new(p.x_mm, p.y_mm);
            arc += last.map_or(0.0, |l| here.distance(l));
            p.arc_mm = rounded(arc);
            last = Some(here);
        }
        if self.closed
            && let (Some(first), Some(last)) = (self.points.first(), last)
        {
            arc += last.distance(Point::new(first.x_mm, first.y_mm));
        }
        self.length_mm = rounded(arc);
    }
}

impl Outline {
    fn places(&self) -> Vec<Point> {
        self.points
            .iter()
            .map(|p| Point::new(p.x_mm, p.y_mm))
            .collect()
    }
}

/// Top to bottom, then left to right.
fn by_position(a: Point, b: Point) -> std::cmp::Ordering {
    b.y.total_cmp(&a.y).then(a.x.total_cmp(&b.x))
}

/// By the first places that differ: lines may leave a junction from the same one.
fn earlier(a: &[Point], b: &[Point]) -> std::cmp::Ordering {
    a.iter()
        .zip(b)
        .map(|(a, b)| by_position(*a, *b))
        .find(|o| o.is_ne())
        .unwrap_or_else(|| a.len().cmp(&b.len()))
}

fn rounded(mm: f64) -> f64 {
    const PER_MM: f64 = 1e5;
    // Adding zero makes -0 a plain 0.
    (mm * PER_MM).round() / PER_MM + 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(closed: bool, places: &[(f64, f64)]) -> AtlasLine {
        let end = if closed {
            LineEnd::Closed
        } else {
            LineEnd::Free
        };
        AtlasLine {
            id: 9,
            closed,
            start: end,
            end,
            length_mm: 0.0,
            points: places
                .iter()
                .map(|(x, y)| AtlasPoint {
                    x_mm: *x,
                    y_mm: *y,
                    arc_mm: 0.0,
                    half_width_mm: x.abs() / 10.0,
                })
                .collect(),
        }
    }

    #[test]
    fn the_order_given_does_not_matter() {
        let a = line(false, &[(0.0, 0.0), (3.0, 4.0), (3.0, 5.0)]);
        let b = line(true, &[(0.0, 0.0), (0.0, 1.0), (1.0, 1.0), (1.0, 0.0)]);
        let mut c = a.clone();
        c.points.reverse();
        let one = Atlas::new(vec![a, b.clone()], vec![]);
        assert_eq!(one, Atlas::new(vec![b, c], vec![]));
        assert_eq!(
            (one.lines[0].points[0].y_mm, one.lines[0].length_mm),
            (5.0, 6.0)
        );
        // Counter-clockwise from the upper left: down first.
        let ring: Vec<_> = one.lines[1]
            .points
            .iter()
            .map(|p| (p.x_mm, p.y_mm))
            .collect();
        assert_eq!(ring, [(0.0, 1.0), (0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]);
        assert_eq!(one.lines[1].length_mm, 4.0);
    }

    #[test]
    fn a_place_is_found_by_its_length() {
        let atlas = Atlas::new(
            vec![
                line(false, &[(3.0, 5.0), (3.0, 4.0), (0.0, 0.0)]),
                line(true, &[(0.0, 1.0), (0.0, 0.0), (1.0, 0.0), (1.0, 1.0)]),
                line(false, &[(7.0, -9.0)]),
            ],
            vec![],
        );
        let at = |l, s| atlas.place(l, s).map(|p| (p.x_mm, p.y_mm));
        assert_eq!(at(0, 0.5), Some((3.0, 4.5)));
        assert_eq!(at(0, 6.0), Some((0.0, 0.0)));
        assert_eq!(at(0, 6.1), None);
        assert_eq!(at(0, f64::NAN), None);
        assert_eq!(at(1, 3.75), Some((0.25, 1.0)));
        assert_eq!(at(1, -0.25), Some((0.25, 1.0)));
        assert_eq!(at(2, 0.0), Some((7.0, -9.0)));
        assert_eq!(at(3, 0.0), None);
    }

    #[test]
    fn json_keeps_it() {
        let atlas = Atlas::new(vec![line(false, &[(0.123_456, 1.0), (0.1, 0.3)])], vec![]);
        let text = serde_json::to_string(&atlas).unwrap();
        assert!(text.contains(r#""start":"free","end":"free""#), "{text}");
        assert!(text.contains(r#""x_mm":0.12346"#), "{text}");
        assert_eq!(serde_json::from_str::<Atlas>(&text).unwrap(), atlas);
    }
}
