//! Resampling where picture axes run along base axes (in either direction,
//! also turned by quarters): exact area averages where the image shrinks,
//! bilinear interpolation where it grows, separately for each axis.

use restrike_model::{Affine, ImageView, Sample};

/// Samples that can be added up: those of a view, with a plane that counts
/// the valid ones if some may be missing.
pub(super) trait Source {
    /// Pixels across and down.
    fn size(&self) -> (usize, usize);
    /// Planes of values.
    fn planes(&self) -> usize;
    /// Whether the last of the accumulators counts valid samples.
    fn counts(&self) -> bool;
    /// Adds `weight` times the pixels `from..to` of row `y`.
    fn add_row(&self, y: usize, from: usize, to: usize, weight: f32, acc: &mut [f32]);
    /// Adds `weight` times a pixel; the last accumulator counts.
    fn add_pixel(&self, x: usize, y: usize, weight: f32, acc: &mut [f32; 4]);

    /// Adds the pixels that hold the places `at` + `grid`, all inside, each with weight 1.
    fn add_places(&self, at: Place, grid: &[Place], acc: &mut [f32; 4]) {
        for step in grid {
            let (x, y) = at.step(*step).pixel();
            self.add_pixel(x, y, 1.0, acc);
        }
    }
}

/// A place on the base in fixed point: adding and rounding down take no time.
#[derive(Debug, Clone, Copy)]
pub(super) struct Place {
    x: i64,
    y: i64,
}

impl Place {
    const BITS: u32 = 24;

    pub(super) fn new(x: f64, y: f64) -> Self {
        let one = f64::from(1_u32 << Self::BITS);
        Self {
            x: (x * one) as i64,
            y: (y * one) as i64,
        }
    }

    #[inline]
    fn step(self, by: Self) -> Self {
        Self {
            x: self.x + by.x,
            y: self.y + by.y,
        }
    }

    #[inline]
    fn pixel(self) -> (usize, usize) {
        (
            (self.x >> Self::BITS) as usize,
            (self.y >> Self::BITS) as usize,
        )
    }
}

/// Samples that are all valid.
pub(super) struct Full<'a>(pub(super) ImageView<'a, u16>);

impl Source for Full<'_> {
    fn size(&self) -> (usize, usize) {
        (self.0.width(), self.0.height())
    }

    fn planes(&self) -> usize {
        self.0.channels()
    }

    fn counts(&self) -> bool {
        false
    }

    fn add_row(&self, y: usize, from: usize, to: usize, weight: f32, acc: &mut [f32]) {
        let n = self.0.channels();
        let row = &self.0.row(y)[from * n..to * n];
        let weight = weight * (1.0 / 65535.0);
        for (a, &v) in acc.iter_mut().zip(row) {
            *a += weight * f32::from(v);
        }
    }

    #[inline]
    fn add_pixel(&self, x: usize, y: usize, weight: f32, acc: &mut [f32; 4]) {
        for (a, v) in acc.iter_mut().zip(self.0.pixel(x, y)) {
            *a += weight * v.unit();
        }
        acc[3] += weight;
    }

    fn add_places(&self, at: Place, grid: &[Place], acc: &mut [f32; 4]) {
        let (data, stride) = (self.0.buffer(), self.0.row_stride());
        // A grid has at most 64 x 64 places, so whole numbers of 32 bits do.
        let mut sum = [0_u32; 3];
        if self.0.channels() == 3 {
            for step in grid {
                let (x, y) = at.step(*step).pixel();
                let start = y * stride + 3 * x;
                if let Some([r, g, b]) = data.get(start..start + 3) {
                    sum[0] += u32::from(*r);
                    sum[1] += u32::from(*g);
                    sum[2] += u32::from(*b);
                }
            }
        } else {
            for step in grid {
                let (x, y) = at.step(*step).pixel();
                sum[0] += data.get(y * stride + x).map_or(0, |v| u32::from(*v));
            }
        }
        for (a, s) in acc.iter_mut().zip(sum) {
            *a += s as f32 * (1.0 / 65535.0);
        }
        acc[3] += grid.len() as f32;
    }
}

/// Samples some of which may not be numbers.
pub(super) struct Gappy<'a>(pub(super) ImageView<'a, f32>);

impl Source for Gappy<'_> {
    fn size(&self) -> (usize, usize) {
        (self.0.width(), self.0.height())
    }

    fn planes(&self) -> usize {
        self.0.channels()
    }

    fn counts(&self) -> bool {
        true
    }

    fn add_row(&self, y: usize, from: usize, to: usize, weight: f32, acc: &mut [f32]) {
        let n = self.0.channels();
        let row = &self.0.row(y)[from * n..to * n];
        for (a, pixel) in acc.chunks_exact_mut(n + 1).zip(row.chunks_exact(n)) {
            if pixel.iter().all(|v| v.is_finite()) {
                for (a, v) in a.iter_mut().zip(pixel) {
                    *a += weight * v;
                }
                a[n] += weight;
            }
        }
    }

    #[inline]
    fn add_pixel(&self, x: usize, y: usize, weight: f32, acc: &mut [f32; 4]) {
        let pixel = self.0.pixel(x, y);
        if pixel.iter().all(|v| v.is_finite()) {
            for (a, v) in acc.iter_mut().zip(pixel) {
                *a += weight * v;
            }
            acc[3] += weight;
        }
    }
}

