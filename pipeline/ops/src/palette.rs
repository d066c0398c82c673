//! A palette of inks guessed from one coloured sheet: how many there may be,
//! and what each absorbs.
//!
//! Even areas of the sheet are gathered by colour in absorption space, each
//! channel on a scale ln(1 + A / 0.25) that is fine for pale inks and coarse for dark ones;
//! the peaks of that histogram (Silverman, "Density Estimation", 1986, section
//! 6.2 on seeking modes) are the colours. From pale to dark, each colour is taken for an overprint of
//! inks found before it if their absorptions add up to it, for more of one of
//! them if it goes the same way, and for an ink of its own otherwise. An overprint whose
//! inks never lie alone is an ink by this: what comes out is a proposal.

mod gradation;
mod pixels;

use std::collections::BTreeMap;

use restrike_model::{ImageView, Raster};

use crate::area_shrink::area_shrink;
use crate::layered_absorption::under;
use crate::stats::{median, quantile};

use pixels::{absorbed, grey, inner, size, telling};

/// Most inks that are proposed.
pub const MOST: usize = 14;
/// Pixels along the sheet's long side that are looked at.
const LONG_SIDE: usize = 1000;
/// Side of a bin, and absorption from which on bins widen.
const BIN: f64 = 0.1;
const WIDENING: f64 = 0.25;
/// Least share of the even area that makes a colour.
const LEAST: f64 = 0.0015;
/// Colours that absorb less than this are the paper.
const PAPER: f64 = 0.06;
/// Absorptions add up within this, and this share of their size.
const NEAR: [f64; 2] = [0.05, 0.07];
/// An ink in an overprint is this strong, relative to where it was found alone.
const OVER: [f64; 2] = [0.7, 1.35];
/// A paler form of an ink has this strength at least.
const PALER: f64 = 0.25;
/// From this size on a neutral colour is the key, whatever it may be the sum of.
const DARK: f64 = 3.5;
/// Channels of a neutral colour differ by less than this share.
const NEUTRAL: f64 = 0.2;
/// Share of the sheet's darkest places that show the key where it has no even area.
const DARKEST: f64 = 0.01;
/// The key is at least so much darker than the lightest of that.
const SOLID: f64 = 1.0;

/// A proposed ink.
#[derive(Debug, Clone, PartialEq)]
pub struct Proposed {
    /// Absorption where it is strongest, red, green and blue.
    pub absorption: [f64; 3],
    /// Its colour on the sheet's paper, linear.
    pub colour: [f64; 3],
    /// Share of the places looked at that have its colour, in any strength.
    pub share: f64,
    /// It was found at clearly different strengths: a gradation, or two inks of one hue.
    pub graded: bool,
    /// Taken for the key: the darkest neutral colour, or the darkest at all.
    pub key: bool,
    /// Inks that would leave little of it unexplained together with one more ink.
    pub may_hold: Vec<usize>,
}

/// What is proposed for a sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Palette {
    /// Linear colour of the paper.
    pub paper: [f64; 3],
    /// Inks, the key first, then by the share of the sheet.
    pub inks: Vec<Proposed>,
    /// Colours explained as overprints of these.
    pub overprints: usize,
    /// Inks that were left out because there were more than [`MOST`].
    pub left_out: usize,
}

/// Why no palette can be proposed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum NoPalette {
    /// One channel, or three alike.
    #[error("the scan shows no colour: inks cannot be told apart in grey")]
    Grey,
    /// Nothing but paper.
    #[error("nothing printed was found on the scan")]
    Blank,
    /// Too few pixels.
    #[error("the scan is too small: 100 pixels a side are needed")]
    Small,
}

/// A colour of the sheet.
struct Peak {
    absorption: [f64; 3],
    share: f64,
}

/// Proposes inks for a scan in linear light, 65535 = 1.0. A strip of `margin` (a share
/// of each side) is left out: scanner bed and edges.
///
/// # Errors
/// When the scan cannot show inks.
pub fn palette(scan: ImageView<'_, u16>, margin: f64) -> Result<Palette, NoPalette> {
    let factor = (scan.width().max(scan.height()) / LONG_SIDE).max(1);
    let small = area_shrink(scan, factor, factor);
    if small.width() < 100 || small.height() < 100 {
        return Err(NoPalette::Small);
    }
    if small.channels() < 3 {
        return Err(NoPalette::Grey);
    }
    let sheet = inner(&small, margin.clamp(0.0, 0.4));
    if grey(&sheet) {
        return Err(NoPalette::Grey);
    }
    let (paper, absorbed) = absorbed(&sheet);
    let telling = telling(&absorbed);
    let mut found = explained(&peaks(&telling));
    for ink in &mut found.0 {
        ink.graded |= gradation::runs_out(&telling, ink.absorption);
    }
    key(&absorbed, &mut found.0);
    let (mut inks, overprints) = found;
    if inks.is_empty() {
        return Err(NoPalette::Blank);
    }
    inks.sort_by(|a, b| b.key.cmp(&a.key).then(b.share.total_cmp(&a.share)));
    let left_out = inks.len().saturating_sub(MOST);
    inks.truncate(MOST);
    for i in &mut inks {
        i.colour = under(paper, [(1.0, i.absorption)]);
    }
    hints(&mut inks);
    Ok(Palette {
        paper,
        inks,
        overprints,
        left_out,
    })
}

