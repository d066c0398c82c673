//! The unprinted paper: its colour, how evenly it is lit, and how much it scatters.

use restrike_ops::cielab::lightness;
use restrike_ops::surface_fit::QuadraticSurface;
use restrike_stage::ImageView;

use crate::overview::Overview;
use crate::paper::Paper;
use crate::pixels::{delta_e76, lightness_slope, luminance_at, median, spread};

/// Blocks of pixels the scatter is taken from.
const BLOCKS: usize = 240;
/// Pixels along a block's side.
const BLOCK: usize = 16;

/// What the unprinted paper shows.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Flat {
    /// Share of the sheet that is unprinted paper, per cent.
    pub(crate) area_pct: f64,
    /// Median colour, CIELAB under D50.
    pub(crate) lab: [f64; 3],
    /// Median distance of the cells from that colour, CIE 1976 units.
    pub(crate) spread: f64,
    /// How evenly the paper is lit.
    pub(crate) falloff: Option<Falloff>,
    /// How much it scatters.
    pub(crate) noise: Option<Noise>,
}

/// Largest less smallest value of the surface fitted to the paper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Falloff {
    /// As a share of the mean luminance, per cent.
    pub(crate) pct: f64,
    /// In L*.
    pub(crate) lightness: f64,
    /// Robust standard deviation of the cells about the surface, L*.
    pub(crate) residual: f64,
}

/// Scatter of the paper's pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Noise {
    /// Of neighbouring pixels, L*: sensor noise and the finest texture.
    pub(crate) fine: f64,
    /// Over blocks of 16 pixels about their own plane, L*: fibres and laid lines count in full.
    pub(crate) texture: f64,
    /// Mean luminance over the fine scatter.
    pub(crate) signal_to_noise: f64,
}

/// Looks at the unprinted paper.
///
/// # Errors
/// With the reason, when there is none to be told from print.
pub(crate) fn look(scan: ImageView<'_, u16>, o: &Overview, paper: &Paper) -> Result<Flat, String> {
    let cell = to_f64(o.cell);
    let mut inside = Vec::new();
    for row in 0..o.rows {
        for col in 0..o.cols {
            let (x, y) = o.centre(col, row);
            if paper.contains(x, y, 1.5 * cell) {
                inside.push((col, row));
            }
        }
    }
    if inside.len() < 100 {
        return Err("the sheet is too small in the scan".to_owned());
    }
    let first = match margins(o, paper, &inside) {
        Some(cells) => cells,
        None => lightest(o, &inside).ok_or_else(|| {
            "no part of the sheet is light and even enough to be paper".to_owned()
        })?,
    };

    let points: Vec<(f64, f64, f64)> = first
        .iter()
        .map(|&(c, r)| {
            let (x, y) = o.centre(c, r);
            (x, y, f64::from(o.at(c, r).y))
        })
        .collect();
    let surface = QuadraticSurface::fit(&points).ok();
    let members: Vec<(usize, usize)> = match &surface {
        Some(s) => first
            .iter()
            .zip(&points)
            .filter(|(_, (x, y, z))| (z - s.at(*x, *y)).abs() <= 3.0 * s.sigma.max(1e-4))
            .map(|(c, _)| *c)
            .collect(),
        None => first.clone(),
    };
    if members.len() < 50 {
        return Err("too little of the sheet is unprinted paper".to_owned());
    }

    let lab = [0, 1, 2].map(|k| {
        let v: Vec<f64> = members
            .iter()
            .map(|&(c, r)| f64::from(o.at(c, r).lab[k]))
            .collect();
        median(&v)
    });
    #[allow(clippy::cast_possible_truncation)]
    let lab32 = lab.map(|v| v as f32);
    let far: Vec<f64> = members
        .iter()
        .map(|&(c, r)| f64::from(delta_e76(o.at(c, r).lab, lab32)))
        .collect();
    Ok(Flat {
        area_pct: 100.0 * to_f64(members.len()) / to_f64(inside.len()),
        lab,
        spread: median(&far),
        falloff: surface.and_then(|s| falloff(o, &s, &members)),
        noise: noise(scan, o, &members),
    })
}

