//! The map from a block's own places to the scan, made straight about one of them.

use restrike_ops::placement::{BlockPlace, Placement};
use restrike_stage::Point;

/// The map from a block's own places to the scan about one of them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Local {
    at: Point,
    px: Point,
    x: Point,
    y: Point,
}

impl Local {
    pub(crate) fn about(placement: &Placement, block: &BlockPlace, at: Point) -> Option<Self> {
        const ARM: f64 = 0.5;
        let to = |p: Point| placement.scan_place(block, p);
        let px = to(at)?;
        let x = to(at + Point::new(ARM, 0.0))? - to(at - Point::new(ARM, 0.0))?;
        let y = to(at + Point::new(0.0, ARM))? - to(at - Point::new(0.0, ARM))?;
        Some(Self {
            at,
            px,
            x: x * (0.5 / ARM),
            y: y * (0.5 / ARM),
        })
    }

    pub(crate) fn vector(&self, v: Point) -> Point {
        self.x * v.x + self.y * v.y
    }

    pub(crate) fn apply(&self, p: Point) -> Point {
        self.px + self.vector(p - self.at)
    }
}
