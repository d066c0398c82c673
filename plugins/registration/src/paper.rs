//! The bare paper's colour over the sheet, also under the ink.
//!
//! Ink only darkens, so the paper is the smooth upper envelope of the sheet:
//! a surface with a penalty on its second differences (Whittaker 1923), fitted
//! by asymmetric least squares (Eilers 2005): what lies below it counts little.

use restrike_stage::{Affine, Point, Raster, Rect};

use restrike_ops::grid::Grid;

/// Logarithm of the paper's linear reflectance on a coarse grid, three channels.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Paper {
    grid: Grid,
    log: Raster<f32>,
}

/// Side of a cell, mm.
const CELL_MM: f64 = 3.0;
/// Misregistered ink reaches this far beyond an image, mm.
const OUTSIDE_MM: f64 = 3.0;
/// Length over which the surface may bend, mm: the rule.
pub(crate) const STIFF_MM: f64 = 20.0;
/// The same where a gradation fades out as slowly as paper tones.
pub(crate) const STIFF_FADE_MM: f64 = 30.0;

impl Paper {
    /// Fits the envelope to a sheet given on a grid. `bare` says, where it is
    /// known, which samples are bare paper; then only these count. Cells outside
    /// all of `images`, if there are any, are paper for certain.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn fit(
        sheet: &Raster<f32>,
        grid: Grid,
        bare: Option<&[bool]>,
        images: &[Rect],
        stiff: f64,
    ) -> Option<Self> {
        let step = ((CELL_MM / grid.pitch).round() as usize).max(1);
        let (w, h) = (sheet.width() / step, sheet.height() / step);
        if w < 3 || h < 3 {
            return None;
        }
        let mut values = vec![[0.0_f64; 3]; w * h];
        let mut weights = vec![0.0; w * h];
        // A few hundred samples tell a cell's paper as well as all.
        let stride = (step / 10).max(1);
        let mut cell: Vec<(f32, [f32; 3])> = Vec::new();
        for j in 0..h {
            for i in 0..w {
                cell.clear();
                for y in (j * step..(j + 1) * step).step_by(stride) {
                    let row = sheet.row(y);
                    for x in (i * step..(i + 1) * step).step_by(stride) {
                        let v = [row[3 * x], row[3 * x + 1], row[3 * x + 2]];
                        let known = bare.is_none_or(|b| b[y * sheet.width() + x]);
                        if known && v.iter().all(|v| *v > 0.02) {
                            cell.push((v[0] + v[1] + v[2], v));
                        }
                    }
                }
                let share = if bare.is_some() { 1.0 } else { 0.4 };
                let all = (step.div_ceil(stride)).pow(2);
                if cell.len() * 8 < all {
                    continue;
                }
                cell.sort_by(|a, b| b.0.total_cmp(&a.0));
                let n = ((cell.len() as f64 * share).ceil() as usize).clamp(1, cell.len());
                let mut mean = [0.0; 3];
                for (_, v) in &cell[..n] {
                    for c in 0..3 {
                        mean[c] += f64::from(v[c]) / n as f64;
                    }
                }
                values[j * w + i] = mean.map(libm::log);
                weights[j * w + i] = if bare.is_some() {
                    cell.len() as f64 / all as f64
                } else {
                    1.0
                };
            }
        }
        let half = (step as f64 - 1.0) / 2.0;
        let certain: Vec<bool> = (0..w * h)
            .map(|k| {
                let p = grid.to_print().apply(Point::new(
                    ((k % w) * step) as f64 + half,
                    ((k / w) * step) as f64 + half,
                ));
                !images.is_empty() && images.iter().all(|i| !i.grown(OUTSIDE_MM).contains(p))
            })
            .collect();
        let cells = Cells {
            values: &values,
            given: &weights,
            certain: &certain,
            size: (w, h),
        };
        let fitted = envelope(&cells, bare.is_none(), stiff / (grid.pitch * step as f64))?;
        // Full cells only.
        let coarse = Grid {
            width: w,
            height: h,
            ..grid.coarser(step)
        };
        let data = fitted.iter().flatten().map(|v| *v as f32).collect();
        let log = Raster::from_vec(w, h, 3, data).ok()?;
        Some(Self { grid: coarse, log })
    }

    /// Logarithm of the reflectance at a place, bilinear, constant beyond the grid.
    pub(crate) fn at(&self, p: Point) -> [f64; 3] {
        bilinear3(&self.log, self.grid, p)
    }
}

/// Bilinear sample of a three-channel raster on a grid, constant beyond it.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn bilinear3(raster: &Raster<f32>, grid: Grid, p: Point) -> [f64; 3] {
    let (w, h) = (raster.width(), raster.height());
    let x = ((p.x - grid.origin.x) / grid.pitch).clamp(0.0, (w - 1) as f64);
    let y = ((grid.origin.y - p.y) / grid.pitch).clamp(0.0, (h - 1) as f64);
    let (i, j) = (
        (x as usize).min(w.saturating_sub(2)),
        (y as usize).min(h.saturating_sub(2)),
    );
    let (u, v) = (x - i as f64, y - j as f64);
    let (i1, j1) = ((i + 1).min(w - 1), (j + 1).min(h - 1));
    let get = |i: usize, j: usize, c: usize| f64::from(raster.get(i, j, c));
    [0, 1, 2].map(|c| {
        let top = get(i, j, c) + (get(i1, j, c) - get(i, j, c)) * u;
        let low = get(i, j1, c) + (get(i1, j1, c) - get(i, j1, c)) * u;
        top + (low - top) * v
    })
}

/// Values on a coarse grid.
struct Cells<'a> {
    values: &'a [[f64; 3]],
    given: &'a [f64],
    certain: &'a [bool],
    size: (usize, usize),
}

