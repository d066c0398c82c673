//! Where the blocks of a record lie in a scan: one composed map from scan
//! pixels to every block's own coordinates.
//!
//! Scan pixel coordinates (pixel (i, j) covers i to i + 1, j to j + 1) go by an
//! affine map to a place p of the sheet, mm. The key's print tells the record's
//! place k = p - u(p), u quadratic in p; a colour block rides on the key and
//! has its own place b = k - e(k), e linear about the block's centroid: shift,
//! turn, stretch and shear. Sampling the scan through the whole map means that
//! no picture is interpolated twice.

use restrike_model::{Affine, Point};
use serde::{Deserialize, Serialize};

use crate::grid::Grid;

/// Parameters of the key's displacement: constant, linear, quadratic by axis.
pub const KEY: usize = 12;
/// Parameters of a colour block's motion.
pub const RIDE: usize = 6;

/// Motion of a colour block against the key.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Ride {
    /// Centroid of the printed shape, record mm.
    pub centre: Point,
    /// Root mean square distance of the shape from its centroid, mm.
    pub radius: f64,
    /// Shift along x and y; turn, stretch along x and y, shear at `radius`, mm.
    pub by: [f64; RIDE],
}

impl Ride {
    /// At rest.
    pub fn still(centre: Point, radius: f64) -> Self {
        Self {
            centre,
            radius: radius.max(1.0),
            by: [0.0; RIDE],
        }
    }

    /// The same motion about another place and radius.
    #[must_use]
    pub fn about(&self, centre: Point, radius: f64) -> Self {
        let mut out = Self::still(centre, radius);
        let shift = self.displacement(centre);
        let grow = out.radius / self.radius;
        out.by = self.by.map(|v| v * grow);
        (out.by[0], out.by[1]) = (shift.x, shift.y);
        out
    }

    /// Place relative to the centroid, in radii.
    pub fn relative(&self, k: Point) -> Point {
        (k - self.centre) * (1.0 / self.radius)
    }

    /// How a displacement along x and along y changes with `by`, at a place
    /// relative to the centroid, in radii.
    pub fn slopes(q: Point) -> [[f64; RIDE]; 2] {
        [
            [1.0, 0.0, -q.y, q.x, 0.0, q.y],
            [0.0, 1.0, q.x, 0.0, q.y, q.x],
        ]
    }

    /// Displacement at a place of the record.
    pub fn displacement(&self, k: Point) -> Point {
        let q = self.relative(k);
        let [dx, dy, turn, ex, ey, shear] = self.by;
        Point::new(
            dx + (shear - turn) * q.y + ex * q.x,
            dy + (shear + turn) * q.x + ey * q.y,
        )
    }

    /// The displacement as parameters about the origin: dx, dy in mm, turn in
    /// radians, stretch along x and y, shear (half the angle lost, radians); and the matrix that leads there.
    pub fn about_origin(&self) -> ([f64; RIDE], [[f64; RIDE]; RIDE]) {
        let (c, r) = (self.centre, self.radius);
        let mut m = [[0.0; RIDE]; RIDE];
        m[0] = [1.0, 0.0, c.y / r, -c.x / r, 0.0, -c.y / r];
        m[1] = [0.0, 1.0, -c.x / r, 0.0, -c.y / r, -c.x / r];
        for (i, row) in m.iter_mut().enumerate().skip(2) {
            row[i] = 1.0 / r;
        }
        let mut out = [0.0; RIDE];
        for (o, row) in out.iter_mut().zip(&m) {
            *o = row.iter().zip(self.by).map(|(a, b)| a * b).sum();
        }
        (out, m)
    }

    /// From the block's own place to where it prints in the record.
    pub fn map(&self) -> Option<Affine> {
        let ([dx, dy, t, ex, ey, s], _) = self.about_origin();
        // b = k - e(k)
        Affine([1.0 - ex, t - s, -dx, -t - s, 1.0 - ey, -dy]).inverse()
    }
}

/// Basis of a quadratic in a place, the place divided by `half`: 1, x, y, xx, xy, yy.
pub fn quadratic(p: Point, half: f64) -> [f64; 6] {
    let (x, y) = (p.x / half, p.y / half);
    [1.0, x, y, x * x, x * y, y * y]
}

