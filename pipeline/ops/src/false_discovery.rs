//! Many tests at once: p values adjusted so that the share of false ones among
//! those called significant is bounded.
//!
//! Source: Benjamini and Hochberg, "Controlling the false discovery rate",
//! Journal of the Royal Statistical Society B 57, 1995. Holds for independent
//! and for positively dependent tests (Benjamini and Yekutieli, Annals of
//! Statistics 29, 2001).

/// Adjusted p values, in the order given: the least false discovery rate at
/// which each would be called significant.
#[allow(clippy::cast_precision_loss)]
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let n = p.len();
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_unstable_by(|a, b| p[*b].total_cmp(&p[*a]).then(b.cmp(a)));
    let mut q = vec![1.0; n];
    let mut least = 1.0_f64;
    for (k, i) in order.into_iter().enumerate() {
        least = least.min(p[i] * n as f64 / (n - k) as f64);
        q[i] = least;
    }
    q
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Benjamini and Hochberg 1995, section 4.1: 15 p values of a study of
    /// thrombolysis; at 0.05 the first four are significant.
    #[test]
    fn the_papers_example_has_four_discoveries() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.3240, 0.4262,
            0.5719, 0.6528, 0.7590, 1.0000,
        ];
        let q = benjamini_hochberg(&p);
        assert_eq!(q.iter().filter(|q| **q <= 0.05).count(), 4);
        assert!((q[0] - 0.0015).abs() < 1e-12);
        assert!((q[3] - 0.035_625).abs() < 1e-12);
        assert!(q.is_sorted());
    }

    #[test]
    fn order_and_ties_do_not_matter() {
        let q = benjamini_hochberg(&[0.04, 0.01, 0.04]);
        assert_eq!(q, [0.04, 0.03, 0.04]);
        assert!(benjamini_hochberg(&[]).is_empty());
    }
}
