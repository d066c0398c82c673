//! The frame all lines are fitted in: millimetres on the scanner's bed as the
//! scan's resolution states them, x right, y up, origin at the scan's top-left
//! corner. Angles in it are counter-clockwise as seen.

use restrike_stage::{Affine, Dpi, ImageView, Point};

/// Scale between scan pixels and bed millimetres.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Metric {
    /// Millimetres per pixel, across and down.
    pub(crate) mm: [f64; 2],
    /// Size of the scan, pixels.
    pub(crate) size: [f64; 2],
}

impl Metric {
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn new(scan: ImageView<'_, u16>, dpi: Dpi) -> Self {
        Self {
            mm: dpi.mm_per_px(),
            size: [scan.width() as f64, scan.height() as f64],
        }
    }

    /// Geometric mean of the two pixel pitches, mm.
    pub(crate) fn pitch(&self) -> f64 {
        (self.mm[0] * self.mm[1]).sqrt()
    }

    pub(crate) fn px_of(&self, p: Point) -> Point {
        Point::new(p.x / self.mm[0], -p.y / self.mm[1])
    }

    pub(crate) fn mm_of(&self, p: Point) -> Point {
        Point::new(p.x * self.mm[0], -p.y * self.mm[1])
    }

    /// A displacement in bed mm as pixels.
    pub(crate) fn vector_to_px(&self, v: Point) -> Point {
        Point::new(v.x / self.mm[0], -v.y / self.mm[1])
    }

    /// The map from scan pixels to bed mm.
    pub(crate) fn affine(&self) -> Affine {
        Affine([self.mm[0], 0.0, 0.0, 0.0, -self.mm[1], 0.0])
    }

    /// Extent of the scan, mm.
    pub(crate) fn extent(&self) -> [f64; 2] {
        [self.size[0] * self.mm[0], self.size[1] * self.mm[1]]
    }

    /// Centre of the scan, bed mm.
    pub(crate) fn centre(&self) -> Point {
        self.mm_of(Point::new(self.size[0] / 2.0, self.size[1] / 2.0))
    }

    /// Whether a bed point lies on the scan, `inside` mm or more from its border.
    pub(crate) fn shows(&self, p: Point, inside: f64) -> bool {
        let [w, h] = self.extent();
        p.x >= inside && p.x <= w - inside && -p.y >= inside && -p.y <= h - inside
    }
}

/// The sides of a sheet or an image, in the order used throughout.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Top,
    Right,
    Bottom,
}

impl Side {
    pub(crate) const ALL: [Self; 4] = [Self::Left, Self::Top, Self::Right, Self::Bottom];

    /// Outward unit normal in print coordinates.
    pub(crate) fn outward(self) -> Point {
        match self {
            Self::Left => Point::new(-1.0, 0.0),
            Self::Top => Point::new(0.0, 1.0),
            Self::Right => Point::new(1.0, 0.0),
            Self::Bottom => Point::new(0.0, -1.0),
        }
    }

    /// Direction along the side: the outward normal turned by -90 degrees, so
    /// that the sides run clockwise and the outside is always on the left.
    pub(crate) fn along(self) -> Point {
        let n = self.outward();
        Point::new(n.y, -n.x)
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Left => "left",
            Self::Top => "top",
            Self::Right => "right",
            Self::Bottom => "bottom",
        }
    }

    /// Whether the side runs left to right.
    pub(crate) fn is_level(self) -> bool {
        matches!(self, Self::Top | Self::Bottom)
    }
}

/// Turns a vector by an angle, radians counter-clockwise.
pub(crate) fn turn(v: Point, angle: f64) -> Point {
    let (s, c) = libm::sincos(angle);
    Point::new(c * v.x - s * v.y, s * v.x + c * v.y)
}

/// Angle of a vector, radians.
pub(crate) fn heading(v: Point) -> f64 {
    libm::atan2(v.y, v.x)
}

/// An angle folded into -pi .. pi.
pub(crate) fn fold(angle: f64) -> f64 {
    let tau = std::f64::consts::TAU;
    let a = angle - tau * (angle / tau).floor();
    if a > std::f64::consts::PI { a - tau } else { a }
}
