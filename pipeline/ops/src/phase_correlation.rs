//! Shift between two images from the phase of their cross-power spectrum.
//!
//! Sources: Kuglin and Hines, "The phase correlation image alignment method",
//! Proc. IEEE Int. Conf. on Cybernetics and Society, 1975 (phase correlation);
//! Guizar-Sicairos, Thurman and Fienup, "Efficient subpixel image registration
//! algorithms", Optics Letters 33(2), 2008 (the peak refined on a fine grid by
//! a small matrix-multiply Fourier transform).

use rustfft::{FftPlanner, num_complex::Complex64};

/// Where two images agree best, and how well.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhasePeak {
    /// Shift of the second image against the first along the rows, pixels: what
    /// lies at (x, y) in the first lies at (x + dx, y + dy) in the second.
    pub dx: f64,
    /// The same down the columns.
    pub dy: f64,
    /// Weighted mean cosine of the phase differences left after the shift:
    /// 1 for equal images, about 0 for unrelated ones.
    pub response: f64,
}

/// Spectra of images of one size.
pub struct PhaseCorrelator {
    width: usize,
    height: usize,
    planner: FftPlanner<f64>,
}

impl PhaseCorrelator {
    /// For images of `width` by `height` pixels.
    pub fn new(width: usize, height: usize) -> Self {
        Self {
            width,
            height,
            planner: FftPlanner::new(),
        }
    }

    /// The spectrum of an image given row by row; `None` when the length is wrong.
    pub fn spectrum(&mut self, image: &[f32]) -> Option<Vec<Complex64>> {
        if image.len() != self.width * self.height || image.is_empty() {
            return None;
        }
        let mut data: Vec<Complex64> = image
            .iter()
            .map(|&v| Complex64::new(f64::from(v), 0.0))
            .collect();
        self.transform(&mut data, false);
        Some(data)
    }

    /// The best shift, at most `reach` pixels each way, with each frequency
    /// weighted by `weights` (same order as the spectra; negative or not finite
    /// counts as 0). `None` when nothing has weight.
    pub fn correlate(
        &mut self,
        first: &[Complex64],
        second: &[Complex64],
        weights: &[f64],
        reach: f64,
    ) -> Option<PhasePeak> {
        let n = self.width * self.height;
        if first.len() != n || second.len() != n || weights.len() != n {
            return None;
        }
        let mut total = 0.0;
        let cross: Vec<Complex64> = first
            .iter()
            .zip(second)
            .zip(weights)
            .map(|((a, b), &w)| {
                let c = a.conj() * b;
                let size = c.norm_sqr().sqrt();
                if size > 0.0 && size.is_finite() && w > 0.0 && w.is_finite() {
                    total += w;
                    c * (w / size)
                } else {
                    Complex64::new(0.0, 0.0)
                }
            })
            .collect();
        if total <= 0.0 {
            return None;
        }
        // Peak on the pixel grid: the correlation surface at shift s is
        // sum of cross * exp(+2 pi i f.s).
        let mut surface = cross.clone();
        self.transform(&mut surface, true);
        let (mut best, mut value) = ((0.0, 0.0), f64::NEG_INFINITY);
        for (j, row) in surface.chunks_exact(self.width).enumerate() {
            let dy = signed(j, self.height);
            if dy.abs() > reach {
                continue;
            }
            for (i, v) in row.iter().enumerate() {
                let dx = signed(i, self.width);
                if dx.abs() <= reach && v.re > value {
                    value = v.re;
                    best = (dx, dy);
                }
            }
        }
        if !value.is_finite() {
            return None;
        }
        // Grids of 5 x 5 about the best place so far, finer when it stays.
        let mut step = 0.5;
        for _ in 0..64 {
            if step < 0.002 {
                break;
            }
            let grid = self.fine_grid(&cross, best, step);
            let mut at = (2, 2);
            for (j, row) in grid.iter().enumerate() {
                for (i, &v) in row.iter().enumerate() {
                    if v > grid[at.1][at.0] {
                        at = (i, j);
                    }
                }
            }
            value = grid[at.1][at.0];
            if at == (2, 2) {
                step *= 0.5;
            } else {
                best = (best.0 + offset(at.0) * step, best.1 + offset(at.1) * step);
            }
        }
        Some(PhasePeak {
            dx: best.0,
            dy: best.1,
            response: value / total,
        })
    }

    /// Values of the correlation surface on 5 x 5 places `step` apart.
    fn fine_grid(&self, cross: &[Complex64], centre: (f64, f64), step: f64) -> [[f64; 5]; 5] {
        let tau = std::f64::consts::TAU;
        let kernel = |n: usize, at: f64| -> Vec<Complex64> {
            (0..n)
                .map(|k| {
                    #[allow(clippy::cast_precision_loss)]
                    let f = signed(k, n) / n as f64;
                    let (s, c) = libm::sincos(tau * f * at);
                    Complex64::new(c, s)
                })
                .collect()
        };
        let xs: Vec<Vec<Complex64>> = (0..5)
            .map(|i| kernel(self.width, centre.0 + offset(i) * step))
            .collect();
        let ys: Vec<Vec<Complex64>> = (0..5)
            .map(|j| kernel(self.height, centre.1 + offset(j) * step))
            .collect();
        let mut grid = [[0.0; 5]; 5];
        for (r, row) in cross.chunks_exact(self.width).enumerate() {
            for (i, x) in xs.iter().enumerate() {
                let sum: Complex64 = row.iter().zip(x).map(|(c, k)| c * k).sum();
                for (j, y) in ys.iter().enumerate() {
                    grid[j][i] += (sum * y[r]).re;
                }
            }
        }
        grid
    }

