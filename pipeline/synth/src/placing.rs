//! Sheets laid against the registration marks of blocks, without pictures:
//! where each block prints on each sheet, and how cutting a mark changes it.
//!
//! A block lies still; its print stands where it was carved, given by its
//! motion against the place it should have. The sheet is pushed against three
//! faces: two touch its long edge (corner mark and straight mark), one its
//! short edge (corner mark). The geometry is exact: the sheet's edges are
//! lines through the contact points, also after a turn.

use serde::{Deserialize, Serialize};

use crate::design::Contact;
use crate::rng::Rng;
use crate::shapes::P;
use crate::transform::{Affine, Motion};

/// The three contacts every block of a set has at the same places.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Bench {
    /// Corner mark, face along the long edge.
    pub corner_long: Contact,
    /// Straight mark.
    pub straight: Contact,
    /// Corner mark, face along the short edge.
    pub corner_short: Contact,
}

/// A block and the state of its marks.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct LaidBlock {
    /// Where the design stands on the block against where it should.
    pub carved: Motion,
    /// How far each face stands from its nominal place, towards the sheet, mm:
    /// corner mark long, straight mark, corner mark short.
    pub faces: [f64; 3],
}

/// How sheets are laid and marks are cut.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Hand {
    /// SD of the paper's place at each contact, sheet by sheet, mm.
    pub placing_sd: f64,
    /// A face ends within this of where it was to be cut or padded to (uniform), mm.
    pub cutting_error: f64,
}

impl Bench {
    /// The bench of a design's marks; `None` when one is missing.
    pub fn new(marks: &[Contact]) -> Option<Self> {
        let find = |name: &str| marks.iter().find(|c| c.name == name).cloned();
        Some(Self {
            corner_long: find("corner-long")?,
            straight: find("straight")?,
            corner_short: find("corner-short")?,
        })
    }

    /// The contacts in the order of [`LaidBlock::faces`].
    pub fn contacts(&self) -> [&Contact; 3] {
        [&self.corner_long, &self.straight, &self.corner_short]
    }

    /// Where a sheet comes to lie, sheet mm -> block bed mm, when its edges
    /// touch points that stand `faces` before the nominal ones. `None` when
    /// the corner mark and the straight mark are one point.
    pub fn lay(&self, faces: [f64; 3]) -> Option<Affine> {
        let moved = |c: &Contact, by: f64| [c.at[0] + c.normal[0] * by, c.at[1] + c.normal[1] * by];
        let [k, h, c] = [0, 1, 2].map(|i| moved(self.contacts()[i], faces[i]));
        let angle = |a: P, b: P| libm::atan2(b[1] - a[1], b[0] - a[0]);
        let (k0, h0) = (self.corner_long.at, self.straight.at);
        if k0 == h0 || k == h {
            return None;
        }
        let theta = angle(k, h) - angle(k0, h0);
        let (s, co) = libm::sincos(theta);
        let turn = |v: P| [co * v[0] - s * v[1], s * v[0] + co * v[1]];
        let dot = |a: P, b: P| a[0] * b[0] + a[1] * b[1];
        // An edge {q: n.q = const} goes to {p: Rn.(p - t) = const}; the two
        // normals are at right angles, so each gives one part of t.
        let long = (self.corner_long.normal, k0, k);
        let short = (self.corner_short.normal, self.corner_short.at, c);
        let mut t = [0.0; 2];
        for (normal, at, to) in [long, short] {
            let n = turn(normal);
            let along = dot(n, to) - dot(normal, at);
            t[0] += along * n[0];
            t[1] += along * n[1];
        }
        Some(Affine([co, -s, t[0], s, co, t[1]]))
    }

    /// Where a block prints, design mm -> sheet mm; `slack` is how far the
    /// paper stays before each face.
    pub fn print(&self, block: &LaidBlock, slack: [f64; 3]) -> Option<Affine> {
        let stand = [0, 1, 2].map(|i| block.faces[i] + slack[i]);
        let lies = self.lay(stand)?;
        Some(block.carved.affine().then(&lies.inverse()?))
    }
}

impl Hand {
    /// Lays the next sheet: how far it stays before (or beyond, negative) each face.
    pub fn slack(&self, rng: &mut Rng) -> [f64; 3] {
        [(); 3].map(|()| self.placing_sd * rng.normal())
    }

    /// Cuts (negative) or pads (positive) each face by as much as told; a face
    /// told 0 is left alone.
    pub fn cut(&self, block: &mut LaidBlock, told: [f64; 3], rng: &mut Rng) {
        for (face, told) in block.faces.iter_mut().zip(told) {
            if told != 0.0 {
                *face += told + rng.range(-self.cutting_error, self.cutting_error);
            }
        }
    }
}

