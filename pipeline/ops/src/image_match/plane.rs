//! The plane two scans are compared on: lightness at a reduced size.

use restrike_model::{ImageView, Raster};

use crate::area_shrink::area_shrink;

/// Most pixels of a plane that features are looked for on: details that make a
/// place of a print known again are about half a millimetre large.
const MOST_PIXELS: f64 = 1.6e6;

/// Lightness of a scan, each pixel the mean of `factor` by `factor` scan pixels.
#[derive(Debug, Clone)]
pub(crate) struct Plane {
    /// Cube root of the luminance, as CIE lightness has it, 0 to 255.
    pub(crate) values: Raster<f32>,
    /// Scan pixels in a pixel of the plane, each way.
    pub(crate) factor: usize,
}

impl Plane {
    /// A plane by a whole factor.
    pub(crate) fn new(scan: ImageView<'_, u16>, factor: usize) -> Self {
        let factor = factor.max(1);
        let small = area_shrink(scan, factor, factor);
        let (w, h, c) = (small.width(), small.height(), small.channels());
        let mut values = Raster::new(w, h, 1);
        for y in 0..h {
            let source = small.row(y);
            for (v, p) in values
                .row_mut(y)
                .iter_mut()
                .zip(source.chunks_exact(c.max(1)))
            {
                let light = match p {
                    // Luminance of linear sRGB (IEC 61966-2-1).
                    [r, g, b] => 0.2126 * r + 0.7152 * g + 0.0722 * b,
                    _ => p.first().copied().unwrap_or(0.0),
                };
                *v = 255.0 * libm::cbrtf(light.clamp(0.0, 1.0));
            }
        }
        Self { values, factor }
    }

    /// The least factor that keeps a plane small enough.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub(crate) fn factor_for(scan: ImageView<'_, u16>) -> usize {
        let pixels = scan.width() as f64 * scan.height() as f64;
        (pixels / MOST_PIXELS).sqrt().ceil().max(1.0) as usize
    }

    /// The plane less its mean over boxes of `2 reach + 1` pixels: light,
    /// paper and even ink go, the drawing stays.
    pub(crate) fn detail(&self, reach: usize) -> Raster<f32> {
        let (w, h) = (self.values.width(), self.values.height());
        let mut sums = vec![0.0_f64; (w + 1) * (h + 1)];
        for y in 0..h {
            let mut sum = 0.0;
            for (x, v) in self.values.row(y).iter().enumerate() {
                sum += f64::from(*v);
                sums[(y + 1) * (w + 1) + x + 1] = sums[y * (w + 1) + x + 1] + sum;
            }
        }
        let mut out = self.values.clone();
        for y in 0..h {
            let (a, b) = (y.saturating_sub(reach), (y + reach + 1).min(h));
            for (x, v) in out.row_mut(y).iter_mut().enumerate() {
                let (l, r) = (x.saturating_sub(reach), (x + reach + 1).min(w));
                let at = |x: usize, y: usize| sums[y * (w + 1) + x];
                #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
                {
                    let n = ((r - l) * (b - a)) as f64;
                    *v -= ((at(r, b) - at(l, b) - at(r, a) + at(l, a)) / n) as f32;
                }
            }
        }
        out
    }
}

/// A value between pixels, bilinear; `x`, `y` with pixel centres at whole
/// numbers. `None` outside.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn sample(plane: &Raster<f32>, x: f64, y: f64) -> Option<f32> {
    let (w, h) = (plane.width(), plane.height());
    if !(x >= 0.0 && y >= 0.0) || w < 2 || h < 2 {
        return None;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 1 >= w || j + 1 >= h {
        return None;
    }
    let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
    let (a, b) = (&plane.row(j)[i..i + 2], &plane.row(j + 1)[i..i + 2]);
    let top = a[0] + fx * (a[1] - a[0]);
    let bottom = b[0] + fx * (b[1] - b[0]);
    Some(top + fy * (bottom - top))
}
