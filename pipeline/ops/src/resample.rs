//! A scan laid out on a grid in print coordinates.

use restrike_model::{Affine, ImageView, Raster};

use crate::area_shrink::area_shrink;
use crate::grid::Grid;

/// Linear reflectance of the scan on a grid, three channels (a grey scan three
/// times the same), by cubic convolution (Keys 1981, a = -1/2); where the grid
/// is coarser than the scan, the scan is area-averaged first. Negative values
/// mark places outside the scan.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub fn resample(scan: ImageView<'_, u16>, to_print: &Affine, grid: Grid) -> Option<Raster<f32>> {
    let scale = to_print.determinant().abs().sqrt();
    let factor = (grid.pitch / scale + 0.05).floor().max(1.0) as usize;
    let small = area_shrink(scan, factor, factor);
    let k = factor as f64;
    // Grid samples -> pixel indices of the averaged scan.
    let map = grid.to_print().then(&to_print.inverse()?).then(&Affine([
        1.0 / k,
        0.0,
        -0.5,
        0.0,
        1.0 / k,
        -0.5,
    ]));
    let mut out = Raster::new(grid.width, grid.height, 3);
    let (w, h) = (small.width(), small.height());
    if w < 4 || h < 4 {
        return None;
    }
    let channels = small.channels();
    let [a, b, c, d, e, f] = map.0;
    for j in 0..grid.height {
        let row = out.row_mut(j);
        for i in 0..grid.width {
            let (u, v) = (i as f64, j as f64);
            let (x, y) = (a * u + b * v + c, d * u + e * v + f);
            let value = &mut row[3 * i..3 * i + 3];
            if !(x >= 1.0 && y >= 1.0 && x < (w - 2) as f64 && y < (h - 2) as f64) {
                value.fill(-1.0);
                continue;
            }
            let (x0, y0) = (x as usize, y as usize);
            let (kx, ky) = (keys((x - x0 as f64) as f32), keys((y - y0 as f64) as f32));
            let mut sum = [0.0_f32; 3];
            for (m, wy) in ky.into_iter().enumerate() {
                let line = &small.row(y0 + m - 1)[(x0 - 1) * channels..(x0 + 3) * channels];
                for (n, wx) in kx.into_iter().enumerate() {
                    let weight = wx * wy;
                    for (ch, s) in sum.iter_mut().enumerate() {
                        *s += weight * line[n * channels + ch.min(channels - 1)];
                    }
                }
            }
            value.copy_from_slice(&sum.map(|s| s.max(0.0)));
        }
    }
    Some(out)
}

/// Cubic convolution weights at -1, 0, 1, 2 for a place t in 0..1.
fn keys(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        -0.5 * t + t2 - 0.5 * t3,
        1.0 - 2.5 * t2 + 1.5 * t3,
        0.5 * t + 2.0 * t2 - 1.5 * t3,
        -0.5 * t2 + 0.5 * t3,
    ]
}
