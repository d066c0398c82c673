//! Layers that absorb and scatter, where the order of printing shows.
//!
//! Source: Kubelka and Munk, "Ein Beitrag zur Optik der Farbanstriche",
//! Zeitschrift fuer technische Physik 12, 1931; the hyperbolic solution and the
//! adding of layers: Kubelka, J. Opt. Soc. Am. 38, 448 (1948) and 44, 330
//! (1954). Reflectances are internal: no surface reflection is taken off.

/// A layer: absorption and scattering coefficients and thickness.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coat {
    /// Absorption coefficient, per thickness.
    pub k: f64,
    /// Scattering coefficient, per thickness.
    pub s: f64,
    /// Thickness.
    pub x: f64,
}

/// Reflectance of a layer so thick that what lies under it does not show.
pub fn infinite(k_over_s: f64) -> f64 {
    1.0 + k_over_s - (k_over_s * k_over_s + 2.0 * k_over_s).sqrt()
}

impl Coat {
    /// Reflectance over black, and transmittance.
    pub fn reflectance_and_transmittance(&self) -> (f64, f64) {
        let Self { k, s, x } = *self;
        if s * x < 1e-9 {
            return (0.0, libm::exp(-k * x));
        }
        let a = 1.0 + k / s;
        let b = (a * a - 1.0).max(0.0).sqrt();
        if b * s * x < 1e-6 {
            // Scattering alone: the limit of b -> 0.
            let sx = s * x;
            return (sx / (1.0 + sx), 1.0 / (1.0 + sx));
        }
        let (sinh, cosh) = (libm::sinh(b * s * x), libm::cosh(b * s * x));
        if !cosh.is_finite() {
            return (a - b, 0.0);
        }
        let under = a * sinh + b * cosh;
        (sinh / under, b / under)
    }

    /// Reflectance of the layer over a ground of reflectance `ground`.
    pub fn over(&self, ground: f64) -> f64 {
        let (r, t) = self.reflectance_and_transmittance();
        r + t * t * ground / (1.0 - r * ground)
    }
}

/// Reflectance of coats laid on a ground in this order.
pub fn printed<I: IntoIterator<Item = Coat>>(ground: f64, coats: I) -> f64 {
    coats.into_iter().fold(ground, |g, c| c.over(g))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn data() -> serde_json::Value {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/optics.json");
        serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
    }

    fn coat(v: &serde_json::Value) -> Coat {
        Coat {
            k: v["K"].as_f64().unwrap(),
            s: v["S"].as_f64().unwrap(),
            x: v["X"].as_f64().unwrap(),
        }
    }

    // Source of the numbers below: tests/data/optics.json (Kubelka-Munk formulae, computed apart
    // from this code).
    #[test]
    fn opaque_layers() {
        for c in data()["KM_infinite"].as_array().unwrap() {
            let got = infinite(c["K/S"].as_f64().unwrap());
            assert!((got - c["Rinf"].as_f64().unwrap()).abs() < 1e-6, "{c}");
            let thick = Coat {
                k: c["K/S"].as_f64().unwrap(),
                s: 1.0,
                x: 500.0,
            };
            assert!((thick.over(0.3) - got).abs() < 1e-9);
        }
    }

    #[test]
    fn layers_over_a_ground() {
        for c in data()["KM_layer"].as_array().unwrap() {
            let got = coat(c).over(c["Rg"].as_f64().unwrap());
            assert!((got - c["R"].as_f64().unwrap()).abs() < 1e-6, "{c} {got}");
        }
    }

    #[test]
    fn the_order_of_printing_shows() {
        let d = &data()["KM_two_layers_order_matters"];
        let (a, b) = (coat(&d["layerA"]), coat(&d["layerB"]));
        let paper = d["Rpaper"].as_f64().unwrap();
        let want = |k: &str| d[k].as_f64().unwrap();
        assert!((printed(paper, [a, b]) - want("A_then_B_on_top")).abs() < 1e-6);
        assert!((printed(paper, [b, a]) - want("B_then_A_on_top")).abs() < 1e-6);
        for (c, k) in [(a, "R0_T_A"), (b, "R0_T_B")] {
            let (r, t) = c.reflectance_and_transmittance();
            assert!((r - d[k][0].as_f64().unwrap()).abs() < 1e-6);
            assert!((t - d[k][1].as_f64().unwrap()).abs() < 1e-6);
        }
    }

    #[test]
    fn without_scattering_it_is_the_law_of_bouguer_and_lambert() {
        let faint = Coat {
            k: 0.7,
            s: 1e-7,
            x: 1.0,
        };
        let clear = Coat { s: 0.0, ..faint };
        assert!((clear.over(0.8) - 0.8 * libm::exp(-1.4)).abs() < 1e-12);
        assert!((faint.over(0.8) - clear.over(0.8)).abs() < 1e-6);
        let white = Coat {
            k: 0.0,
            s: 0.5,
            x: 2.0,
        };
        let (r, t) = white.reflectance_and_transmittance();
        assert!((r - 0.5).abs() < 1e-12 && (t - 0.5).abs() < 1e-12);
    }
}
