//! What the readings of a block say together: the shift at each mark's face
//! sheet by sheet, and the rigid move that mends most.
//!
//! A sheet's shifts are those of the rigid motion nearest (least squares) to
//! its errors at the corners of what it prints. The move to cut for is another: the one
//! that makes the largest error left at any corner of the mean as small as can
//! be. Both are the measured motion itself where there is no stretch and one image.
//!
//! Beside the three faces the block as a whole is judged, by its shift along the
//! faces' normals in the middle of what it prints: there the shift is surest, and a
//! block that lies off to one side without being turned is off at all faces alike.

use std::collections::BTreeMap;

use restrike_ops::mark_contacts::RigidMotion;
use restrike_ops::minimax_rigid::{Displaced, least_squares_rigid, minimax_rigid};
use restrike_stage::{Point, Project};

use super::input::{Motion, Reading, Readings};
use super::layout::{Corner, Face, printed};
use crate::basis::Basis;

/// What is judged of a block: its three faces, and all of it across the long edge and across
/// the short one.
pub(crate) const JUDGED: usize = 5;
/// The block as a whole, by the face.
pub(crate) const AS_ONE: [usize; 3] = [3, 3, 4];
/// The two faces of the long edge.
pub(crate) const EDGE_FACES: [usize; 2] = [0, 1];

/// What a motion is at what is judged, for a block with this middle.
pub(crate) fn judged(faces: &[Face; 3], motion: &RigidMotion, middle: Point) -> [f64; JUDGED] {
    let [a, b, c] = faces.map(|f| f.contact.shift(motion));
    let whole = motion.at(middle);
    let [long, short] = [0, 2].map(|f| faces[f].contact.normal.dot(whole));
    [a, b, c, long, short]
}

/// An image that was measured, and where its corners are.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Part {
    /// Its name.
    pub(crate) image: String,
    /// The corners of what the block prints on it.
    pub(crate) corners: Vec<Corner>,
    /// Mean motion over the sheets.
    pub(crate) mean: Motion,
    /// Standard error of the mean stretch along x and y, from sheet to sheet and of the zero;
    /// none where it was not fitted on every sheet or there is one sheet only.
    pub(crate) stretch_se: Option<[f64; 2]>,
    /// Whether the stretch was fitted on every sheet.
    pub(crate) stretched: bool,
    /// Covariance of the mean, from sheet to sheet and of the zero; none of one sheet only.
    pub(crate) covariance: Option<[[f64; 5]; 5]>,
}

impl Part {
    /// Standard error of the mean displacement at a place, along a direction.
    pub(crate) fn se_at(&self, p: Point, along: Point) -> Option<f64> {
        let covariance = self.covariance?;
        let u = along * (1.0 / along.norm().max(1e-9));
        let by: Motion = std::array::from_fn(|i| {
            let mut unit = [0.0; 5];
            unit[i] = 1.0;
            displacement(&unit, p).dot(u)
        });
        Some(variance(&by, &covariance).max(0.0).sqrt())
    }
}

/// What one sheet says.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SheetShift {
    /// Place in the sheet list.
    pub(crate) sheet: usize,
    /// Shift of what is judged, mm.
    pub(crate) shift: [f64; JUDGED],
    /// Variance of each from measuring, mm2.
    pub(crate) variance: [f64; JUDGED],
}

/// What all sheets say of a block.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct BlockFit {
    /// The block.
    pub(crate) block: String,
    /// What its places are against.
    pub(crate) basis: Basis,
    /// The middle of what it prints, mm.
    pub(crate) middle: Point,
    /// Its images.
    pub(crate) parts: Vec<Part>,
    /// Its sheets.
    pub(crate) sheets: Vec<SheetShift>,
    /// Variance of each of these shifts that is common to all sheets, mm2.
    pub(crate) zero_variance: [f64; JUDGED],
    /// The move that mends most, and what it asks of each face, mm.
    pub(crate) best: RigidMotion,
    /// Needed shift of what is judged, mm.
    pub(crate) correction: [f64; JUDGED],
}

/// The displacement a motion means at a point, mm.
pub(crate) fn displacement(m: &Motion, p: Point) -> Point {
    let [dx, dy, theta, sx, sy] = *m;
    Point::new(dx - theta * p.y + sx * p.x, dy + theta * p.x + sy * p.y)
}

