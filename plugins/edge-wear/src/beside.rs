//! What lies beside a gap: the line's own ink to either side of it, and the lightest
//! ground.

use restrike_ops::stats::{median, quantile};

use crate::gaps::{BLURS, GAP, Piece};
use crate::rows::across;

/// Where the line's ink beside a gap is read, mm from its end, beyond the blur.
const BESIDE_MM: [f64; 2] = [0.08, 0.6];
/// The lightest ground beside a gap: from so many standard deviations of the blur off the
/// line's edge on, over so many samples, the share of them that are darker.
const CLEAR: f64 = 1.5;
const LIGHTEST_STEPS: u32 = 8;
const LIGHTEST: f64 = 0.9;

impl Piece<'_> {
    /// Ink of the line to either side of the gap, of the key's solid: the thinner side.
    /// What the blur takes of it in the middle of a narrow line is put back.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub(crate) fn ink_beside(&self) -> f64 {
        let sigma = self.reading.sigma;
        let reach = BESIDE_MM.map(|mm| ((mm + BLURS * sigma) / self.course.step) as usize);
        let ink = |i: usize| {
            let seen = self.rows.ink[i][2] * self.rows.usual[i][2];
            seen / libm::erf(self.strip.half[i] / (std::f64::consts::SQRT_2 * sigma))
        };
        let middle = |of: &mut dyn Iterator<Item = usize>| {
            let seen: Vec<f64> = of.map(ink).filter(|v| v.is_finite()).collect();
            median(&seen).unwrap_or(1.0)
        };
        let n = self.course.stations.len();
        let back = middle(&mut (self.a.saturating_sub(reach[1])..self.a.saturating_sub(reach[0])));
        let forth = middle(&mut ((self.b + reach[0] + 1).min(n)..(self.b + reach[1] + 1).min(n)));
        back.min(forth)
    }

    /// Whether the line has its ink if the lightest ground beside the gap lies under it, too.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub(crate) fn whole_on_lightest(&self, deepest: usize) -> bool {
        let s = self.strip;
        let Some(channel) = s.channel[deepest] else {
            return false;
        };
        let near = (self.reading.near() / self.course.step) as usize;
        let to = (self.b + near + 1).min(s.px.len());
        let mut beside = Vec::new();
        for i in self.a.saturating_sub(near)..to {
            let from = s.half[i] + CLEAR * self.reading.sigma;
            for k in 0..LIGHTEST_STEPS {
                let t = from + f64::from(k) * s.across;
                beside.extend([t, -t].map(|t| s.light(i, s.middle[i] + t, channel)));
            }
        }
        beside.retain(|v| v.is_finite());
        let Some(lightest) = quantile(&beside, LIGHTEST) else {
            return false;
        };
        (self.a..=self.b).all(|i| {
            (0..5).all(|r| {
                let t = across(self.course, s, i, r);
                let ink = (1.0 - s.light(i, t, channel) / lightest) / (1.0 - self.through[channel]);
                ink / self.rows.usual[i][r] > GAP
            })
        })
    }
}
