//! The equations: about the places' centre, scaled, solved with weights.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, SymmetricEigen};
use restrike_model::Point;

use super::{EdgeFit, EdgeFitError, EdgeModel, EdgeOffset, PARAMETERS, Scatter, count};
use crate::stats::{MAD_TO_SIGMA, median};

/// The equations about the places' centre, lengths in units of their radius,
/// each divided by its standard error.
pub(super) struct System<'a> {
    offsets: &'a [EdgeOffset],
    model: EdgeModel,
    centre: Point,
    radius: f64,
    rows: DMatrix<f64>,
    right: DVector<f64>,
}

/// Covariances about the centre.
struct Spread {
    /// If all samples are independent.
    covariance: DMatrix<f64>,
    /// If samples of a piece go together.
    by_pieces: Option<DMatrix<f64>>,
    pieces: usize,
}

/// Smallest eigenvalue of the normal matrix over its largest at which all
/// parameters are told: standard errors differ a hundred thousandfold there.
const LEAST_TOLD: f64 = 1e-10;

impl<'a> System<'a> {
    pub(super) fn new(offsets: &'a [EdgeOffset], model: EdgeModel) -> Result<Self, EdgeFitError> {
        let sound = |o: &EdgeOffset| {
            [o.at.x, o.at.y, o.normal.x, o.normal.y, o.offset]
                .iter()
                .all(|v| v.is_finite())
                && o.se.is_finite()
                && o.se > 0.0
                && o.normal.norm() > 0.0
        };
        if !offsets.iter().all(sound) {
            return Err(EdgeFitError::NotFinite);
        }
        let free = model.free();
        if offsets.len() < free.len() {
            return Err(EdgeFitError::TooFew {
                samples: offsets.len(),
                parameters: free.len(),
            });
        }
        let n = count(offsets.len());
        let centre = offsets
            .iter()
            .fold(Point::default(), |s, o| s + o.at * (1.0 / n));
        let spread: f64 = offsets
            .iter()
            .map(|o| (o.at - centre).dot(o.at - centre))
            .sum();
        let radius = match (spread / n).sqrt() {
            r if r > 0.0 => r,
            _ => 1.0,
        };
        let mut rows = DMatrix::zeros(offsets.len(), free.len());
        let mut right = DVector::zeros(offsets.len());
        for (i, o) in offsets.iter().enumerate() {
            let m = o.normal * (1.0 / o.normal.norm());
            let q = (o.at - centre) * (1.0 / radius);
            let all = [
                m.x,
                m.y,
                m.y * q.x - m.x * q.y,
                m.x * q.x,
                m.y * q.y,
                m.x * q.y + m.y * q.x,
                -1.0,
            ];
            for (j, p) in free.iter().enumerate() {
                rows[(i, j)] = all[*p] / o.se;
            }
            right[i] = o.offset / o.se;
        }
        Ok(Self {
            offsets,
            model,
            centre,
            radius,
            rows,
            right,
        })
    }

    fn normal_matrix(&self, weights: &[f64]) -> DMatrix<f64> {
        let mut weighted = self.rows.clone();
        for (i, w) in weights.iter().enumerate() {
            weighted.row_mut(i).scale_mut(*w);
        }
        self.rows.tr_mul(&weighted)
    }

    /// Inverse of the normal matrix, if all parameters are told.
    fn inverse(&self, weights: &[f64]) -> Result<DMatrix<f64>, EdgeFitError> {
        let normal = self.normal_matrix(weights);
        let eigen = SymmetricEigen::new(normal.clone()).eigenvalues;
        let (low, high) = (eigen.min(), eigen.max());
        if low.is_nan() || low <= LEAST_TOLD * high {
            return Err(EdgeFitError::NotTold);
        }
        let cholesky = normal.cholesky().ok_or(EdgeFitError::NotTold)?;
        Ok(cholesky.inverse())
    }

    pub(super) fn solve(&self, weights: &[f64]) -> Result<DVector<f64>, EdgeFitError> {
        let inverse = self.inverse(weights)?;
        let mut right = self.right.clone();
        for (v, w) in right.iter_mut().zip(weights) {
            *v *= w;
        }
        Ok(inverse * self.rows.tr_mul(&right))
    }

    /// Residuals in mm.
    pub(super) fn residuals(&self, solved: &DVector<f64>) -> Vec<f64> {
        let left = &self.right - &self.rows * solved;
        left.iter()
            .zip(self.offsets)
            .map(|(e, o)| e * o.se)
            .collect()
    }

    /// Standard deviation of the residuals over the stated errors.
    pub(super) fn scale(&self, solved: &DVector<f64>, scatter: Scatter, huber: Option<f64>) -> f64 {
        if scatter == Scatter::Stated {
            return 1.0;
        }
        let left = &self.right - &self.rows * solved;
        if huber.is_some() {
            let sizes: Vec<f64> = left.iter().map(|e| e.abs()).collect();
            return MAD_TO_SIGMA * median(&sizes).unwrap_or(0.0);
        }
        let free = self.offsets.len() - solved.len();
        if free == 0 {
            0.0
        } else {
            (left.norm_squared() / count(free)).sqrt()
        }
    }