/// Displacement of the key at a place of the sheet, mm: six coefficients of
/// [`quadratic`] for x, six for y.
pub fn key_displacement(key: &[f64; KEY], half: f64, p: Point) -> Point {
    let f = quadratic(p, half);
    let dot = |k: &[f64]| k.iter().zip(f).map(|(a, b)| a * b).sum();
    Point::new(dot(&key[..6]), dot(&key[6..]))
}

/// A smooth field over the sheet: values at the nodes of a grid, bilinear between.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Field {
    /// Place of the first node, mm.
    pub origin: Point,
    /// Distance of the nodes, mm.
    pub pitch: f64,
    /// Nodes across.
    pub width: usize,
    /// Nodes down.
    pub height: usize,
    /// Values, row by row.
    pub values: Vec<f64>,
}

impl Field {
    /// The field's value at a place of the sheet, mm.
    pub fn at(&self, p: Point) -> f64 {
        let grid = Grid {
            origin: self.origin,
            pitch: self.pitch,
            width: self.width,
            height: self.height,
        };
        grid.nodes(p)
            .iter()
            .map(|(n, w)| w * self.values.get(*n).copied().unwrap_or(0.0))
            .sum()
    }
}

/// A block on a sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BlockPlace {
    /// The block's name.
    pub name: String,
    /// Whether it is the key.
    pub key: bool,
    /// Why its place is not to be believed; none where it is located.
    pub why: Option<String>,
    /// Its motion on top of the key's; at rest for the key.
    pub ride: Ride,
    /// Standard error of its displacement, root mean square over what it prints, mm; none
    /// where the sheet does not tell even roughly where it lies.
    pub se_mm: Option<f64>,
    /// How far its edges stand back from the record's, mm; negative if they have grown.
    pub retreat_mm: f64,
    /// Strength of its ink against the record's.
    pub strength: f64,
    /// Body of a solid of its ink ([`crate::ink_body`]); 0 where the sheet
    /// does not clearly show that it has body.
    #[serde(default)]
    pub veil: f64,
    /// How far the veil may be off; 0 where none was looked for.
    #[serde(default)]
    pub veil_se: f64,
    /// Absorption at strength 1, red, green and blue: -ln of transmitted linear light. The colour
    /// is that of the ink as printed here, the amount that of the record's solid.
    pub absorption: [f64; 3],
    /// Local strength over the sheet's mean.
    pub local_strength: Field,
}

impl BlockPlace {
    /// Whether the sheet tells where it is.
    pub fn located(&self) -> bool {
        self.why.is_none()
    }

    /// How well its place is known, in words.
    pub fn basis(&self) -> &'static str {
        match (&self.why, self.se_mm) {
            (None, _) => "located",
            (Some(_), Some(_)) => "roughly located",
            (Some(_), None) => "not located",
        }
    }

    /// Its own place of a place of the record.
    pub fn own_place(&self, k: Point) -> Point {
        if self.key {
            k
        } else {
            k - self.ride.displacement(k)
        }
    }
}

/// Where all blocks lie on a sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// From scan pixels to mm on the sheet.
    pub to_print: Affine,
    /// Displacement of the key's print, mm: see [`key_displacement`].
    pub key: [f64; KEY],
    /// Length that the key's places are divided by, mm.
    pub half: f64,
    /// Standard deviation of the scan's blur, pixels.
    pub blur_px: f64,
    /// Logarithm of the bare paper's linear reflectance: red, green, blue.
    pub paper: [Field; 3],
    /// The blocks, in the record's order.
    pub blocks: Vec<BlockPlace>,
}

impl Placement {
    /// From the text that [`Placement::to_json`] wrote.
    ///
    /// # Errors
    /// When the text is none.
    pub fn from_json(text: &str) -> Result<Self, serde_json::Error> {
        serde_json::from_str(text)
    }

    /// As text; numbers are written so that reading gives the same bits.
    ///
    /// # Errors
    /// When a number is none.
    pub fn to_json(&self) -> Result<String, serde_json::Error> {
        serde_json::to_string(self)
    }

    /// Side of a scan pixel, mm.
    pub fn pixel_mm(&self) -> f64 {
        self.to_print.determinant().abs().sqrt()
    }

    /// A block by its name.
    pub fn block(&self, name: &str) -> Option<&BlockPlace> {
        self.blocks.iter().find(|b| b.name == name)
    }

    /// The place on the sheet of a place in the scan, mm.
    pub fn sheet_place(&self, px: Point) -> Point {
        self.to_print.apply(px)
    }

