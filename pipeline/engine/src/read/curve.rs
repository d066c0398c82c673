//! Tone curves to linear light.

use std::sync::{Arc, OnceLock};

use moxcms::ToneReprCurve;

/// sRGB's decoding function, IEC 61966-2-1.
pub(super) fn srgb(v: f64) -> f64 {
    if v <= 0.04045 {
        v / 12.92
    } else {
        libm::pow((v + 0.055) / 1.055, 2.4)
    }
}

/// A profile's curve at `v` in 0..=1 (ICC.1:2022 sections 10.6 `curveType` and 10.18
/// `parametricCurveType`).
pub(super) fn profile(curve: &ToneReprCurve, v: f64) -> f64 {
    let y = match curve {
        ToneReprCurve::Lut(table) => match table.as_slice() {
            [] => v,
            [gamma] => libm::pow(v, f64::from(*gamma) / 256.0),
            _ => interpolate(table, v),
        },
        ToneReprCurve::Parametric(p) => parametric(p, v),
    };
    if y.is_finite() {
        y.clamp(0.0, 1.0)
    } else {
        0.0
    }
}

fn interpolate(table: &[u16], v: f64) -> f64 {
    let last = table.len() - 1;
    let at = v * last as f64;
    let i = (at as usize).min(last);
    let j = (i + 1).min(last);
    let (a, b) = (f64::from(table[i]), f64::from(table[j]));
    (a + (b - a) * (at - i as f64)) / 65535.0
}

fn parametric(p: &[f32], v: f64) -> f64 {
    let p: Vec<f64> = p.iter().map(|&x| f64::from(x)).collect();
    match *p.as_slice() {
        [g] => libm::pow(v, g),
        [g, a, b] => {
            if a * v + b >= 0.0 {
                libm::pow(a * v + b, g)
            } else {
                0.0
            }
        }
        [g, a, b, c] => {
            if a * v + b >= 0.0 {
                libm::pow(a * v + b, g) + c
            } else {
                c
            }
        }
        [g, a, b, c, d] => {
            if v >= d {
                libm::pow(a * v + b, g)
            } else {
                c * v
            }
        }
        [g, a, b, c, d, e, f] => {
            if v >= d {
                libm::pow(a * v + b, g) + e
            } else {
                c * v + f
            }
        }
        _ => v,
    }
}

/// Which way samples run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sense {
    /// Full scale is light (or full ink, for inks).
    Direct,
    /// Zero is light.
    Inverted,
}

/// A curve's value for each of `levels` sample values.
pub(super) fn tabulate(levels: usize, sense: Sense, curve: impl Fn(f64) -> f64) -> Vec<f64> {
    let max = (levels - 1) as f64;
    (0..levels)
        .map(|i| {
            let v = i as f64 / max;
            curve(if sense == Sense::Inverted { 1.0 - v } else { v })
        })
        .collect()
}

/// Linear light in 0..=65535.
pub(super) fn quantise(table: &[f64]) -> Arc<[u16]> {
    table.iter().map(|&v| (v * 65535.0 + 0.5) as u16).collect()
}

/// sRGB samples to linear light; the two common depths are made once.
pub(super) fn srgb_table(levels: usize, sense: Sense) -> Arc<[u16]> {
    static EIGHT: OnceLock<Arc<[u16]>> = OnceLock::new();
    static SIXTEEN: OnceLock<Arc<[u16]>> = OnceLock::new();
    let make = || quantise(&tabulate(levels, sense, srgb));
    match (levels, sense) {
        (256, Sense::Direct) => EIGHT.get_or_init(make).clone(),
        (65536, Sense::Direct) => SIXTEEN.get_or_init(make).clone(),
        _ => make(),
    }
}
