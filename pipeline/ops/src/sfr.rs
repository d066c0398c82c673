//! Spatial frequency response from a slanted edge.
//!
//! Source: ISO 12233:2014, 6.2.4-6.2.5 (edge-based SFR): the place of the edge
//! in each row from the centroid of the derivative, a straight line through
//! those places, all pixels put into bins of a quarter pixel by their distance
//! from it, the derivative of that edge-spread function, a window, the modulus
//! of its discrete Fourier transform, and the correction for the discrete
//! derivative. Here the course of the edge may also bend by a polynomial of
//! third order, the distance is taken along the edge's normal, the
//! derivative is the two-point one, the averaging over a bin is corrected too
//! (each is a factor sinc(f/4)), and the window is flat in the middle and
//! tapered at both ends (Tukey), which does not widen the line spread as a
//! Hamming window does.

use thiserror::Error;

/// Bins a pixel.
const OVERSAMPLING: f64 = 4.0;
/// Step of the frequency grid, cycles per pixel.
const STEP: f64 = 0.01;
/// Highest frequency looked at, cycles per pixel (twice Nyquist).
const TOP: f64 = 1.0;

/// Why an edge gave no response.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Error)]
pub enum SfrError {
    /// Fewer than eight rows or ten columns, or a buffer of another length.
    #[error("the region is too small or not of the size it was said to have")]
    Shape,
    /// No step between the sides that stands out from the scatter.
    #[error("there is no clear step")]
    NoStep,
    /// The edge is not straight, or leaves the region.
    #[error("the edge is not straight or leaves the region")]
    NotStraight,
    /// The edge is so well aligned with the pixels that quarter-pixel bins stay empty.
    #[error("the edge is too well aligned with the pixels to be sampled finely")]
    Phase,
    /// A side is not level, or the step overshoots far.
    #[error("the sides of the edge are not level")]
    Sides,
}

/// Spatial frequency response of an edge.
#[derive(Debug, Clone, PartialEq)]
pub struct Sfr {
    /// Response at 0, 0.01, 0.02, ... 1.00 cycles per pixel along the edge's normal.
    pub response: Vec<f64>,
    /// Lowest frequency where the response falls to one half, cycles per pixel.
    pub mtf50: Option<f64>,
    /// Lowest frequency where the response falls to one tenth, cycles per pixel.
    pub mtf10: Option<f64>,
    /// Slope of the edge: pixels across for each row down.
    pub slope: f64,
    /// RMS distance of the rows' edge places from the course fitted, pixels.
    pub straightness: f64,
    /// Right side minus left side.
    pub contrast: f64,
    /// Largest excursion of the edge-spread function beyond its sides, as a share of the contrast.
    pub overshoot: f64,
    /// Scatter of the edge-spread function on its sides, as a share of the contrast.
    pub scatter: f64,
}

impl Sfr {
    /// Response at a frequency in cycles per pixel, up to 1.
    pub fn at(&self, frequency: f64) -> Option<f64> {
        let p = frequency / STEP;
        if !(0.0..=100.0).contains(&p) {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let i = p as usize;
        let low = *self.response.get(i)?;
        let high = *self.response.get(i + 1).unwrap_or(&low);
        Some(low + (high - low) * (p - p.floor()))
    }
}

/// A region round a nearly vertical edge, in linear light.
///
/// Rows may start at different columns, so that a long region can follow the edge.
#[derive(Debug, Clone, Copy)]
pub struct EdgeRegion<'a> {
    /// Samples, row after row.
    pub samples: &'a [f32],
    /// Samples a row.
    pub width: usize,
    /// Column of each row's first sample.
    pub starts: &'a [f64],
    /// Place of each row, in rows; equal steps are not needed.
    pub rows: &'a [f64],
}