    /// The record's place (the key block's own) of a place in the scan, mm.
    pub fn record_place(&self, px: Point) -> Point {
        let p = self.to_print.apply(px);
        p - key_displacement(&self.key, self.half, p)
    }

    /// A block's own place of a place in the scan, mm.
    pub fn block_place(&self, block: &BlockPlace, px: Point) -> Point {
        block.own_place(self.record_place(px))
    }

    /// The place in the scan of a place of the record, pixels; none where the
    /// map cannot be turned round.
    pub fn scan_place_of_record(&self, k: Point) -> Option<Point> {
        // u changes by little over its own size: a few rounds give all digits.
        let mut p = k;
        for _ in 0..8 {
            p = k + key_displacement(&self.key, self.half, p);
        }
        Some(self.to_print.inverse()?.apply(p))
    }

    /// The place in the scan of a block's own place, pixels.
    pub fn scan_place(&self, block: &BlockPlace, b: Point) -> Option<Point> {
        let k = if block.key {
            b
        } else {
            block.ride.map()?.apply(b)
        };
        self.scan_place_of_record(k)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_motion_about_another_place_is_the_same_motion() {
        let ride = Ride {
            centre: Point::new(12.0, -7.0),
            radius: 30.0,
            by: [0.1, -0.2, 0.05, 0.01, -0.02, 0.03],
        };
        let other = ride.about(Point::new(-40.0, 9.0), 11.0);
        for p in [Point::new(3.0, 4.0), Point::new(-60.0, 20.0)] {
            let d = ride.displacement(p) - other.displacement(p);
            assert!(d.norm() < 1e-12, "{d:?}");
        }
    }

    fn flat(value: f64) -> Field {
        Field {
            origin: Point::new(-50.0, 40.0),
            pitch: 10.0,
            width: 11,
            height: 9,
            values: vec![value; 99],
        }
    }

    fn placement() -> Placement {
        let s = 25.4 / 300.0;
        let block = |name: &str, key| BlockPlace {
            name: name.to_owned(),
            key,
            why: None,
            ride: Ride {
                by: if key {
                    [0.0; RIDE]
                } else {
                    [0.31, -0.12, 0.05, 0.02, -0.01, 0.004]
                },
                ..Ride::still(Point::new(12.0, -7.0), 22.0)
            },
            se_mm: Some(0.005),
            retreat_mm: 0.02,
            strength: 0.97,
            veil: 0.03,
            veil_se: 0.004,
            absorption: [0.1, 0.2, 0.9],
            local_strength: flat(1.0),
        };
        Placement {
            to_print: Affine([s, 0.001 * s, -60.0, 0.001 * s, -s, 45.0]),
            key: [
                0.2, 0.05, -0.03, 0.01, 0.02, -0.01, -0.3, 0.02, 0.04, 0.01, -0.02, 0.02,
            ],
            half: 60.0,
            blur_px: 0.8,
            paper: [flat(-0.1), flat(-0.12), flat(-0.2)],
            blocks: vec![block("key", true), block("red", false)],
        }
    }

    #[test]
    fn there_and_back() {
        let p = placement();
        for px in [Point::new(100.5, 80.25), Point::new(1200.0, 900.0)] {
            for b in &p.blocks {
                let back = p.scan_place(b, p.block_place(b, px)).unwrap();
                assert!((back - px).norm() < 1e-7, "{back:?} for {px:?}");
            }
        }
    }

    #[test]
    fn text_gives_the_same_bits() {
        let p = placement();
        let text = p.to_json().unwrap();
        assert_eq!(Placement::from_json(&text).unwrap(), p);
        assert!(Placement::from_json("{}").is_err());
    }

    #[test]
    fn a_turn_moves_a_place_across_its_arm() {
        let centre = Point::new(3.0, 4.0);
        let ride = Ride {
            by: [0.0, 0.0, 0.1, 0.0, 0.0, 0.0],
            ..Ride::still(centre, 10.0)
        };
        // 0.1 mm at 10 mm is 10 mrad: 20 mm to the right of the centroid rises by 0.2 mm.
        let e = ride.displacement(centre + Point::new(20.0, 0.0));
        assert!(e.x.abs() < 1e-12 && (e.y - 0.2).abs() < 1e-12);
        let (m, _) = ride.about_origin();
        assert!((m[2] - 0.01).abs() < 1e-12);
    }
}
