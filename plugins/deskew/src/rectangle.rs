//! Four fitted sides taken together: angle, corners, size, shear.

use restrike_ops::line_fit::{FittedLine, intersection};
use restrike_stage::Point;

use crate::metric::{Side, fold, heading};

/// Spread of shear (half the departure from a right angle) expected of sheets
/// and blocks, radians: it ties the upright sides' angle to the level ones'.
const SHEAR_SD: f64 = 5e-4;
/// Smallest standard error of a line's direction that is believed, radians.
const ANGLE_FLOOR: f64 = 2.0e-5;
/// Smallest standard error of an edge's place that is believed, pixels: what
/// crookedness of the edge and, of a border, colour beside it leave. Calibrated
/// on rendered sheets (see the crate's accuracy tests).
pub(crate) const PAPER_FLOOR_PX: f64 = 0.04;
/// The same for a printed border.
pub(crate) const BORDER_FLOOR_PX: f64 = 0.1;

/// An angle with its standard error, radians.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Angle {
    pub(crate) value: f64,
    pub(crate) se: f64,
}

/// A corner with its standard error along the worse axis, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Corner {
    pub(crate) at: Point,
    pub(crate) se: f64,
}

/// The line with its standard errors no smaller than the floors (`floor` in mm).
pub(crate) fn floored(line: FittedLine, floor: f64) -> FittedLine {
    FittedLine {
        offset_se: (line.offset_se * line.offset_se + floor * floor).sqrt(),
        angle_se: (line.angle_se * line.angle_se + ANGLE_FLOOR * ANGLE_FLOOR).sqrt(),
        ..line
    }
}

/// Sides of a sheet or a border, as far as found: left, top, right, bottom.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Rectangle {
    pub(crate) sides: [Option<FittedLine>; 4],
}

impl Rectangle {
    /// Sides with their standard errors no smaller than the floors (`floor` in mm).
    pub(crate) fn new(mut sides: [Option<FittedLine>; 4], floor: f64) -> Self {
        for line in sides.iter_mut().flatten() {
            *line = floored(*line, floor);
        }
        Self { sides }
    }

    /// The rectangle through four corners.
    pub(crate) fn through(corners: &[Corner; 4]) -> Self {
        let chord = |a: &Corner, b: &Corner| {
            let length = a.at.distance(b.at).max(1e-9);
            let square = (a.se * a.se + b.se * b.se).sqrt();
            FittedLine {
                centre: (a.at + b.at) * 0.5,
                direction: (b.at - a.at) * (1.0 / length),
                offset_se: square / 2.0,
                angle_se: square / length,
                rms: 0.0,
                kept: 2,
                given: 2,
                correlation: 1.0,
            }
        };
        let [ul, ur, lr, ll] = corners;
        Self {
            sides: [
                Some(chord(ll, ul)),
                Some(chord(ul, ur)),
                Some(chord(ur, lr)),
                Some(chord(lr, ll)),
            ],
        }
    }

    pub(crate) fn side(&self, side: Side) -> Option<&FittedLine> {
        self.sides[side as usize].as_ref()
    }

    pub(crate) fn count(&self) -> usize {
        self.sides.iter().flatten().count()
    }

    /// Turn of one side against its direction on a sheet that lies straight.
    pub(crate) fn turn_of(&self, side: Side) -> Option<Angle> {
        let line = self.side(side)?;
        Some(Angle {
            value: fold(heading(line.direction) - heading(side.along())),
            se: line.angle_se,
        })
    }

    fn joint(&self, sides: [Side; 2]) -> Option<Angle> {
        let turns: Vec<Angle> = sides.iter().filter_map(|&s| self.turn_of(s)).collect();
        let total: f64 = turns.iter().map(|a| 1.0 / (a.se * a.se)).sum();
        if total <= 0.0 {
            return None;
        }
        let value = turns.iter().map(|a| a.value / (a.se * a.se)).sum::<f64>() / total;
        // Opposite sides that disagree are known no better than that.
        let scatter: f64 = turns
            .iter()
            .map(|a| (a.value - value) * (a.value - value))
            .sum::<f64>()
            / turns.len().max(1) as f64;
        let se = (1.0 / total).max(if turns.len() > 1 { scatter / 2.0 } else { 0.0 });
        Some(Angle {
            value,
            se: se.sqrt(),
        })
    }