#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
/// A place on the scale of the histogram.
fn scaled(a: [f64; 3]) -> [f64; 3] {
    a.map(|a| libm::log1p(a.abs() / WIDENING).copysign(a))
}

/// Colours that even areas gather about, from pale to dark.
#[allow(clippy::cast_possible_truncation, clippy::cast_precision_loss)]
fn peaks(even: &[[f64; 3]]) -> Vec<Peak> {
    let places: Vec<[f64; 3]> = even.iter().map(|a| scaled(*a)).collect();
    let mut bins: BTreeMap<[i32; 3], f64> = BTreeMap::new();
    for p in &places {
        *bins.entry(p.map(|v| (v / BIN).round() as i32)).or_default() += 1.0;
    }
    let around = |k: &[i32; 3], reach: i32| -> Vec<([i32; 3], i32)> {
        let mut out = Vec::new();
        for x in -reach..=reach {
            for y in -reach..=reach {
                for z in -reach..=reach {
                    out.push(([k[0] + x, k[1] + y, k[2] + z], x.abs() + y.abs() + z.abs()));
                }
            }
        }
        out
    };
    let smooth: BTreeMap<[i32; 3], f64> = bins
        .keys()
        .map(|k| {
            let sum = around(k, 1)
                .into_iter()
                .map(|(n, far)| bins.get(&n).copied().unwrap_or(0.0) / f64::from(1 << far))
                .sum();
            (*k, sum)
        })
        .collect();
    let least = LEAST * even.len() as f64;
    let mut out: Vec<Peak> = Vec::new();
    for (k, v) in &smooth {
        let top = around(k, 2).into_iter().all(|(n, far)| {
            far == 0
                || smooth
                    .get(&n)
                    // Of equals the first is the peak.
                    .is_none_or(|o| o < v || (o == v && n > *k))
        });
        if *v < least || !top {
            continue;
        }
        let near: Vec<usize> = (0..places.len())
            .filter(|i| (0..3).all(|c| (places[*i][c] - f64::from(k[c]) * BIN).abs() < 1.5 * BIN))
            .collect();
        let middle = |c: usize| {
            median(&near.iter().map(|i| even[*i][c]).collect::<Vec<f64>>()).unwrap_or(0.0)
        };
        out.push(Peak {
            absorption: [0, 1, 2].map(middle),
            share: near.len() as f64 / even.len() as f64,
        });
    }
    out.sort_by(|a, b| size(a.absorption).total_cmp(&size(b.absorption)));
    out
}

/// Inks that explain the colours, and how many are overprints.
fn explained(peaks: &[Peak]) -> (Vec<Proposed>, usize) {
    let mut inks: Vec<Proposed> = Vec::new();
    let mut overprints = 0;
    for p in peaks {
        let a = p.absorption;
        let long = size(a);
        if long < PAPER || a.iter().any(|v| *v < -PAPER) {
            continue;
        }
        if !(long > DARK && neutral(a)) {
            let near = NEAR[0] + NEAR[1] * long;
            if let Some((ink, strength)) = one(&inks, a, near) {
                if strength > OVER[1] {
                    inks[ink].absorption = a;
                }
                inks[ink].graded |= !(OVER[0]..=OVER[1]).contains(&strength);
                inks[ink].share += p.share;
                continue;
            }
            if several(&inks, a, near) {
                overprints += 1;
                continue;
            }
        }
        inks.push(Proposed {
            absorption: a,
            colour: [0.0; 3],
            share: p.share,
            graded: false,
            key: false,
            may_hold: Vec::new(),
        });
    }
    (inks, overprints)
}

fn neutral(a: [f64; 3]) -> bool {
    let most = a.iter().copied().fold(f64::MIN, f64::max);
    let least = a.iter().copied().fold(f64::MAX, f64::min);
    most - least < NEUTRAL * most
}

/// The ink that this is more or less of.
fn one(inks: &[Proposed], a: [f64; 3], near: f64) -> Option<(usize, f64)> {
    inks.iter()
        .enumerate()
        .map(|(n, i)| (n, solved(&[i.absorption], a)))
        .filter(|(_, (s, left))| *left < near && s[0] > PALER)
        .min_by(|a, b| a.1.1.total_cmp(&b.1.1))
        .map(|(n, (s, _))| (n, s[0]))
}

