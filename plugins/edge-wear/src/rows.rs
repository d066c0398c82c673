//! Ink of a line along rows across it, held against the line's own usual ink.

use restrike_ops::stats::quantile;

use crate::course::Course;
use crate::strip::Strip;

/// Rows across the line, as shares of half its width: the outer ones keep clear of
/// the edges' own blur.
const ROWS: [f64; 5] = [0.6, 0.3, 0.0, -0.3, -0.6];
/// Length over which a line's usual ink is taken, mm to either side.
const USUAL_MM: f64 = 2.4;
/// Ink of a line's row, as a share of the solid, below which nothing can be told.
const FAINT: f64 = 0.3;

/// How far across the line a row lies at a station.
pub(crate) fn across(course: &Course, strip: &Strip, i: usize, row: usize) -> f64 {
    strip.middle[i] + ROWS[row] * strip.half[i] * course.looked_at()
}

/// Ink along the rows, as a share of the usual; not-a-number where unseen.
pub(crate) struct Rows {
    pub(crate) ink: Vec<[f64; 5]>,
    /// Usual ink, of the solid.
    pub(crate) usual: Vec<[f64; 5]>,
}

#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
impl Rows {
    pub(crate) fn of(course: &Course, strip: &Strip, through: [f64; 3]) -> Self {
        let n = course.stations.len();
        let raw: Vec<[f64; 5]> = (0..n)
            .map(|i| {
                if course.stations[i].joined {
                    return [f64::NAN; 5];
                }
                std::array::from_fn(|row| {
                    let t = across(course, strip, i, row);
                    strip.ink(i, t, through).unwrap_or(f64::NAN)
                })
            })
            .collect();
        let half = (USUAL_MM / course.step) as usize;
        let stride = (half / 24).max(1);
        let mut ink = vec![[f64::NAN; 5]; n];
        let mut usual = vec![[f64::NAN; 5]; n];
        let at = |i: isize| -> Option<usize> {
            if course.closed {
                Some(i.rem_euclid(n as isize) as usize)
            } else {
                usize::try_from(i).ok().filter(|i| *i < n)
            }
        };
        for row in 0..5 {
            // The usual ink changes slowly: at every few stations, straight between.
            let knots: Vec<f64> = (0..n)
                .step_by(stride)
                .map(|i| {
                    let near: Vec<f64> = (-(half as isize)..=half as isize)
                        .step_by(stride)
                        .filter_map(|k| at(i as isize + k))
                        .map(|k| raw[k][row])
                        .filter(|v| *v > FAINT)
                        .collect();
                    // A gap longer than a line's neighbourhood must not become the usual.
                    if near.len() < 6 {
                        f64::NAN
                    } else {
                        quantile(&near, 0.6).unwrap_or(f64::NAN)
                    }
                })
                .collect();
            for i in 0..n {
                let k = i / stride;
                let t = (i % stride) as f64 / stride as f64;
                let a = knots[k];
                let b = knots
                    .get(k + 1)
                    .copied()
                    .filter(|v| v.is_finite())
                    .unwrap_or(a);
                let a = if a.is_finite() { a } else { b };
                let level = a + t * (b - a);
                ink[i][row] = raw[i][row] / level;
                usual[i][row] = level;
            }
        }
        Self { ink, usual }
    }

    pub(crate) fn least(&self, i: usize) -> f64 {
        self.ink[i].iter().copied().fold(f64::NAN, f64::min)
    }

    pub(crate) fn told(&self, i: usize) -> bool {
        self.ink[i].iter().all(|v| v.is_finite())
    }
}
