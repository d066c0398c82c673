//! A block's printed shape from an impression of that block alone.

use restrike_stage::{Point, Raster, Rect};

use crate::edge_levels;
use crate::layers::FADING;
use crate::paper::{Paper, STIFF_FADE_MM, STIFF_MM};
use crate::printable;
use restrike_ops::grid::Grid;

/// What a single-block impression shows of its block.
#[derive(Debug, Clone)]
pub(crate) struct Shape {
    /// Share of each sample that printed, 0 to 1 (noise may lead beyond).
    pub(crate) coverage: Raster<f32>,
    /// Its grid.
    pub(crate) grid: Grid,
    /// Absorption of the solid by channel: -ln of transmitted light.
    pub(crate) absorption: [f64; 3],
    /// Strength of the ink relative to the solid, on its own coarse grid.
    pub(crate) ink: Raster<f32>,
    /// The ink's grid.
    pub(crate) ink_grid: Grid,
}

/// Side of an ink cell, mm.
pub(crate) const INK_CELL_MM: f64 = 1.0;
/// Fewest printed samples of a shape.
const LEAST: f64 = 200.0;
/// Margin of the sheet that is not looked at: the cut edge and its shadow, mm.
const EDGE_MM: f64 = 2.0;
/// Least strength of ink against the solid: an even block has no fainter ink,
/// a block printed with a gradation fades out.
const FAINT: f64 = 0.3;
const FAINT_FADE: f64 = 0.03;
/// The same for an even ink that takes less light than this (absorption):
/// the paper's own unevenness is a third to a half of it in places, and would
/// leave islands of ink that no other sheet shows.
const FAINT_PALE: f64 = 0.6;
const PALE: f64 = 0.4;
/// The ink of a gradation hangs together with ink of this strength at least.
pub(crate) const ROOT_FADE: f64 = 0.25;

/// Reads the shape off a sheet laid out on a grid (`resample`), looking at
/// `area` only.
///
/// The edge is where half of a sample is printed: the half-way point in linear
/// reflectance between bare paper and the ink beside it.
///
/// `images` say where the sheet can be printed at all, if that is known; `fade`
/// that the block is printed with a gradation.
///
/// # Errors
/// In words, when no ink is to be found.
pub(crate) fn shape(
    sheet: &Raster<f32>,
    grid: Grid,
    area: Rect,
    images: &[Rect],
    fade: bool,
) -> Result<Shape, String> {
    let (faint, stiff) = if fade {
        (FAINT_FADE, STIFF_FADE_MM)
    } else {
        (FAINT, STIFF_MM)
    };
    let inner = area.grown(-EDGE_MM);
    let (w, h) = (sheet.width(), sheet.height());
    let looked: Vec<bool> = (0..w * h)
        .map(|k| inner.contains(grid.place(k % w, k / w)) && sheet.data()[3 * k] >= 0.0)
        .collect();
    let masked = mask(sheet, &looked);
    // Logarithms are the costly part: taken once.
    let logs: Vec<f32> = sheet
        .data()
        .iter()
        .map(|v| libm::logf(v.max(2e-4)))
        .collect();
    let mut paper = Paper::fit(&masked, grid, None, images, stiff)
        .ok_or("too little of the sheet is in the scan")?;
    let mut found = None;
    for _ in 0..2 {
        let (absorption, z) = strengths(&logs, grid, &paper, &looked)?;
        let bare = bare(&z, &looked, w, h, if fade { 0.06 } else { 0.3 });
        if let Some(better) = Paper::fit(&masked, grid, Some(&bare), images, stiff) {
            paper = better;
        }
        found = Some(absorption);
    }
    let absorption = found.ok_or("no ink was found")?;
    let (absorption, z) = {
        let again = strengths(&logs, grid, &paper, &looked)?;
        (
            if norm(again.0) > 0.0 {
                again.0
            } else {
                absorption
            },
            again.1,
        )
    };
    let z = Raster::from_vec(w, h, 1, z).map_err(|e| e.to_string())?;
    // Noise would pass for ink: the level beside an edge is read off a calmer plane.
    let calmed = match roughness(&z) {
        n if n < 0.05 => z,
        n => gaussian(
            &z,
            (n / 0.05 / (2.0 * std::f32::consts::PI.sqrt())).clamp(0.6, 3.0),
        ),
    };
    let looked = if images.is_empty() {
        looked
    } else {
        let least = if fade { ROOT_FADE } else { 0.5 };
        printable::printable(&calmed, &looked, grid, images, least)
    };
    let faint = if !fade && absorption.iter().all(|a| *a < PALE) {
        FAINT_PALE
    } else {
        faint
    };
    let (ink, ink_grid) = ink_map(calmed.data(), &looked, grid, fade, faint);
    let mut coverage = Raster::new(w, h, 1);
    let weight = absorption.map(|a| a.max(0.0));
    let mut printed = 0.0;
    for j in 0..h {
        for i in 0..w {
            let k = j * w + i;
            if !looked[k] {
                continue;
            }
            let p = grid.place(i, j);
            let local = f64::from(sample(&ink, ink_grid, p));
            if local < faint {
                continue;
            }
            let base = paper.at(p);
            let (mut top, mut low) = (0.0, 0.0);
            for c in 0..3 {
                let bare = libm::exp(base[c]);
                let step = bare * (1.0 - libm::exp(-absorption[c] * local));
                let dark = bare - f64::from(sheet.data()[3 * k + c]);
                top += weight[c] * dark * step;
                low += weight[c] * step * step;
            }
            if low > 0.0 {
                #[allow(clippy::cast_possible_truncation)]
                {
                    coverage.set(i, j, 0, (top / low).clamp(-0.5, 1.5) as f32);
                }
                if top > 0.5 * low {
                    printed += 1.0;
                }
            }
        }
    }
    if printed < LEAST {
        return Err("no ink was found".to_owned());
    }
    // Light that tells this ink from its paper best: each channel by how much of it is taken.
    let by = absorption.map(|a| (a.max(0.0) * (1.0 - libm::exp(-a.max(0.0)))) as f32);
    let light: Vec<f32> = sheet
        .data()
        .chunks_exact(3)
        .map(|v| by[0] * v[0] + by[1] * v[1] + by[2] * v[2])
        .collect();
    // Where a gradation fades out there is no edge to be placed.
    let sharp = |p| !fade || f64::from(sample(&ink, ink_grid, p)) > FADING;
    let coverage = edge_levels::placed(&calm(coverage), &light, &looked, grid, &sharp);
    let mut coverage = calm(coverage);
    if fade {
        printable::without_islands(&mut coverage, &ink, ink_grid, grid);
    }
    // Ink at the end of what is looked at goes on: its end there is no edge of the block.
    printable::go_on(&mut coverage, grid, inner);
    Ok(Shape {
        coverage,
        grid,
        absorption,
        ink,
        ink_grid,
    })
}

