//! One pass over the scan: a small area-averaged copy with what is clipped in
//! each of its cells, and which levels the samples use.

use restrike_ops::cielab::{LabOfRgb, White};
use restrike_stage::ImageView;

/// Longest side of the small copy, in cells.
const CELLS: usize = 480;
/// Rows read of each cell: enough for its mean, a fraction of the scan.
const ROWS_PER_CELL: usize = 5;
/// At and above this a sample is at full scale; the last step of an 8-bit file lies at 64950.
const FULL: u16 = 65500;
/// Of the rows read, one in so many goes into the histogram.
const HISTOGRAM_EVERY: usize = 8;

/// One cell of the small copy.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Cell {
    /// Mean of the relative luminance; 1 = full scale.
    pub(crate) y: f32,
    /// CIELAB (D50) of the mean; a grey scan has three equal channels.
    pub(crate) lab: [f32; 3],
    /// Share of samples at full scale, by channel.
    pub(crate) full: [f32; 3],
    /// Share of samples at zero, by channel.
    pub(crate) zero: [f32; 3],
}

/// The small copy.
#[derive(Debug)]
pub(crate) struct Overview {
    /// Pixels along a cell's side.
    pub(crate) cell: usize,
    /// Cells across.
    pub(crate) cols: usize,
    /// Cells down.
    pub(crate) rows: usize,
    cells: Vec<Cell>,
    /// Fewest distinct sample values in any channel.
    pub(crate) levels: usize,
    /// Share of the 8-bit sRGB codes between the darkest and the lightest in use that no
    /// sample has, worst channel, per cent.
    pub(crate) code_gaps: f64,
}

impl Overview {
    /// Reads a scan of one or three channels.
    pub(crate) fn new(scan: ImageView<'_, u16>) -> Self {
        let channels = scan.channels();
        let cell = scan.width().max(scan.height()).div_ceil(CELLS).max(1);
        let (cols, rows) = (scan.width() / cell, scan.height() / cell);
        let step = (cell / ROWS_PER_CELL).max(1);
        let to_lab = LabOfRgb::new(White::D50);
        let mut cells = Vec::with_capacity(cols * rows);
        let mut histogram = vec![false; channels * 65536];
        let mut read = 0;
        // Of each cell of the current row of cells and channel: sum, at full scale, at zero.
        let mut sums = vec![[0_u64, 0, 0]; cols * channels];
        for cy in 0..rows {
            sums.fill([0; 3]);
            let mut lines = 0;
            for y in (cy * cell..(cy + 1) * cell).step_by(step) {
                let row = &scan.row(y)[..cols * cell * channels];
                match channels {
                    3 => add_row::<3>(row, cell, &mut sums),
                    _ => add_row::<1>(row, cell, &mut sums),
                }
                if read % HISTOGRAM_EVERY == 0 {
                    for px in row.chunks_exact(channels) {
                        for (c, &v) in px.iter().enumerate() {
                            histogram[c * 65536 + usize::from(v)] = true;
                        }
                    }
                }
                read += 1;
                lines += 1;
            }
            #[allow(clippy::cast_precision_loss)]
            let samples = (lines * cell).max(1) as f64;
            for s in sums.chunks_exact(channels) {
                cells.push(finish(s, samples, &to_lab));
            }
        }
        let (levels, code_gaps) = quantisation(&histogram);
        Self {
            cell,
            cols,
            rows,
            cells,
            levels,
            code_gaps,
        }
    }

    /// A cell.
    pub(crate) fn at(&self, col: usize, row: usize) -> &Cell {
        &self.cells[row * self.cols + col]
    }

    /// Centre of a cell in scan pixels.
    pub(crate) fn centre(&self, col: usize, row: usize) -> (f64, f64) {
        #[allow(clippy::cast_precision_loss)]
        let c = |i: usize| (i as f64 + 0.5) * self.cell as f64;
        (c(col), c(row))
    }
}

fn add_row<const N: usize>(row: &[u16], cell: usize, sums: &mut [[u64; 3]]) {
    for (px, out) in row.chunks_exact(cell * N).zip(sums.chunks_exact_mut(N)) {
        let mut sum = [0_u32; N];
        let mut full = [0_u32; N];
        let mut zero = [0_u32; N];
        for p in px.chunks_exact(N) {
            for c in 0..N {
                sum[c] += u32::from(p[c]);
                full[c] += u32::from(p[c] >= FULL);
                zero[c] += u32::from(p[c] == 0);
            }
        }
        for c in 0..N {
            out[c][0] += u64::from(sum[c]);
            out[c][1] += u64::from(full[c]);
            out[c][2] += u64::from(zero[c]);
        }
    }
}

