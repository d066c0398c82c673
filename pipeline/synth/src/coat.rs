//! An ink with body: a layer that scatters light as well as absorbing it
//! (Kubelka and Munk, Zeitschrift für technische Physik 12, 1931, 593; in the
//! form of Kubelka, J. Opt. Soc. Am. 38, 1948, 448; both from memory).
//!
//! Over a ground of reflectance g it shows r + t^2 g / (1 - r g), with r what it
//! gives back over black and t what it lets pass. Its scattering grows with its
//! strength; its absorption is such that on the bare paper it has the colour of the
//! ink without body.

use crate::ink::{STEPS, TOP};

/// Halvings that find the absorption.
const HALVINGS: usize = 60;
/// More absorption than any ink has.
const MOST: f64 = 60.0;

/// What an ink with body gives back and lets pass, by strength: r and t squared of each channel.
pub(crate) struct Coat(Vec<[[f32; 2]; 3]>);

impl Coat {
    /// `body`: scattering power of the solid.
    pub(crate) fn new(absorption: [f64; 3], body: f64, paper: [f64; 3]) -> Self {
        Self(
            (0..=STEPS + 1)
                .map(|i| {
                    let s = TOP * i as f64 / STEPS as f64;
                    [0, 1, 2].map(|c| {
                        let [r, t] = matched(body * s, absorption[c] * s, paper[c]);
                        [r as f32, (t * t) as f32]
                    })
                })
                .collect(),
        )
    }

    /// Reflectance of a layer of this strength (clamped to 0..=4) over a ground.
    pub(crate) fn over(&self, strength: f32, channel: usize, ground: f32) -> f32 {
        let x = strength.clamp(0.0, TOP as f32) * (STEPS as f32 / TOP as f32);
        let i = x as usize;
        let f = x - i as f32;
        let (a, b) = (self.0[i][channel], self.0[i + 1][channel]);
        let [r, tt] = [0, 1].map(|k| a[k] + (b[k] - a[k]) * f);
        r + tt * ground / (1.0 - r * ground)
    }
}

/// Back and through of a layer with this scattering that shows exp(-absorbed) of
/// the paper's light.
fn matched(scatter: f64, absorbed: f64, paper: f64) -> [f64; 2] {
    if scatter <= 0.0 {
        return [0.0, libm::exp(-absorbed / 2.0)];
    }
    let want = paper * libm::exp(-absorbed);
    let (mut low, mut high) = (0.0, MOST);
    for _ in 0..HALVINGS {
        let middle = f64::midpoint(low, high);
        let [r, t] = layer(scatter, middle);
        if r + t * t * paper / (1.0 - r * paper) > want {
            low = middle;
        } else {
            high = middle;
        }
    }
    layer(scatter, low)
}

/// Back and through of a layer with scattering power S X and absorbing power K X.
fn layer(sx: f64, kx: f64) -> [f64; 2] {
    let a = 1.0 + kx / sx;
    let b = (a * a - 1.0).max(1e-12).sqrt();
    let x = b * sx;
    // Scaled by exp(-x), for dark layers.
    let e = libm::exp(-2.0 * x);
    let (sinh, cosh) = ((1.0 - e) / 2.0, f64::midpoint(1.0, e));
    let down = a * sinh + b * cosh;
    [sinh / down, b * libm::exp(-x) / down]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn on_paper_it_has_the_colour_of_the_ink() {
        let (absorption, paper) = ([0.1, 0.6, 2.4], [0.82, 0.78, 0.66]);
        let coat = Coat::new(absorption, 0.08, paper);
        for s in [0.1_f32, 0.5, 1.0, 1.7] {
            for c in 0..3 {
                let want = paper[c] * libm::exp(-absorption[c] * f64::from(s));
                let seen = f64::from(coat.over(s, c, paper[c] as f32));
                assert!((seen - want).abs() < 1e-3 * want, "{s} {c}: {seen} {want}");
            }
        }
    }

    #[test]
    fn over_black_it_gives_light_back_and_without_body_none() {
        let coat = |body| Coat::new([0.2; 3], body, [0.8; 3]).over(1.0, 0, 0.0);
        assert!(coat(0.0) < 1e-6);
        assert!(coat(0.05) > 0.03 && coat(0.05) < 0.05);
    }

    /// Without absorption S X / (1 + S X) comes back (Kubelka 1948), and nothing is lost.
    #[test]
    fn white_layers_scatter_as_published() {
        for sx in [0.05, 0.5, 2.0] {
            let [r, t] = layer(sx, 1e-9);
            assert!((r - sx / (1.0 + sx)).abs() < 1e-4, "{r}");
            assert!((r + t - 1.0).abs() < 1e-4, "{r} {t}");
        }
    }
}
