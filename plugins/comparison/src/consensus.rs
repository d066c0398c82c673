//! An edition's consensus, by streaming: one pass over the impressions, and
//! memory that does not grow with their number.
//!
//! Of each cell it keeps the count, mean and sum of squared deviations
//! (Welford 1962, Technometrics 4, 419-420) and the least and greatest value.
//! The consensus is the mean without these two from three impressions on: of
//! three and four their median, of more a lightly trimmed mean, which one bad
//! impression on either side does not move. The scatter is the standard
//! deviation of all: a bad impression widens it, which makes the test careful.

use crate::ground::Ground;

/// Cells a side that are taken together, by level.
pub(crate) const SIDES: [usize; 3] = [1, 4, 16];
/// Share of a larger cell that must be clear of edges.
const CLEAR: [f64; 3] = [0.0, 0.4, 0.3];
/// Light is kept in steps of this.
const STEP: f32 = 1.0 / 32_000.0;

/// Values of a channel over the impressions.
#[derive(Debug, Clone, Copy, Default)]
struct Channel {
    mean: f32,
    squares: f32,
    low: u16,
    high: u16,
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn coded(v: f32) -> u16 {
    (v / STEP).round().clamp(0.0, 65535.0) as u16
}

pub(crate) fn decoded(v: u16) -> f32 {
    f32::from(v) * STEP
}

impl Channel {
    #[allow(clippy::cast_precision_loss)]
    fn add(&mut self, n: u16, v: f32) {
        let code = coded(v);
        if n == 1 {
            (self.low, self.high) = (code, code);
        }
        let d = v - self.mean;
        self.mean += d / f32::from(n);
        self.squares += d * (v - self.mean);
        self.low = self.low.min(code);
        self.high = self.high.max(code);
    }

    fn middle(&self, n: u16) -> f32 {
        if n < 3 {
            return self.mean;
        }
        let n = f32::from(n);
        ((self.mean * n - decoded(self.low) - decoded(self.high)) / (n - 2.0)).max(0.0)
    }

    fn scatter(&self, n: u16) -> f32 {
        if n < 2 {
            return 0.0;
        }
        (self.squares / (f32::from(n) - 1.0)).max(0.0).sqrt()
    }
}

/// Variance of the consensus of `n` values over the variance of one, times `n`:
/// of a median of three and of four, of the trimmed mean of more (David and
/// Nagaraja 2003, Order Statistics, for normal values; held against simulation
/// in the tests).
#[must_use]
pub(crate) fn cost(n: f64) -> f64 {
    match n {
        n if n < 3.0 => 1.0,
        n if n < 4.0 => 1.346,
        n if n < 5.0 => 1.193,
        n => 1.0 + 0.69 / n,
    }
}

/// A level while it is streamed.
pub(crate) struct Stream {
    side: usize,
    width: usize,
    height: usize,
    count: Vec<u16>,
    channels: Vec<[Channel; 3]>,
}

/// A level at the end.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Level {
    /// Cells of the finest level a side.
    pub(crate) side: usize,
    pub(crate) width: usize,
    pub(crate) height: usize,
    /// Impressions that tell of a cell.
    pub(crate) count: Vec<u16>,
    /// Consensus, linear light against paper.
    pub(crate) light: Vec<[f32; 3]>,
    /// Standard deviation over the impressions.
    pub(crate) scatter: Vec<[f32; 3]>,
}

/// Size of a level.
pub(crate) fn size(ground: &Ground, side: usize) -> (usize, usize) {
    (
        ground.grid.width.div_ceil(side),
        ground.grid.height.div_ceil(side),
    )
}

/// Means of a sheet's light over larger cells, from what is clear of edges.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub(crate) fn coarser(ground: &Ground, light: &[[f32; 3]], level: usize) -> Vec<[f32; 3]> {
    let side = SIDES[level];
    if side == 1 {
        return light.to_vec();
    }
    let (width, height) = size(ground, side);
    let mut sums = vec![([0.0_f64; 3], 0_u32); width * height];
    for (at, v) in light.iter().enumerate() {
        if ground.deep[at] && v[0].is_finite() {
            let (x, y) = (at % ground.grid.width, at / ground.grid.width);
            let s = &mut sums[(y / side) * width + x / side];
            for c in 0..3 {
                s.0[c] += f64::from(v[c]);
            }
            s.1 += 1;
        }
    }
    let least = CLEAR[level] * (side * side) as f64;
    sums.into_iter()
        .map(|(s, n)| {
            if f64::from(n) < least {
                [f32::NAN; 3]
            } else {
                s.map(|v| (v / f64::from(n)) as f32)
            }
        })
        .collect()
}

impl Stream {
    pub(crate) fn new(ground: &Ground, side: usize) -> Self {
        let (width, height) = size(ground, side);
        Self {
            side,
            width,
            height,
            count: vec![0; width * height],
            channels: vec![[Channel::default(); 3]; width * height],
        }
    }

    /// Forgets what it has of some cells.
    pub(crate) fn forget(&mut self, which: &dyn Fn(usize) -> bool) {
        for at in 0..self.count.len() {
            if which(at) {
                self.count[at] = 0;
                self.channels[at] = [Channel::default(); 3];
            }
        }
    }

    /// Adds an impression.
    pub(crate) fn add(&mut self, light: &[[f32; 3]]) {
        for ((count, channels), v) in self.count.iter_mut().zip(&mut self.channels).zip(light) {
            if v.iter().all(|v| v.is_finite()) && *count < u16::MAX {
                *count += 1;
                for c in 0..3 {
                    channels[c].add(*count, v[c]);
                }
            }
        }
    }

    /// Impressions that tell of a cell so far.
    pub(crate) fn told(&self, at: usize) -> u16 {
        self.count[at]
    }

    pub(crate) fn end(&self) -> Level {
        let each = |f: &dyn Fn(&Channel, u16) -> f32| {
            self.channels
                .iter()
                .zip(&self.count)
                .map(|(c, n)| [0, 1, 2].map(|k| f(&c[k], *n)))
                .collect()
        };
        Level {
            side: self.side,
            width: self.width,
            height: self.height,
            light: each(&Channel::middle),
            scatter: each(&Channel::scatter),
            count: self.count.clone(),
        }
    }
}