#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
fn finish(sums: &[[u64; 3]], samples: f64, to_lab: &LabOfRgb) -> Cell {
    let pick = |k: usize, scale: f64| {
        [0, 1, 2].map(|c| sums[c.min(sums.len() - 1)][k] as f64 / samples * scale)
    };
    let mean = pick(0, 1.0 / 65535.0);
    Cell {
        y: crate::pixels::luminance(mean) as f32,
        lab: to_lab.lab(mean).map(|v| v as f32),
        full: pick(1, 1.0).map(|v| v as f32),
        zero: pick(2, 1.0).map(|v| v as f32),
    }
}

/// Distinct values, and gaps among the 8-bit sRGB codes, in the worst channel.
fn quantisation(histogram: &[bool]) -> (usize, f64) {
    let mut levels = usize::MAX;
    let mut gaps = 0.0_f64;
    for channel in histogram.chunks_exact(65536) {
        levels = levels.min(channel.iter().filter(|&&u| u).count());
        let mut codes = [false; 256];
        for (v, _) in channel.iter().enumerate().filter(|(_, u)| **u) {
            codes[srgb_code(v)] = true;
        }
        let first = codes.iter().position(|&u| u);
        let last = codes.iter().rposition(|&u| u);
        if let (Some(first), Some(last)) = (first, last)
            && last > first
        {
            let unused = codes[first..=last].iter().filter(|&&u| !u).count();
            #[allow(clippy::cast_precision_loss)]
            let share = 100.0 * unused as f64 / (last - first + 1) as f64;
            gaps = gaps.max(share);
        }
    }
    (if levels == usize::MAX { 0 } else { levels }, gaps)
}

/// The 8-bit sRGB code (IEC 61966-2-1) nearest to a linear 16-bit sample.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn srgb_code(linear: usize) -> usize {
    let v = linear as f64 / 65535.0;
    let s = if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * libm::pow(v, 1.0 / 2.4) - 0.055
    };
    ((s * 255.0).round() as usize).min(255)
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_stage::Raster;

    fn linear(code: f64) -> u16 {
        let s = code / 255.0;
        let v = if s <= 0.04045 {
            s / 12.92
        } else {
            libm::pow((s + 0.055) / 1.055, 2.4)
        };
        (v * 65535.0).round() as u16
    }

    fn ramp(code: impl Fn(usize) -> f64) -> Overview {
        let mut scan = Raster::<u16>::new(512, 64, 1);
        for y in 0..64 {
            for x in 0..512 {
                scan.set(x, y, 0, linear(code(x)));
            }
        }
        Overview::new(scan.view())
    }

    #[test]
    fn a_stretched_histogram_shows_as_gaps() {
        let plain = ramp(|x| (x / 2) as f64);
        assert_eq!(plain.levels, 256);
        assert!(plain.code_gaps < 0.01);
        // 160 codes stretched over 256: 96 of them unused.
        let comb = ramp(|x| ((x * 160 / 512) as f64 * 255.0 / 159.0).round());
        assert_eq!(comb.levels, 160);
        assert!((comb.code_gaps - 37.5).abs() < 0.5, "{}", comb.code_gaps);
    }

    #[test]
    fn means_and_clipped_shares_are_those_of_the_pixels() {
        let mut scan = Raster::<u16>::new(960, 480, 3);
        for y in 0..480 {
            for x in 0..960 {
                scan.set(x, y, 0, if x % 2 == 0 { 65535 } else { 13107 });
                scan.set(x, y, 1, if x < 480 { 0 } else { 32768 });
                scan.set(x, y, 2, 6554);
            }
        }
        let o = Overview::new(scan.view());
        assert_eq!((o.cell, o.cols, o.rows), (2, 480, 240));
        let c = o.at(10, 10);
        assert!((f64::from(c.y) - (0.2126 * 0.6 + 0.0722 * 0.1)).abs() < 1e-4);
        assert!((c.full[0] - 0.5).abs() < 1e-6);
        assert!(c.zero[1] == 1.0 && o.at(300, 10).zero[1] == 0.0);
    }
}
