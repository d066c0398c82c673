//! Two scans of one impression: the fine texture of paper and ink is the
//! same, which no two impressions have in common.
//!
//! Each sheet keeps 2048 samples of its texture in the band of 0.7 to 3 mm, at
//! fixed places of the sheet, as signed bytes. Places where print has an edge
//! are marked and do not count. What all sheets have in common (grain of the
//! blocks, left-over design) is taken away in longer runs. Pairs are sifted by
//! comparing signs, 64 places in one machine operation, and decided by the
//! correlation.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use restrike_ops::box_mean::{Gaps, box_mean};
use restrike_ops::stats::{mad_sigma, median, quantile};
use restrike_stage::Raster;

use crate::lowres::LowRes;

/// Samples of a sheet.
pub(crate) const SAMPLES: usize = 2048;
/// Marks a place that does not count.
const VOID: i8 = i8::MIN;
/// Roughness, in terms of the quietest tenth's, beyond which a place does not count.
const QUIET: f64 = 2.0;
/// Sheets from which on the common part is taken away.
const LEAST_RUN: usize = 6;
/// Places two sheets must share.
const LEAST_SHARED: usize = 150;
/// Sheets beyond which pairs are only compared within a window of the list.
pub(crate) const MOST_SHEETS: usize = 20_000;
/// That window.
const WINDOW: usize = 5_000;

/// The texture of a straightened sheet.
pub(crate) fn texture(sheet: &LowRes) -> Vec<i8> {
    // Means over 0.67 .. 1 mm less means over 3 mm.
    let fine = box_mean(&sheet.fine, 1, Gaps::LeftOut);
    let broad = box_mean(&sheet.fine, 4, Gaps::LeftOut);
    let (w, h) = (fine.width(), fine.height());
    let places = places(w, h);
    let value = |&(x, y): &(usize, usize)| -> f64 {
        if sheet.fine.get(x, y, 0).is_finite() {
            f64::from(fine.get(x, y, 0) - broad.get(x, y, 0))
        } else {
            f64::NAN
        }
    };
    let values: Vec<f64> = places.iter().map(value).collect();
    let activity: Vec<f64> = places
        .iter()
        .map(|&(x, y)| roughness(&sheet.fine, x, y))
        .collect();
    // Bare paper and even ink only: where the plane moves more than a few
    // times as much as at the sheet's quietest places, print has an edge.
    let quiet = QUIET * quantile(&activity, 0.1).unwrap_or(0.0);
    let calm: Vec<f64> = values
        .iter()
        .zip(&activity)
        .filter(|(_, a)| **a <= quiet)
        .map(|(v, _)| *v)
        .collect();
    let sigma = mad_sigma(&calm).unwrap_or(0.0);
    values
        .iter()
        .zip(&activity)
        .map(|(v, a)| {
            if !(v.is_finite() && *a <= quiet && sigma > 0.0) {
                VOID
            } else {
                #[allow(clippy::cast_possible_truncation)]
                {
                    (v / sigma * 25.0).round().clamp(-127.0, 127.0) as i8
                }
            }
        })
        .collect()
}

/// Range of the fine plane about a place.
fn roughness(plane: &Raster<f32>, x: usize, y: usize) -> f64 {
    let (mut low, mut high) = (f32::INFINITY, f32::NEG_INFINITY);
    for j in y.saturating_sub(4)..(y + 5).min(plane.height()) {
        for v in &plane.row(j)[x.saturating_sub(4)..(x + 5).min(plane.width())] {
            low = low.min(*v);
            high = high.max(*v);
        }
    }
    if high >= low {
        f64::from(high - low)
    } else {
        f64::NAN
    }
}

/// A fixed low-discrepancy set of places (the R2 sequence on the plastic number).
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn places(w: usize, h: usize) -> Vec<(usize, usize)> {
    const A: f64 = 0.754_877_666_246_692_7;
    const B: f64 = 0.569_840_290_998_053_3;
    (1..=SAMPLES)
        .map(|k| {
            let k = k as f64;
            let (a, b) = ((k * A).fract(), (k * B).fract());
            (
                ((a * w as f64) as usize).min(w - 1),
                ((b * h as f64) as usize).min(h - 1),
            )
        })
        .collect()
}

/// Text of a texture for a table.
pub(crate) fn encode(texture: &[i8]) -> String {
    let bytes: Vec<u8> = texture.iter().map(|v| v.cast_unsigned()).collect();
    STANDARD.encode(bytes)
}

/// The texture of such a text.
pub(crate) fn decode(text: &str) -> Option<Vec<i8>> {
    let bytes = STANDARD.decode(text).ok()?;
    (bytes.len() == SAMPLES).then(|| bytes.into_iter().map(u8::cast_signed).collect())
}

/// A pair of scans of one impression: indices, the earlier first, and their correlation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pair {
    pub(crate) first: usize,
    pub(crate) second: usize,
    pub(crate) correlation: f64,
}

