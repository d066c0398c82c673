//! Reduction of a scan by whole factors, each output pixel the mean of a block.
//!
//! Area averaging (a box filter with a stride): the exact mean of the light
//! that fell on the block, since the scan is in linear light. The scan is read
//! once, row by row, in integers: no copy at full resolution is made.

use restrike_model::{ImageView, Raster};

/// Means of blocks of `kx` by `ky` pixels, each channel by itself, full scale = 1.0.
///
/// Columns and rows that do not fill a last block are left out, so that
/// output pixel (i, j) is centred on scan pixel coordinates
/// ((i + 0.5) kx, (j + 0.5) ky) throughout. Factors of 0 are taken as 1.
#[allow(clippy::cast_precision_loss)]
pub fn area_shrink(scan: ImageView<'_, u16>, kx: usize, ky: usize) -> Raster<f32> {
    // 65536 rows of 16-bit samples still fit a 32-bit sum.
    let (kx, ky) = (kx.clamp(1, 4096), ky.clamp(1, 4096));
    let channels = scan.channels();
    let (width, height) = (scan.width() / kx, scan.height() / ky);
    let mut out = Raster::new(width, height, channels);
    if width == 0 || channels == 0 {
        return out;
    }
    let used = width * kx * channels;
    let mut sums = vec![0_u32; used];
    let scale = 1.0 / (65535.0 * (kx * ky) as f64);
    for j in 0..height {
        sums.fill(0);
        for y in j * ky..(j + 1) * ky {
            for (sum, &v) in sums.iter_mut().zip(scan.row(y)) {
                *sum += u32::from(v);
            }
        }
        let row = out.row_mut(j);
        for (pixel, block) in row
            .chunks_exact_mut(channels)
            .zip(sums.chunks_exact(kx * channels))
        {
            for (c, value) in pixel.iter_mut().enumerate() {
                let total: u64 = block
                    .iter()
                    .skip(c)
                    .step_by(channels)
                    .map(|&v| u64::from(v))
                    .sum();
                #[allow(clippy::cast_possible_truncation)]
                {
                    *value = (total as f64 * scale) as f32;
                }
            }
        }
    }
    out
}

/// The same by one factor, as the 16-bit samples a scan has.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn shrunk_scan(scan: ImageView<'_, u16>, factor: usize) -> Raster<u16> {
    let small = area_shrink(scan, factor, factor);
    let mut out = Raster::new(small.width(), small.height(), small.channels());
    for (o, v) in out.data_mut().iter_mut().zip(small.data()) {
        *o = (v * 65535.0).round().clamp(0.0, 65535.0) as u16;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_of_blocks_by_channel() {
        // Two blocks across, one down, three channels; the fifth column is left over.
        let mut scan = Raster::<u16>::new(5, 3, 3);
        for y in 0..3 {
            for x in 0..5 {
                for c in 0..3 {
                    scan.set(x, y, c, u16::try_from(1000 * c + 100 * x + y).unwrap());
                }
            }
        }
        let small = area_shrink(scan.view(), 2, 3);
        assert_eq!((small.width(), small.height()), (2, 1));
        for c in 0..3 {
            for i in 0..2 {
                let want = (1000 * c + 100 * (2 * i) + 50 + 1) as f32 / 65535.0;
                assert!((small.get(i, 0, c) - want).abs() < 1e-7);
            }
        }
    }

    #[test]
    fn white_stays_white_and_nothing_overflows() {
        let scan = Raster::from_vec(4096, 64, 1, vec![u16::MAX; 4096 * 64]).unwrap();
        let small = area_shrink(scan.view(), 4096, 64);
        assert!((small.get(0, 0, 0) - 1.0).abs() < 1e-6);
        assert_eq!(area_shrink(scan.view(), 5000, 1).height(), 64);
    }
}
