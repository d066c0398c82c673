//! Reflectance of an area that inks cover in part, by the Yule-Nielsen
//! modified Neugebauer equation.
//!
//! Sources: Demichel, Le Procede 26, 1924 (shares of the overprints of
//! independent coverages); Neugebauer, Zeitschrift fuer wissenschaftliche
//! Photographie 36, 73 (1937); Yule and Nielsen, TAGA Proceedings 3, 65 (1951)
//! (the exponent n for light that spreads in the paper). With n = 1 light
//! mixes as a scanner mixes it within a pixel.

/// Share of the area under each subset of inks, by Demichel: entry `i` is the
/// subset whose bits are set in `i`. None for more than 16 inks.
pub fn demichel(coverage: &[f64]) -> Option<Vec<f64>> {
    if coverage.len() > 16 {
        return None;
    }
    let subsets = 1_usize << coverage.len();
    Some(
        (0..subsets)
            .map(|subset| {
                coverage
                    .iter()
                    .enumerate()
                    .map(|(ink, c)| if subset >> ink & 1 == 1 { *c } else { 1.0 - c })
                    .product()
            })
            .collect(),
    )
}

/// Reflectance of areas that cover these shares, with Yule-Nielsen's n (1 or more).
pub fn mixed(shares: &[f64], reflectances: &[f64], n: f64) -> f64 {
    let sum: f64 = shares
        .iter()
        .zip(reflectances)
        .map(|(w, r)| w * libm::pow(r.max(0.0), 1.0 / n))
        .sum();
    libm::pow(sum, n)
}

#[cfg(test)]
mod tests {
    use super::*;

    // Source: tests/data/optics.json, YNN (computed apart from this code).
    #[test]
    fn two_inks_of_the_table() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/data/optics.json");
        let all: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let d = &all["YNN"];
        let list = |k: &str| -> Vec<f64> {
            let a = d[k].as_array().unwrap();
            a.iter().map(|v| v.as_f64().unwrap()).collect()
        };
        let w = demichel(&list("coverage")).unwrap();
        for (got, want) in w.iter().zip(list("demichel_w(paper,A,B,AB)")) {
            assert!((got - want).abs() < 1e-12);
        }
        let r = list("R_primaries");
        let n = d["n"].as_f64().unwrap();
        assert!((mixed(&w, &r, n) - d["R_pred"].as_f64().unwrap()).abs() < 1e-6);
        assert!((mixed(&w, &r, 1.0) - d["R_pred_n1"].as_f64().unwrap()).abs() < 1e-6);
        assert!(demichel(&[0.5; 17]).is_none());
    }
}