/// Correlation at which two scans are one impression even where the grain of
/// the blocks, which all impressions share, could not be taken away: a scan
/// saved twice reaches it, another impression of the same blocks does not.
const SAME_SCAN: f64 = 0.9;

/// Whether a pair found among `sheets` sheets is one impression for certain.
pub(crate) fn certain(sheets: usize, correlation: f64) -> bool {
    sheets >= LEAST_RUN || correlation >= SAME_SCAN
}

/// All sheets that repeat an earlier one, each with the earliest it repeats.
#[allow(clippy::cast_possible_truncation)]
pub(crate) fn find(textures: &[Vec<i8>], least: f64) -> Vec<Pair> {
    let rows = rows(textures);
    let signs: Vec<Signs> = rows.iter().map(|r| Signs::new(r)).collect();
    let mut out = Vec::new();
    for second in 1..rows.len() {
        let from = if rows.len() > MOST_SHEETS {
            second.saturating_sub(WINDOW)
        } else {
            0
        };
        for first in from..second {
            if !signs[first].alike(&signs[second], least) {
                continue;
            }
            if let Some(correlation) = correlation(&rows[first], &rows[second])
                && correlation >= least
            {
                out.push(Pair {
                    first,
                    second,
                    correlation,
                });
                break;
            }
        }
    }
    out
}

/// Textures without what they have in common; NaN where a place does not count.
fn rows(textures: &[Vec<i8>]) -> Vec<Vec<f32>> {
    let common = common(textures);
    textures
        .iter()
        .map(|t| {
            t.iter()
                .zip(&common)
                .map(|(&v, c)| {
                    if v == VOID {
                        f32::NAN
                    } else {
                        f32::from(v) - c
                    }
                })
                .collect()
        })
        .collect()
}

/// Correlations of all pairs that can be compared, for studies.
#[cfg(test)]
pub(crate) fn all_pairs(textures: &[Vec<i8>]) -> Vec<Pair> {
    let rows = rows(textures);
    let mut out = Vec::new();
    for second in 1..rows.len() {
        for first in 0..second {
            if let Some(correlation) = correlation(&rows[first], &rows[second]) {
                out.push(Pair {
                    first,
                    second,
                    correlation,
                });
            }
        }
    }
    out
}

/// What the sheets have in common at each place: the median, in runs long
/// enough that two scans of one impression do not make it.
#[allow(clippy::cast_possible_truncation)]
fn common(textures: &[Vec<i8>]) -> Vec<f32> {
    if textures.len() < LEAST_RUN {
        return vec![0.0; SAMPLES];
    }
    // A few hundred sheets, evenly taken, tell it well enough.
    let stride = textures.len().div_ceil(300);
    (0..SAMPLES)
        .map(|i| {
            let values: Vec<f64> = textures
                .iter()
                .step_by(stride)
                .filter_map(|t| t.get(i).copied())
                .filter(|v| *v != VOID)
                .map(f64::from)
                .collect();
            median(&values).unwrap_or(0.0) as f32
        })
        .collect()
}

/// Signs of a texture, 64 places a word, and which places count.
struct Signs {
    positive: [u64; SAMPLES / 64],
    counts: [u64; SAMPLES / 64],
}

impl Signs {
    fn new(row: &[f32]) -> Self {
        let mut out = Self {
            positive: [0; SAMPLES / 64],
            counts: [0; SAMPLES / 64],
        };
        for (i, v) in row.iter().enumerate().take(SAMPLES) {
            if v.is_finite() {
                out.counts[i / 64] |= 1 << (i % 64);
                if *v > 0.0 {
                    out.positive[i / 64] |= 1 << (i % 64);
                }
            }
        }
        out
    }

    /// Whether the signs agree often enough for a correlation of `least`: of
    /// normal deviates correlated by r, a share of acos(r) / pi differs in sign.
    fn alike(&self, other: &Self, least: f64) -> bool {
        let (mut shared, mut differ) = (0_u32, 0_u32);
        for i in 0..SAMPLES / 64 {
            let both = self.counts[i] & other.counts[i];
            shared += both.count_ones();
            differ += ((self.positive[i] ^ other.positive[i]) & both).count_ones();
        }
        let expected = libm::acos(least.clamp(0.0, 1.0)) / std::f64::consts::PI;
        let n = f64::from(shared);
        f64::from(differ) <= n * expected + 4.0 * (n * 0.25).sqrt()
    }
}

fn correlation(a: &[f32], b: &[f32]) -> Option<f64> {
    let (mut aa, mut ab, mut bb, mut n) = (0.0_f64, 0.0, 0.0, 0);
    for (x, y) in a.iter().zip(b) {
        if x.is_finite() && y.is_finite() {
            let (x, y) = (f64::from(*x), f64::from(*y));
            aa += x * x;
            ab += x * y;
            bb += y * y;
            n += 1;
        }
    }
    (n >= LEAST_SHARED && aa > 0.0 && bb > 0.0).then(|| ab / (aa * bb).sqrt())
}
