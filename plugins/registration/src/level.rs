//! The scan at one resolution, as the fit sees it.

use restrike_ops::area_shrink::area_shrink;
use restrike_stage::{Affine, ImageView, Point, Raster};

/// A scan at full resolution or averaged.
pub(crate) struct Level<'a> {
    pixels: Pixels<'a>,
    /// From pixel coordinates (a pixel's centre at half a pixel) to print mm.
    pub(crate) to_print: Affine,
    /// Side of a pixel, mm.
    pub(crate) pixel: f64,
}

enum Pixels<'a> {
    Full(ImageView<'a, u16>),
    Small(Raster<f32>),
}

impl<'a> Level<'a> {
    /// The scan averaged over `factor` x `factor` pixels.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn new(scan: ImageView<'a, u16>, to_print: &Affine, factor: usize) -> Self {
        let k = factor.max(1) as f64;
        let to_print = Affine::scale(k, k).then(to_print);
        let pixels = if factor <= 1 {
            Pixels::Full(scan)
        } else {
            Pixels::Small(area_shrink(scan, factor, factor))
        };
        Self {
            pixels,
            to_print,
            pixel: to_print.determinant().abs().sqrt(),
        }
    }

    /// Pixels across and down.
    pub(crate) fn size(&self) -> (usize, usize) {
        match &self.pixels {
            Pixels::Full(v) => (v.width(), v.height()),
            Pixels::Small(r) => (r.width(), r.height()),
        }
    }

    /// Linear reflectance of a pixel; a grey scan's is the same in all channels.
    pub(crate) fn pixel(&self, x: usize, y: usize) -> [f64; 3] {
        match &self.pixels {
            Pixels::Full(v) => {
                let p = v.pixel(x, y);
                let last = p.len() - 1;
                [0, 1, 2].map(|c| f64::from(p[c.min(last)]) / 65535.0)
            }
            Pixels::Small(r) => {
                let n = r.channels();
                [0, 1, 2].map(|c| f64::from(r.get(x, y, c.min(n - 1))))
            }
        }
    }

    /// Print place of a pixel's centre.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn place(&self, x: usize, y: usize) -> Point {
        self.to_print
            .apply(Point::new(x as f64 + 0.5, y as f64 + 0.5))
    }
}