    fn transform(&mut self, data: &mut [Complex64], inverse: bool) {
        let (w, h) = (self.width, self.height);
        let mut plan = |n| {
            if inverse {
                self.planner.plan_fft_inverse(n)
            } else {
                self.planner.plan_fft_forward(n)
            }
        };
        let (rows, columns) = (plan(w), plan(h));
        rows.process(data);
        let mut column = vec![Complex64::new(0.0, 0.0); h];
        for x in 0..w {
            for (y, v) in column.iter_mut().enumerate() {
                *v = data[y * w + x];
            }
            columns.process(&mut column);
            for (y, v) in column.iter().enumerate() {
                data[y * w + x] = *v;
            }
        }
    }
}

/// Weights for [`PhaseCorrelator::correlate`]: a band of spatial frequencies,
/// 1 - exp(-(f/low)^2/2) times exp(-(f/high)^2/2), f in cycles per pixel.
pub fn band_weights(width: usize, height: usize, low: f64, high: f64) -> Vec<f64> {
    let mut out = Vec::with_capacity(width * height);
    for j in 0..height {
        for i in 0..width {
            #[allow(clippy::cast_precision_loss)]
            let (fx, fy) = (
                signed(i, width) / width as f64,
                signed(j, height) / height as f64,
            );
            let f2 = fx * fx + fy * fy;
            let rise = 1.0 - libm::exp(-f2 / (2.0 * low * low));
            out.push(rise * libm::exp(-f2 / (2.0 * high * high)));
        }
    }
    out
}

/// Index of a discrete frequency or shift as a signed number.
#[allow(clippy::cast_precision_loss)]
fn signed(k: usize, n: usize) -> f64 {
    if 2 * k > n {
        k as f64 - n as f64
    } else {
        k as f64
    }
}

#[allow(clippy::cast_precision_loss)]
fn offset(i: usize) -> f64 {
    i as f64 - 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn noise(width: usize, height: usize, seed: u64) -> Vec<f32> {
        let mut state = seed;
        (0..width * height)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 40) as f32 / (1_u32 << 24) as f32
            })
            .collect()
    }

    /// The image moved by (dx, dy) through the shift theorem.
    fn moved(c: &mut PhaseCorrelator, image: &[f32], dx: f64, dy: f64) -> Vec<f32> {
        let (w, h) = (c.width, c.height);
        let mut f = c.spectrum(image).unwrap();
        for j in 0..h {
            for i in 0..w {
                let phase = -std::f64::consts::TAU
                    * (signed(i, w) / w as f64 * dx + signed(j, h) / h as f64 * dy);
                let (s, k) = libm::sincos(phase);
                f[j * w + i] *= Complex64::new(k, s);
            }
        }
        c.transform(&mut f, true);
        f.iter().map(|v| (v.re / (w * h) as f64) as f32).collect()
    }

    #[test]
    fn known_shift_of_the_scikit_image_example() {
        // scikit-image gallery "Image Registration" (plot_register_translation):
        // an image shifted by (-22.4, 13.32) rows, columns through the Fourier
        // shift theorem is registered as (22.4, -13.32) at upsampling 100. The
        // shift is theirs, the image here is noise of the same size.
        let mut c = PhaseCorrelator::new(512, 512);
        let image = noise(512, 512, 3);
        let shifted = moved(&mut c, &image, 13.32, -22.4);
        let (a, b) = (c.spectrum(&image).unwrap(), c.spectrum(&shifted).unwrap());
        let weights = band_weights(512, 512, 0.005, 0.15);
        let peak = c.correlate(&a, &b, &weights, 64.0).unwrap();
        assert!((peak.dx - 13.32).abs() < 0.005, "{peak:?}");
        assert!((peak.dy + 22.4).abs() < 0.005, "{peak:?}");
        assert!(peak.response > 0.99, "{peak:?}");
    }

    #[test]
    fn unrelated_images_do_not_respond() {
        let mut c = PhaseCorrelator::new(200, 140);
        let a = c.spectrum(&noise(200, 140, 1)).unwrap();
        let b = c.spectrum(&noise(200, 140, 2)).unwrap();
        let weights = band_weights(200, 140, 0.01, 0.2);
        let peak = c.correlate(&a, &b, &weights, 10.0).unwrap();
        assert!(peak.response < 0.1, "{peak:?}");
    }

    #[test]
    fn flat_images_have_no_peak() {
        let mut c = PhaseCorrelator::new(32, 16);
        let a = c.spectrum(&[0.0; 512]).unwrap();
        let weights = band_weights(32, 16, 0.01, 0.2);
        assert!(c.correlate(&a, &a, &weights, 5.0).is_none());
        assert!(c.spectrum(&[0.0; 511]).is_none());
    }
}
