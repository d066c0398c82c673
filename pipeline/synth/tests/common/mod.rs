//! Plain designs and estimators of the tests' own.
// Not every test file uses every helper.
#![allow(dead_code, unreachable_pub)]

use restrike_synth::design::{Area, Block, ImagePlace, Line, Role};
use restrike_synth::sheet::{Paper, Scan};
use restrike_synth::{Design, DesignSpec, Pixels, Rendered, SheetSpec};

/// A design with an empty key block.
pub fn blank_design(sheet: [f64; 2]) -> Design {
    Design {
        title: "test".to_owned(),
        spec: DesignSpec::default(),
        sheet_mm: sheet,
        images: vec![ImagePlace {
            name: "whole".to_owned(),
            centre: [0.0, 0.0],
            size_mm: [sheet[0] - 10.0, sheet[1] - 10.0],
        }],
        frame_width_mm: 0.0,
        blocks: vec![block("key", [2.5, 2.5, 2.5])],
        marks: Vec::new(),
    }
}

pub fn block(name: &str, absorption: [f64; 3]) -> Block {
    Block {
        name: name.to_owned(),
        order: 1,
        key: name == "key",
        absorption,
        lines: Vec::new(),
        areas: Vec::new(),
        bokashi: Vec::new(),
    }
}

pub fn rect_area(id: u32, x0: f64, y0: f64, x1: f64, y1: f64) -> Area {
    Area {
        id,
        image: "whole".to_owned(),
        cleared: false,
        rings: vec![vec![[x0, y0], [x1, y0], [x1, y1], [x0, y1]]],
    }
}

pub fn disc(id: u32, c: [f64; 2], r: f64) -> Area {
    let ring = (0..360)
        .map(|i| {
            let (s, k) = libm::sincos(std::f64::consts::TAU * f64::from(i) / 360.0);
            [c[0] + r * k, c[1] + r * s]
        })
        .collect();
    Area {
        id,
        image: "whole".to_owned(),
        cleared: false,
        rings: vec![ring],
    }
}

pub fn key_line(id: u32, role: Role, width: f64, points: Vec<[f64; 2]>) -> Line {
    Line {
        id,
        image: "whole".to_owned(),
        role,
        width_mm: width,
        taper: 0.0,
        closed: false,
        points,
    }
}

/// A clean scan: no texture, no noise, 16 bits, 4 mm of bed.
pub fn sheet(dpi: f64) -> SheetSpec {
    SheetSpec {
        paper: Paper {
            fibre: 0.0,
            ..Paper::default()
        },
        scan: Scan {
            dpi,
            bits: 16,
            margin_mm: [4.0; 4],
            ..Scan::default()
        },
        ..SheetSpec::default()
    }
}

/// Green channel in linear light.
pub struct Linear {
    w: usize,
    h: usize,
    v: Vec<f64>,
}

/// The sRGB curve, written out again (IEC 61966-2-1).
pub fn decode(e: f64) -> f64 {
    if e <= 0.040_45 {
        e / 12.92
    } else {
        libm::pow((e + 0.055) / 1.055, 2.4)
    }
}

impl Linear {
    pub fn new(r: &Rendered) -> Self {
        Self::channel(r, 1)
    }

    pub fn channel(r: &Rendered, c: usize) -> Self {
        let Pixels::U16(p) = &r.pixels else {
            panic!("16 bits expected")
        };
        Self {
            w: r.width as usize,
            h: r.height as usize,
            v: p.iter()
                .skip(c)
                .step_by(3)
                .map(|x| decode(f64::from(*x) / 65_535.0))
                .collect(),
        }
    }

    pub fn at(&self, i: usize, j: usize) -> f64 {
        self.v[j * self.w + i]
    }

    /// Centroid of darkness within `radius` of a guess.
    pub fn dark_centroid(&self, guess: [f64; 2], radius: f64, paper: f64) -> [f64; 2] {
        let (mut m, mut x, mut y) = (0.0, 0.0, 0.0);
        for j in (guess[1] - radius) as usize..=(guess[1] + radius) as usize {
            for i in (guess[0] - radius) as usize..=(guess[0] + radius) as usize {
                let d = paper - self.at(i, j);
                m += d;
                x += d * (i as f64 + 0.5);
                y += d * (j as f64 + 0.5);
            }
        }
        [x / m, y / m]
    }

    /// Corners of a quadrilateral near `guess` (upper left, upper right, lower
    /// right, lower left): each side is a line fitted to edge positions found
    /// by integrating across it.
    pub fn corners(&self, guess: [[f64; 2]; 4]) -> [[f64; 2]; 4] {
        let side = |a: [f64; 2], b: [f64; 2]| {
            // Position across as a function of position along.
            let along = usize::from((b[1] - a[1]).abs() > (b[0] - a[0]).abs());
            let across = 1 - along;
            let (lo, hi) = (a[along].min(b[along]), a[along].max(b[along]));
            let (mut n, mut st, mut sp, mut stt, mut stp) = (0.0, 0.0, 0.0, 0.0, 0.0);
            let reach = 12;
            for t in (lo + 20.0) as usize..(hi - 20.0) as usize {
                let x = t as f64 + 0.5;
                let f = (x - a[along]) / (b[along] - a[along]);
                let mid = (a[across] + f * (b[across] - a[across])).round() as usize;
                let value = |q: usize| {
                    if along == 0 {
                        self.at(t, q)
                    } else {
                        self.at(q, t)
                    }
                };
                let (v0, v1) = (value(mid - reach), value(mid + reach));
                // Where a step from v0 to v1 has the same integral.
                let sum: f64 = (mid - reach..mid + reach).map(value).sum();
                let p = (sum - v1 * 2.0 * reach as f64) / (v0 - v1) + (mid - reach) as f64;
                n += 1.0;
                st += x;
                sp += p;
                stt += x * x;
                stp += x * p;
            }
            let slope = (n * stp - st * sp) / (n * stt - st * st);
            (along, slope, (sp - slope * st) / n)
        };
        let top = side(guess[0], guess[1]);
        let right = side(guess[1], guess[2]);
        let bottom = side(guess[2], guess[3]);
        let left = side(guess[3], guess[0]);
        // Level: y = m x + c; upright: x = n y + d.
        let meet = |h: (usize, f64, f64), v: (usize, f64, f64)| {
            assert_eq!((h.0, v.0), (0, 1));
            let y = (h.1 * v.2 + h.2) / (1.0 - h.1 * v.1);
            [v.1 * y + v.2, y]
        };
        [
            meet(top, left),
            meet(top, right),
            meet(bottom, right),
            meet(bottom, left),
        ]
    }
}