/// Whether two or three inks add up to this.
fn several(inks: &[Proposed], a: [f64; 3], near: f64) -> bool {
    let n = inks.len();
    let fits = |set: &[[f64; 3]]| {
        let (s, left) = solved(set, a);
        left < near && s.iter().all(|s| (OVER[0]..=OVER[1]).contains(s))
    };
    for i in 0..n {
        for j in 0..i {
            let two = [inks[i].absorption, inks[j].absorption];
            if fits(&two) || (0..j).any(|k| fits(&[two[0], two[1], inks[k].absorption])) {
                return true;
            }
        }
    }
    false
}

/// Strengths of inks that come nearest to a colour, and how far they stay from it.
fn solved(inks: &[[f64; 3]], a: [f64; 3]) -> (Vec<f64>, f64) {
    let m = nalgebra::DMatrix::from_fn(3, inks.len(), |c, i| inks[i][c]);
    let v = nalgebra::DVector::from_row_slice(&a);
    let normal = m.transpose() * &m + nalgebra::DMatrix::identity(inks.len(), inks.len()) * 1e-6;
    let Some(s) = normal.cholesky().map(|c| c.solve(&(m.transpose() * &v))) else {
        return (vec![0.0; inks.len()], f64::INFINITY);
    };
    let left = (&m * &s - v).norm();
    (s.iter().copied().collect(), left)
}

/// Finds the key: the darkest neutral ink; or, if the sheet's darkest places
/// are far darker than any ink, an ink of their colour.
fn key(absorbed: &Raster<f32>, inks: &mut Vec<Proposed>) {
    let of = |i: &Proposed| size(i.absorption);
    if let Some(k) = inks
        .iter_mut()
        .filter(|i| size(i.absorption) > DARK && neutral(i.absorption))
        .max_by(|a, b| size(a.absorption).total_cmp(&size(b.absorption)))
    {
        k.key = true;
        return;
    }
    let pixels: Vec<[f64; 3]> = absorbed
        .data()
        .chunks_exact(3)
        .map(|p| [0, 1, 2].map(|c| f64::from(p[c])))
        .collect();
    let sizes: Vec<f64> = pixels.iter().map(|p| size(*p)).collect();
    let Some(limit) = quantile(&sizes, 1.0 - DARKEST) else {
        return;
    };
    let dark: Vec<&[f64; 3]> = pixels.iter().filter(|p| size(**p) >= limit).collect();
    let middle = |c: usize| median(&dark.iter().map(|p| p[c]).collect::<Vec<f64>>()).unwrap_or(0.0);
    let darkest = [0, 1, 2].map(middle);
    let most = inks.iter().map(of).fold(0.0, f64::max);
    if limit > SOLID && size(darkest) > 1.3 * most {
        inks.push(Proposed {
            absorption: darkest,
            colour: [0.0; 3],
            share: 0.0,
            graded: false,
            key: true,
            may_hold: Vec::new(),
        });
    } else if let Some(k) = inks.iter_mut().max_by(|a, b| of(a).total_cmp(&of(b))) {
        k.key = true;
    }
}

