//! The size of a picture, and the maps between its pixels, its full size and
//! the base.

use restrike_model::{Affine, Picture, Point};

use super::{MOST_PIXELS, Options, PictureError};

/// A picture's place on its base.
#[derive(Debug, Clone, Copy)]
pub(super) struct Window {
    /// Pixels across.
    pub(super) width: usize,
    /// Pixels down.
    pub(super) height: usize,
    /// From picture pixels at full size to picture pixels.
    pub(super) scale: [f64; 2],
    /// From picture pixels to base pixels.
    pub(super) to_base: Affine,
    /// Thickness of a plain thin line, pixels: more on larger pictures, which
    /// are looked at from further away.
    pub(super) unit: f64,
}

impl Window {
    pub(super) fn new(
        picture: &Picture,
        base: (usize, usize),
        options: &Options,
    ) -> Result<Self, PictureError> {
        let (full_width, full_height, frame) = match &picture.frame {
            Some(f) => (f.width, f.height, f.to_base),
            None => (base.0 as f64, base.1 as f64, Affine::IDENTITY),
        };
        let usable = |v: f64| v.is_finite() && v > 0.0 && v < 1e9;
        let finite = frame.0.iter().all(|v| v.is_finite() && v.abs() < 1e12);
        if !usable(full_width) || !usable(full_height) || !finite || frame.inverse().is_none() {
            return Err(PictureError::Frame {
                picture: picture.name.clone(),
                width: full_width,
                height: full_height,
            });
        }
        let factor = match options.long_side_px {
            Some(long) => long.max(1) as f64 / full_width.max(full_height),
            None => 1.0,
        };
        let [width, height] = [full_width, full_height].map(|v| (v * factor).round().max(1.0));
        if width * height > MOST_PIXELS {
            return Err(PictureError::TooLarge {
                picture: picture.name.clone(),
                width,
                height,
            });
        }
        // Whole pixels, so each direction has its own scale.
        let scale = [width / full_width, height / full_height];
        let to_base = Affine::scale(1.0 / scale[0], 1.0 / scale[1]).then(&frame);
        Ok(Self {
            width: width as usize,
            height: height as usize,
            scale,
            to_base,
            unit: (width.max(height) / 1600.0).clamp(0.7, 6.0),
        })
    }

    /// A point at full size as one of this picture.
    pub(super) fn place(&self, p: Point) -> Point {
        Point::new(p.x * self.scale[0], p.y * self.scale[1])
    }

    /// Millimetres a step of one pixel to the right is long.
    pub(super) fn mm_per_px(&self, base_mm_per_px: [f64; 2]) -> f64 {
        let step = self.to_base.apply_vector(Point::new(1.0, 0.0));
        Point::new(step.x * base_mm_per_px[0], step.y * base_mm_per_px[1]).norm()
    }
}