fn norm(v: [f64; 3]) -> f64 {
    (v[0] * v[0] + v[1] * v[1] + v[2] * v[2]).sqrt()
}

fn mask(sheet: &Raster<f32>, looked: &[bool]) -> Raster<f32> {
    let mut out = sheet.clone();
    for (v, k) in out.data_mut().chunks_exact_mut(3).zip(looked) {
        if !k {
            v.fill(-1.0);
        }
    }
    out
}

/// The solid's absorption and each sample's strength along it.
#[allow(clippy::cast_possible_truncation)]
fn strengths(
    logs: &[f32],
    grid: Grid,
    paper: &Paper,
    looked: &[bool],
) -> Result<([f64; 3], Vec<f32>), String> {
    let (w, h) = (grid.width, grid.height);
    let mut absorbed = vec![[0.0_f32; 3]; w * h];
    let mut sizes = Vec::new();
    for k in 0..w * h {
        if !looked[k] {
            continue;
        }
        let base = paper.at(grid.place(k % w, k / w));
        let mut a = [0.0_f32; 3];
        for c in 0..3 {
            a[c] = base[c] as f32 - logs[3 * k + c];
        }
        absorbed[k] = a;
        if k % 7 == 0 {
            sizes.push(a[0] + a[1] + a[2]);
        }
    }
    if sizes.len() < 500 {
        return Err("too little of the sheet is in the scan".to_owned());
    }
    let threshold = otsu(&mut sizes);
    // Solid: what lies above the threshold, its upper half (lines and edges are paler).
    let mut inked: Vec<f32> = sizes.iter().copied().filter(|s| *s > threshold).collect();
    if inked.len() < 20 {
        return Err("no ink was found".to_owned());
    }
    inked.sort_by(f32::total_cmp);
    let (low, high) = (inked[inked.len() * 4 / 10], inked[inked.len() * 95 / 100]);
    let mut sum = [0.0; 3];
    let mut n = 0.0;
    for a in &absorbed {
        let s = a[0] + a[1] + a[2];
        if s >= low && s <= high {
            for c in 0..3 {
                sum[c] += f64::from(a[c]);
            }
            n += 1.0;
        }
    }
    let absorption = sum.map(|s| s / f64::max(n, 1.0));
    let square = absorption.iter().map(|a| a * a).sum::<f64>();
    if square < 0.03 * 0.03 {
        return Err("what is on the sheet is hardly darker than its paper".to_owned());
    }
    let unit = absorption.map(|a| (a / square) as f32);
    let z = absorbed
        .iter()
        .map(|a| a[0] * unit[0] + a[1] * unit[1] + a[2] * unit[2])
        .collect();
    Ok((absorption, z))
}

