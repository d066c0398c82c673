//! Reading a scan between its pixels by cubic convolution.
//!
//! Keys 1981, "Cubic convolution interpolation for digital image processing",
//! IEEE Transactions on Acoustics, Speech and Signal Processing 29, with
//! a = -1/2: parabolas are reproduced, so an edge's second moment, its blur, is
//! not enlarged as by bilinear reading (by a sixth of a squared pixel there).

use restrike_model::{ImageView, Point};

/// Keys's kernel at the four pixels about a fraction.
fn weights(t: f32) -> [f32; 4] {
    let (t2, t3) = (t * t, t * t * t);
    [
        -0.5 * t + t2 - 0.5 * t3,
        1.0 - 2.5 * t2 + 1.5 * t3,
        0.5 * t + 2.0 * t2 - 1.5 * t3,
        -0.5 * t2 + 0.5 * t3,
    ]
}

/// Linear reflectance by channel (1.0 = full scale) at a place in scan pixels,
/// the first pixel's centre at (0.5, 0.5); the same thrice in a grey scan.
/// None within a pixel and a half of the scan's border.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub fn cubic_sample(scan: ImageView<'_, u16>, p: Point) -> Option<[f32; 3]> {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    let (w, h) = (scan.width(), scan.height());
    if w < 4 || h < 4 || !(x >= 1.0 && y >= 1.0) {
        return None;
    }
    let (i, j) = (x as usize, y as usize);
    if i + 2 >= w || j + 2 >= h {
        return None;
    }
    let wx = weights((x - i as f64) as f32);
    let wy = weights((y - j as f64) as f32);
    let mut out = [0.0_f32; 3];
    if scan.channels() == 3 {
        for (row, wy) in wy.iter().enumerate() {
            let line = scan.row(j - 1 + row);
            let (pixels, _) = line[(i - 1) * 3..(i + 3) * 3].as_chunks::<3>();
            for (p, wx) in pixels.iter().zip(wx) {
                let w = wy * wx;
                for (out, v) in out.iter_mut().zip(p) {
                    *out += w * f32::from(*v);
                }
            }
        }
    } else if scan.channels() > 3 {
        let n = scan.channels();
        for (row, wy) in wy.iter().enumerate() {
            let line = scan.row(j - 1 + row);
            let line = &line[(i - 1) * n..(i + 3) * n];
            for (p, wx) in line.chunks_exact(n).zip(wx) {
                let w = wy * wx;
                out[0] += w * f32::from(p[0]);
                out[1] += w * f32::from(p[1]);
                out[2] += w * f32::from(p[2]);
            }
        }
    } else {
        for (row, wy) in wy.iter().enumerate() {
            let n = scan.channels();
            let line = scan.row(j - 1 + row);
            for (k, wx) in wx.iter().enumerate() {
                out[0] += wy * wx * f32::from(line[(i - 1 + k) * n]);
            }
        }
        out = [out[0]; 3];
    }
    Some(out.map(|v| v / 65535.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_model::Raster;

    #[test]
    fn a_parabola_is_read_exactly() {
        let value = |x: f64, y: f64| 0.2 + 0.001 * x * x + 0.01 * y - 0.0005 * x * y;
        let mut scan = Raster::<u16>::new(20, 20, 3);
        for y in 0..20 {
            for x in 0..20 {
                let v = (value(x as f64 + 0.5, y as f64 + 0.5) * 65535.0).round() as u16;
                for c in 0..3 {
                    scan.set(x, y, c, v / (c as u16 + 1));
                }
            }
        }
        for (x, y) in [(5.3, 7.9), (10.0, 10.5), (2.6, 16.2)] {
            let got = cubic_sample(scan.view(), Point::new(x, y)).unwrap();
            for (c, v) in got.iter().enumerate() {
                let want = value(x, y) / (c as f64 + 1.0);
                assert!((f64::from(*v) - want).abs() < 4e-5, "{x} {y} {c}");
            }
        }
    }

    #[test]
    fn the_border_and_tiny_scans_give_nothing() {
        let scan = Raster::<u16>::new(8, 8, 1);
        for (x, y) in [(1.2, 4.0), (6.9, 4.0), (4.0, 1.0), (4.0, f64::NAN)] {
            assert_eq!(cubic_sample(scan.view(), Point::new(x, y)), None, "{x} {y}");
        }
        assert_eq!(
            cubic_sample(scan.view(), Point::new(4.0, 4.0)),
            Some([0.0; 3])
        );
        let tiny = Raster::<u16>::new(3, 3, 1);
        assert_eq!(cubic_sample(tiny.view(), Point::new(1.5, 1.5)), None);
    }
}
