//! A gauge study: parts measured several times by each of several operators (here:
//! impressions scanned several times on each of several scanners), taken apart
//! into what repeats, what comes with the operator, and the parts.
//!
//! Source: two-way random-effects analysis of variance as in AIAG, "Measurement
//! Systems Analysis", 4th ed., 2010, chapter III: with no interaction beyond chance
//! its sum of squares is pooled with that of repeating.

use crate::quantiles::fisher_f;

/// Probability beyond which an interaction counts.
const POOLED_OVER: f64 = 0.25;

/// Standard deviations of a gauge study.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GaugeStudy {
    /// From one measurement to the next of one part by one operator.
    pub repeatability: f64,
    /// From operator to operator.
    pub reproducibility: f64,
    /// Both together.
    pub gauge: f64,
    /// From part to part.
    pub part: f64,
}

impl GaugeStudy {
    /// All together.
    pub fn total(&self) -> f64 {
        (self.gauge * self.gauge + self.part * self.part).sqrt()
    }

    /// The gauge's share of the total standard deviation, per cent.
    pub fn study_variation_pct(&self) -> f64 {
        100.0 * self.gauge / self.total()
    }

    /// How many kinds of part the gauge can tell apart, cut to a whole number.
    pub fn distinct_categories(&self) -> f64 {
        (std::f64::consts::SQRT_2 * self.part / self.gauge).floor()
    }
}

/// What repeats of some parts of a run say of the gauge: the standard deviation
/// from one measurement to the next of one part, pooled over the parts, with its
/// degrees of freedom (one-way analysis of variance, as above with one operator).
/// `None` where no part was measured twice.
#[allow(clippy::cast_precision_loss)]
pub fn repeatability<'a>(parts: impl IntoIterator<Item = &'a [f64]>) -> Option<(f64, usize)> {
    let (mut squares, mut free) = (0.0, 0);
    for part in parts.into_iter().filter(|p| p.len() > 1) {
        let mean = part.iter().sum::<f64>() / part.len() as f64;
        squares += part.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>();
        free += part.len() - 1;
    }
    (free > 0).then(|| ((squares / free as f64).sqrt(), free))
}