/// Otsu's threshold (1979) of a sample, from its sorted values.
fn otsu(values: &mut [f32]) -> f32 {
    values.sort_by(f32::total_cmp);
    let n = values.len();
    let total: f64 = values.iter().map(|v| f64::from(*v)).sum();
    let (mut below, mut best, mut at) = (0.0, 0.0, n / 2);
    for k in 1..n {
        below += f64::from(values[k - 1]);
        #[allow(clippy::cast_precision_loss)]
        let (a, b) = (k as f64, (n - k) as f64);
        let gap = below / a - (total - below) / b;
        let score = a * b * gap * gap;
        if score > best {
            best = score;
            at = k;
        }
    }
    (values[at - 1] + values[at.min(n - 1)]) / 2.0
}

/// Bare paper, well away from ink.
fn bare(z: &[f32], looked: &[bool], w: usize, h: usize, most: f32) -> Vec<bool> {
    let mut free: Vec<bool> = z.iter().zip(looked).map(|(z, k)| *k && *z < most).collect();
    // Two samples in from every edge, rows then columns.
    for _ in 0..2 {
        let before = free.clone();
        for j in 1..h - 1 {
            for i in 1..w - 1 {
                let k = j * w + i;
                free[k] =
                    before[k] && before[k - 1] && before[k + 1] && before[k - w] && before[k + w];
            }
        }
    }
    free
}

/// Strength of the ink beside each place: the upper part of what lies within
/// about a millimetre, smoothed; 0 where nothing printed.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn ink_map(z: &[f32], looked: &[bool], grid: Grid, fade: bool, faint: f64) -> (Raster<f32>, Grid) {
    let (w, h) = (grid.width, grid.height);
    let step = ((INK_CELL_MM / grid.pitch).round() as usize).max(1);
    let (cw, ch) = (w.div_ceil(step), h.div_ceil(step));
    // By cell: sum and number of samples that are ink for certain by the cell's own level.
    let mut level = vec![0.0_f32; cw * ch];
    let mut count = vec![0.0_f32; cw * ch];
    let mut buffer = Vec::new();
    for j in 0..ch {
        for i in 0..cw {
            buffer.clear();
            for y in j * step..((j + 1) * step).min(h) {
                for x in i * step..((i + 1) * step).min(w) {
                    if looked[y * w + x] {
                        buffer.push(z[y * w + x]);
                    }
                }
            }
            if buffer.is_empty() {
                continue;
            }
            buffer.sort_by(f32::total_cmp);
            let high = buffer[(buffer.len() - 1) * 9 / 10];
            if f64::from(high) < faint {
                continue;
            }
            let ink: Vec<f32> = buffer.iter().copied().filter(|v| *v > 0.7 * high).collect();
            // An edge's blur is no ink level: many samples must agree.
            let share = ink.len() as f32 / buffer.len() as f32;
            level[j * cw + i] = ink[ink.len() / 2];
            count[j * cw + i] = share;
        }
    }
    // A plane through the cells within two of each, full cells counting most: a
    // mean would read a gradation's level beside its edge off the inside.
    let mut out = Raster::new(cw, ch, 1);
    for j in 0..ch {
        for i in 0..cw {
            let mut m = nalgebra::Matrix3::<f64>::zeros();
            let mut b = nalgebra::Vector3::<f64>::zeros();
            let mut own = false;
            for v in j.saturating_sub(2)..(j + 3).min(ch) {
                for u in i.saturating_sub(2)..(i + 3).min(cw) {
                    let n = f64::from(count[v * cw + u]);
                    if n <= 0.0 {
                        continue;
                    }
                    let (x, y) = (u as f64 - i as f64, v as f64 - j as f64);
                    let d2 = x * x + y * y;
                    own |= d2 <= 2.0;
                    let k = n * n / (1.0 + d2);
                    let f = nalgebra::Vector3::new(1.0, x, y);
                    m += f * f.transpose() * k;
                    b += f * (k * f64::from(level[v * cw + u]));
                }
            }
            if !own {
                continue;
            }
            // A slope rests on enough full cells or is none.
            let hold = if fade { 0.15 } else { 2.0 };
            m[(1, 1)] += hold;
            m[(2, 2)] += hold;
            if let Some(solved) = m.cholesky().map(|c| c.solve(&b)) {
                out.set(i, j, 0, solved[0].max(0.0) as f32);
            }
        }
    }
    keep_rooted(&mut out, if fade { ROOT_FADE } else { 0.6 });
    let cells = grid.coarser(step);
    (out, cells)
}