/// Cells of the margins: grown from the strip along the sheet's sides over neighbours of nearly
/// the same colour. A border line stops it, so that pale tones inside do not pass for paper.
/// None where the strip is not of one light tone (no margins, a bleed print).
fn margins(o: &Overview, paper: &Paper, inside: &[(usize, usize)]) -> Option<Vec<(usize, usize)>> {
    const STRIP: f64 = 5.0;
    const NEIGHBOUR: f32 = 1.5;
    let cell = to_f64(o.cell);
    let strip: Vec<(usize, usize)> = inside
        .iter()
        .copied()
        .filter(|&(c, r)| {
            let (x, y) = o.centre(c, r);
            !paper.contains(x, y, STRIP * cell)
        })
        .collect();
    let tone = median_lab(o, &strip);
    let light = lightest(o, inside).map(|cells| median_lab(o, &cells))?;
    let seeds: Vec<(usize, usize)> = strip
        .iter()
        .copied()
        .filter(|&p| near(o, p, tone))
        .collect();
    if seeds.len() * 2 < strip.len() || tone[0] < light[0] - 6.0 {
        return None;
    }
    let mut free = vec![false; o.cols * o.rows];
    for &(c, r) in inside {
        free[r * o.cols + c] = near(o, (c, r), tone);
    }
    let mut open = seeds;
    open.iter().for_each(|&(c, r)| free[r * o.cols + c] = false);
    let mut out = open.clone();
    while let Some((c, r)) = open.pop() {
        let around = [
            (c.wrapping_sub(1), r),
            (c + 1, r),
            (c, r.wrapping_sub(1)),
            (c, r + 1),
        ];
        for (x, y) in around {
            if x < o.cols
                && y < o.rows
                && free[y * o.cols + x]
                && delta_e76(o.at(x, y).lab, o.at(c, r).lab) < NEIGHBOUR
            {
                free[y * o.cols + x] = false;
                open.push((x, y));
                out.push((x, y));
            }
        }
    }
    // Row by row: sums must not depend on the order of growth.
    out.sort_unstable_by_key(|&(c, r)| (r, c));
    Some(out)
}

/// Whether a cell's colour can be that of paper of a tone, unevenly lit or toned.
fn near(o: &Overview, (c, r): (usize, usize), tone: [f32; 3]) -> bool {
    let lab = o.at(c, r).lab;
    (lab[0] - tone[0]).abs() < 9.0
        && (lab[1] - tone[1]).abs() < 5.0
        && (lab[2] - tone[2]).abs() < 6.0
}

fn median_lab(o: &Overview, cells: &[(usize, usize)]) -> [f32; 3] {
    [0, 1, 2].map(|k| {
        let v: Vec<f64> = cells
            .iter()
            .map(|&(c, r)| f64::from(o.at(c, r).lab[k]))
            .collect();
        #[allow(clippy::cast_possible_truncation)]
        let m = median(&v) as f32;
        m
    })
}

/// Cells of the lightest tone a fair part of the sheet has.
fn lightest(o: &Overview, inside: &[(usize, usize)]) -> Option<Vec<(usize, usize)>> {
    const REACH: usize = 3;
    let mut histogram = [0_usize; 101];
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    for &(c, r) in inside {
        histogram[o.at(c, r).lab[0].clamp(0.0, 100.0) as usize] += 1;
    }
    let mass = |l: usize| -> usize {
        histogram[l.saturating_sub(REACH)..=(l + REACH).min(100)]
            .iter()
            .sum()
    };
    let enough = (inside.len() / 25).max(40);
    let peak = (20..=100).rev().find(|&l| {
        mass(l) >= enough && (1..=REACH).all(|d| mass(l) >= mass(l.saturating_sub(d)))
    })?;
    let near_peak: Vec<(usize, usize)> = inside
        .iter()
        .copied()
        .filter(|&(c, r)| (f64::from(o.at(c, r).lab[0]) - to_f64(peak) - 0.5).abs() <= 3.5)
        .collect();
    let tone = median_lab(o, &near_peak);
    Some(
        inside
            .iter()
            .copied()
            .filter(|&p| near(o, p, tone))
            .collect(),
    )
}

/// The surface's range over the cells it was fitted to: nothing is extrapolated.
fn falloff(o: &Overview, s: &QuadraticSurface, members: &[(usize, usize)]) -> Option<Falloff> {
    let (mut low, mut high, mut sum) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
    for &(c, r) in members {
        let (x, y) = o.centre(c, r);
        let v = s.at(x, y);
        low = low.min(v);
        high = high.max(v);
        sum += v;
    }
    let mean = sum / to_f64(members.len());
    (low > 0.0).then(|| Falloff {
        pct: 100.0 * (high - low) / mean,
        lightness: lightness(high) - lightness(low),
        residual: s.sigma * lightness_slope(mean),
    })
}

