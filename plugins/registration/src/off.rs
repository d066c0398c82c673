//! How far a block is off where it prints: the greatest displacement over its
//! printed area, which a buyer sees, and not at corners where it prints nothing.
//!
//! A motion is linear in the place, so its length is greatest at a corner of
//! the convex outline about what prints.

use imageproc::geometry::convex_hull;
use restrike_stage::{Point, Rect};

use crate::layers::Layer;
use crate::located::{Located, NINETY, Square, variance};
use crate::state::Ride;

/// The greatest displacement over what a block prints.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Off {
    /// To the right and upwards, mm.
    pub(crate) by: Point,
    /// Its length, mm.
    pub(crate) length: f64,
    /// Its standard error, zero included, mm.
    pub(crate) se: f64,
    /// 90 % interval, mm.
    pub(crate) interval: [f64; 2],
    /// Where, print mm.
    pub(crate) at: Point,
}

/// What is said of it for an image.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Worst<'a> {
    /// No fit tells where the block is.
    Unknown,
    /// It prints nothing on the image.
    PrintsNothing,
    /// So much, by the fit of this image.
    Off(Off, &'a str),
}

impl<'a> Worst<'a> {
    /// By the first of several fits that gives a place.
    pub(crate) fn of<'l>(
        fits: impl IntoIterator<Item = (&'l Located, &'a str)>,
        outline: &[Point],
    ) -> Self {
        if outline.is_empty() {
            return Self::PrintsNothing;
        }
        fits.into_iter()
            .find(|(l, _)| l.given())
            .and_then(|(l, by)| Some(Self::Off(off(l, outline)?, by)))
            .unwrap_or(Self::Unknown)
    }
}

/// Corners of the convex outline about what a layer prints on an area of the
/// sheet, or all over it, mm.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss
)]
pub(crate) fn outline(layer: &Layer, within: Option<Rect>) -> Vec<Point> {
    type Sample = imageproc::point::Point<i32>;
    let map = &layer.rough;
    // Half a sample from an edge and nearer: so no line falls between samples.
    let near = (map.pitch / 2.0) as f32;
    let mut ends: Vec<Sample> = Vec::new();
    for j in 0..map.distance.height() {
        let row = map.distance.row(j);
        let prints =
            |i: &usize| row[*i] < near && within.is_none_or(|w| w.contains(map.place(*i, j)));
        // Of a row only the ends can be corners.
        if let Some(first) = (0..row.len()).find(prints) {
            let last = (first..row.len()).rfind(prints).unwrap_or(first);
            ends.extend([first, last].map(|i| Sample::new(i as i32, j as i32)));
        }
    }
    convex_hull(ends)
        .into_iter()
        .map(|p| map.place(p.x as usize, p.y as usize))
        .collect()
}

/// The greatest displacement at the corners of an outline; none without one.
/// The ends of the interval are the greatest of the corners' own.
fn off(l: &Located, outline: &[Point]) -> Option<Off> {
    let motion = l.ride();
    let both: Square = std::array::from_fn(|i| {
        std::array::from_fn(|j| l.covariance[i][j] + l.zero_covariance[i][j])
    });
    outline
        .iter()
        .map(|p| displacement(&motion, &both, *p))
        .reduce(|other, here| Off {
            interval: [0, 1].map(|k| here.interval[k].max(other.interval[k])),
            ..if here.length > other.length {
                here
            } else {
                other
            }
        })
}

fn displacement(motion: &Ride, covariance: &Square, p: Point) -> Off {
    let by = motion.displacement(p);
    let rows = Ride::slopes(motion.relative(p));
    let length = by.norm();
    let square = if length > 0.0 {
        let unit = by * (1.0 / length);
        let along = std::array::from_fn(|i| unit.x * rows[0][i] + unit.y * rows[1][i]);
        variance(covariance, &along)
    } else {
        variance(covariance, &rows[0]).max(variance(covariance, &rows[1]))
    };
    let se = square.max(0.0).sqrt();
    Off {
        by,
        length,
        se,
        interval: [(length - NINETY * se).max(0.0), length + NINETY * se],
        at: p,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::located::tests::still;

    #[test]
    fn it_is_greatest_at_the_corner_farthest_from_where_nothing_moves() {
        let mut l = still();
        l.motion = [0.1, 0.0, 0.001, 0.0, 0.0, 0.0];
        l.covariance[0][0] = 4e-4;
        let square = [(-50.0, -50.0), (50.0, -50.0), (50.0, 50.0), (-50.0, 50.0)];
        let corners = square.map(|(x, y)| Point::new(x, y));
        let found = off(&l, &corners).unwrap();
        // At y = -50 the turn adds 0.05 mm to the shift along x.
        assert!((found.length - libm::hypot(0.15, 0.05)).abs() < 1e-12);
        assert!((found.at.y + 50.0).abs() < 1e-12);
        // Along the displacement only its part along x is uncertain.
        let along = 0.15 / found.length;
        assert!((found.se - 0.02 * along).abs() < 1e-12);
        assert!(found.interval[1] >= found.length + NINETY * found.se - 1e-12);
    }

    #[test]
    fn what_is_not_known_of_turns_counts_more_farther_out() {
        let mut l = still();
        l.covariance[2][2] = 1e-6;
        let near = off(&l, &[Point::new(1.0, 0.0)]).unwrap().se;
        let far = off(&l, &[Point::new(60.0, 0.0)]).unwrap().se;
        assert!((near - 1e-3).abs() < 1e-12 && (far - 0.06).abs() < 1e-12);
        assert_eq!(off(&l, &[]), None);
        let corner = [Point::new(60.0, 0.0)];
        let mut vague = still();
        vague.vague = true;
        let by = |fits: Vec<(&'static str, &Located)>, outline: &[Point]| match Worst::of(
            fits.into_iter().map(|(name, l)| (l, name)),
            outline,
        ) {
            Worst::Off(_, by) => by.to_owned(),
            other => format!("{other:?}"),
        };
        assert_eq!(by(vec![("left", &vague), ("whole", &l)], &corner), "whole");
        assert_eq!(by(vec![("left", &vague)], &corner), "Unknown");
        assert_eq!(by(vec![("left", &l)], &[]), "PrintsNothing");
    }
}
