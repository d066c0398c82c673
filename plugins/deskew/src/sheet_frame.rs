//! The sheet's own frame: where its centre lies on the bed and how it is turned.

use restrike_stage::{Affine, Point, Size};

use crate::metric::{Metric, Side, turn};
use crate::rectangle::Rectangle;

/// Print coordinates of the sheet laid on the bed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SheetFrame {
    /// The sheet's centre, bed mm.
    pub(crate) centre: Point,
    /// Turn, radians counter-clockwise.
    pub(crate) angle: f64,
    /// Bed mm in a print mm (1 unless the stated resolution is wrong).
    pub(crate) scale: f64,
    /// Extent of the sheet (or of what the scan shows of it), print mm.
    pub(crate) size: [f64; 2],
    /// Whether the centre is known across and up the sheet.
    pub(crate) placed: [bool; 2],
}

impl SheetFrame {
    /// The frame from the paper's edges, the sheet's stated size, and the
    /// scan itself where both are missing.
    pub(crate) fn new(
        paper: &Rectangle,
        stated: Option<Size>,
        metric: &Metric,
        angle: Option<f64>,
    ) -> Self {
        let angle = angle.or(paper.rotation().map(|a| a.value)).unwrap_or(0.0);
        let measured = [paper.extent(true), paper.extent(false)];
        let stated = stated.map(|s| [s.width_mm, s.height_mm]);
        let scale = scale_error(measured, stated).unwrap_or(1.0);
        // A point of each side at the height of the scan's centre.
        let middle = metric.centre();
        let across = |side: Side| -> Option<f64> {
            let line = paper.side(side)?;
            let axis = turn(
                if side.is_level() {
                    Point::new(0.0, 1.0)
                } else {
                    Point::new(1.0, 0.0)
                },
                angle,
            );
            let p = line.at((middle - line.centre).dot(line.direction));
            Some((p - middle).dot(axis))
        };
        let shown = metric.extent();
        let mut at = [0.0; 2];
        let mut size = [0.0; 2];
        let mut placed = [false; 2];
        for (axis, (low, high)) in [(Side::Left, Side::Right), (Side::Bottom, Side::Top)]
            .into_iter()
            .enumerate()
        {
            let nominal = stated.map(|s| s[axis] * scale);
            let (place, length, known) = match (across(low), across(high), nominal) {
                (Some(a), Some(b), _) => ((a + b) / 2.0, b - a, true),
                (Some(a), None, Some(n)) => (a + n / 2.0, n, true),
                (None, Some(b), Some(n)) => (b - n / 2.0, n, true),
                (Some(a), None, None) => {
                    ((a + shown[axis] / 2.0) / 2.0, shown[axis] / 2.0 - a, false)
                }
                (None, Some(b), None) => {
                    ((b - shown[axis] / 2.0) / 2.0, b + shown[axis] / 2.0, false)
                }
                (None, None, n) => (0.0, n.unwrap_or(shown[axis]), false),
            };
            at[axis] = place;
            size[axis] = length / scale;
            placed[axis] = known;
        }
        Self {
            centre: middle + turn(Point::new(at[0], at[1]), angle),
            angle,
            scale,
            size,
            placed,
        }
    }

    /// Whether millimetres go by the sheet's stated size instead of the scan's resolution.
    pub(crate) fn rescaled(&self) -> bool {
        (self.scale - 1.0).abs() > 1e-12
    }

    /// Where a print point lies on the bed.
    pub(crate) fn bed_of(&self, p: Point) -> Point {
        self.centre + turn(p * self.scale, self.angle)
    }

    /// The map from bed mm to print mm.
    pub(crate) fn print_map(&self) -> Affine {
        Affine::translation(-self.centre.x, -self.centre.y)
            .then(&Affine::rotation(-self.angle))
            .then(&Affine::scale(1.0 / self.scale, 1.0 / self.scale))
    }
}

/// The common factor by which a sheet measures larger than stated, where the
/// proportions are right but the size is plainly wrong: the scan's resolution
/// is not what it says.
pub(crate) fn scale_error(
    measured: [Option<(f64, f64)>; 2],
    stated: Option<[f64; 2]>,
) -> Option<f64> {
    let (w, h) = (measured[0]?.0, measured[1]?.0);
    let stated = stated?;
    let (x, y) = (w / stated[0], h / stated[1]);
    let wrong = |r: f64| !(0.96..=1.04).contains(&r);
    ((x / y - 1.0).abs() < 0.02 && wrong(x) && wrong(y)).then(|| (x * y).sqrt())
}