/// Takes a finished line: its index, the values, and how much of each pixel the base covers.
pub(super) type Sink<'s> = dyn FnMut(usize, &[f32], &[f32]) + 's;

/// What of one axis of the base a picture pixel takes.
struct Taps {
    first: usize,
    /// Sum is the part of the pixel that the base covers.
    weights: Vec<f32>,
    cover: f32,
}

/// Taps of `n` pixels, pixel i reaching from `a i + c` to `a (i + 1) + c` on an axis of `len` samples.
fn axis(n: usize, a: f64, c: f64, len: usize) -> Vec<Taps> {
    (0..n).map(|i| taps(i as f64, a, c, len)).collect()
}

fn taps(i: f64, a: f64, c: f64, len: usize) -> Taps {
    let (p, q) = (a * i + c, a * (i + 1.0) + c);
    let (lo, hi) = (p.min(q), p.max(q));
    let end = len as f64;
    let inside = (hi.min(end) - lo.max(0.0)).max(0.0);
    let cover = (inside / (hi - lo)) as f32;
    if cover <= 0.0 {
        return Taps {
            first: 0,
            weights: Vec::new(),
            cover: 0.0,
        };
    }
    if hi - lo >= 1.0 {
        let first = lo.max(0.0).floor() as usize;
        let last = (hi.min(end).ceil() as usize).clamp(first + 1, len);
        let weights = (first..last)
            .map(|k| {
                let k = k as f64;
                ((hi.min(k + 1.0) - lo.max(k)).max(0.0) / (hi - lo)) as f32
            })
            .collect();
        return Taps {
            first,
            weights,
            cover,
        };
    }
    let at = ((lo + hi) / 2.0 - 0.5).clamp(0.0, end - 1.0);
    let first = at.floor() as usize;
    let part = (at - first as f64) as f32;
    let weights = if part > 0.0 {
        vec![(1.0 - part) * cover, part * cover]
    } else {
        vec![cover]
    };
    Taps {
        first,
        weights,
        cover,
    }
}

/// How picture axes lie along base axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    /// Picture x along base x.
    Straight,
    /// Picture x along base y: lines come out as the picture's columns.
    Quarter,
}

/// Whether a map keeps axes parallel over a picture of that size.
pub(super) fn turn(map: &Affine, width: usize, height: usize) -> Option<Turn> {
    let [a, b, _, d, e, _] = map.0;
    let (w, h) = (width as f64, height as f64);
    const SLACK_PX: f64 = 0.01;
    if b.abs() * h < SLACK_PX && d.abs() * w < SLACK_PX {
        Some(Turn::Straight)
    } else if a.abs() * w < SLACK_PX && e.abs() * h < SLACK_PX {
        Some(Turn::Quarter)
    } else {
        None
    }
}

/// Resamples along the axes; hands out the picture's rows, or its columns after a quarter turn.
pub(super) fn along_axes<S: Source>(
    source: &S,
    map: &Affine,
    turn: Turn,
    (width, height): (usize, usize),
    sink: &mut Sink<'_>,
) {
    let [a, b, c, d, e, f] = map.0;
    let (base_width, base_height) = source.size();
    let (across, down) = match turn {
        Turn::Straight => (
            axis(width, a, c, base_width),
            axis(height, e, f, base_height),
        ),
        Turn::Quarter => (
            axis(height, b, c, base_width),
            axis(width, d, f, base_height),
        ),
    };
    let used = |t: &&Taps| !t.weights.is_empty();
    let from = across
        .iter()
        .filter(used)
        .map(|t| t.first)
        .min()
        .unwrap_or(0);
    let to = across
        .iter()
        .filter(used)
        .map(|t| t.first + t.weights.len())
        .max()
        .unwrap_or(from);
    let planes = source.planes();
    let stride = planes + usize::from(source.counts());
    let mut acc = vec![0.0_f32; (to - from) * stride];
    let mut line = vec![0.0_f32; across.len() * planes];
    let mut cover = vec![0.0_f32; across.len()];
    for (index, rows) in down.iter().enumerate() {
        acc.fill(0.0);
        for (k, &weight) in rows.weights.iter().enumerate() {
            source.add_row(rows.first + k, from, to, weight, &mut acc);
        }
        for (i, columns) in across.iter().enumerate() {
            let mut sum = [0.0_f32; 4];
            let start = columns.first.saturating_sub(from) * stride;
            let pixels = acc[start..].chunks_exact(stride);
            for (pixel, &weight) in pixels.zip(&columns.weights) {
                for (s, v) in sum.iter_mut().zip(pixel) {
                    *s += weight * v;
                }
            }
            let got = if source.counts() {
                sum[planes]
            } else {
                columns.cover * rows.cover
            };
            cover[i] = got;
            let norm = if got > 1e-6 { 1.0 / got } else { 0.0 };
            for (l, s) in line[i * planes..(i + 1) * planes].iter_mut().zip(sum) {
                *l = s * norm;
            }
        }
        sink(index, &line, &cover);
    }
}
