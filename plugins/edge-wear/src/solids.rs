//! Edges of the colour blocks on a sheet: how far they stand back from the
//! record's, how blurred and ragged they are.
//!
//! Looked at is what lies clear of the key's lines and of the other blocks'
//! edges. What all edges of a block in an image have in common after a shift of
//! the whole is their retreat: offsets r = w - n.d, n the outward normal.

use restrike_ops::cubic_sample::cubic_sample;
use restrike_ops::line_profile::{LineProfile, Side};
use restrike_ops::placement::{BlockPlace, Placement};
use restrike_ops::stats::{mad_sigma, median};
use restrike_stage::{ImageView, Point};

use crate::course::unbent;
use crate::edges::{COURSE_MM, Mean, WAVE_MM, square_raggedness, unread};
use crate::local::Local;
use crate::outline::{APART_MM, Outlines, Place};

/// Width of the ground and of the solid that are looked at, mm.
const BESIDE_MM: f64 = 0.2;
/// Least step of light at the edge, of full white.
const LEAST_STEP: f64 = 0.06;
/// Spread of ground or solid over that step from which it is no even ground.
const UNEVEN: f64 = 0.35;
/// Places of one local affine map, and of one piece whose mean is held to be
/// independent of its neighbours'.
const KNOT: usize = 20;
const PIECE: usize = 50;
/// Shorter measured edges say nothing, mm.
const LEAST_MM: f64 = 5.0;
/// Usual shift that is left to a block, and usual scatter of its edge over a millimetre.
const SHIFT_MM: f64 = 0.005;
const NOISE_MM: f64 = 0.01;
/// What a retreat may be off by whatever its scatter, mm: the record's own edge,
/// and ink that is darker at its rim. Calibrated on designs that no figure is
/// reported for.
const FLOOR_MM: f64 = 0.004;

/// How a sheet is read for its solids.
pub(crate) struct Looking<'a> {
    pub(crate) scan: ImageView<'a, u16>,
    pub(crate) placement: &'a Placement,
    /// Shapes' edges by the placement's blocks.
    pub(crate) edges: Vec<&'a restrike_ops::edge_map::EdgeMap>,
    pub(crate) pixel: f64,
    pub(crate) sigma: f64,
}

/// What is known of a block's edges in an image.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Edges {
    pub(crate) length_mm: f64,
    pub(crate) measured_mm: f64,
    pub(crate) retreat: Option<Mean>,
    pub(crate) blur: Option<Mean>,
    pub(crate) ragged: Option<Mean>,
    pub(crate) contrast: Option<Mean>,
}

/// What a place shows.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Seen {
    /// The edge off the course, outwards, mm.
    off: f64,
    /// How far the record's lies outside it, mm.
    retreat: f64,
    normal: Point,
    blur: Option<f64>,
    contrast: f64,
}

