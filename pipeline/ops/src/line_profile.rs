//! Width, edge blur and contrast of a printed line from its profile.
//!
//! A threshold of `p` per cent lies at Rmax - p/100 (Rmax - Rmin), where Rmax
//! is the reflectance of the ground beside the line and Rmin that of the solid
//! in the same ink, not the darkest place of the line: a narrow blurred line
//! never gets as dark as its solid. T50 and T60 widths and the T10-T90 blur of
//! an edge follow the ideas of ISO/IEC 13660:2001 and ISO/IEC 24790 (there for
//! office prints in visual reflectance; no conformance is claimed; definitions
//! from memory). Either side of a line may lie on another ground.

/// Which side of the line, seen along the profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Where the profile starts.
    First,
    /// Where it ends.
    Second,
}

/// A profile across a line with the levels its thresholds hang on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineProfile<'a> {
    /// Reflectances at even distances; not-a-number where there is none.
    pub values: &'a [f64],
    /// Distance of the samples, mm.
    pub step: f64,
    /// Index about which the line lies; the darkest place within `reach` of it is taken.
    pub centre: f64,
    /// How far from `centre` the line's middle may be, mm.
    pub reach: f64,
    /// Reflectance of the ground on the first and the second side.
    pub ground: [f64; 2],
    /// Reflectance of the solid over the ground of either side.
    pub solid: [f64; 2],
}

impl LineProfile<'_> {
    /// Reflectance of a threshold on a side.
    pub fn level(&self, side: Side, percent: f64) -> f64 {
        let n = side as usize;
        self.ground[n] - percent / 100.0 * (self.ground[n] - self.solid[n])
    }

    /// Contrast of the solid to the ground, (Rmax - Rmin) / Rmax, mean of both sides.
    pub fn contrast(&self) -> f64 {
        (0..2)
            .map(|n| 0.5 * (self.ground[n] - self.solid[n]) / self.ground[n])
            .sum()
    }

    /// Index of the darkest sample near the middle.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn darkest(&self) -> Option<usize> {
        let last = self.values.len().checked_sub(1)? as f64;
        let reach = self.reach / self.step;
        let from = (self.centre - reach).ceil().clamp(0.0, last) as usize;
        let to = (self.centre + reach).floor().clamp(0.0, last) as usize;
        (from..=to)
            .filter(|i| self.values[*i].is_finite())
            .min_by(|a, b| self.values[*a].total_cmp(&self.values[*b]))
    }

    /// Place of a threshold on a side, mm from the profile's first sample: the
    /// first one met from the line's darkest place outwards. None where the
    /// line does not get so dark, or the profile ends before it gets so light.
    #[allow(clippy::cast_precision_loss)]
    pub fn crossing(&self, side: Side, percent: f64) -> Option<f64> {
        let level = self.level(side, percent);
        let mut i = self.darkest()?;
        if self.values[i] >= level {
            return None;
        }
        loop {
            let next = match side {
                Side::First => i.checked_sub(1)?,
                Side::Second => i + 1,
            };
            let v = *self.values.get(next)?;
            if !v.is_finite() {
                return None;
            }
            if v >= level {
                let (a, b) = (i.min(next), i.max(next));
                return Some((a as f64 + self.between(a, b, level)) * self.step);
            }
            i = next;
        }
    }

    /// Where between two neighbouring samples the cubic through them and the
    /// ones beside them meets a level (Catmull and Rom 1974).
    fn between(&self, a: usize, b: usize, level: f64) -> f64 {
        let (va, vb) = (self.values[a], self.values[b]);
        let outer =
            |at: Option<&f64>, like: f64| at.copied().filter(|v| v.is_finite()).unwrap_or(like);
        let before = outer(
            a.checked_sub(1).and_then(|i| self.values.get(i)),
            2.0 * va - vb,
        );
        let after = outer(self.values.get(b + 1), 2.0 * vb - va);
        let (sa, sb) = ((vb - before) / 2.0, (after - va) / 2.0);
        let curve = |t: f64| {
            let (t2, t3) = (t * t, t * t * t);
            va * (2.0 * t3 - 3.0 * t2 + 1.0)
                + sa * (t3 - 2.0 * t2 + t)
                + vb * (3.0 * t2 - 2.0 * t3)
                + sb * (t3 - t2)
        };
        let (mut low, mut high) = (0.0, 1.0);
        let rising = vb >= va;
        for _ in 0..30 {
            let mid = 0.5 * (low + high);
            if (curve(mid) >= level) == rising {
                high = mid;
            } else {
                low = mid;
            }
        }
        0.5 * (low + high)
    }

    /// Width between the thresholds of both sides, mm.
    pub fn width(&self, percent: f64) -> Option<f64> {
        let first = self.crossing(Side::First, percent)?;
        Some(self.crossing(Side::Second, percent)? - first)
    }

    /// Distance of two thresholds on one side, mm: with 10 and 90 the blur.
    pub fn blur(&self, side: Side, outer: f64, inner: f64) -> Option<f64> {
        Some((self.crossing(side, outer)? - self.crossing(side, inner)?).abs())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_sides_have_their_own_ground() {
        // A ramp of 10 samples on either side, to 0.8 and to 0.4.
        let mut values = vec![0.8; 10];
        values.extend((0..=10).map(|i| 0.8 - 0.08 * f64::from(i)));
        values.extend(vec![0.0; 9]);
        values.extend((0..=10).map(|i| 0.04 * f64::from(i)));
        values.extend(vec![0.4; 10]);
        let p = LineProfile {
            values: &values,
            step: 0.01,
            centre: 25.0,
            reach: 0.05,
            ground: [0.8, 0.4],
            solid: [0.0, 0.0],
        };
        assert!((p.width(50.0).unwrap() - 0.20).abs() < 1e-6);
        assert!((p.blur(Side::First, 10.0, 90.0).unwrap() - 0.08).abs() < 1e-3);
        assert_eq!(p.contrast(), 1.0);
        let off = LineProfile {
            centre: 2.0,
            reach: 0.0,
            ..p
        };
        assert_eq!(off.width(50.0), None);
    }

    #[test]
    fn what_is_not_there_gives_nothing() {
        let p = |values| LineProfile {
            values,
            step: 0.01,
            centre: 1.0,
            reach: 1.0,
            ground: [0.8; 2],
            solid: [0.1; 2],
        };
        assert_eq!(p(&[]).width(50.0), None);
        assert_eq!(p(&[f64::NAN; 5]).width(50.0), None);
        assert_eq!(p(&[0.8, f64::NAN, 0.1, 0.1, 0.8]).width(50.0), None);
    }
}