/// Takes a study apart: `values[part][operator][repeat]`. `None` unless every
/// part was measured equally often, at least twice, by each of two or more operators.
#[allow(clippy::cast_precision_loss)]
pub fn gauge_study(values: &[Vec<Vec<f64>>]) -> Option<GaugeStudy> {
    let operators = values.first()?.len();
    let repeats = values.first()?.first()?.len();
    let even = values
        .iter()
        .all(|p| p.len() == operators && p.iter().all(|o| o.len() == repeats));
    if values.len() < 2 || operators < 2 || repeats < 2 || !even {
        return None;
    }
    let (p, o, r) = (values.len() as f64, operators as f64, repeats as f64);
    let mean = |v: &mut dyn Iterator<Item = f64>| {
        let (sum, n) = v.fold((0.0, 0.0), |(s, n), x| (s + x, n + 1.0));
        sum / n
    };
    let square = |v: f64| v * v;
    let of_part: Vec<f64> = values
        .iter()
        .map(|v| mean(&mut v.iter().flatten().copied()))
        .collect();
    let of_operator: Vec<f64> = (0..operators)
        .map(|k| mean(&mut values.iter().flat_map(|v| v[k].iter().copied())))
        .collect();
    let all = mean(&mut of_part.iter().copied());
    let parts = o * r * of_part.iter().map(|m| square(m - all)).sum::<f64>();
    let people = p * r * of_operator.iter().map(|m| square(m - all)).sum::<f64>();
    let (mut cells, mut repeating) = (0.0, 0.0);
    for v in values {
        for cell in v {
            let m = mean(&mut cell.iter().copied());
            cells += r * square(m - all);
            repeating += cell.iter().map(|x| square(x - m)).sum::<f64>();
        }
    }
    let together = cells - parts - people;
    let dof = [(p - 1.0) * (o - 1.0), p * o * (r - 1.0)];
    let ms = [together / dof[0], repeating / dof[1]];
    let limit = fisher_f(1.0 - POOLED_OVER, dof[0], dof[1])?;
    let variance = |v: f64| v.max(0.0);
    let (repeat, interaction, error) = if ms[0] <= limit * ms[1] {
        let pooled = (together + repeating) / (dof[0] + dof[1]);
        (pooled, 0.0, pooled)
    } else {
        (ms[1], variance((ms[0] - ms[1]) / r), ms[0])
    };
    let operator = variance((people / (o - 1.0) - error) / (p * r));
    let part = variance((parts / (p - 1.0) - error) / (o * r));
    let reproducibility = operator + interaction;
    Some(GaugeStudy {
        repeatability: repeat.sqrt(),
        reproducibility: reproducibility.sqrt(),
        gauge: (repeat + reproducibility).sqrt(),
        part: part.sqrt(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// AIAG, Measurement Systems Analysis, 4th ed.: ten parts, three appraisers,
    /// three trials each; variances as published, without interaction.
    #[test]
    fn the_handbooks_example() {
        let rows = [
            [0.29, 0.41, 0.64, 0.08, 0.25, 0.07, 0.04, -0.11, -0.15],
            [
                -0.56, -0.68, -0.58, -0.47, -1.22, -0.68, -1.38, -1.13, -0.96,
            ],
            [1.34, 1.17, 1.27, 1.19, 0.94, 1.34, 0.88, 1.09, 0.67],
            [0.47, 0.5, 0.64, 0.01, 1.03, 0.2, 0.14, 0.2, 0.11],
            [-0.8, -0.92, -0.84, -0.56, -1.2, -1.28, -1.46, -1.07, -1.45],
            [0.02, -0.11, -0.21, -0.2, 0.22, 0.06, -0.29, -0.67, -0.49],
            [0.59, 0.75, 0.66, 0.47, 0.55, 0.83, 0.02, 0.01, 0.21],
            [-0.31, -0.2, -0.17, -0.63, 0.08, -0.34, -0.46, -0.56, -0.49],
            [2.26, 1.99, 2.01, 1.8, 2.12, 2.19, 1.77, 1.45, 1.87],
            [-1.36, -1.25, -1.31, -1.68, -1.62, -1.5, -1.49, -1.77, -2.16],
        ];
        let values: Vec<Vec<Vec<f64>>> = rows
            .iter()
            .map(|r| r.chunks(3).map(<[f64]>::to_vec).collect())
            .collect();
        let g = gauge_study(&values).unwrap();
        let near = |a: f64, b: f64, to: f64| assert!((a - b).abs() < to, "{a} {b}");
        near(g.repeatability * g.repeatability, 0.03997, 5e-6);
        near(g.reproducibility * g.reproducibility, 0.05146, 5e-6);
        near(g.gauge * g.gauge, 0.09143, 5e-6);
        near(g.part * g.part, 1.08645, 5e-6);
        near(g.study_variation_pct(), 27.86, 5e-3);
        near(g.distinct_categories(), 4.0, 1e-9);
    }

    /// The handbook's first appraiser alone, by hand: ten parts thrice.
    #[test]
    fn one_operators_repeats_pooled() {
        let rows: [[f64; 3]; 3] = [
            [0.29, 0.41, 0.64],
            [-0.56, -0.68, -0.58],
            [1.34, 1.17, 1.27],
        ];
        // Squares about the means: 0.0632667 + 0.0082667 + 0.0146000, six degrees of freedom.
        let (sd, free) = repeatability(rows.iter().map(<[f64; 3]>::as_slice)).unwrap();
        assert!((sd * sd * 6.0 - 0.086_133_3).abs() < 1e-6, "{sd}");
        assert_eq!(free, 6);
        assert_eq!(repeatability([[1.0].as_slice(), [2.0].as_slice()]), None);
    }

    #[test]
    fn an_uneven_study_is_none() {
        let one = vec![vec![1.0, 2.0], vec![1.0, 2.0]];
        assert_eq!(gauge_study(std::slice::from_ref(&one)), None);
        assert_eq!(gauge_study(&[one, vec![vec![1.0], vec![2.0, 3.0]]]), None);
        assert_eq!(gauge_study(&[]), None);
    }
}