    /// Rotation: the level sides turn by theta + gamma, the upright ones by
    /// theta - gamma, with the shear gamma near 0 (the polar decomposition of
    /// the map, with a prior on its shear).
    pub(crate) fn rotation(&self) -> Option<Angle> {
        let level = self.joint([Side::Top, Side::Bottom]);
        let upright = self.joint([Side::Left, Side::Right]);
        match (level, upright) {
            (Some(h), Some(v)) => {
                let (wh, wv, wg) = (
                    1.0 / (h.se * h.se),
                    1.0 / (v.se * v.se),
                    1.0 / (SHEAR_SD * SHEAR_SD),
                );
                // Normal equations in (theta, gamma).
                let (a, b, d) = (wh + wv, wh - wv, wh + wv + wg);
                let (r, s) = (wh * h.value + wv * v.value, wh * h.value - wv * v.value);
                let det = a * d - b * b;
                (det > 0.0).then(|| Angle {
                    value: (r * d - s * b) / det,
                    se: (d / det).sqrt(),
                })
            }
            (Some(one), None) | (None, Some(one)) => Some(Angle {
                value: one.value,
                se: (one.se * one.se + SHEAR_SD * SHEAR_SD).sqrt(),
            }),
            (None, None) => None,
        }
    }

    /// Departure from a right angle, radians: positive where the upright
    /// sides lean clockwise of square to the level ones.
    pub(crate) fn shear(&self) -> Option<Angle> {
        let h = self.joint([Side::Top, Side::Bottom])?;
        let v = self.joint([Side::Left, Side::Right])?;
        Some(Angle {
            value: h.value - v.value,
            se: (h.se * h.se + v.se * v.se).sqrt(),
        })
    }

    /// Largest disagreement of two opposite sides' directions, radians.
    pub(crate) fn taper(&self) -> Option<Angle> {
        [[Side::Top, Side::Bottom], [Side::Left, Side::Right]]
            .iter()
            .filter_map(|&[a, b]| {
                let (a, b) = (self.turn_of(a)?, self.turn_of(b)?);
                Some(Angle {
                    value: a.value - b.value,
                    se: (a.se * a.se + b.se * b.se).sqrt(),
                })
            })
            .max_by(|a, b| a.value.abs().total_cmp(&b.value.abs()))
    }

    /// Corners: upper left, upper right, lower right, lower left.
    pub(crate) fn corners(&self) -> [Option<Corner>; 4] {
        let meet = |a: Side, b: Side| {
            let (at, cov) = intersection(self.side(a)?, self.side(b)?)?;
            Some(Corner {
                at,
                se: cov[0].max(cov[2]).sqrt(),
            })
        };
        [
            meet(Side::Left, Side::Top),
            meet(Side::Top, Side::Right),
            meet(Side::Right, Side::Bottom),
            meet(Side::Bottom, Side::Left),
        ]
    }

    /// Distance between two opposite sides at the middle, with its standard error.
    pub(crate) fn extent(&self, level: bool) -> Option<(f64, f64)> {
        let (a, b) = if level {
            (self.side(Side::Left)?, self.side(Side::Right)?)
        } else {
            (self.side(Side::Top)?, self.side(Side::Bottom)?)
        };
        let gap = -(a.distance(b.centre) + b.distance(a.centre)) / 2.0;
        let t = (b.centre - a.centre).dot(a.direction) / 2.0;
        let variance = a.variance_at(t) + b.variance_at(t);
        Some((gap, variance.sqrt()))
    }
}