impl BlockFit {
    /// The mean error at each corner of what it prints when the sheet has been moved by `moved`.
    pub(crate) fn errors(&self, moved: &RigidMotion) -> Vec<(&Part, Corner, Point)> {
        let mut out = Vec::new();
        for part in &self.parts {
            for c in &part.corners {
                out.push((part, *c, displacement(&part.mean, c.at) - moved.at(c.at)));
            }
        }
        out
    }

    /// Largest of [`errors`](Self::errors), mm.
    pub(crate) fn worst(&self, moved: &RigidMotion) -> f64 {
        let all = self.errors(moved);
        all.iter().map(|e| e.2.norm()).fold(0.0, f64::max)
    }
}

/// Corners of the convex outline about what a block prints on an image; none where that is not
/// known.
pub(crate) type Outline<'a> = dyn Fn(&str, &str) -> Vec<Point> + 'a;

/// Fits a block; `None` when no sheet shows it.
pub(crate) fn fit(
    project: &Project,
    faces: &[Face; 3],
    readings: &Readings,
    block: &str,
    outline: &Outline<'_>,
) -> Option<BlockFit> {
    let mut of_block: Vec<&Reading> = readings.found.iter().filter(|r| r.block == block).collect();
    let basis = of_block.iter().map(|r| r.basis).min()?;
    of_block.retain(|r| r.basis == basis);
    let sheets = choose(&of_block)?;
    let images: Vec<&str> = sheets.first()?.iter().map(|r| r.image.as_str()).collect();
    let places: Vec<Vec<Corner>> = images
        .iter()
        .map(|i| printed(project, i, &outline(block, i)))
        .collect();
    let middle = sheets.first()?.first()?.zero.at;
    let shifts = operator(&places, faces, middle)?;
    let mut parts = Vec::new();
    for (h, image) in images.iter().enumerate() {
        let here: Vec<&Reading> = sheets.iter().map(|s| s[h]).collect();
        parts.push(part(image, places[h].clone(), &here));
    }
    let seen = sheets.iter().map(|s| sheet_shift(s, &shifts)).collect();
    let mut out = BlockFit {
        block: block.to_owned(),
        basis,
        middle,
        parts,
        sheets: seen,
        zero_variance: zero_variance(sheets.first()?, &shifts),
        best: RigidMotion::default(),
        correction: [0.0; JUDGED],
    };
    let points: Vec<Displaced> = out
        .errors(&RigidMotion::default())
        .into_iter()
        .map(|(_, c, by)| displaced(c.at, by))
        .collect();
    out.best = minimax_rigid(&points)?.motion;
    out.correction = judged(faces, &out.best, middle);
    Some(out)
}

/// The sheets' readings, each with the same images in the same order: the
/// halves of a two-up sheet where both are seen, or the sheet as a whole, or
/// one half: whichever most sheets have.
fn choose<'a>(readings: &[&'a Reading]) -> Option<Vec<Vec<&'a Reading>>> {
    let mut sheets: BTreeMap<usize, BTreeMap<&str, &'a Reading>> = BTreeMap::new();
    for r in readings {
        sheets.entry(r.sheet).or_default().insert(&r.image, r);
    }
    let sets: [&[&str]; 8] = [
        &["left", "right"],
        &["upper", "lower"],
        &["whole"],
        &["both"],
        &["left"],
        &["right"],
        &["upper"],
        &["lower"],
    ];
    let with = |set: &[&str]| -> Vec<Vec<&'a Reading>> {
        sheets
            .values()
            .filter_map(|s| set.iter().map(|i| s.get(i).copied()).collect())
            .collect()
    };
    let mut best: Option<Vec<Vec<&Reading>>> = None;
    for set in sets {
        let found = with(set);
        if found.len() > best.as_ref().map_or(0, Vec::len) {
            best = Some(found);
        }
    }
    best
}

/// How what is judged depends on an image's motion: `[what][parameter]`.
type Operator = [[f64; 5]; JUDGED];

/// One for each image.
fn operator(places: &[Vec<Corner>], faces: &[Face; 3], middle: Point) -> Option<Vec<Operator>> {
    let mut out = vec![[[0.0; 5]; JUDGED]; places.len()];
    for (h, by_face) in out.iter_mut().enumerate() {
        for q in 0..5 {
            let mut unit = [0.0; 5];
            unit[q] = 1.0;
            let mut points = Vec::new();
            for (other, corners) in places.iter().enumerate() {
                for c in corners {
                    let by = displacement(&unit, c.at) * if other == h { 1.0 } else { 0.0 };
                    points.push(displaced(c.at, by));
                }
            }
            let rigid = least_squares_rigid(&points)?;
            let shifts = judged(faces, &rigid, middle);
            for (row, shift) in by_face.iter_mut().zip(shifts) {
                row[q] = shift;
            }
        }
    }
    Some(out)
}

