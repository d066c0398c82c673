//! The scale of an axis: its range and round numbers on it.

/// Ticks an axis has at about.
const TICKS: f64 = 6.0;

/// A range of an axis.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    low: f64,
    high: f64,
    step: f64,
    decimals: usize,
}

impl Default for Scale {
    fn default() -> Self {
        Self::between(0.0, 1.0)
    }
}

impl Scale {
    /// The scale that holds all finite values with a little room. `None` without any.
    pub(super) fn of(values: impl IntoIterator<Item = f64>) -> Option<Self> {
        let mut range: Option<(f64, f64)> = None;
        for v in values
            .into_iter()
            .filter(|v| v.is_finite() && v.abs() < 1e300)
        {
            let (a, b) = range.unwrap_or((v, v));
            range = Some((a.min(v), b.max(v)));
        }
        let (low, high) = range?;
        let spread = high - low;
        let least = 1e-9 * low.abs().max(high.abs());
        let room = if spread > least {
            0.04 * spread
        } else {
            (0.5 * low.abs()).max(0.5)
        };
        Some(Self::between(low - room, high + room))
    }

    fn between(low: f64, high: f64) -> Self {
        let rough = (high - low) / TICKS;
        let magnitude = libm::floor(libm::log10(rough));
        let unit = libm::pow(10.0, magnitude);
        // 1, 2 or 5 of the unit, whichever is next above.
        let (step, more) = [1.0, 2.0, 5.0]
            .into_iter()
            .find(|m| m * unit >= rough)
            .map_or((10.0 * unit, 1.0), |m| (m * unit, 0.0));
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let decimals = (-(magnitude + more)).clamp(0.0, 15.0) as usize;
        Self {
            low,
            high,
            step,
            decimals,
        }
    }

    /// Where on the axis a value stands, 0 to 1.
    pub(super) fn part(&self, v: f64) -> f64 {
        (v - self.low) / (self.high - self.low)
    }

    /// Round numbers in the range.
    pub(super) fn ticks(&self) -> Vec<f64> {
        let first = (self.low / self.step).ceil();
        let last = (self.high / self.step).floor();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (last - first).clamp(-1.0, 20.0) as i64 + 1;
        (0..count)
            .map(|k| (first + k as f64) * self.step + 0.0)
            .collect()
    }

    /// A tick's text.
    pub(super) fn text(&self, v: f64) -> String {
        if v != 0.0 && (v.abs() >= 1e7 || self.decimals > 6) {
            return format!("{v:.2e}");
        }
        format!("{v:.*}", self.decimals)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ticks_are_round_and_inside() {
        let s = Scale::of([0.0, 1.0]).unwrap();
        let texts: Vec<String> = s.ticks().iter().map(|t| s.text(*t)).collect();
        assert_eq!(texts, ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]);
        let s = Scale::of([-1234.0, 998.0]).unwrap();
        let texts: Vec<String> = s.ticks().iter().map(|t| s.text(*t)).collect();
        assert_eq!(texts, ["-1000", "-500", "0", "500", "1000"]);
        let s = Scale::of([1961.0, 2026.0]).unwrap();
        assert!(s.ticks().iter().all(|t| t.fract() == 0.0));
    }

    #[test]
    fn odd_ranges_have_a_scale_too() {
        assert_eq!(Scale::of([f64::NAN, f64::INFINITY]), None);
        for values in [
            [3.0, 3.0],
            [0.0, 0.0],
            [1e-12, 2e-12],
            [-1e12, 1e12],
            [1e9, 1e9 + 1e-3],
        ] {
            let s = Scale::of(values).unwrap();
            assert!(
                !s.ticks().is_empty() && s.ticks().len() <= 21,
                "{values:?} {s:?}"
            );
            assert!(values.iter().all(|v| (0.0..=1.0).contains(&s.part(*v))));
        }
    }
}
