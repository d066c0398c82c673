//! The scan's blur as a handful of taps, and edges drawn to be seen through it.

use restrike_ops::bisect::bisect;
use restrike_stage::Point;

use crate::sheet::Sheet;

/// Taps by axis, and their distance in standard deviations.
const TAPS: usize = 5;
const STEP: f64 = 1.0;
/// All taps.
pub(crate) const ALL: usize = TAPS * TAPS;

/// A Gaussian in taps about a pixel's centre.
#[derive(Debug, Clone)]
pub(crate) struct Blur {
    /// Weights, together 1.
    pub(crate) kernel: [f64; ALL],
    /// Places relative to the pixel's centre, mm in the blocks' coordinates.
    pub(crate) offsets: [Point; ALL],
    /// Edges are drawn as ramps of this width, mm.
    ramp: f64,
}

impl Blur {
    /// The sheet's blur.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn new(sheet: &Sheet<'_>) -> Self {
        let sigma = sheet.blur / sheet.pixel;
        let h = STEP * sigma;
        // Edges are drawn as ramps as wide as the taps are apart, which blur by h^2 / 12; the
        // taps' own variance, cut off as they are, has to make up the rest.
        let inner = sigma * sigma * inner(1.0 - STEP * STEP / 12.0);
        let mut kernel = [0.0; ALL];
        let mut offsets = [Point::default(); ALL];
        let steps = sheet.steps();
        let mut total = 0.0;
        for (i, (k, o)) in kernel.iter_mut().zip(&mut offsets).enumerate() {
            let at = |n: usize| (n as f64 - (TAPS / 2) as f64) * h;
            let (u, v) = (at(i % TAPS), at(i / TAPS));
            *k = libm::exp(-0.5 * (u * u + v * v) / inner);
            *o = steps[0] * u + steps[1] * v;
            total += *k;
        }
        for k in &mut kernel {
            *k /= total;
        }
        Self {
            kernel,
            offsets,
            ramp: h * sheet.pixel,
        }
    }

    /// Distance of neighbouring taps, mm.
    pub(crate) fn step(&self) -> f64 {
        self.ramp
    }

    /// Share of a tap that lies inside an edge at this distance, mm, negative inside.
    pub(crate) fn cover(&self, distance: f64) -> f64 {
        (0.5 - distance / self.ramp).clamp(0.0, 1.0)
    }
}

/// Variance of the Gaussian whose taps have this variance, in standard deviations of the blur.
fn inner(variance: f64) -> f64 {
    bisect(0.1, 5.0, 40, |v| {
        let (mut sum, mut square) = (0.0, 0.0);
        for n in 0..TAPS {
            #[allow(clippy::cast_precision_loss)]
            let x = (n as f64 - (TAPS / 2) as f64) * STEP;
            let k = libm::exp(-0.5 * x * x / v);
            sum += k;
            square += k * x * x;
        }
        square / sum < variance
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_taps_and_their_ramps_blur_as_much_as_they_say() {
        let v = inner(1.0 - STEP * STEP / 12.0);
        let (mut sum, mut square) = (0.0, 0.0);
        for n in 0..TAPS {
            let x = (n as f64 - (TAPS / 2) as f64) * STEP;
            let k = libm::exp(-0.5 * x * x / v);
            sum += k;
            square += k * x * x;
        }
        assert!((square / sum + STEP * STEP / 12.0 - 1.0).abs() < 1e-6);
    }
}