fn sheet_shift(sheet: &[&Reading], operator: &[Operator]) -> SheetShift {
    let mut out = SheetShift {
        sheet: sheet.first().map_or(0, |r| r.sheet),
        shift: [0.0; JUDGED],
        variance: [0.0; JUDGED],
    };
    for (r, by_face) in sheet.iter().zip(operator) {
        for (f, row) in by_face.iter().enumerate() {
            for (a, m) in row.iter().zip(r.motion) {
                out.shift[f] += a * m;
            }
            out.variance[f] += variance(row, &r.covariance);
        }
    }
    // A covariance that is none must not make a variance negative.
    out.variance = out.variance.map(|v| v.max(0.0));
    out
}

/// Variance of what depends on a motion by `by`.
fn variance(by: &Motion, covariance: &[[f64; 5]; 5]) -> f64 {
    let mut out = 0.0;
    for (a, row) in by.iter().zip(covariance) {
        for (b, v) in by.iter().zip(row) {
            out += a * b * v;
        }
    }
    out
}

/// Variance of each face's shift by the zero. One zero holds for all images, so
/// their shares of one motion add up before they are squared.
fn zero_variance(sheet: &[&Reading], operator: &[Operator]) -> [f64; JUDGED] {
    let mut out = [0.0; JUDGED];
    for which in 0..5 {
        let mut shift = [0.0; JUDGED];
        for (r, by_face) in sheet.iter().zip(operator) {
            let motion = r.zero.motions()[which];
            for (s, row) in shift.iter_mut().zip(by_face) {
                *s += row.iter().zip(motion).map(|(a, b)| a * b).sum::<f64>();
            }
        }
        for (o, s) in out.iter_mut().zip(shift) {
            *o += s * s;
        }
    }
    out
}

fn part(image: &str, corners: Vec<Corner>, readings: &[&Reading]) -> Part {
    let stretched = readings.iter().all(|r| r.stretched);
    let of = |i: usize| mean(readings.iter().map(|r| r.motion[i]));
    let covariance = covariance(readings);
    Part {
        image: image.to_owned(),
        corners,
        mean: [0, 1, 2, 3, 4].map(of),
        stretch_se: covariance
            .filter(|_| stretched)
            .map(|c| [3, 4].map(|i: usize| c[i][i].sqrt())),
        stretched,
        covariance,
    }
}

/// Covariance of the mean motion: its scatter from sheet to sheet, and the zero.
fn covariance(readings: &[&Reading]) -> Option<[[f64; 5]; 5]> {
    let n = count(readings.len());
    if readings.len() < 2 {
        return None;
    }
    let middle: Motion = std::array::from_fn(|i| mean(readings.iter().map(|r| r.motion[i])));
    let zeros = readings.first()?.zero.motions();
    Some(std::array::from_fn(|i| {
        std::array::from_fn(|j| {
            let off = |r: &&Reading| (r.motion[i] - middle[i]) * (r.motion[j] - middle[j]);
            let scatter: f64 = readings.iter().map(off).sum();
            scatter / (n * (n - 1.0)) + zeros.iter().map(|z| z[i] * z[j]).sum::<f64>()
        })
    }))
}

fn displaced(at: Point, by: Point) -> Displaced {
    Displaced {
        at,
        by,
        weight: 1.0,
    }
}

#[allow(clippy::cast_precision_loss)]
pub(crate) fn count(n: usize) -> f64 {
    n as f64
}

/// Mean; 0 of nothing.
pub(crate) fn mean(values: impl Iterator<Item = f64>) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for v in values {
        sum += v;
        n += 1.0;
    }
    if n > 0.0 { sum / n } else { 0.0 }
}

/// Variance with n - 1; none for fewer than two values.
pub(crate) fn sample_variance(values: &[f64]) -> Option<f64> {
    if values.len() < 2 {
        return None;
    }
    let m = mean(values.iter().copied());
    let square: f64 = values.iter().map(|v| (v - m) * (v - m)).sum();
    Some(square / count(values.len() - 1))
}