/// The response of the edge in a region.
///
/// # Errors
/// When the region shows no clear, straight, slanted step between level sides.
pub fn slanted_edge(region: EdgeRegion<'_>) -> Result<Sfr, SfrError> {
    let EdgeRegion {
        samples,
        width,
        starts,
        rows,
    } = region;
    let n = starts.len();
    if n < 8 || width < 10 || rows.len() != n || samples.len() != n * width {
        return Err(SfrError::Shape);
    }
    let row = |y: usize| &samples[y * width..(y + 1) * width];

    let quarter = (width / 4).max(2);
    let side = |right: bool| {
        let mut sum = 0.0;
        for y in 0..n {
            let r = row(y);
            let part = if right {
                &r[width - quarter..]
            } else {
                &r[..quarter]
            };
            sum += part.iter().map(|&v| f64::from(v)).sum::<f64>();
        }
        sum / as_f64(n * quarter)
    };
    let contrast = side(true) - side(false);
    if !contrast.is_finite() || contrast == 0.0 {
        return Err(SfrError::NoStep);
    }

    // Twice: about the middle of the region, then, with less noise, about the line found.
    let mut line = (as_f64(width) / 2.0, 0.0);
    let mut straightness = 0.0;
    let mut bend = [0.0; 2];
    let middle = rows.iter().sum::<f64>() / as_f64(n);
    for pass in 0..3 {
        let reach = if pass == 0 {
            as_f64(width) / 2.0
        } else {
            (as_f64(width) / 2.0).min(6.0)
        };
        let mut places = Vec::with_capacity(n);
        for y in 0..n {
            let guess = if pass == 0 {
                as_f64(width) / 2.0
            } else {
                line.0 + line.1 * (rows[y] - middle) - starts[y]
            };
            if let Some(x) = centroid(row(y), guess, reach, contrast) {
                places.push((rows[y] - middle, x + starts[y]));
            }
        }
        if places.len() * 4 < n * 3 {
            return Err(SfrError::NoStep);
        }
        let (a, b, rms) = fit_line(&places);
        line = (a, b);
        straightness = rms;
        if pass == 2 {
            (bend, straightness) = fit_bend(&places, line, rms);
        }
    }
    let (a, slope) = line;
    let cosine = 1.0 / (1.0 + slope * slope).sqrt();
    if !(slope.abs() < 0.7 && straightness < 1.0) {
        return Err(SfrError::NotStraight);
    }

    let reach = reach_of(rows, middle);
    let edges: Vec<f64> = (0..n)
        .map(|y| {
            let t = rows[y] - middle;
            a + slope * t + bend_at(bend, t / reach) - starts[y]
        })
        .collect();

    // The span of distances every row covers.
    let mut left = f64::INFINITY;
    let mut right = f64::INFINITY;
    for edge in &edges {
        left = left.min((edge - 0.5) * cosine);
        right = right.min((as_f64(width) - 0.5 - edge) * cosine);
    }
    let half = (left.min(right) * OVERSAMPLING).floor();
    if half.is_nan() || half < 4.0 * OVERSAMPLING {
        return Err(SfrError::NotStraight);
    }
    let esf = bin(&region, &edges, cosine, half).ok_or(SfrError::Phase)?;
    shape(&esf, slope, straightness)
}

