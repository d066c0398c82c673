//! One change of level: where it fits best, how likely chance makes as good a
//! fit, and which other places fit about as well.
//!
//! Sources: Siegmund, "Boundary crossing probabilities and statistical
//! applications", Annals of Statistics 14, 1986, and James, James and Siegmund,
//! "Tests for a change-point", Biometrika 74, 1987 (tail of the largest
//! standardised difference, with the correction for discrete places); Siegmund,
//! "Approximate tail probabilities for the maxima of some random fields",
//! Annals of Probability 16, 1988 (the same for the best stretch against the
//! rest, as used by Olshen, Venkatraman, Lucito and Wigler, Biostatistics 5,
//! 2004); Siegmund, "Confidence sets in change-point problems", International
//! Statistical Review 56, 1988 (set of places). The tests below measure how well
//! they hold.

use crate::quantiles;

/// The best single change of level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Step {
    /// The first value of the new level.
    pub at: usize,
    /// Mean before.
    pub before: f64,
    /// Mean after.
    pub after: f64,
    /// Sum of squares that is left.
    pub left: f64,
    /// Sum of squares without a change.
    pub whole: f64,
}

/// The best change with at least `shortest` values to both sides. `None` where
/// there are too few.
#[allow(clippy::cast_precision_loss)]
pub fn best_step(values: &[f64], shortest: usize) -> Option<Step> {
    let n = values.len();
    let m = shortest.max(1);
    if n < 2 * m {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let whole: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    let mut best = (m, -1.0, 0.0);
    let mut sum = 0.0;
    for (k, v) in values.iter().enumerate() {
        if k >= m && k <= n - m {
            let gain = gain(sum, k, n);
            if gain > best.1 {
                best = (k, gain, sum);
            }
        }
        sum += v - mean;
    }
    let (at, gain, sum) = best;
    Some(Step {
        at,
        before: mean + sum / at as f64,
        after: mean - sum / (n - at) as f64,
        left: (whole - gain).max(0.0),
        whole,
    })
}

/// What a change after the first `k` of `n` values takes off the sum of
/// squares; `sum` is theirs, about the mean of all.
#[allow(clippy::cast_precision_loss)]
fn gain(sum: f64, k: usize, n: usize) -> f64 {
    let (k, n) = (k as f64, n as f64);
    sum * sum * n / (k * (n - k))
}

/// First and last place of a change that is not much worse than the best: the
/// set of places that holds the true one with `level`, by the likelihood ratio
/// for normal scatter of the given variance (for correlated neighbours the one
/// of long stretches).
#[allow(clippy::cast_precision_loss)]
pub fn step_interval(values: &[f64], shortest: usize, variance: f64, level: f64) -> (usize, usize) {
    let n = values.len();
    let m = shortest.max(1);
    let Some(best) = best_step(values, m) else {
        return (0, n);
    };
    let top = best.whole - best.left;
    // P(largest log likelihood less that of the true place < x) = (1 - e^-x)^2.
    let x = -libm::log(1.0 - level.clamp(0.0, 0.9999).sqrt());
    let mean = values.iter().sum::<f64>() / n as f64;
    let (mut first, mut last) = (best.at, best.at);
    let mut sum = 0.0;
    for (k, v) in values.iter().enumerate() {
        if k >= m && k <= n - m && top - gain(sum, k, n) <= 2.0 * x * variance {
            first = first.min(k);
            last = last.max(k);
        }
        sum += v - mean;
    }
    (first, last)
}

/// Probability that the best of all changes in `n` independent normal values
/// of one mean has a standard score of `b` or more to either side.
#[allow(clippy::cast_precision_loss)]
pub fn step_probability(b: f64, n: usize, shortest: usize) -> f64 {
    let m = shortest.max(1);
    if n < 2 * m || b <= 0.0 {
        return 1.0;
    }
    let all = n as f64;
    let sum: f64 = coarse(m, n - m)
        .map(|(k, width)| {
            let t = k * (all - k) / all;
            width * overshoot(b / t.sqrt()) / t
        })
        .sum();
    (b * density(b) * sum + libm::erfc(b / std::f64::consts::SQRT_2)).min(1.0)
}

/// Probability that the best of all stretches of `n` independent normal values
/// of one mean stands out from the rest with a standard score of `b` or more.
#[allow(clippy::cast_precision_loss)]
pub fn stretch_probability(b: f64, n: usize, shortest: usize) -> f64 {
    let m = shortest.max(1);
    if n < 2 * m || b <= 0.0 {
        return 1.0;
    }
    let all = n as f64;
    let sum: f64 = coarse(m, n - m)
        .map(|(k, width)| {
            let t = k / all;
            let nu = overshoot(b / (all * t * (1.0 - t)).sqrt());
            width / all * nu * nu / (t * t * (1.0 - t))
        })
        .sum();
    (0.5 * b * b * b * density(b) * sum).min(1.0)
}

/// Whole numbers from a to b with how many each stands for: all up to a few
/// hundred at either end, spaced in between.
#[allow(clippy::cast_precision_loss)]
fn coarse(a: usize, b: usize) -> impl Iterator<Item = (f64, f64)> {
    let mut at = a;
    std::iter::from_fn(move || {
        if at > b {
            return None;
        }
        let near = (at - a + 1).min(b - at + 1);
        let width = (near / 100).clamp(1, b - at + 1);
        let middle = at as f64 + 0.5 * (width as f64 - 1.0);
        at += width;
        Some((middle, width as f64))
    })
}

fn density(b: f64) -> f64 {
    0.398_942_280_401_432_7 * libm::exp(-0.5 * b * b)
}

/// Siegmund's function nu in the closed form of Siegmund and Yakir, "The
/// statistics of gene mapping", Springer 2007, page 112.
fn overshoot(x: f64) -> f64 {
    if x < 1e-6 {
        return 1.0;
    }
    let h = 0.5 * x;
    let phi = quantiles::normal_below(h);
    (phi - 0.5) * (2.0 / x) / (h * phi + density(h))
}

/// The standard score that is as far out as Student's `t` with `dof` degrees of freedom.
pub fn score_of_t(t: f64, dof: f64) -> Option<f64> {
    let tail = quantiles::student_t_tail(t.abs(), dof)?;
    if tail < 1e-280 {
        return Some(36.0);
    }
    quantiles::normal_upper(tail)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn white(n: usize, seed: &mut u64) -> Vec<f64> {
        (0..n)
            .map(|_| {
                (0..12)
                    .map(|_| {
                        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                        (*seed >> 11) as f64 / (1_u64 << 53) as f64
                    })
                    .sum::<f64>()
                    - 6.0
            })
            .collect()
    }

    #[test]
    fn a_step_is_found_with_its_size() {
        let mut v = vec![1.0; 12];
        v.extend(vec![4.0; 8]);
        let s = best_step(&v, 2).unwrap();
        assert_eq!(s.at, 12);
        assert!((s.before - 1.0).abs() < 1e-12 && (s.after - 4.0).abs() < 1e-12);
        assert!(s.left.abs() < 1e-9);
        assert_eq!(best_step(&v[..3], 2), None);
        assert_eq!(step_interval(&v, 2, 1.0, 0.95), (12, 12));
    }

    #[test]
    fn chance_gives_as_good_a_step_as_often_as_said() {
        let (n, m, runs) = (100, 3, 4000);
        let mut seed = 5;
        let mut over = [0; 2];
        let bounds = [2.7, 3.2];
        for _ in 0..runs {
            let v = white(n, &mut seed);
            let s = best_step(&v, m).unwrap();
            for (o, b) in over.iter_mut().zip(bounds) {
                *o += usize::from((s.whole - s.left).sqrt() >= b);
            }
        }
        for (o, b) in over.iter().zip(bounds) {
            let (seen, said) = (*o as f64 / f64::from(runs), step_probability(b, n, m));
            assert!(seen > 0.6 * said && seen < 1.5 * said, "{b}: {seen} {said}");
        }
    }

    #[test]
    fn chance_gives_as_good_a_stretch_as_often_as_said() {
        let (n, m, runs) = (60, 3, 1500);
        let mut seed = 9;
        let mut over = 0;
        let b = 3.4;
        for _ in 0..runs {
            let v = white(n, &mut seed);
            let mean = v.iter().sum::<f64>() / n as f64;
            let mut sums = vec![0.0];
            v.iter()
                .for_each(|x| sums.push(sums[sums.len() - 1] + x - mean));
            let mut top = 0.0_f64;
            for i in 0..n {
                for j in i + m..=n.min(i + n - m) {
                    top = top.max(gain(sums[j] - sums[i], j - i, n));
                }
            }
            over += usize::from(top.sqrt() >= b);
        }
        let (seen, said) = (
            f64::from(over as i32) / f64::from(runs),
            stretch_probability(b, n, m),
        );
        assert!(seen > 0.5 * said && seen < 1.6 * said, "{seen} {said}");
    }

    #[test]
    fn the_interval_holds_the_place_as_often_as_said() {
        let (runs, mut seed, mut held) = (2000, 21, 0);
        for _ in 0..runs {
            let mut v = white(120, &mut seed);
            v[50..].iter_mut().for_each(|v| *v += 1.5);
            let (a, b) = step_interval(&v, 3, 1.0, 0.95);
            held += u32::from(a <= 50 && 50 <= b);
        }
        let share = f64::from(held) / f64::from(runs);
        assert!((0.93..0.985).contains(&share), "{share}");
    }

    #[test]
    fn scores_and_t_agree_for_many_degrees_of_freedom() {
        assert!((score_of_t(3.0, 1e5).unwrap() - 3.0).abs() < 1e-3);
        assert!(score_of_t(3.0, 5.0).unwrap() < 2.2);
        assert!(score_of_t(200.0, 1e4).unwrap() > 30.0);
    }
}
