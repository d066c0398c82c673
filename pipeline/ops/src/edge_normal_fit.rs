//! Motion of a printed shape from the offsets of its edges along their normals.
//!
//! At a place p of an edge with outward normal n the edge is found at
//! r = n . (d + turn (-y, x) + E p) - w + e, with the shift d at the origin, E
//! symmetric (stretch along x and y, shear) and w the retreat: how far the edge
//! has worn back, to the inside, all round. An edge tells nothing of motion along
//! itself. Without w wear reads as a shift wherever the edges seen do not face all
//! ways alike.
//!
//! Sources: Huber, "Robust regression: asymptotics, conjectures and Monte Carlo",
//! Annals of Statistics 1, 1973 (weights, by iterated least squares, with the
//! scale from the median absolute residual); Liang and Zeger, "Longitudinal data
//! analysis using generalized linear models", Biometrika 73, 1986 (standard errors
//! where samples of one piece of edge go together); Machado, "Robust model
//! selection and M-estimation", Econometric Theory 9, 1993 (Schwarz's criterion
//! with a robust loss and the scale of the largest model).

mod system;
#[cfg(test)]
mod tests;

use restrike_model::Point;
use thiserror::Error;

use system::System;

/// Parameters of the whole model: shift x and y at the origin (mm), turn (radians
/// counter-clockwise), stretch along x and y, shear (shares), retreat (mm).
pub const PARAMETERS: usize = 7;

/// A matrix over all parameters; 0 where the model lacks one.
pub type Covariance = [[f64; PARAMETERS]; PARAMETERS];

/// A sample of an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeOffset {
    /// Where, mm.
    pub at: Point,
    /// Direction to the outside of the shape; its length does not matter.
    pub normal: Point,
    /// How far outside the expected place the edge is found, mm.
    pub offset: f64,
    /// Standard error of the offset, mm, above 0; equal ones will do.
    pub se: f64,
    /// Number of the piece of edge it belongs to: samples of a piece go together.
    pub piece: usize,
}

/// What is fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum EdgeModel {
    /// Shift.
    Shift,
    /// Shift and turn.
    Rigid,
    /// Shift, turn and retreat.
    RigidRetreat,
    /// Shift, turn, stretch along x and y.
    Stretch,
    /// Shift, turn, stretch along x and y, retreat.
    StretchRetreat,
    /// All.
    AffineRetreat,
}

impl EdgeModel {
    /// The ladder that [`choose`] climbs.
    pub const LADDER: [Self; 6] = [
        Self::Shift,
        Self::Rigid,
        Self::RigidRetreat,
        Self::Stretch,
        Self::StretchRetreat,
        Self::AffineRetreat,
    ];

    fn free(self) -> &'static [usize] {
        match self {
            Self::Shift => &[0, 1],
            Self::Rigid => &[0, 1, 2],
            Self::RigidRetreat => &[0, 1, 2, 6],
            Self::Stretch => &[0, 1, 2, 3, 4],
            Self::StretchRetreat => &[0, 1, 2, 3, 4, 6],
            Self::AffineRetreat => &[0, 1, 2, 3, 4, 5, 6],
        }
    }
}

/// How the samples scatter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Scatter {
    /// By their standard errors.
    Stated,
    /// By their standard errors times a factor found from the residuals.
    Found,
}

/// How a fit is made.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeFitOptions {
    /// How the samples scatter.
    pub scatter: Scatter,
    /// Residuals beyond so many standard deviations count less (Huber's k); none: least squares.
    pub huber: Option<f64>,
}

impl Default for EdgeFitOptions {
    /// The scatter found; Huber's 1.345 (95 % as good as least squares on normal scatter).
    fn default() -> Self {
        Self {
            scatter: Scatter::Found,
            huber: Some(1.345),
        }
    }
}

/// Why nothing was fitted.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum EdgeFitError {
    /// A number is not finite, a standard error not above 0, or a normal has no direction.
    #[error("places, offsets and normals have to be finite and standard errors above 0")]
    NotFinite,
    /// Fewer samples than parameters.
    #[error("{samples} samples are too few for {parameters} parameters")]
    TooFew {
        /// Samples given.
        samples: usize,
        /// Parameters wanted.
        parameters: usize,
    },
    /// The edges do not tell the parameters apart.
    #[error(
        "the edges that are seen do not tell the parameters apart: some motion moves none of them"
    )]
    NotTold,
}

