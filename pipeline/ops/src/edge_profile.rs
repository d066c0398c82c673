//! Profiles across an edge, read straight from the scan, and the place of the
//! half transition (T50) on them to a fraction of a pixel.
//!
//! The threshold half way between the levels on the two sides is the one of
//! ISO/IEC 24790 and ISO 13660 for the edge of a line (there at 40 % or 60 %
//! where so named); in linear light it is where an aperture placed on the
//! edge of an ideal step sees half of each side, whatever its symmetric blur.

use restrike_model::{ImageView, Point};

/// How a pixel's channels become one value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Channel {
    /// Their weighted sum; a grey scan counts with the sum of the weights.
    Sum([f32; 3]),
    /// The largest of the weighted channels: near 1 for paper and for inks that
    /// leave any one channel alone, when the weights are 1 / paper. A grey
    /// scan counts with the second weight.
    Lightest([f32; 3]),
}

/// Reads one channel of a scan between its pixels (bilinear), in scan pixel
/// coordinates (the first pixel's centre is at (0.5, 0.5)), full scale = 1.0.
#[derive(Debug, Clone, Copy)]
pub struct Sampler<'a> {
    scan: ImageView<'a, u16>,
    weights: [f32; 3],
    lightest: bool,
}

impl<'a> Sampler<'a> {
    /// A sampler of a scan.
    pub fn new(scan: ImageView<'a, u16>, channel: Channel) -> Self {
        let colour = scan.channels() >= 3;
        let (weights, lightest) = match channel {
            Channel::Sum(w) if colour => (w, false),
            Channel::Sum(w) => ([w[0] + w[1] + w[2], 0.0, 0.0], false),
            Channel::Lightest(w) if colour => (w, true),
            Channel::Lightest(w) => ([w[1], 0.0, 0.0], false),
        };
        Self {
            scan,
            weights: weights.map(|w| w / 65535.0),
            lightest,
        }
    }

    fn pixel(&self, x: usize, y: usize) -> f32 {
        let p = self.scan.pixel(x, y);
        if let [r, g, b, ..] = p {
            let [r, g, b] = [
                f32::from(*r) * self.weights[0],
                f32::from(*g) * self.weights[1],
                f32::from(*b) * self.weights[2],
            ];
            if self.lightest {
                r.max(g).max(b)
            } else {
                r + g + b
            }
        } else {
            p.first().map_or(0.0, |v| f32::from(*v) * self.weights[0])
        }
    }

    /// The value at a place, or `None` outside the outermost pixels' centres.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub fn at(&self, p: Point) -> Option<f64> {
        let (x, y) = (p.x - 0.5, p.y - 0.5);
        let (w, h) = (self.scan.width(), self.scan.height());
        if w < 2 || h < 2 || !(x >= 0.0 && y >= 0.0) {
            return None;
        }
        if x > (w - 1) as f64 || y > (h - 1) as f64 {
            return None;
        }
        let (i, j) = ((x as usize).min(w - 2), (y as usize).min(h - 2));
        let (fx, fy) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let top = self.pixel(i, j) * (1.0 - fx) + self.pixel(i + 1, j) * fx;
        let low = self.pixel(i, j + 1) * (1.0 - fx) + self.pixel(i + 1, j + 1) * fx;
        Some(f64::from(top * (1.0 - fy) + low * fy))
    }

    /// Fills `out` with a profile that starts at `from` and goes on by `step`,
    /// each sample the mean over `2 half + 1` places `side` apart across the
    /// profile. Samples outside the scan are NaN.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_wrap)]
    pub fn profile(&self, from: Point, step: Point, side: Point, half: usize, out: &mut [f64]) {
        for (i, value) in out.iter_mut().enumerate() {
            let centre = from + step * i as f64;
            let (mut sum, mut n) = (0.0, 0.0);
            for k in -(half as isize)..=half as isize {
                if let Some(v) = self.at(centre + side * k as f64) {
                    sum += v;
                    n += 1.0;
                }
            }
            // A profile half in, half out of the scan would be skewed.
            *value = if n > half as f64 { sum / n } else { f64::NAN };
        }
    }
}

/// The crossing of `level` nearest to index `near` that goes from above to
/// below (`falling`) or from below to above, as a fractional index.
#[allow(clippy::cast_precision_loss)]
pub fn crossing_near(profile: &[f64], level: f64, falling: bool, near: f64) -> Option<f64> {
    let mut best: Option<f64> = None;
    for (i, pair) in profile.windows(2).enumerate() {
        let (a, b) = if falling {
            (pair[0] - level, level - pair[1])
        } else {
            (level - pair[0], pair[1] - level)
        };
        if a >= 0.0 && b > 0.0 {
            let at = i as f64 + a / (a + b);
            if best.is_none_or(|old| (at - near).abs() < (old - near).abs()) {
                best = Some(at);
            }
        }
    }
    best
}

