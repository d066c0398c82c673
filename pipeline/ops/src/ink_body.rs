//! Inks with a little body over each other: each hides a share of the darkness that lies under
//! it, its veil, and gives back light of its own instead.
//!
//! On paper an ink's body is part of its colour. Over what absorbs, light r relative to the bare
//! paper's becomes T (r + veil (1 - r)), with T what the ink lets pass. Over dark ground that is
//! Kubelka and Munk's layer ([`crate::kubelka_munk`]) with so much scattering, to first order in
//! it; over light ground it gives back up to half as much again, of little. It needs no proof of an
//! overprint; where references show one, [`crate::overprint_model`] tells more.

/// Light relative to the bare paper's as an ink with this veil lets it through to its own absorption.
pub fn unveiled(light: f64, veil: f64) -> f64 {
    light + veil * (1.0 - light)
}

/// Light relative to the bare paper's after an ink was laid over a share `cover` of it; `through`:
/// what the ink lets pass.
pub fn laid_over(light: [f64; 3], cover: f64, through: [f64; 3], veil: f64) -> [f64; 3] {
    [0, 1, 2].map(|c| (1.0 - cover) * light[c] + cover * through[c] * unveiled(light[c], veil))
}

/// Change of [`laid_over`] with the light under the ink.
pub fn by_light(cover: f64, through: [f64; 3], veil: f64) -> [f64; 3] {
    through.map(|t| 1.0 - cover + cover * t * (1.0 - veil))
}

/// Absorption of an overprint beyond the sum of its inks', by channel; negative where body gives
/// light back. `inks`, from the lowest up: absorption times strength, and veil.
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
        for c in 0..3 {
            light[c] = unveiled(light[c], veil) * libm::exp(-ink[c]);
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

    /// A thin scattering layer of Kubelka and Munk, J. Opt. Soc. Am. 38, 448 (1948).
    #[test]
    fn a_small_veil_is_a_little_scattering() {
        let paper = 0.8;
        let dark = Coat {
            k: 0.9,
            s: 0.0,
            x: 1.0,
        };
        let pale = Coat {
            k: 0.1,
            s: 0.03,
            x: 1.0,
        };
        let absorbed = |layers: &[Coat]| -libm::log(printed(paper, layers.iter().copied()) / paper);
        let (under, over) = (absorbed(&[dark]), absorbed(&[pale]));
        let seen = absorbed(&[dark, pale]) - under - over;
        // What the layer scatters back of all light that comes, where little comes from below,
        // against the paper's reflectance.
        let veil = 0.03 / paper;
        let said = beyond([([under; 3], 0.0), ([over; 3], veil)])[0];
        assert!(seen < -0.1, "{seen}");
        assert!((said - seen).abs() < 0.12 * seen.abs(), "{said} {seen}");
    }

    #[test]
    fn body_under_an_ink_changes_nothing() {
        let (black, ochre) = ([3.0; 3], [0.1, 0.2, 0.6]);
        let more = beyond([(ochre, 0.05), (black, 0.0)]);
        assert!(more.iter().all(|m| m.abs() < 1e-12), "{more:?}");
    }
}
