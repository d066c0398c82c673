//! Inks with a little body over each other: each gives back some light of its own, and so hides a
//! share of the darkness that lies under it, its veil.
//!
//! This is Kubelka and Munk's layer (Z. tech. Phys. 12, 593, 1931; J. Opt. Soc. Am. 38, 448, 1948)
//! to first order in its scattering. With T what the ink lets pass and a = -ln T, light r (relative
//! to the bare paper's, whose reflectance is P) becomes
//!
//! ```text
//! T r + veil (1 - T) / a (1 - r) (1 - T P^2 r)
//! ```
//!
//! with veil = S X / P. On the bare paper (r = 1) the ink has the colour its proof shows, whatever
//! its body. Light comes back from within the layer, before the ink has taken all it takes, so a
//! deep ink gives back more than what it lets pass. It needs no proof of an overprint; where
//! references show one, [`crate::overprint_model`] tells more.

/// Square of a paper's reflectance: it says how much light goes to and fro between paper and ink,
/// and that is little wherever it counts, over dark ground.
const PAPER_SQUARED: f64 = 0.64;
/// An ink thinner than this takes light in proportion.
const THIN: f64 = 1e-4;

/// So much of an ink, laid over something.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laid {
    absorbed: [f64; 3],
    through: [f64; 3],
    /// What comes back over black for a veil of one.
    back: [f64; 3],
    veil: f64,
}

impl Laid {
    /// No ink.
    pub const NONE: Self = Self {
        absorbed: [0.0; 3],
        through: [1.0; 3],
        back: [1.0; 3],
        veil: 0.0,
    };

    /// Ink of this absorption (its strength in it) and this veil (its strength in it).
    pub fn new(absorbed: [f64; 3], veil: f64) -> Self {
        let through = absorbed.map(|a| libm::exp(-a));
        let back = [0, 1, 2].map(|c| {
            let a: f64 = absorbed[c];
            if a.abs() > THIN {
                (1.0 - through[c]) / a
            } else {
                1.0 - a / 2.0
            }
        });
        Self {
            absorbed,
            through,
            back,
            veil,
        }
    }

    /// What it lets pass, by channel.
    pub fn through(&self) -> [f64; 3] {
        self.through
    }

    /// The same without body.
    #[must_use]
    pub fn transparent(self) -> Self {
        Self { veil: 0.0, ..self }
    }

    /// Between this (0) and another amount of the same ink (1), near enough where they are alike.
    #[must_use]
    pub fn towards(&self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| a + share * (b - a);
        let each = |a: [f64; 3], b: [f64; 3]| [0, 1, 2].map(|c| mix(a[c], b[c]));
        Self {
            absorbed: each(self.absorbed, other.absorbed),
            through: each(self.through, other.through),
            back: each(self.back, other.back),
            veil: mix(self.veil, other.veil),
        }
    }

    /// Light of a channel where it covers light `r`.
    pub fn shown(&self, c: usize, r: f64) -> f64 {
        let passed = self.through[c] * r;
        if self.veil == 0.0 {
            return passed;
        }
        passed + self.veil * self.by_veil(c, r)
    }

    /// Change of [`shown`](Self::shown) with the veil.
    pub fn by_veil(&self, c: usize, r: f64) -> f64 {
        self.back[c] * (1.0 - r) * (1.0 - PAPER_SQUARED * self.through[c] * r)
    }

    /// Change of [`shown`](Self::shown) with the light under it.
    pub fn by_light(&self, c: usize, r: f64) -> f64 {
        let to_and_fro = PAPER_SQUARED * self.through[c];
        self.through[c] - self.veil * self.back[c] * (1.0 + to_and_fro * (1.0 - 2.0 * r))
    }

    /// Change of [`shown`](Self::shown) with the absorption.
    pub fn by_absorbed(&self, c: usize, r: f64) -> f64 {
        let (a, t) = (self.absorbed[c], self.through[c]);
        if self.veil == 0.0 {
            return -t * r;
        }
        let back = if a.abs() > THIN {
            (t - self.back[c]) / a
        } else {
            a / 3.0 - 0.5
        };
        let to_and_fro = PAPER_SQUARED * t * r;
        -t * r + self.veil * (1.0 - r) * (back * (1.0 - to_and_fro) + self.back[c] * to_and_fro)
    }