/// Keeps the ink that hangs together with ink of strength `root`; the rest is
/// the paper's own unevenness.
#[allow(clippy::cast_possible_truncation)]
fn keep_rooted(ink: &mut Raster<f32>, root: f64) {
    let (w, h) = (ink.width(), ink.height());
    let mut kept = vec![false; w * h];
    let mut open: Vec<usize> = (0..w * h)
        .filter(|k| f64::from(ink.data()[*k]) >= root)
        .collect();
    for k in &open {
        kept[*k] = true;
    }
    while let Some(k) = open.pop() {
        let (x, y) = (k % w, k / w);
        for v in y.saturating_sub(1)..(y + 2).min(h) {
            for u in x.saturating_sub(1)..(x + 2).min(w) {
                let n = v * w + u;
                if !kept[n] && ink.data()[n] > 0.0 {
                    kept[n] = true;
                    open.push(n);
                }
            }
        }
    }
    for (v, k) in ink.data_mut().iter_mut().zip(kept) {
        if !k {
            *v = 0.0;
        }
    }
}

/// Bilinear sample of a one-channel raster on a grid, constant beyond it.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn sample(raster: &Raster<f32>, grid: Grid, p: Point) -> f32 {
    let (w, h) = (raster.width(), raster.height());
    let x = ((p.x - grid.origin.x) / grid.pitch).clamp(0.0, (w - 1) as f64);
    let y = ((grid.origin.y - p.y) / grid.pitch).clamp(0.0, (h - 1) as f64);
    let (i, j) = (x as usize, y as usize);
    let (u, v) = ((x - i as f64) as f32, (y - j as f64) as f32);
    let (i1, j1) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
    let data = raster.data();
    let top = data[j * w + i] + (data[j * w + i1] - data[j * w + i]) * u;
    let low = data[j1 * w + i] + (data[j1 * w + i1] - data[j1 * w + i]) * u;
    top + (low - top) * v
}

/// Smooths a noisy coverage just enough for a quiet outline: a Gaussian leaves
/// the half-way point of a straight edge where it is.
fn calm(coverage: Raster<f32>) -> Raster<f32> {
    let sigma = match roughness(&coverage) {
        n if n < 0.04 => return coverage,
        // White noise falls as 1 / (2 sigma sqrt(pi)).
        n => (n / 0.04 / (2.0 * std::f32::consts::PI.sqrt())).clamp(0.6, 2.5),
    };
    gaussian(&coverage, sigma)
}

/// Noise of neighbouring samples away from edges: median absolute second difference.
fn roughness(c: &Raster<f32>) -> f32 {
    let mut d = Vec::new();
    for j in (1..c.height() - 1).step_by(3) {
        let row = c.row(j);
        for i in (1..c.width() - 1).step_by(3) {
            let v = row[i];
            if v > 0.75 && v < 1.3 {
                d.push((row[i - 1] - 2.0 * v + row[i + 1]).abs());
            }
        }
    }
    if d.len() < 50 {
        return 0.0;
    }
    d.sort_by(f32::total_cmp);
    d[d.len() / 2] * 1.4826 / 6.0_f32.sqrt()
}

/// Separable Gaussian blur of a one-channel raster, edges repeated.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn gaussian(image: &Raster<f32>, sigma: f32) -> Raster<f32> {
    let reach = (3.0 * sigma).ceil() as usize;
    #[allow(clippy::cast_precision_loss)]
    let mut kernel: Vec<f32> = (0..=2 * reach)
        .map(|k| {
            let t = (k as f32 - reach as f32) / sigma;
            libm::expf(-0.5 * t * t)
        })
        .collect();
    let total: f32 = kernel.iter().sum();
    for k in &mut kernel {
        *k /= total;
    }
    let (w, h) = (image.width(), image.height());
    let mut rows: Raster<f32> = Raster::new(w, h, 1);
    let mut padded = vec![0.0; w + 2 * reach];
    for j in 0..h {
        let row = image.row(j);
        padded[reach..reach + w].copy_from_slice(row);
        padded[..reach].fill(row[0]);
        padded[reach + w..].fill(row[w - 1]);
        for (i, o) in rows.row_mut(j).iter_mut().enumerate() {
            *o = kernel.iter().zip(&padded[i..]).map(|(k, v)| k * v).sum();
        }
    }
    let mut out = Raster::new(w, h, 1);
    for j in 0..h {
        for (m, k) in kernel.iter().enumerate() {
            let from = (j + m).saturating_sub(reach).min(h - 1);
            let line = rows.row(from);
            for (o, v) in out.row_mut(j).iter_mut().zip(line) {
                *o += k * v;
            }
        }
    }
    out
}