/// Scatter in blocks spread over the paper, in L* by the slope of L* at the block's mean.
///
/// The fine part comes from the second difference in both directions, which planes and anything
/// smooth leave at zero (Immerkaer, Computer Vision and Image Understanding 64(2), 1996). Both
/// parts drop values beyond three robust deviations, so that a fibre or a speck of ink does not
/// count in full.
fn noise(scan: ImageView<'_, u16>, o: &Overview, members: &[(usize, usize)]) -> Option<Noise> {
    let mut flat = vec![false; o.cols * o.rows];
    for &(c, r) in members {
        flat[r * o.cols + c] = true;
    }
    let reach = (BLOCK / 2).div_ceil(o.cell).max(1);
    let clear: Vec<(usize, usize)> = members
        .iter()
        .copied()
        .filter(|&(c, r)| {
            c >= reach
                && r >= reach
                && c + reach < o.cols
                && r + reach < o.rows
                && (r - reach..=r + reach).all(|y| {
                    flat[y * o.cols + c - reach..=y * o.cols + c + reach]
                        .iter()
                        .all(|&f| f)
                })
        })
        .collect();
    if clear.len() < 20 {
        return None;
    }
    let (mut fine, mut texture, mut ratio) = (Vec::new(), Vec::new(), Vec::new());
    let mut block = vec![0.0; BLOCK * BLOCK];
    for &(c, r) in clear.iter().step_by(clear.len().div_ceil(BLOCKS)) {
        let (x, y) = o.centre(c, r);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let (x0, y0) = (
            (x as usize).saturating_sub(BLOCK / 2),
            (y as usize).saturating_sub(BLOCK / 2),
        );
        if x0 + BLOCK > scan.width() || y0 + BLOCK > scan.height() {
            continue;
        }
        for j in 0..BLOCK {
            for i in 0..BLOCK {
                block[j * BLOCK + i] = f64::from(luminance_at(scan, x0 + i, y0 + j));
            }
        }
        let mean = block.iter().sum::<f64>() / to_f64(block.len());
        if mean <= 0.0 {
            continue;
        }
        let slope = lightness_slope(mean);
        let sd = trimmed_sd(&second_differences(&block)) / 6.0;
        fine.push(sd * slope);
        texture.push(trimmed_sd(&about_plane(&block)) * slope);
        if sd > 0.0 {
            ratio.push(mean / sd);
        }
    }
    if fine.len() < 20 {
        return None;
    }
    Some(Noise {
        fine: median(&fine),
        texture: median(&texture),
        signal_to_noise: if ratio.is_empty() {
            f64::INFINITY
        } else {
            median(&ratio)
        },
    })
}

fn second_differences(b: &[f64]) -> Vec<f64> {
    let mut out = Vec::with_capacity((BLOCK - 2) * (BLOCK - 2));
    for j in 1..BLOCK - 1 {
        let rows = [-1_isize, 0, 1].map(|d| {
            let at = (j.wrapping_add_signed(d)) * BLOCK;
            &b[at..at + BLOCK]
        });
        for i in 1..BLOCK - 1 {
            let across = |r: &[f64]| r[i - 1] - 2.0 * r[i] + r[i + 1];
            out.push(across(rows[0]) - 2.0 * across(rows[1]) + across(rows[2]));
        }
    }
    out
}

fn about_plane(b: &[f64]) -> Vec<f64> {
    let middle = to_f64(BLOCK - 1) / 2.0;
    let (mut s, mut sx, mut sy, mut q) = (0.0, 0.0, 0.0, 0.0);
    let place = |k: usize| (to_f64(k % BLOCK) - middle, to_f64(k / BLOCK) - middle);
    for (k, v) in b.iter().enumerate() {
        let (x, y) = place(k);
        s += v;
        sx += v * x;
        sy += v * y;
        q += x * x;
    }
    let (mean, gx, gy) = (s / to_f64(b.len()), sx / q, sy / q);
    b.iter()
        .enumerate()
        .map(|(k, v)| {
            let (x, y) = place(k);
            v - mean - gx * x - gy * y
        })
        .collect()
}

/// Standard deviation without what lies beyond three robust deviations, set right for normal
/// scatter (whose variance within three deviations is 0.9733 of the whole).
fn trimmed_sd(v: &[f64]) -> f64 {
    let limit = 3.0 * spread(v);
    let centre = median(v);
    let (mut n, mut q) = (0.0, 0.0);
    for x in v {
        let d = x - centre;
        // Coarse steps can make the robust deviation zero: then everything counts.
        if limit == 0.0 || d.abs() <= limit {
            n += 1.0;
            q += d * d;
        }
    }
    let sd = (q / f64::max(n - 1.0, 1.0)).sqrt();
    if limit == 0.0 {
        sd
    } else {
        sd / 0.9733_f64.sqrt()
    }
}

#[allow(clippy::cast_precision_loss)]
fn to_f64(n: usize) -> f64 {
    n as f64
}
