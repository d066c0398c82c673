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

/// Adjusted p values where some of the tests say nearly the same thing: `group`
/// names the group of each. Groups are adjusted against each other by their
/// Simes p values, so that a column that comes ten times counts once; the tests
/// of a group are adjusted against each other, at a level lowered by the share
/// of groups that are significant at `level`. Of the tests in a group said to
/// be significant, on average over such groups, at most `level` are false.
///
/// Source: Benjamini and Bogomolov, "Selective inference on multiple families of
/// hypotheses", J. R. Statist. Soc. B 76, 2014; Simes, Biometrika 73, 1986.
#[allow(clippy::cast_precision_loss)]
pub fn grouped(p: &[f64], group: &[usize], level: f64) -> Vec<f64> {
    let mut members: std::collections::BTreeMap<usize, Vec<usize>> =
        std::collections::BTreeMap::new();
    for (i, g) in group.iter().enumerate().take(p.len()) {
        members.entry(*g).or_default().push(i);
    }
    let within: Vec<Vec<f64>> = members
        .values()
        .map(|m| benjamini_hochberg(&m.iter().map(|i| p[*i]).collect::<Vec<f64>>()))
        .collect();
    // The least adjusted p value of a group is Simes's.
    let simes: Vec<f64> = within
        .iter()
        .map(|q| q.iter().copied().fold(1.0, f64::min))
        .collect();
    let groups = benjamini_hochberg(&simes);
    let found = groups.iter().filter(|q| **q <= level).count();
    let lowered = members.len() as f64 / found.max(1) as f64;
    let mut out = vec![1.0; p.len()];
    for ((m, q), of_group) in members.values().zip(&within).zip(&groups) {
        for (i, q) in m.iter().zip(q) {
            let own = if m.len() == 1 { *q } else { q * lowered };
            out[*i] = if found == 0 || m.len() == 1 {
                of_group.max(*q)
            } else {
                of_group.max(own)
            }
            .min(1.0);
        }
    }
    out
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

    #[test]
    fn copies_do_not_dilute() {
        // Ten copies of a steady column beside one that creeps.
        let mut p = vec![0.012];
        p.extend([0.6; 10]);
        let mut group = vec![0];
        group.extend([1; 10]);
        assert!(benjamini_hochberg(&p)[0] > 0.1);
        let q = grouped(&p, &group, 0.05);
        assert!((q[0] - 0.024).abs() < 1e-12, "{q:?}");
        assert!(q[1..].iter().all(|q| *q >= 0.6));
        // Each in a group of its own: Benjamini and Hochberg.
        let alone: Vec<usize> = (0..p.len()).collect();
        assert_eq!(grouped(&p, &alone, 0.05), benjamini_hochberg(&p));
    }

    #[test]
    fn within_a_group_the_level_is_lowered() {
        // One group of two is significant among four groups: its members are held
        // against a quarter of the level.
        let p = [0.001, 0.04, 0.5, 0.6, 0.7];
        let q = grouped(&p, &[0, 0, 1, 2, 3], 0.05);
        assert!(q[0] <= 0.05 && q[1] > 0.05, "{q:?}");
    }
}