fn envelope(cells: &Cells<'_>, asymmetric: bool, stiff: f64) -> Option<Vec<[f64; 3]>> {
    let Cells {
        values,
        given,
        certain,
        size: (w, h),
    } = *cells;
    if given.iter().filter(|g| **g > 0.0).count() < 12 {
        return None;
    }
    let lambda = stiff * stiff * stiff * stiff / 16.0;
    let mut weights = given.to_vec();
    let mut fitted = vec![[0.0; 3]; values.len()];
    // The brightest cells first, so that the envelope starts from above.
    let mut sums: Vec<f64> = (0..values.len())
        .filter(|i| given[*i] > 0.0)
        .map(|i| values[i].iter().sum())
        .collect();
    sums.sort_by(f64::total_cmp);
    let top = sums[sums.len() * 9 / 10];
    let mean_top: [f64; 3] = {
        let mut m = [0.0; 3];
        let mut n = 0.0;
        for (v, g) in values.iter().zip(given) {
            if *g > 0.0 && v.iter().sum::<f64>() >= top {
                for c in 0..3 {
                    m[c] += v[c];
                }
                n += 1.0;
            }
        }
        m.map(|m| m / f64::max(n, 1.0))
    };
    fitted.fill(mean_top);
    let rounds = if asymmetric { 9 } else { 1 };
    for round in 0..rounds {
        if asymmetric {
            let residual: Vec<f64> = values
                .iter()
                .zip(&fitted)
                .map(|(v, f)| (0..3).map(|c| v[c] - f[c]).sum::<f64>() / 3.0)
                .collect();
            // Noise from the upper side alone: the lower side holds the ink.
            let mut above: Vec<f64> = residual
                .iter()
                .zip(given)
                .filter(|(r, g)| **g > 0.0 && **r > 0.0)
                .map(|(r, _)| *r)
                .collect();
            above.sort_by(f64::total_cmp);
            let spread = above.get(above.len() / 2).copied().unwrap_or(0.01) * 1.48;
            let spread = spread.clamp(0.004, if round < 3 { 0.2 } else { 0.03 });
            for (n, (w, r)) in weights.iter_mut().zip(&residual).enumerate() {
                let below = if certain[n] {
                    0.0
                } else {
                    (-r / (1.5 * spread)).max(0.0)
                };
                *w = given[n] / (1.0 + below * below * below * below * 20.0);
            }
        }
        for c in 0..3 {
            let y: Vec<f64> = values.iter().map(|v| v[c]).collect();
            let mut z: Vec<f64> = fitted.iter().map(|f| f[c]).collect();
            smooth(&y, &weights, lambda, w, h, &mut z);
            for (f, z) in fitted.iter_mut().zip(&z) {
                f[c] = *z;
            }
        }
    }
    Some(fitted)
}

/// Minimises sum of w (z - y)^2 + lambda |second differences of z|^2 by
/// conjugate gradients from `z`.
fn smooth(y: &[f64], weights: &[f64], lambda: f64, w: usize, h: usize, z: &mut [f64]) {
    let apply = |v: &[f64], out: &mut [f64]| {
        for ((o, v), k) in out.iter_mut().zip(v).zip(weights) {
            *o = (k + 1e-9) * v;
        }
        for j in 0..h {
            for b in j * w + 1..(j + 1) * w - 1 {
                let d = lambda * (v[b - 1] - 2.0 * v[b] + v[b + 1]);
                out[b - 1] += d;
                out[b] -= 2.0 * d;
                out[b + 1] += d;
            }
        }
        for b in w..(h - 1) * w {
            let d = lambda * (v[b - w] - 2.0 * v[b] + v[b + w]);
            out[b - w] += d;
            out[b] -= 2.0 * d;
            out[b + w] += d;
        }
    };
    let n = y.len();
    let mut ax = vec![0.0; n];
    apply(z, &mut ax);
    let mut r: Vec<f64> = (0..n).map(|i| weights[i] * y[i] - ax[i]).collect();
    let mut p = r.clone();
    let mut rr: f64 = r.iter().map(|v| v * v).sum();
    let goal = 1e-9
        * y.iter()
            .zip(weights)
            .map(|(y, w)| y * y * w)
            .sum::<f64>()
            .max(1e-12);
    for _ in 0..200 {
        if rr < goal {
            break;
        }
        apply(&p, &mut ax);
        let pap: f64 = p.iter().zip(&ax).map(|(a, b)| a * b).sum();
        if pap <= 0.0 {
            break;
        }
        let k = rr / pap;
        for i in 0..n {
            z[i] += k * p[i];
            r[i] -= k * ax[i];
        }
        let next: f64 = r.iter().map(|v| v * v).sum();
        let beta = next / rr;
        rr = next;
        for i in 0..n {
            p[i] = r[i] + beta * p[i];
        }
    }
}

/// From scan pixels to print mm as an affine map through four corners is exact
/// only for an affine map; this one is the least-squares map through points.
pub(crate) fn affine_through(pairs: &[(Point, Point)]) -> Option<Affine> {
    let n = pairs.len();
    if n < 3 {
        return None;
    }
    let m = nalgebra::DMatrix::<f64>::from_fn(n, 3, |r, c| match c {
        0 => pairs[r].0.x,
        1 => pairs[r].0.y,
        _ => 1.0,
    });
    let svd = m.svd(true, true);
    let solve = |f: &dyn Fn(&Point) -> f64| {
        let b = nalgebra::DVector::<f64>::from_fn(n, |r, _| f(&pairs[r].1));
        svd.solve(&b, 1e-12).ok()
    };
    let (x, y) = (solve(&|p| p.x)?, solve(&|p| p.y)?);
    Some(Affine([x[0], x[1], x[2], y[0], y[1], y[2]]))
}