    /// Light relative to the bare paper's after it was laid over a share `cover` of it.
    pub fn over(&self, light: [f64; 3], cover: f64) -> [f64; 3] {
        [0, 1, 2].map(|c| (1.0 - cover) * light[c] + cover * self.shown(c, light[c]))
    }
}

/// Absorption of an overprint beyond the sum of its inks', by channel; negative where body gives
/// light back. `inks`, from the lowest up: absorption and veil of so much ink.
///
/// ```
/// use restrike_ops::ink_body::beyond;
/// let (black, ochre) = ([3.0; 3], [0.1, 0.2, 0.6]);
/// assert_eq!(beyond([(black, 0.0), (ochre, 0.0)]), [0.0; 3]);
/// // A twentieth of body doubles the light over black.
/// let more = beyond([(black, 0.0), (ochre, 0.05)]);
/// assert!((more[0] + 2.0_f64.ln()).abs() < 0.05);
/// ```
pub fn beyond<I>(inks: I) -> [f64; 3]
where
    I: IntoIterator<Item = ([f64; 3], f64)>,
{
    let mut light = [1.0; 3];
    let mut sum = [0.0; 3];
    let mut transparent = true;
    for (ink, veil) in inks {
        transparent &= veil == 0.0;
        light = Laid::new(ink, veil).over(light, 1.0);
        for c in 0..3 {
            sum[c] += ink[c];
        }
    }
    if transparent {
        return [0.0; 3];
    }
    [0, 1, 2].map(|c| -libm::log(light[c].max(1e-6)) - sum[c])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kubelka_munk::{Coat, printed};

    /// Layers of Kubelka and Munk, in the exact form; the pale ink as thin as a tint and as deep
    /// as a solid.
    #[test]
    fn a_small_veil_is_a_little_scattering() {
        let paper = 0.8;
        let dark = Coat {
            k: 0.9,
            s: 0.0,
            x: 1.0,
        };
        let absorbed = |layers: &[Coat]| -libm::log(printed(paper, layers.iter().copied()) / paper);
        for (k, s) in [(0.02, 0.03), (0.1, 0.03), (0.6, 0.03), (1.2, 0.05)] {
            let pale = Coat { k, s, x: 1.0 };
            let (under, over) = (absorbed(&[dark]), absorbed(&[pale]));
            let seen = absorbed(&[dark, pale]) - under - over;
            let said = beyond([([under; 3], 0.0), ([over; 3], s / paper)])[0];
            assert!(seen < -0.1, "{seen}");
            assert!(
                (said - seen).abs() < 0.07 * seen.abs(),
                "{k}: {said} {seen}"
            );
        }
    }

    #[test]
    fn body_under_an_ink_changes_nothing() {
        let (black, ochre) = ([3.0; 3], [0.1, 0.2, 0.6]);
        let more = beyond([(ochre, 0.05), (black, 0.0)]);
        assert!(more.iter().all(|m| m.abs() < 1e-12), "{more:?}");
    }

    #[test]
    fn changes_are_those_of_the_light() {
        for (absorbed, veil, r) in [
            (0.0, 0.05, 0.3),
            (0.4, 0.1, 0.7),
            (2.5, 0.2, 0.05),
            (1.0, 0.0, 0.5),
        ] {
            let at = |a: f64, v: f64, r: f64| Laid::new([a; 3], v).shown(0, r);
            let h = 1e-5;
            let here = Laid::new([absorbed; 3], veil);
            let by = |f: &dyn Fn(f64) -> f64| (f(h) - f(-h)) / (2.0 * h);
            let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-6, "{a} {b}");
            near(here.by_light(0, r), by(&|d| at(absorbed, veil, r + d)));
            near(here.by_veil(0, r), by(&|d| at(absorbed, veil + d, r)));
            near(here.by_absorbed(0, r), by(&|d| at(absorbed + d, veil, r)));
        }
    }
}
