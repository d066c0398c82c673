//! Outlines of the colour blocks as rows of stations on their smooth course.

use restrike_ops::block_record::BlockShape;
use restrike_ops::contour::{Contour, Inside, contours};
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::smooth_course::smooth_course;
use restrike_stage::Point;

use crate::edges::COURSE_MM;

/// Stations lie this far apart, mm.
pub(crate) const APART_MM: f64 = 0.04;
/// Shorter outlines are not looked at, mm.
const SHORTEST_MM: f64 = 4.0;
/// Half the length a direction is taken over, mm.
const ARM_MM: f64 = 0.2;

/// A course that leaves the record's edge by more than this goes round a corner, mm.
const CORNER_MM: f64 = 0.08;

/// A place on an outline's smooth course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Place {
    /// The block's own place, mm.
    pub(crate) at: Point,
    /// Unit normal out of the ink.
    pub(crate) normal: Point,
    /// Where the record's edge lies beyond it along the normal, mm; none at corners.
    pub(crate) recorded: Option<f64>,
}

/// The outlines of a block.
#[derive(Debug, Clone)]
pub(crate) struct Outlines {
    /// The block's name.
    pub(crate) block: String,
    /// One row of places for each.
    pub(crate) rows: Vec<Vec<Place>>,
}

impl Outlines {
    /// Outlines of a block's shape.
    pub(crate) fn of(shape: &BlockShape) -> Self {
        let edges = &shape.edges;
        let rows = contours(&edges.distance, 0.0, Inside::Below)
            .iter()
            .filter(|c| c.length() * edges.pitch >= SHORTEST_MM)
            .map(|c| row(c, edges))
            .collect();
        Self {
            block: shape.part.name.clone(),
            rows,
        }
    }
}

/// Places at even distances along a contour, moved to its smooth course.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn row(contour: &Contour, edges: &EdgeMap) -> Vec<Place> {
    let mut even = Vec::new();
    let (mut gone, mut next) = (0.0, 0.0);
    for (a, b) in contour.pieces() {
        let (a, b) = (edges.between(a), edges.between(b));
        let length = a.distance(b);
        while next < gone + length {
            even.push(a + (b - a) * ((next - gone) / length.max(1e-12)));
            next += APART_MM;
        }
        gone += length;
    }
    let smooth = |f: &dyn Fn(&Point) -> f64| -> Vec<f64> {
        let n = even.len();
        // A closed one is smoothed over its seam.
        let lap = if contour.closed {
            n.min((2.0 * COURSE_MM / APART_MM) as usize)
        } else {
            0
        };
        let values: Vec<f64> = (0..n + 2 * lap)
            .map(|i| f(&even[(i + n - lap) % n]))
            .collect();
        smooth_course(&values, APART_MM, COURSE_MM)[lap..lap + n].to_vec()
    };
    if even.len() < 8 {
        return Vec::new();
    }
    let (x, y) = (smooth(&|p| p.x), smooth(&|p| p.y));
    let n = even.len();
    let arm = (ARM_MM / APART_MM) as usize;
    (0..n)
        .map(|i| {
            let (from, to) = if contour.closed {
                ((i + n - arm) % n, (i + arm) % n)
            } else {
                (i.saturating_sub(arm), (i + arm).min(n - 1))
            };
            let along = Point::new(x[to] - x[from], y[to] - y[from]);
            let length = along.norm().max(1e-9);
            let at = Point::new(x[i], y[i]);
            // The ink lies on the left.
            let normal = Point::new(along.y / length, -along.x / length);
            let off = -edges.at(at);
            Place {
                at,
                normal,
                recorded: (off.abs() < CORNER_MM).then_some(off),
            }
        })
        .collect()
}