/// How one print stands against another (the key's), as a motion about the
/// sheet centre in the other's coordinates. What shear a stretch leaves after
/// a turn is of second order and dropped.
pub fn against(print: &Affine, key: &Affine) -> Option<Motion> {
    let [a, b, dx, d, e, dy] = print.then(&key.inverse()?).0;
    Some(Motion {
        dx,
        dy,
        theta: 0.5 * (libm::atan2(-b, a) + libm::atan2(d, e)),
        eps_x: (a * a + b * b).sqrt() - 1.0,
        eps_y: (d * d + e * e).sqrt() - 1.0,
    })
}

/// Largest distance between where a print puts the corners of the given
/// rectangles (centre, size) and where they should be, mm.
pub fn worst_corner(motion: &Motion, areas: &[(P, P)]) -> f64 {
    let map = motion.affine();
    let mut worst: f64 = 0.0;
    for (centre, size) in areas {
        for [u, v] in [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]] {
            let p = [centre[0] + u * size[0], centre[1] + v * size[1]];
            let q = map.apply(p);
            let (ex, ey) = (q[0] - p[0], q[1] - p[1]);
            worst = worst.max((ex * ex + ey * ey).sqrt());
        }
    }
    worst
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Design, DesignSpec};

    fn bench() -> Bench {
        let contact = |name: &str, at: P, normal: P| Contact {
            name: name.to_owned(),
            at,
            normal,
        };
        Bench::new(&[
            contact("corner-short", [-195.0, -125.0], [1.0, 0.0]),
            contact("corner-long", [-175.0, -132.0], [0.0, 1.0]),
            contact("straight", [60.0, -132.0], [0.0, 1.0]),
        ])
        .unwrap()
    }

    /// Faces -0.375, -0.14 and 0.425 mm turn the sheet 1 mrad and shift it by
    /// (0.300297, -0.199634) mm: worked out by hand and by an independent script.
    #[test]
    fn three_faces_fix_the_sheet() {
        let [a, _, x, s, _, y] = bench().lay([-0.375, -0.14, 0.425]).unwrap().0;
        assert!((libm::atan2(s, a) - 0.001).abs() < 1e-9);
        assert!((x - 0.300_297).abs() < 5e-7 && (y + 0.199_634).abs() < 5e-7);
    }

    #[test]
    fn the_edges_go_through_the_contacts() {
        let bench = Bench::new(&Design::generate(&DesignSpec::default()).marks).unwrap();
        let faces = [0.7, -1.3, 0.4];
        let back = bench.lay(faces).unwrap().inverse().unwrap();
        for (c, f) in bench.contacts().into_iter().zip(faces) {
            let n = c.normal;
            let q = back.apply([c.at[0] + n[0] * f, c.at[1] + n[1] * f]);
            let off = (q[0] - c.at[0]) * n[0] + (q[1] - c.at[1]) * n[1];
            assert!(off.abs() < 1e-12, "{off}");
        }
    }

    #[test]
    fn a_sheet_moved_with_the_error_prints_in_register() {
        let carved = Motion {
            dx: 0.3,
            dy: -0.2,
            theta: 0.001,
            ..Motion::default()
        };
        let mut block = LaidBlock {
            carved,
            faces: [0.0; 3],
        };
        let areas = [([0.0, 0.0], [370.0, 250.0])];
        let bench = bench();
        let key = bench.print(&LaidBlock::default(), [0.0; 3]).unwrap();
        let before = against(&bench.print(&block, [0.0; 3]).unwrap(), &key).unwrap();
        assert!((worst_corner(&before, &areas) - 0.573_48).abs() < 5e-6);
        block.faces = [-0.375, -0.14, 0.425];
        let after = against(&bench.print(&block, [0.0; 3]).unwrap(), &key).unwrap();
        assert!((worst_corner(&after, &areas) - 0.000_472).abs() < 5e-7);
    }

    #[test]
    fn hands_scatter_as_told() {
        let hand = Hand {
            placing_sd: 0.1,
            cutting_error: 0.05,
        };
        let mut rng = Rng::new(5, "hands");
        let n = 4000;
        let mut square = 0.0;
        for _ in 0..n {
            square += hand.slack(&mut rng).map(|v| v * v).iter().sum::<f64>();
        }
        let sd = (square / f64::from(3 * n)).sqrt();
        assert!((sd - 0.1).abs() < 0.002);
        let mut block = LaidBlock::default();
        hand.cut(&mut block, [0.0, 0.4, -0.2], &mut rng);
        assert_eq!(block.faces[0], 0.0);
        assert!((block.faces[1] - 0.4).abs() <= 0.05 && (block.faces[2] + 0.2).abs() <= 0.05);
        assert!(block.faces[1] != 0.4);
    }

    #[test]
    fn one_point_twice_fixes_nothing() {
        let mut b = bench();
        b.straight.at = b.corner_long.at;
        assert!(b.lay([0.0; 3]).is_none());
        assert!(Bench::new(&[]).is_none());
    }
}
