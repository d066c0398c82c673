//! The sheet straightened at low resolution, in its paper's frame: what sheet
//! identity and duplicates are judged by.

use kornia_image::{Image, ImageSize};
use kornia_imgproc::interpolation::InterpolationMode;
use kornia_imgproc::warp::warp_affine;
use restrike_ops::box_mean::{Gaps, box_mean};
use restrike_ops::stats::quantile;
use restrike_stage::{Affine, Raster, StageError};

use crate::overview::{LUMINANCE, Overview};
use crate::sheet_frame::SheetFrame;

/// Fine pixels in a coarse one, each way.
pub(crate) const FINE: usize = 3;

/// A straightened sheet, rows from the top, centred on the sheet's centre.
pub(crate) struct LowRes {
    /// Coarse pixel pitch, print mm.
    pub(crate) pitch: f64,
    /// Coarse absorption -ln(R / paper); 0 outside the sheet.
    pub(crate) absorption: Raster<f32>,
    /// Fine absorption, `FINE` times as many pixels each way; NaN outside the sheet.
    pub(crate) fine: Raster<f32>,
}

/// Sheet left out at the edges, mm: deckle, shadow, a little of the bed.
const INSET_MM: f64 = 4.0;

impl LowRes {
    /// Straightens the sheet at a coarse pitch of `pitch` print mm.
    ///
    /// # Errors
    /// When the sheet is too small or the resampling fails.
    pub(crate) fn new(
        overview: &Overview,
        frame: &SheetFrame,
        pitch: f64,
    ) -> Result<Self, StageError> {
        let back = frame
            .print_map()
            .inverse()
            .ok_or_else(|| StageError::new("the sheet has no size"))?;
        Self::through(overview, &back, frame.size, pitch)
    }

    /// The same through any map from print mm to bed mm, for a sheet of `size` mm.
    ///
    /// # Errors
    /// As [`new`](Self::new).
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub(crate) fn through(
        overview: &Overview,
        to_bed: &Affine,
        size: [f64; 2],
        pitch: f64,
    ) -> Result<Self, StageError> {
        let [w, h] = size.map(|s| (s / pitch).round().clamp(0.0, 2000.0) as usize);
        if w < 16 || h < 16 {
            return Err(StageError::new(format!(
                "the sheet is only {w} x {h} low-resolution pixels"
            )));
        }
        let (fw, fh) = (w * FINE, h * FINE);
        let fail = |e: kornia_image::ImageError| StageError::new(format!("resampling: {e}"));
        let mut plane = overview.plane(LUMINANCE);
        // Kornia leaves places outside the source as they are or 0: with 1
        // added to every sample, anything under 1 is outside.
        for v in plane.data_mut() {
            *v += 1.0;
        }
        let size = ImageSize {
            width: plane.width(),
            height: plane.height(),
        };
        let source = Image::<f32, 1>::new(size, plane.into_vec()).map_err(fail)?;
        let size = ImageSize {
            width: fw,
            height: fh,
        };
        let mut fine = Image::<f32, 1>::from_size_val(size, 0.0).map_err(fail)?;
        // Fine pixel index -> print mm -> bed mm -> overview pixel index.
        let step = pitch / FINE as f64;
        let (hx, hy) = (fw as f64 / 2.0, fh as f64 / 2.0);
        let to_print = Affine([step, 0.0, (0.5 - hx) * step, 0.0, -step, (hy - 0.5) * step]);
        let to_index = Affine([
            1.0 / overview.mm[0],
            0.0,
            -0.5,
            0.0,
            -1.0 / overview.mm[1],
            -0.5,
        ]);
        let forward = to_print
            .then(to_bed)
            .then(&to_index)
            .inverse()
            .ok_or_else(|| StageError::new("the sheet has no size"))?;
        warp_affine(
            &source,
            &mut fine,
            &forward.0.map(|v| v as f32),
            InterpolationMode::Bilinear,
        )
        .map_err(fail)?;
        let mut fine = Raster::from_vec(fw, fh, 1, fine.to_vec())
            .map_err(|e| StageError::new(e.to_string()))?;
        let inset = (INSET_MM / step).round() as usize;
        let mut values = Vec::new();
        for y in 0..fh {
            let edge = y.min(fh - 1 - y) < inset;
            for (x, v) in fine.row_mut(y).iter_mut().enumerate() {
                if edge || x.min(fw - 1 - x) < inset || *v < 1.0 {
                    *v = f32::NAN;
                } else {
                    *v -= 1.0;
                    if (x + y) % 7 == 0 {
                        values.push(f64::from(*v));
                    }
                }
            }
        }
        let paper = quantile(&values, 0.9)
            .filter(|p| *p > 0.0)
            .ok_or_else(|| StageError::new("nothing of the sheet is in the scan"))?;
        let mut absorption = Raster::new(w, h, 1);
        for y in 0..h {
            for x in 0..w {
                let (mut sum, mut n) = (0.0_f32, 0.0_f32);
                for j in 0..FINE {
                    for v in &fine.row(y * FINE + j)[x * FINE..(x + 1) * FINE] {
                        if v.is_finite() {
                            sum += v;
                            n += 1.0;
                        }
                    }
                }
                if n > 0.0 {
                    absorption.set(x, y, 0, density(sum / n, paper));
                }
            }
        }
        for v in fine.data_mut() {
            if v.is_finite() {
                *v = density(*v, paper);
            }
        }
        Ok(Self {
            pitch,
            absorption,
            fine,
        })
    }
}

#[allow(clippy::cast_possible_truncation)]
fn density(v: f32, paper: f64) -> f32 {
    -libm::logf((v / paper as f32).clamp(0.02, 2.0))
}

/// The plane less its mean over boxes of `2 reach + 1` pixels (borders repeat nothing:
/// the mean is over what is there).
pub(crate) fn high_pass(plane: &Raster<f32>, reach: usize) -> Raster<f32> {
    let mean = box_mean(plane, reach, Gaps::LeftOut);
    let mut out = plane.clone();
    for (v, m) in out.data_mut().iter_mut().zip(mean.data()) {
        *v -= m;
    }
    out
}
