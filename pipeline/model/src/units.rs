//! Resolution and its relation to lengths.

use serde::{Deserialize, Serialize};

/// Millimetres in an inch (exact, ISO 80000-3).
pub const MM_PER_INCH: f64 = 25.4;

/// Sampling frequency of a scan in pixels per inch, across and down.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Dpi {
    /// Pixels per inch across.
    pub x: f64,
    /// Pixels per inch down.
    pub y: f64,
}

impl Dpi {
    /// The same resolution both ways.
    pub fn square(dpi: f64) -> Self {
        Self { x: dpi, y: dpi }
    }

    /// Millimetres per pixel, across and down.
    pub fn mm_per_px(self) -> [f64; 2] {
        [MM_PER_INCH / self.x, MM_PER_INCH / self.y]
    }

    /// Geometric mean of the two directions.
    pub fn mean(self) -> f64 {
        (self.x * self.y).sqrt()
    }
}