fn shape(esf: &[f64], slope: f64, straightness: f64) -> Result<Sfr, SfrError> {
    let bins = esf.len();
    let tail = bins / 5;
    let (low, low_sd) = mean_sd(&esf[..tail]);
    let (high, high_sd) = mean_sd(&esf[bins - tail..]);
    let contrast = high - low;
    let scatter = low_sd.max(high_sd) / contrast.abs();
    // A bin's mean of many rows scatters little; a side that is not level does.
    if scatter.is_nan() || scatter >= 0.1 {
        return Err(SfrError::Sides);
    }
    let overshoot = esf
        .iter()
        .map(|v| (v - low) / contrast)
        .map(|v| (v - 1.0).max(-v))
        .fold(0.0, f64::max);
    if overshoot > 0.3 {
        return Err(SfrError::Sides);
    }

    let lsf: Vec<f64> = esf.windows(2).map(|w| (w[1] - w[0]) / contrast).collect();
    let centre = as_f64(lsf.len() - 1) / 2.0;
    let windowed: Vec<f64> = lsf
        .iter()
        .enumerate()
        .map(|(k, v)| v * tukey((as_f64(k) - centre) / (centre + 1.0)))
        .collect();
    let total: f64 = windowed.iter().sum();
    if total.is_nan() || total <= 0.5 {
        return Err(SfrError::Sides);
    }

    let count = 1 + (TOP / STEP).round() as usize;
    let mut response = Vec::with_capacity(count);
    for i in 0..count {
        let f = STEP * as_f64(i);
        // One sine and cosine a frequency; the rest by turning the phasor.
        let (s, c) = libm::sincos(2.0 * std::f64::consts::PI * f / OVERSAMPLING);
        let (mut re, mut im, mut pr, mut pi) = (0.0, 0.0, 1.0, 0.0);
        for v in &windowed {
            re += v * pr;
            im += v * pi;
            (pr, pi) = (pr * c - pi * s, pr * s + pi * c);
        }
        let sinc = sinc(f / OVERSAMPLING);
        response.push((re * re + im * im).sqrt() / total / (sinc * sinc));
    }
    Ok(Sfr {
        mtf50: falls_to(&response, 0.5),
        mtf10: falls_to(&response, 0.1),
        response,
        slope,
        straightness,
        contrast,
        overshoot,
        scatter,
    })
}

/// Place of the edge in a row: centroid of the derivative within `reach` of a guess.
fn centroid(row: &[f32], guess: f64, reach: f64, contrast: f64) -> Option<f64> {
    let (mut sum, mut moment) = (0.0, 0.0);
    for (i, w) in row.windows(2).enumerate() {
        let x = as_f64(i + 1);
        let t = (x - guess) / reach;
        if t.abs() < 1.0 {
            // A raised cosine keeps noise far from the edge out, as the standard's window does.
            let weight = 0.5 + 0.5 * cos_pi(t);
            let d = weight * f64::from(w[1] - w[0]);
            sum += d;
            moment += d * x;
        }
    }
    let x = moment / sum;
    (sum / contrast > 0.3 && x > 1.0 && x < as_f64(row.len()) - 1.0).then_some(x)
}

/// Means in bins of a quarter pixel of the distance from the line, none when a bin stays empty.
///
/// With few periods of the pixel phase the samples of a bin are not centred on it; as the pattern
/// repeats every pixel, that alone would raise the response above Nyquist by images of the low
/// frequencies. So each mean is carried to its bin's centre along the local slope.
fn bin(region: &EdgeRegion<'_>, edges: &[f64], cosine: f64, half: f64) -> Option<Vec<f64>> {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let bins = 2 * half as usize;
    // Of each bin: sum of samples, sum of places, count.
    let mut sums = vec![(0.0_f64, 0.0_f64, 0_u32); bins];
    for (edge, r) in edges.iter().zip(region.samples.chunks_exact(region.width)) {
        for (i, &v) in r.iter().enumerate() {
            let d = (as_f64(i) + 0.5 - edge) * cosine * OVERSAMPLING + half;
            if d >= 0.0 && d < as_f64(bins) {
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                let slot = &mut sums[d as usize];
                slot.0 += f64::from(v);
                slot.1 += d;
                slot.2 += 1;
            }
        }
    }
    let means: Vec<(f64, f64)> = sums
        .into_iter()
        .map(|(s, d, n)| (n > 0).then(|| (s / f64::from(n), d / f64::from(n))))
        .collect::<Option<_>>()?;
    Some(
        means
            .iter()
            .enumerate()
            .map(|(k, &(v, d))| {
                let (before, after) = (means[k.saturating_sub(1)], means[(k + 1).min(bins - 1)]);
                let slope = (after.0 - before.0) / (after.1 - before.1).max(0.5);
                v + slope * (as_f64(k) + 0.5 - d)
            })
            .collect(),
    )
}

