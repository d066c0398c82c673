//! Points, rectangles and affine maps of the plane.

use serde::{Deserialize, Serialize};

/// A point or a displacement; the unit is said where it is used.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Point {
    /// First coordinate.
    pub x: f64,
    /// Second coordinate.
    pub y: f64,
}

impl Point {
    /// A point from its coordinates.
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y }
    }

    /// Length of the vector from the origin.
    pub fn norm(self) -> f64 {
        (self.x * self.x + self.y * self.y).sqrt()
    }

    /// Distance to another point.
    pub fn distance(self, other: Self) -> f64 {
        (self - other).norm()
    }

    /// Scalar product.
    pub fn dot(self, other: Self) -> f64 {
        self.x * other.x + self.y * other.y
    }
}

impl std::ops::Add for Point {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Self::new(self.x + o.x, self.y + o.y)
    }
}

impl std::ops::Sub for Point {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Self::new(self.x - o.x, self.y - o.y)
    }
}

impl std::ops::Mul<f64> for Point {
    type Output = Self;
    fn mul(self, k: f64) -> Self {
        Self::new(self.x * k, self.y * k)
    }
}

/// An axis-parallel rectangle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Rect {
    /// Corner with the smallest coordinates.
    pub min: Point,
    /// Corner with the largest coordinates.
    pub max: Point,
}

impl Rect {
    /// Rectangle between two corners given in any order.
    pub fn new(a: Point, b: Point) -> Self {
        Self {
            min: Point::new(a.x.min(b.x), a.y.min(b.y)),
            max: Point::new(a.x.max(b.x), a.y.max(b.y)),
        }
    }

    /// Rectangle of a size about the origin.
    pub fn centred(width: f64, height: f64) -> Self {
        Self::new(
            Point::new(-width / 2.0, -height / 2.0),
            Point::new(width / 2.0, height / 2.0),
        )
    }

    /// Extent along the first coordinate.
    pub fn width(&self) -> f64 {
        self.max.x - self.min.x
    }

    /// Extent along the second coordinate.
    pub fn height(&self) -> f64 {
        self.max.y - self.min.y
    }

    /// The middle.
    pub fn centre(&self) -> Point {
        (self.min + self.max) * 0.5
    }

    /// Corners in the order (min, min), (max, min), (max, max), (min, max).
    pub fn corners(&self) -> [Point; 4] {
        [
            self.min,
            Point::new(self.max.x, self.min.y),
            self.max,
            Point::new(self.min.x, self.max.y),
        ]
    }

    /// Whether a point lies inside or on the border.
    pub fn contains(&self, p: Point) -> bool {
        p.x >= self.min.x && p.x <= self.max.x && p.y >= self.min.y && p.y <= self.max.y
    }

    /// The rectangle made larger by `by` on each side (smaller if negative).
    pub fn grown(&self, by: f64) -> Self {
        Self {
            min: Point::new(self.min.x - by, self.min.y - by),
            max: Point::new(self.max.x + by, self.max.y + by),
        }
    }
}

/// An affine map `x' = a x + b y + c`, `y' = d x + e y + f`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Affine(pub [f64; 6]);

impl Default for Affine {
    fn default() -> Self {
        Self::IDENTITY
    }
}

impl Affine {
    /// The map that changes nothing.
    pub const IDENTITY: Self = Self([1.0, 0.0, 0.0, 0.0, 1.0, 0.0]);

    /// A shift.
    pub const fn translation(x: f64, y: f64) -> Self {
        Self([1.0, 0.0, x, 0.0, 1.0, y])
    }

    /// A scaling of each axis.
    pub const fn scale(x: f64, y: f64) -> Self {
        Self([x, 0.0, 0.0, 0.0, y, 0.0])
    }

    /// A rotation by an angle in radians that takes +x towards +y.
    pub fn rotation(angle: f64) -> Self {
        let (s, c) = (libm::sin(angle), libm::cos(angle));
        Self([c, -s, 0.0, s, c, 0.0])
    }

    /// The image of a point.
    pub fn apply(&self, p: Point) -> Point {
        let [a, b, c, d, e, f] = self.0;
        Point::new(a * p.x + b * p.y + c, d * p.x + e * p.y + f)
    }

    /// The image of a displacement (the shift does not count).
    pub fn apply_vector(&self, v: Point) -> Point {
        let [a, b, _, d, e, _] = self.0;
        Point::new(a * v.x + b * v.y, d * v.x + e * v.y)
    }

    /// First `self`, then `next`.
    pub fn then(&self, next: &Self) -> Self {
        let [a, b, c, d, e, f] = self.0;
        let [p, q, r, s, t, u] = next.0;
        Self([
            p * a + q * d,
            p * b + q * e,
            p * c + q * f + r,
            s * a + t * d,
            s * b + t * e,
            s * c + t * f + u,
        ])
    }

    /// Determinant of the linear part: the area scale, negative if mirrored.
    pub fn determinant(&self) -> f64 {
        let [a, b, _, d, e, _] = self.0;
        a * e - b * d
    }

    /// The inverse map, or none when the map is singular.
    pub fn inverse(&self) -> Option<Self> {
        let det = self.determinant();
        if !det.is_finite() || det.abs() < 1e-300 {
            return None;
        }
        let [a, b, c, d, e, f] = self.0;
        let (ia, ib, id, ie) = (e / det, -b / det, -d / det, a / det);
        Some(Self([
            ia,
            ib,
            -(ia * c + ib * f),
            id,
            ie,
            -(id * c + ie * f),
        ]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn inverse_undoes_a_composed_map() {
        let m = Affine::rotation(0.3)
            .then(&Affine::scale(2.0, -3.0))
            .then(&Affine::translation(5.0, 7.0));
        let back = m.then(&m.inverse().unwrap());
        let p = back.apply(Point::new(11.0, -4.0));
        assert!(p.distance(Point::new(11.0, -4.0)) < 1e-12);
        assert!(Affine::scale(0.0, 1.0).inverse().is_none());
    }

    #[test]
    fn order_of_composition_is_first_then_next() {
        let m = Affine::translation(1.0, 0.0).then(&Affine::scale(2.0, 2.0));
        assert_eq!(m.apply(Point::new(1.0, 1.0)), Point::new(4.0, 2.0));
    }
}
