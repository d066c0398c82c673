//! Transparent inks over each other: each multiplies the light by
//! exp(-strength x absorption), channel by channel (Bouguer-Lambert law).
//!
//! In absorption, A = -ln(R / paper), layers add up. That holds for light that
//! has passed them all; where a pixel is partly printed, light mixes, so edges
//! are mixed in linear reflectance and never in absorption or density.

/// Reflectance of a paper under inks, each given as strength and absorption at strength 1.
///
/// ```
/// use restrike_ops::layered_absorption::under;
/// let ln2 = std::f64::consts::LN_2;
/// let r = under([0.8; 3], [(1.0, [ln2; 3]), (2.0, [ln2; 3])]);
/// assert!((r[0] - 0.1).abs() < 1e-12);
/// ```
pub fn under<I>(paper: [f64; 3], inks: I) -> [f64; 3]
where
    I: IntoIterator<Item = (f64, [f64; 3])>,
{
    let mut sum = [0.0; 3];
    for (strength, absorption) in inks {
        for (s, a) in sum.iter_mut().zip(absorption) {
            *s += strength * a;
        }
    }
    let mut out = paper;
    for (o, s) in out.iter_mut().zip(sum) {
        *o *= libm::exp(-s);
    }
    out
}

/// Absorption of what lies on a paper, A = -ln(R / paper); reflectances below
/// `floor` are taken as that.
pub fn absorption(reflectance: [f64; 3], paper: [f64; 3], floor: f64) -> [f64; 3] {
    [0, 1, 2].map(|c| -libm::log(reflectance[c].max(floor) / paper[c].max(floor)))
}

/// Optical density of a reflectance, -log10(R). From a scan's channels this is
/// a proxy, not a status density of ISO 5-3.
pub fn density(reflectance: f64) -> f64 {
    -libm::log10(reflectance.max(1e-6))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// tests/data/optics.json: formulae by their names, numbers computed apart from this code.
    fn data() -> serde_json::Value {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/optics.json");
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    }

    // Source: Bouguer-Lambert additivity of densities, tests/data/optics.json.
    #[test]
    fn densities_of_layers_add() {
        let d = &data()["BeerLambert_density_additivity"];
        let v = |k: &str| d[k].as_f64().unwrap();
        let p = v("Rpaper");
        let a = absorption([v("R_A_on_paper"); 3], [p; 3], 1e-6);
        let b = absorption([v("R_B_on_paper"); 3], [p; 3], 1e-6);
        let both = under([p; 3], [(1.0, a), (1.0, b)]);
        assert!((both[1] - v("R_AB_pred")).abs() < 1e-9);
        let relative = |r: f64| density(r) - density(p);
        for (r, want) in [v("R_A_on_paper"), v("R_B_on_paper"), both[0]]
            .into_iter()
            .zip(d["D_relative"].as_array().unwrap())
        {
            assert!((relative(r) - want.as_f64().unwrap()).abs() < 1e-5);
        }
    }

    // Source: tests/data/optics.json, scanner_mixed_pixel_warning: half of 0.8 and half of 0.05.
    #[test]
    fn half_a_pixel_of_ink_is_mixed_as_light() {
        let text = data()["scanner_mixed_pixel_warning"].to_string();
        assert!(text.contains("D=0.3716"));
        assert!((density(0.5 * 0.8 + 0.5 * 0.05) - 0.3716).abs() < 1e-4);
    }
}