/// Mean of the finite samples with index from `from` to `to` (both kept inside).
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub fn level_between(profile: &[f64], from: f64, to: f64) -> Option<f64> {
    let last = profile.len().checked_sub(1)?;
    let a = from.ceil().max(0.0) as usize;
    let b = (to.floor().max(0.0) as usize).min(last);
    if a > b || to < 0.0 {
        return None;
    }
    let (mut sum, mut n) = (0.0, 0.0);
    for v in profile[a..=b].iter().filter(|v| v.is_finite()) {
        sum += v;
        n += 1.0;
    }
    (n > 0.0).then(|| sum / n)
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_model::Raster;

    /// An ideal edge at x = `place`, each pixel its exact area mean.
    fn step_image(place: f64, dark: f64, light: f64) -> Raster<u16> {
        let mut scan = Raster::new(40, 12, 1);
        for y in 0..12 {
            for x in 0..40 {
                let share = (place - x as f64).clamp(0.0, 1.0);
                let v = dark * share + light * (1.0 - share);
                scan.set(x, y, 0, (v * 65535.0).round() as u16);
            }
        }
        scan
    }

    #[test]
    fn half_transition_of_an_exact_step() {
        for k in 0..10 {
            let place = 20.0 + f64::from(k) / 10.0;
            let scan = step_image(place, 0.1, 0.7);
            let sampler = Sampler::new(scan.view(), Channel::Sum([1.0, 0.0, 0.0]));
            let mut profile = [0.0; 61];
            sampler.profile(
                Point::new(5.0, 6.0),
                Point::new(0.5, 0.0),
                Point::new(0.0, 1.0),
                3,
                &mut profile,
            );
            let low = level_between(&profile, 5.0, 20.0).unwrap();
            let high = level_between(&profile, 45.0, 60.0).unwrap();
            let at = crossing_near(&profile, (low + high) / 2.0, false, 30.0).unwrap();
            // A step sampled by one-pixel areas leaves at most 1/8 px to
            // linear interpolation between pixel centres.
            let error = 5.0 + at * 0.5 - place;
            assert!(error.abs() < 0.13, "{place}: {error}");
        }
    }

    #[test]
    fn grey_scans_take_the_sum_of_the_weights() {
        let scan = step_image(20.0, 0.25, 0.25);
        let sampler = Sampler::new(scan.view(), Channel::Sum([0.2126, 0.7152, 0.0722]));
        let v = sampler.at(Point::new(10.0, 5.0)).unwrap();
        assert!((v - 0.25).abs() < 1e-4);
        assert!(sampler.at(Point::new(0.4, 5.0)).is_none());
        assert!(sampler.at(Point::new(39.6, 5.0)).is_none());
        assert!(sampler.at(Point::new(f64::NAN, 5.0)).is_none());
    }

    #[test]
    fn the_lightest_channel_sees_through_coloured_ink() {
        // Paper, red ink, black: 1 / paper as weights.
        let data = vec![
            40_000_u16, 30_000, 20_000, 38_000, 3_000, 2_000, 2_000, 1_500, 1_000,
        ];
        let data = [data.clone(), data].concat();
        let scan = Raster::from_vec(3, 2, 3, data).unwrap();
        let scale = [40_000.0, 30_000.0, 20_000.0].map(|v: f32| 65535.0 / v);
        let sampler = Sampler::new(scan.view(), Channel::Lightest(scale));
        for (x, want) in [(0.5, 1.0), (1.5, 0.95), (2.5, 0.05)] {
            let v = sampler.at(Point::new(x, 1.0)).unwrap();
            assert!((v - want).abs() < 1e-5, "{v}");
        }
    }

    #[test]
    fn the_nearest_crossing_of_the_right_direction_counts() {
        let p = [1.0, 1.0, 0.0, 0.0, 1.0, 1.0, 0.0];
        assert_eq!(crossing_near(&p, 0.5, true, 0.0), Some(1.5));
        assert_eq!(crossing_near(&p, 0.5, true, 6.0), Some(5.5));
        assert_eq!(crossing_near(&p, 0.5, false, 0.0), Some(3.5));
        assert_eq!(crossing_near(&p, 2.0, false, 0.0), None);
        assert_eq!(level_between(&p, -4.0, 1.0), Some(1.0));
        assert_eq!(level_between(&p, 9.0, 12.0), None);
    }
}
