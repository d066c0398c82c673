//! Outlines of printed lines: constant or tapered width, true edges or ragged
//! ones.

use serde::{Deserialize, Serialize};

use crate::rng::word;
use crate::shapes::{P, add, densify, len, normals, scale, sub};

/// Deviation of a line's two edges from their fitted course.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Ragged {
    /// Sine of this amplitude and wavelength along the arc length, mm: its SD
    /// is amplitude / sqrt(2) over whole periods.
    Sine {
        /// Amplitude, mm.
        amplitude_mm: f64,
        /// Wavelength, mm.
        wavelength_mm: f64,
    },
    /// Smooth noise of this SD; independent at distances beyond the length.
    Noise {
        /// SD, mm.
        sd_mm: f64,
        /// Correlation length, mm.
        length_mm: f64,
    },
}

impl Ragged {
    /// Outward deviation at arc length `s` of the edge with the given seed, mm.
    pub(crate) fn at(self, s: f64, seed: u64) -> f64 {
        match self {
            Self::Sine {
                amplitude_mm,
                wavelength_mm,
            } => amplitude_mm * libm::sin(std::f64::consts::TAU * s / wavelength_mm),
            Self::Noise { sd_mm, length_mm } => sd_mm * smooth_noise(s / length_mm, seed),
        }
    }

    pub(crate) fn step(self) -> f64 {
        match self {
            Self::Sine { wavelength_mm, .. } => wavelength_mm / 16.0,
            Self::Noise { length_mm, .. } => length_mm / 6.0,
        }
    }
}

/// Smooth noise of unit SD over t: independent values at whole numbers, mixed
/// with cosine-squared weights of constant power.
pub(crate) fn smooth_noise(t: f64, seed: u64) -> f64 {
    let i = t.floor();
    let f = t - i;
    let v = |k: f64| {
        let w = word(seed, (k as i64) as u64);
        // Uniform with unit variance.
        ((w >> 11) as f64 / (1u64 << 53) as f64 - 0.5) * 12f64.sqrt()
    };
    let (s, c) = libm::sincos(std::f64::consts::FRAC_PI_2 * f * f * (3.0 - 2.0 * f));
    v(i) * c + v(i + 1.0) * s
}

/// Everything that shapes the outline of one piece of a line.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Edge {
    /// Half width, mm.
    pub(crate) half: f64,
    /// Arc length of the piece's start in its line, and of the whole line, mm.
    pub(crate) from: f64,
    pub(crate) total: f64,
    /// Share of the line over which each end narrows.
    pub(crate) taper: f64,
    /// Raggedness and its seed.
    pub(crate) ragged: Option<(Ragged, u64)>,
    /// Slant of the two ends: the left corner lies half of it ahead, the right
    /// corner half of it behind, mm.
    pub(crate) slant: [f64; 2],
}

/// Relative width at share `t` of a line.
pub(crate) fn taper_at(t: f64, taper: f64) -> f64 {
    if taper <= 0.0 {
        return 1.0;
    }
    let d = t.min(1.0 - t).max(0.0);
    if d >= taper {
        1.0
    } else {
        let x = d / taper;
        0.25 + 0.75 * x * (2.0 - x)
    }
}

/// Seed of a line's right edge, from that of its left.
pub(crate) fn right_edge(seed: u64) -> u64 {
    seed ^ 0x5555_5555
}

/// Counter-clockwise outline of an open line.
pub(crate) fn edge_outline(pts: &[P], e: &Edge) -> Vec<P> {
    let dense;
    let pts = if let Some((r, _)) = e.ragged {
        dense = densify(pts, r.step());
        &dense
    } else {
        pts
    };
    let n = pts.len();
    if n < 2 {
        return Vec::new();
    }
    let norm = normals(pts, false);
    let mut left = Vec::with_capacity(n);
    let mut ring = Vec::with_capacity(2 * n);
    let mut s = e.from;
    for i in 0..n {
        if i > 0 {
            s += len(sub(pts[i], pts[i - 1]));
        }
        let h = e.half * taper_at(s / e.total.max(1e-9), e.taper);
        let (mut l, mut r) = (h, h);
        if let Some((rag, seed)) = e.ragged {
            l += rag.at(s, seed);
            r += rag.at(s, right_edge(seed));
        }
        ring.push(add(pts[i], scale(norm[i], -r.max(0.0))));
        left.push(add(pts[i], scale(norm[i], l.max(0.0))));
    }
    let ahead = |i: usize, j: usize, by: f64| {
        let d = sub(pts[j], pts[i]);
        scale(d, 0.5 * by / len(d).max(1e-12))
    };
    for (k, by) in [
        (0, ahead(0, 1, e.slant[0])),
        (n - 1, ahead(n - 2, n - 1, e.slant[1])),
    ] {
        left[k] = add(left[k], by);
        ring[k] = sub(ring[k], by);
    }
    ring.extend(left.into_iter().rev());
    ring
}

/// Outline of a plain stroke of half width `half`.
pub(crate) fn outline(pts: &[P], half: f64, taper: f64) -> Vec<P> {
    edge_outline(
        pts,
        &Edge {
            half,
            from: 0.0,
            total: crate::shapes::arc_length(pts),
            taper,
            ragged: None,
            slant: [0.0; 2],
        },
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::shapes::signed_area;

    #[test]
    fn straight_stroke_has_its_area() {
        let r = outline(&[[0.0, 0.0], [3.0, 4.0]], 0.1, 0.0);
        assert!((signed_area(&r) - 5.0 * 0.2).abs() < 1e-12);
    }

    #[test]
    fn bent_stroke_keeps_its_width() {
        let r = outline(&[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0]], 0.1, 0.0);
        assert!((signed_area(&r) - 8.0 * 0.2).abs() < 1e-9);
    }

    /// SD of a sine edge is A / sqrt 2 (closed form); noise has its stated SD.
    #[test]
    fn raggedness_has_its_sd() {
        let n = 200_000;
        for (rag, want) in [
            (
                Ragged::Sine {
                    amplitude_mm: 0.02,
                    wavelength_mm: 0.5,
                },
                0.014_142,
            ),
            (
                Ragged::Noise {
                    sd_mm: 0.03,
                    length_mm: 0.4,
                },
                0.03,
            ),
        ] {
            let v: f64 = (0..n)
                .map(|i| rag.at(f64::from(i) * 0.005, 7))
                .map(|x| x * x)
                .sum();
            let sd = (v / f64::from(n)).sqrt();
            assert!((sd / want - 1.0).abs() < 0.03, "{sd} {want}");
        }
    }
}