/// Says of each ink which others it may hold, with one that never lies alone.
fn hints(inks: &mut [Proposed]) {
    let all: Vec<[f64; 3]> = inks.iter().map(|i| i.absorption).collect();
    for (n, ink) in inks.iter_mut().enumerate() {
        if ink.key {
            continue;
        }
        ink.may_hold = (0..all.len())
            .filter(|m| *m != n && size(all[*m]) > 0.4)
            .filter(|m| {
                let rest = [0, 1, 2].map(|c| ink.absorption[c] - all[*m][c]);
                rest.iter().all(|v| *v > -0.03) && size(rest) > 0.2
            })
            .collect();
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const WHITE: [f64; 3] = [0.8, 0.75, 0.65];

    /// A sheet of 400 x 400 pixels painted with absorptions by place, with grain.
    fn sheet(at: impl Fn(usize, usize) -> [f64; 3]) -> Raster<u16> {
        let mut out = Raster::new(400, 400, 3);
        let mut noise = 1_u64;
        for y in 0..400 {
            for x in 0..400 {
                noise = noise
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                let grain = 1.0 + 0.02 * ((noise >> 40) as f64 / (1_u64 << 23) as f64 - 1.0);
                let a = at(x, y);
                for c in 0..3 {
                    let v = 65535.0 * WHITE[c] * grain * libm::exp(-a[c]);
                    out.set(x, y, c, v as u16);
                }
            }
        }
        out
    }

    fn sum(inks: &[[f64; 3]]) -> [f64; 3] {
        let mut out = [0.0; 3];
        for i in inks {
            for c in 0..3 {
                out[c] += i[c];
            }
        }
        out
    }

    const KEY: [f64; 3] = [2.7, 2.6, 2.5];
    const RED: [f64; 3] = [0.2, 1.4, 1.3];
    const BLUE: [f64; 3] = [1.5, 0.7, 0.2];
    const MIST: [f64; 3] = [0.18, 0.12, 0.08];

    #[test]
    fn red_and_black() {
        // Lines of type in black, a block of red: no even black area.
        let s = sheet(|x, y| match (x, y) {
            (60..160, 60..160) => RED,
            (180..340, 60..340) if y % 8 < 3 => KEY,
            _ => [0.0; 3],
        });
        let p = palette(s.view(), 0.05).unwrap();
        assert_eq!(p.inks.len(), 2, "{:?}", p.inks);
        assert!(p.inks[0].key && size(p.inks[0].absorption) > 3.0);
        for c in 0..3 {
            assert!((p.inks[1].absorption[c] - RED[c]).abs() < 0.05);
            assert!((p.paper[c] / WHITE[c] - 1.0).abs() < 0.05);
        }
    }

    #[test]
    fn a_page_of_type_in_two_inks() {
        // Strokes three pixels wide, blurred; nothing is even but the paper between.
        let s = sheet(|x, y| {
            let ink = if y % 100 < 20 { RED } else { KEY };
            let cover = match x % 9 {
                2 | 6 => 0.4,
                3 | 5 => 0.9,
                4 => 1.0,
                _ => 0.0,
            };
            [0, 1, 2].map(|c| -libm::log(1.0 - cover * (1.0 - libm::exp(-ink[c]))))
        });
        let p = palette(s.view(), 0.05).unwrap();
        assert!((2..=4).contains(&p.inks.len()), "{:?}", p.inks);
        assert!(p.inks[0].key && size(p.inks[0].absorption) > 3.0);
        let red = p
            .inks
            .iter()
            .any(|i| size([0, 1, 2].map(|c| i.absorption[c] - RED[c])) < 0.3);
        assert!(red, "{:?}", p.inks);
    }

    #[test]
    fn overprints_are_no_inks_of_their_own() {
        let s = sheet(|x, y| {
            let mut inks = Vec::new();
            if (40..220).contains(&x) && (40..220).contains(&y) {
                inks.push(RED);
            }
            if (140..360).contains(&x) && (140..260).contains(&y) {
                inks.push(BLUE);
            }
            if y > 240 {
                inks.push(MIST);
            }
            if (300..340).contains(&x) && y < 120 {
                inks.push(KEY);
            }
            sum(&inks)
        });
        let p = palette(s.view(), 0.05).unwrap();
        assert_eq!(p.inks.len(), 4, "{:?}", p.inks);
        assert!(p.overprints >= 1);
        assert!(p.inks[0].key);
        for want in [KEY, RED, BLUE, MIST] {
            let near = p.inks.iter().any(|i| {
                size([0, 1, 2].map(|c| i.absorption[c] - want[c])) < 0.05 + 0.05 * size(want)
            });
            assert!(near, "{want:?} {:?}", p.inks);
        }
    }

    /// A gradation has no colour that many places share: its places are strung out.
    #[test]
    fn a_gradation_is_told_from_a_solid() {
        let s = sheet(|x, y| match (x, y) {
            (40..360, 40..200) => BLUE.map(|a| a * (1.0 - (y as f64 - 100.0).max(0.0) / 100.0)),
            (40..200, 220..360) => RED,
            (220..360, 220..360) => MIST,
            _ => [0.0; 3],
        });
        let p = palette(s.view(), 0.05).unwrap();
        for (want, graded) in [(BLUE, true), (RED, false), (MIST, false)] {
            let found = p.inks.iter().find(|i| {
                size([0, 1, 2].map(|c| i.absorption[c] - want[c])) < 0.05 + 0.05 * size(want)
            });
            assert_eq!(found.map(|i| i.graded), Some(graded), "{:?}", p.inks);
        }
    }

    #[test]
    fn grey_blank_and_tiny_scans_are_refused() {
        let grey = Raster::<u16>::new(200, 200, 1);
        assert_eq!(palette(grey.view(), 0.0), Err(NoPalette::Grey));
        let mut even = Raster::<u16>::new(200, 200, 3);
        even.data_mut().fill(40_000);
        assert_eq!(palette(even.view(), 0.0), Err(NoPalette::Grey));
        let blank = sheet(|_, _| [0.0; 3]);
        assert_eq!(palette(blank.view(), 0.0), Err(NoPalette::Blank));
        let tiny = Raster::<u16>::new(40, 200, 3);
        assert_eq!(palette(tiny.view(), 0.0), Err(NoPalette::Small));
    }
}
