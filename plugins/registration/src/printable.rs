//! Where on a proof the block's ink is looked for, what is none of it, and what lies beyond.

use restrike_ops::grid::Grid;
use restrike_ops::regions::regions;
use restrike_stage::{Raster, Rect};

use crate::shape::{ROOT_FADE, sample};

/// Beyond an image's border, and about ink that prints beyond it, so much is looked at, mm.
const IMAGE_MARGIN_MM: f64 = 3.0;

/// Where ink is looked for: the images with a margin, and what hangs together
/// with them. Elsewhere are marks, stamps and spots; a colour that was carved
/// beyond the border has its edge out there, and none at the margin's end.
pub(crate) fn printable(
    strength: &Raster<f32>,
    looked: &[bool],
    grid: Grid,
    images: &[Rect],
    least: f64,
) -> Vec<bool> {
    let (w, h) = (grid.width, grid.height);
    let mut out: Vec<bool> = (0..w * h)
        .map(|k| {
            let p = grid.place(k % w, k / w);
            looked[k] && images.iter().any(|i| i.grown(IMAGE_MARGIN_MM).contains(p))
        })
        .collect();
    let inked = |k: usize| looked[k] && f64::from(strength.data()[k]) >= least;
    let near = |k: usize| {
        let (x, y) = (k % w, k / w);
        (y.saturating_sub(1)..(y + 2).min(h))
            .flat_map(move |v| (x.saturating_sub(1)..(x + 2).min(w)).map(move |u| v * w + u))
    };
    let ink: Vec<bool> = (0..w * h).map(inked).collect();
    let mut beyond = Vec::new();
    for region in regions(&ink, w) {
        let own = region.pixels.iter().map(|(x, y)| y * w + x);
        if own.clone().any(|k| out[k]) {
            beyond.extend(own.filter(|k| !out[*k]));
        }
    }
    for k in &beyond {
        out[*k] = true;
    }
    // With the ground beside it, which its edge is read against.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let reach = (IMAGE_MARGIN_MM / grid.pitch).ceil() as usize;
    for k in beyond {
        if near(k).all(inked) {
            continue;
        }
        let (x, y) = (k % w, k / w);
        for v in y.saturating_sub(reach)..(y + reach + 1).min(h) {
            for u in x.saturating_sub(reach)..(x + reach + 1).min(w) {
                out[v * w + u] = looked[v * w + u];
            }
        }
    }
    out
}

/// Takes out what of a gradation's shape nowhere has the strength of its ink: so
/// faint are the unevenness of the paper and its stains, too, and such islands
/// would be edges that no sheet shows.
pub(crate) fn without_islands(
    coverage: &mut Raster<f32>,
    ink: &Raster<f32>,
    ink_grid: Grid,
    grid: Grid,
) {
    let printed: Vec<bool> = coverage.data().iter().map(|c| *c >= 0.5).collect();
    for region in regions(&printed, grid.width) {
        let strong = |&(x, y): &(usize, usize)| {
            f64::from(sample(ink, ink_grid, grid.place(x, y))) >= ROOT_FADE
        };
        if !region.pixels.iter().any(strong) {
            for (x, y) in region.pixels {
                coverage.set(x, y, 0, 0.0);
            }
        }
    }
}

/// Samples outside `area` take what the nearest one inside has.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn go_on(coverage: &mut Raster<f32>, grid: Grid, area: Rect) {
    // The outermost samples whose places lie inside.
    let column = |x: f64| (x - grid.origin.x) / grid.pitch;
    let row = |y: f64| (grid.origin.y - y) / grid.pitch;
    let within = |low: f64, high: f64, n: usize| {
        let low = (low.ceil().max(0.0) as usize).min(n - 1);
        (low, (high.floor().max(0.0) as usize).clamp(low, n - 1))
    };
    let (left, right) = within(column(area.min.x), column(area.max.x), grid.width);
    let (top, foot) = within(row(area.max.y), row(area.min.y), grid.height);
    for j in 0..grid.height {
        for i in 0..grid.width {
            let (u, v) = (i.clamp(left, right), j.clamp(top, foot));
            if (u, v) != (i, j) {
                let there = coverage.get(u, v, 0);
                coverage.set(i, j, 0, there);
            }
        }
    }
}