impl Looking<'_> {
    fn clear(&self) -> f64 {
        2.4 * self.sigma + 0.02
    }

    /// Looks at all places of a block's outlines.
    pub(crate) fn look(&self, block: &BlockPlace, outlines: &Outlines) -> Vec<Vec<Option<Seen>>> {
        outlines.rows.iter().map(|r| self.row(block, r)).collect()
    }

    /// A block's edges from what its places show; `of` says whether a place is in the image.
    pub(crate) fn edges(
        &self,
        outlines: &Outlines,
        seen: &[Vec<Option<Seen>>],
        of: &dyn Fn(Point) -> bool,
    ) -> Edges {
        let mut out = Edges::default();
        let mut all = Vec::new();
        let (mut squares, mut weight) = (0.0, 0.0);
        for (row, seen) in outlines.rows.iter().zip(seen) {
            let here: Vec<Option<Seen>> = row
                .iter()
                .zip(seen)
                .filter(|(p, _)| of(p.at))
                .map(|(_, s)| *s)
                .collect();
            #[allow(clippy::cast_precision_loss)]
            let length = here.len() as f64 * APART_MM;
            out.length_mm += length;
            // Where the course cuts a bend, it is no measure of raggedness.
            let bends: Vec<f64> = row
                .iter()
                .filter(|p| of(p.at))
                .map(|p| p.recorded.unwrap_or(1.0))
                .collect();
            let offs: Vec<f64> = here
                .iter()
                .zip(unbent(&bends, APART_MM))
                .map(|(s, straight)| match (s, straight) {
                    (Some(s), Some(_)) => s.off,
                    _ => f64::NAN,
                })
                .collect();
            if let Some((square, known)) = square_raggedness(&offs, APART_MM, self.sigma)
                && known * APART_MM > COURSE_MM
            {
                squares += known * square;
                weight += known;
            }
            all.extend(here);
        }
        #[allow(clippy::cast_precision_loss)]
        let measured = all.iter().flatten().count() as f64 * APART_MM;
        out.measured_mm = measured;
        if measured < LEAST_MM {
            return out;
        }
        out.retreat = retreat(&all);
        let column = |f: &dyn Fn(&Seen) -> Option<f64>| -> Vec<f64> {
            all.iter()
                .map(|s| s.as_ref().and_then(f).unwrap_or(f64::NAN))
                .collect()
        };
        out.blur = crate::edges::mean(&column(&|s| s.blur), PIECE).map(|b| Mean {
            value: unread(b.value, self.pixel),
            ..b
        });
        out.contrast = crate::edges::mean(&column(&|s| Some(s.contrast)), PIECE);
        if weight > 0.0 {
            let value = (squares / weight).sqrt();
            let free = (weight * APART_MM / (4.0 * self.sigma).max(WAVE_MM)).max(2.0);
            out.ragged = Some(Mean {
                value,
                se: value / (2.0 * free).sqrt(),
            });
        }
        out
    }

    fn row(&self, block: &BlockPlace, row: &[Place]) -> Vec<Option<Seen>> {
        let mut local = None;
        row.iter()
            .enumerate()
            .map(|(i, place)| {
                if i % KNOT == 0 {
                    let middle = row[(i + KNOT / 2).min(row.len() - 1)].at;
                    local = Local::about(self.placement, block, middle);
                }
                let recorded = place.recorded?;
                self.free(block, place).then_some(())?;
                self.place(block, place, recorded, local?)
            })
            .collect()
    }

    /// Whether nothing else has an edge within sight of the place.
    fn free(&self, block: &BlockPlace, place: &Place) -> bool {
        let sight = self.clear() + BESIDE_MM;
        let ends = [sight, -sight].map(|t| place.at + place.normal * t);
        let record = |b: Point| {
            if block.key {
                Some(b)
            } else {
                block.ride.map().map(|m| m.apply(b))
            }
        };
        let Some(k) = record(place.at) else {
            return false;
        };
        self.placement
            .blocks
            .iter()
            .zip(&self.edges)
            .all(|(other, edges)| {
                if other.name == block.name {
                    // No other edge of its own, no thin place.
                    return edges.at(ends[0]) > 0.8 * sight && edges.at(ends[1]) < -0.8 * sight;
                }
                let d = edges.at(other.own_place(k));
                if other.key {
                    d + other.retreat_mm > sight
                } else {
                    d.abs() > sight + 0.1
                }
            })
    }

    fn place(&self, block: &BlockPlace, place: &Place, recorded: f64, map: Local) -> Option<Seen> {
        let step = 0.5 * self.pixel;
        let edge = recorded - block.retreat_mm;
        let reach = self.clear() + BESIDE_MM.max(4.0 * self.pixel);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let half = (reach / step).ceil() as usize;
        let middle = map.apply(place.at + place.normal * edge);
        let along = map.vector(place.normal) * step;
        #[allow(clippy::cast_precision_loss)]
        let at = |j: usize| j as f64 - half as f64;
        let light = (0..=2 * half)
            .map(|j| cubic_sample(self.scan, middle + along * at(j)))
            .collect::<Option<Vec<[f32; 3]>>>()?;
        let clear = self.clear() / step;
        // Ink lies at negative places.
        let level = |c: usize, sign: f64| -> Option<(f64, f64)> {
            let mut v: Vec<f64> = (0..light.len())
                .filter(|j| at(*j) * sign > clear)
                .map(|j| f64::from(light[j][c]))
                .collect();
            v.sort_by(f64::total_cmp);
            let n = v.len();
            (n >= 3).then(|| (v[n / 2], v[n - 1 - n / 8] - v[n / 8]))
        };
        let (c, solid, ground, spread) = (0..3)
            .filter_map(|c| {
                let ((inside, a), (outside, b)) = (level(c, -1.0)?, level(c, 1.0)?);
                Some((c, inside, outside, a.max(b)))
            })
            .max_by(|a, b| (a.2 - a.1).total_cmp(&(b.2 - b.1)))?;
        if ground - solid < LEAST_STEP || spread > UNEVEN * (ground - solid) {
            return None;
        }
        let values: Vec<f64> = light.iter().map(|v| f64::from(v[c])).collect();
        let p = LineProfile {
            values: &values,
            step,
            #[allow(clippy::cast_precision_loss)]
            centre: (half as f64 - clear).max(0.0),
            reach: step,
            ground: [ground; 2],
            solid: [solid; 2],
        };
        #[allow(clippy::cast_precision_loss)]
        let t = p.crossing(Side::Second, 50.0)? - half as f64 * step;
        if t.abs() > self.clear() {
            return None;
        }
        Some(Seen {
            off: edge + t,
            retreat: recorded - edge - t,
            normal: place.normal,
            blur: p.blur(Side::Second, 10.0, 90.0),
            contrast: (ground - solid) / ground,
        })
    }
}

