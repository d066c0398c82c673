//! Luminance of scan pixels, and the few statistics several parts share.

use restrike_ops::stats;
use restrike_stage::ImageView;

/// Relative luminance of linear sRGB (the Y row of IEC 61966-2-1).
pub(crate) fn luminance(rgb: [f64; 3]) -> f64 {
    0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]
}

/// Relative luminance of a scan's pixel; 1 = full scale.
pub(crate) fn luminance_at(scan: ImageView<'_, u16>, x: usize, y: usize) -> f32 {
    const SCALE: f32 = 1.0 / 65535.0;
    match *scan.pixel(x, y) {
        [r, g, b] => {
            (0.2126 * f32::from(r) + 0.7152 * f32::from(g) + 0.0722 * f32::from(b)) * SCALE
        }
        [v, ..] => f32::from(v) * SCALE,
        [] => 0.0,
    }
}

/// Derivative of L* by luminance.
pub(crate) fn lightness_slope(y: f64) -> f64 {
    if y > 216.0 / 24389.0 {
        let root = libm::cbrt(y);
        116.0 / 3.0 / (root * root)
    } else {
        24389.0 / 27.0
    }
}

/// Median, 0 of nothing.
pub(crate) fn median(v: &[f64]) -> f64 {
    stats::median(v).unwrap_or(0.0)
}

/// Quantile, 0 of nothing.
pub(crate) fn quantile(v: &[f64], q: f64) -> f64 {
    stats::quantile(v, q).unwrap_or(0.0)
}

/// Robust standard deviation about the median, 0 of nothing.
pub(crate) fn spread(v: &[f64]) -> f64 {
    stats::mad_sigma(v).unwrap_or(0.0)
}

/// CIE 1976 colour difference.
pub(crate) fn delta_e76(a: [f32; 3], b: [f32; 3]) -> f32 {
    let d = [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
    (d[0] * d[0] + d[1] * d[1] + d[2] * d[2]).sqrt()
}

/// A straight line `v = at + slope * t` most of the points lie near.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Line {
    /// Value at t = 0.
    pub(crate) at: f64,
    /// Rise of the value by t.
    pub(crate) slope: f64,
    /// Share of the points within the tolerance.
    pub(crate) share: f64,
    /// RMS of those points about the line.
    pub(crate) rms: f64,
}

impl Line {
    /// Value at a place.
    pub(crate) fn value(&self, t: f64) -> f64 {
        self.at + self.slope * t
    }

    /// The line with most `(t, v)` points (a consensus: unlike `restrike_ops::line_fit` it may be
    /// less than half of them, as where a bed, a shadow and a frame compete)
    /// within `tolerance`, then least squares through those.
    ///
    /// Pairs a fixed share of the points apart are tried, so the result does not depend on chance.
    pub(crate) fn robust(points: &[(f64, f64)], tolerance: f64) -> Option<Self> {
        let n = points.len();
        if n < 5 {
            return None;
        }
        let near = |at: f64, slope: f64| {
            points
                .iter()
                .filter(|(t, v)| (v - at - slope * t).abs() <= tolerance)
                .count()
        };
        let mut best = (0, 0.0, 0.0);
        for gap in [n / 2, n / 3, n / 5] {
            if gap == 0 {
                continue;
            }
            let tries = n - gap;
            for i in (0..tries).step_by(tries.div_ceil(60)) {
                let ((t0, v0), (t1, v1)) = (points[i], points[i + gap]);
                if t1 != t0 {
                    let slope = (v1 - v0) / (t1 - t0);
                    let count = near(v0 - slope * t0, slope);
                    if count > best.0 {
                        best = (count, v0 - slope * t0, slope);
                    }
                }
            }
        }
        if best.0 < 3 {
            return None;
        }
        let mut line = Self {
            at: best.1,
            slope: best.2,
            ..Self::default()
        };
        for _ in 0..3 {
            let kept = points
                .iter()
                .filter(|(t, v)| (v - line.value(*t)).abs() <= tolerance);
            let (mut k, mut st, mut sv) = (0.0, 0.0, 0.0);
            kept.clone().for_each(|(t, v)| {
                k += 1.0;
                st += t;
                sv += v;
            });
            let (mt, mv) = (st / k, sv / k);
            let (mut stt, mut stv) = (0.0, 0.0);
            kept.clone().for_each(|(t, v)| {
                stt += (t - mt) * (t - mt);
                stv += (t - mt) * (v - mv);
            });
            if stt.is_nan() || stt <= 0.0 {
                return None;
            }
            let slope = stv / stt;
            let at = mv - slope * mt;
            let squares: f64 = kept
                .map(|(t, v)| (v - at - slope * t) * (v - at - slope * t))
                .sum();
            #[allow(clippy::cast_precision_loss)]
            let share = k / n as f64;
            line = Self {
                at,
                slope,
                share,
                rms: (squares / k).sqrt(),
            };
        }
        Some(line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_is_found_among_forty_per_cent_of_strays() {
        let points: Vec<(f64, f64)> = (0..200)
            .map(|i| {
                let t = f64::from(i);
                let stray = i % 5 < 2;
                (
                    t,
                    if stray {
                        f64::from(i * 37 % 101)
                    } else {
                        20.0 + 0.05 * t
                    },
                )
            })
            .collect();
        let line = Line::robust(&points, 0.8).unwrap();
        assert!((line.at - 20.0).abs() < 0.2 && (line.slope - 0.05).abs() < 2e-3);
        assert!((line.share - 0.6).abs() < 0.05);
        assert!(Line::robust(&points[..4], 1.0).is_none());
    }

    #[test]
    fn slope_of_lightness_is_its_derivative() {
        for y in [0.002, 0.05, 0.4, 0.9] {
            let h = 1e-6;
            let numeric = (restrike_ops::cielab::lightness(y + h)
                - restrike_ops::cielab::lightness(y - h))
                / (2.0 * h);
            assert!((lightness_slope(y) / numeric - 1.0).abs() < 1e-4, "{y}");
        }
    }
}