/// Intercept, slope and RMS of a straight line fitted twice, the second time without far rows.
fn fit_line(places: &[(f64, f64)]) -> (f64, f64, f64) {
    let mut keep = f64::INFINITY;
    let mut line = (0.0, 0.0, f64::INFINITY);
    for _ in 0..3 {
        let (mut n, mut sy, mut sx, mut syy, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(y, x) in places {
            if (x - line.0 - line.1 * y).abs() <= keep {
                n += 1.0;
                sy += y;
                sx += x;
                syy += y * y;
                sxy += x * y;
            }
        }
        let det = n * syy - sy * sy;
        if n < 3.0 || det <= 0.0 {
            return line;
        }
        let slope = (n * sxy - sx * sy) / det;
        let at = (sx - slope * sy) / n;
        let mut squares = 0.0;
        for &(y, x) in places {
            let r = x - at - slope * y;
            if (x - line.0 - line.1 * y).abs() <= keep {
                squares += r * r;
            }
        }
        let rms = (squares / n).sqrt();
        line = (at, slope, rms);
        keep = 2.5 * rms.max(0.05);
    }
    line
}

/// Half the length of the rows, so that t / reach runs from -1 to 1.
fn reach_of(rows: &[f64], middle: f64) -> f64 {
    rows.iter().map(|r| (r - middle).abs()).fold(1.0, f64::max)
}

/// Second and third order of the edge's course about its line (Legendre polynomials of the
/// place along it), with the RMS that is left: an edge cut by hand bends a little, and a bend
/// would read as blur. Two numbers for a whole region cannot follow noise.
fn fit_bend(places: &[(f64, f64)], line: (f64, f64), rms: f64) -> ([f64; 2], f64) {
    let reach = places.iter().map(|p| p.0.abs()).fold(1.0, f64::max);
    let kept: Vec<(f64, f64)> = places
        .iter()
        .map(|&(y, x)| (y / reach, x - line.0 - line.1 * y))
        .filter(|(_, d)| d.abs() <= 2.5 * rms.max(0.05))
        .collect();
    let (mut qq, mut qc, mut cc, mut dq, mut dc) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for &(t, d) in &kept {
        let (q, c) = orders(t);
        qq += q * q;
        qc += q * c;
        cc += c * c;
        dq += d * q;
        dc += d * c;
    }
    let det = qq * cc - qc * qc;
    if det <= 1e-9 * qq * cc {
        return ([0.0; 2], rms);
    }
    let bend = [(dq * cc - dc * qc) / det, (dc * qq - dq * qc) / det];
    let left: f64 = kept
        .iter()
        .map(|&(t, d)| {
            let r = d - bend_at(bend, t);
            r * r
        })
        .sum();
    (bend, (left / as_f64(kept.len())).sqrt())
}

fn orders(t: f64) -> (f64, f64) {
    ((3.0 * t * t - 1.0) / 2.0, (5.0 * t * t * t - 3.0 * t) / 2.0)
}

fn bend_at(bend: [f64; 2], t: f64) -> f64 {
    let (q, c) = orders(t);
    bend[0] * q + bend[1] * c
}

fn falls_to(response: &[f64], level: f64) -> Option<f64> {
    let i = response.iter().position(|&v| v < level)?;
    let before = *response.get(i.checked_sub(1)?)?;
    let t = (before - level) / (before - response[i]);
    Some(STEP * (as_f64(i) - 1.0 + t))
}

/// Tukey's window on -1..1: flat over the middle half, a cosine down to both ends.
fn tukey(t: f64) -> f64 {
    let t = t.abs();
    if t <= 0.5 {
        1.0
    } else {
        0.5 + 0.5 * cos_pi((t - 0.5) / 0.5)
    }
}

fn cos_pi(t: f64) -> f64 {
    libm::cos(std::f64::consts::PI * t)
}

fn sinc(f: f64) -> f64 {
    let x = std::f64::consts::PI * f;
    if x < 1e-9 { 1.0 } else { libm::sin(x) / x }
}

fn mean_sd(v: &[f64]) -> (f64, f64) {
    let n = as_f64(v.len());
    let mean = v.iter().sum::<f64>() / n;
    let var = v.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0).max(1.0);
    (mean, var.sqrt())
}

#[allow(clippy::cast_precision_loss)]
fn as_f64(n: usize) -> f64 {
    n as f64
}

#[cfg(test)]
mod tests;