    pub(super) fn finish(
        &self,
        solved: &DVector<f64>,
        weights: Vec<f64>,
        scale: f64,
        huber: Option<f64>,
    ) -> Result<EdgeFit, EdgeFitError> {
        let residuals = self.residuals(solved);
        let Spread {
            covariance,
            by_pieces,
            pieces,
        } = self.covariances(&residuals, &weights, scale, huber)?;
        let to_origin = self.to_origin();
        let mut motion = [0.0; PARAMETERS];
        let full = &to_origin * solved;
        for (j, p) in self.model.free().iter().enumerate() {
            motion[*p] = full[j];
        }
        let own = by_pieces.as_ref().unwrap_or(&covariance);
        let (weakest, weakest_se) = weakest(own[(0, 0)], own[(0, 1)], own[(1, 1)]);
        let spread = |c: &DMatrix<f64>| {
            let c = &to_origin * c * to_origin.transpose();
            let mut out = [[0.0; PARAMETERS]; PARAMETERS];
            for (i, p) in self.model.free().iter().enumerate() {
                for (j, q) in self.model.free().iter().enumerate() {
                    out[*p][*q] = c[(i, j)];
                }
            }
            out
        };
        Ok(EdgeFit {
            model: self.model,
            motion,
            covariance: spread(&covariance),
            by_pieces: by_pieces.as_ref().map(spread),
            scale,
            weights,
            centre: self.centre,
            weakest,
            weakest_se,
            residuals,
            pieces,
        })
    }

    /// Covariances about the centre: of independent samples, and by pieces; and
    /// how many pieces there are.
    fn covariances(
        &self,
        residuals: &[f64],
        weights: &[f64],
        scale: f64,
        huber: Option<f64>,
    ) -> Result<Spread, EdgeFitError> {
        let (n, k) = (self.offsets.len(), self.rows.ncols());
        // The derivative of Huber's function is 1 where a sample counts in full, 0 beyond.
        let slopes: Vec<f64> = weights
            .iter()
            .map(|w| f64::from(u8::from(*w >= 1.0)))
            .collect();
        let all = vec![1.0; n];
        let plain = self.inverse(&all)?;
        let covariance = if huber.is_some() {
            // Huber's asymptotic variance: mean of psi squared over the squared mean slope.
            let mean_slope = slopes.iter().sum::<f64>() / count(n);
            let psi: f64 = residuals
                .iter()
                .zip(weights)
                .zip(self.offsets)
                .map(|((r, w), o)| {
                    let v = w * r / o.se;
                    v * v
                })
                .sum();
            let spread = match n - k {
                0 => scale * scale,
                _ if mean_slope > 0.0 => psi / count(n - k) / (mean_slope * mean_slope),
                _ => scale * scale,
            };
            &plain * spread.max(f64::MIN_POSITIVE)
        } else {
            &plain * (scale * scale)
        };
        let mut of_piece: BTreeMap<usize, DVector<f64>> = BTreeMap::new();
        for (i, o) in self.offsets.iter().enumerate() {
            let push = self.rows.row(i).transpose() * (weights[i] * residuals[i] / o.se);
            *of_piece.entry(o.piece).or_insert_with(|| DVector::zeros(k)) += push;
        }
        let pieces = of_piece.len();
        // Fewer pieces than twice the parameters tell nothing of their scatter.
        if pieces < 2 * k || n <= k {
            return Ok(Spread {
                covariance,
                by_pieces: None,
                pieces,
            });
        }
        let bread = if huber.is_some() {
            self.inverse(&slopes)?
        } else {
            plain
        };
        let meat = of_piece
            .values()
            .fold(DMatrix::zeros(k, k), |m, g| m + g * g.transpose());
        let p = count(pieces);
        let small = p / (p - 1.0) * (count(n) - 1.0) / count(n - k);
        let by_pieces = Some(&bread * meat * &bread * small);
        Ok(Spread {
            covariance,
            by_pieces,
            pieces,
        })
    }

    /// Parameters about the centre in units of the radius -> about the origin in mm.
    fn to_origin(&self) -> DMatrix<f64> {
        let free = self.model.free();
        let at = |p: usize| free.iter().position(|f| *f == p);
        let (c, r) = (self.centre, self.radius);
        let mut m = DMatrix::identity(free.len(), free.len());
        // d = d_c - A c, with A = [[sx, shear - turn], [shear + turn, sy]].
        for (p, x, y) in [
            (2, c.y, -c.x),
            (3, -c.x, 0.0),
            (4, 0.0, -c.y),
            (5, -c.y, -c.x),
        ] {
            if let Some(j) = at(p) {
                m[(j, j)] = 1.0 / r;
                m[(0, j)] = x / r;
                m[(1, j)] = y / r;
            }
        }
        m
    }
}

/// Direction and standard error of the larger axis of a 2 x 2 covariance.
fn weakest(xx: f64, xy: f64, yy: f64) -> (f64, f64) {
    let (mean, half) = ((xx + yy) / 2.0, (xx - yy) / 2.0);
    let most = mean + (half * half + xy * xy).sqrt();
    (0.5 * libm::atan2(2.0 * xy, xx - yy), most.max(0.0).sqrt())
}