/// A fitted motion.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeFit {
    /// What was fitted.
    pub model: EdgeModel,
    /// The parameters, in the order of [`PARAMETERS`]; 0 where the model lacks one.
    pub motion: [f64; PARAMETERS],
    /// Their covariance if all samples are independent.
    pub covariance: Covariance,
    /// Their covariance if samples of a piece go together; none with too few pieces.
    pub by_pieces: Option<Covariance>,
    /// Standard deviation of the samples over their stated standard errors.
    pub scale: f64,
    /// Weight of each sample, 0 to 1.
    pub weights: Vec<f64>,
    /// Mean of the places.
    pub centre: Point,
    /// Direction (radians from +x) in which the shift at [`centre`](Self::centre) is told worst.
    pub weakest: f64,
    /// Its standard error there, mm: by pieces if known.
    pub weakest_se: f64,
    /// Residuals, mm.
    pub residuals: Vec<f64>,
    pieces: usize,
}

impl EdgeFit {
    /// Standard error of a parameter: by pieces if known.
    pub fn se(&self, parameter: usize) -> f64 {
        let c = self.by_pieces.as_ref().unwrap_or(&self.covariance);
        c[parameter][parameter].max(0.0).sqrt()
    }

    /// Number of pieces that the samples are from.
    pub fn piece_count(&self) -> f64 {
        count(self.pieces)
    }

    /// Robust deviance and Schwarz's penalty with a given scale; the samples
    /// count as many as there are pieces.
    fn criterion(&self, offsets: &[EdgeOffset], scale: f64, huber: Option<f64>) -> f64 {
        let k = huber.unwrap_or(f64::INFINITY);
        let loss: f64 = offsets
            .iter()
            .zip(&self.residuals)
            .map(|(o, r)| {
                let u = (r / (o.se * scale)).abs();
                if u <= k { u * u } else { k * (2.0 * u - k) }
            })
            .sum();
        let pieces = count(self.pieces);
        loss * pieces / count(offsets.len()) + count(self.model.free().len()) * libm::log(pieces)
    }
}

/// Fits a model.
///
/// # Errors
/// When the samples make no sense or do not tell the parameters.
pub fn fit(
    offsets: &[EdgeOffset],
    model: EdgeModel,
    options: EdgeFitOptions,
) -> Result<EdgeFit, EdgeFitError> {
    let system = System::new(offsets, model)?;
    let n = offsets.len();
    let mut weights = vec![1.0; n];
    let mut solved = system.solve(&weights)?;
    let mut scale = system.scale(&solved, options.scatter, options.huber);
    if let Some(k) = options.huber {
        for _ in 0..500 {
            for ((w, r), o) in weights
                .iter_mut()
                .zip(system.residuals(&solved))
                .zip(offsets)
            {
                let u = (r / (o.se * scale)).abs();
                // Residuals of nothing at all leave no scale.
                *w = if u <= k || scale <= 0.0 { 1.0 } else { k / u };
            }
            let next = system.solve(&weights)?;
            let moved = (&next - &solved).amax();
            let size = 1.0 + next.amax();
            solved = next;
            scale = system.scale(&solved, options.scatter, options.huber);
            if moved <= 1e-13 * size {
                break;
            }
        }
    }
    system.finish(&solved, weights, scale, options.huber)
}

/// Climbs the ladder of models and keeps the one with the least criterion
/// (Schwarz's, robust), with the criterion of each rung that the edges tell.
///
/// # Errors
/// When not even a shift can be told.
pub fn choose(
    offsets: &[EdgeOffset],
    options: EdgeFitOptions,
) -> Result<(EdgeFit, Vec<(EdgeModel, f64)>), EdgeFitError> {
    let mut fits = Vec::new();
    let mut problem = EdgeFitError::NotTold;
    for model in EdgeModel::LADDER {
        match fit(offsets, model, options) {
            Ok(f) => fits.push(f),
            Err(e) => problem = e,
        }
    }
    let scale = fits.last().ok_or(problem)?.scale;
    if scale <= 0.0 {
        // An exact fit: the least model that has one.
        let exact = fits.iter().position(|f| f.scale <= 0.0).unwrap_or(0);
        return Ok((fits.swap_remove(exact), Vec::new()));
    }
    let rungs: Vec<(EdgeModel, f64)> = fits
        .iter()
        .map(|f| (f.model, f.criterion(offsets, scale, options.huber)))
        .collect();
    let best = rungs
        .iter()
        .enumerate()
        .min_by(|a, b| a.1.1.total_cmp(&b.1.1))
        .map_or(0, |(k, _)| k);
    Ok((fits.swap_remove(best), rungs))
}

#[allow(clippy::cast_precision_loss)]
fn count(n: usize) -> f64 {
    n as f64
}