/// The retreat that edges all round have in common, beside a shift.
#[allow(clippy::cast_precision_loss)]
fn retreat(all: &[Option<Seen>]) -> Option<Mean> {
    let values: Vec<f64> = all.iter().flatten().map(|s| s.retreat).collect();
    let middle = median(&values)?;
    let most = 4.0 * mad_sigma(&values)?.max(0.004);
    let good = |s: &&Seen| (s.retreat - middle).abs() <= most;
    // Normal equations of w - n.d.
    let (mut a, mut b) = ([[0.0; 3]; 3], [0.0; 3]);
    for s in all.iter().flatten().filter(good) {
        let row = [1.0, -s.normal.x, -s.normal.y];
        for i in 0..3 {
            for j in 0..3 {
                a[i][j] += row[i] * row[j];
            }
            b[i] += row[i] * s.retreat;
        }
    }
    // Where edges look one way only, a shift cannot be told from a retreat: it is
    // held to be as small as the registration's own error.
    let held = (NOISE_MM / SHIFT_MM) * (NOISE_MM / SHIFT_MM) / APART_MM;
    a[1][1] += held;
    a[2][2] += held;
    let inverse = nalgebra::Matrix3::from_fn(|i, j| a[i][j]).try_inverse()?;
    let x = inverse * nalgebra::Vector3::from_column_slice(&b);
    let means: Vec<f64> = all
        .chunks(PIECE)
        .filter_map(|c| {
            let rest: Vec<f64> = c
                .iter()
                .flatten()
                .filter(good)
                .map(|s| s.retreat - x[0] + s.normal.x * x[1] + s.normal.y * x[2])
                .collect();
            (rest.len() * 3 >= PIECE).then(|| rest.iter().sum::<f64>() / rest.len() as f64)
        })
        .collect();
    let k = means.len() as f64;
    if means.len() < 3 {
        return None;
    }
    let variance = means.iter().map(|m| m * m).sum::<f64>() / (k - 1.0);
    // What the shift takes up of the edges' common part.
    let share = (inverse[(0, 0)] * a[0][0]).max(1.0);
    Some(Mean {
        value: x[0],
        se: (share * variance / k + FLOOR_MM * FLOOR_MM).sqrt(),
    })
}
