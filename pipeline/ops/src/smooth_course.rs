//! The smooth course of a wavering contour, and how ragged the contour is about it.
//!
//! Heights at even distances are smoothed by penalised least squares on their
//! second differences (Whittaker 1923; with weights for gaps: Eilers 2003,
//! "A perfect smoother", Analytical Chemistry 75). In the long run a wave of
//! wavenumber q passes with 1 / (1 + lambda q^4), so the penalty follows from
//! the wavelength that is to be halved. Raggedness is the standard deviation
//! about that course, as in ISO/IEC 13660 about a fitted line.

/// Smooth values of `heights`, which lie `step` apart; waves of `half_wave`
/// (same unit) keep half their height, shorter ones lose it. Heights that are
/// not finite count for nothing and are bridged.
pub fn smooth_course(heights: &[f64], step: f64, half_wave: f64) -> Vec<f64> {
    smoothed(heights, step, half_wave).0
}

/// The smooth values, and how much each known height pulls the course to itself
/// (its leverage: large at the ends of what is known, where the course is free).
#[allow(clippy::cast_precision_loss)]
fn smoothed(heights: &[f64], step: f64, half_wave: f64) -> (Vec<f64>, Vec<f64>) {
    let n = heights.len();
    let known = heights.iter().filter(|h| h.is_finite()).count();
    if n < 3 || known < 3 {
        let mean = heights.iter().filter(|h| h.is_finite()).sum::<f64>() / known.max(1) as f64;
        return (vec![mean; n], vec![1.0; n]);
    }
    let q = std::f64::consts::TAU * step / half_wave;
    // Eigenvalue of the second difference of a wave: 2 - 2 cos q.
    let second = 2.0 - 2.0 * libm::cos(q.min(std::f64::consts::PI));
    let lambda = (1.0 / (second * second)).clamp(1e-6, 1e15);
    // W + lambda D'D is pentadiagonal: factor it as L D L'.
    let mut main = vec![0.0; n];
    let mut off = vec![0.0; n];
    let mut far = vec![0.0; n];
    let mut right = vec![0.0; n];
    for (i, h) in heights.iter().enumerate() {
        if h.is_finite() {
            main[i] = 1.0;
            right[i] = *h;
        }
    }
    for i in 0..n - 2 {
        for (a, x) in [(i, 1.0), (i + 1, -2.0), (i + 2, 1.0)] {
            main[a] += lambda * x * x;
        }
        off[i] += lambda * -2.0;
        off[i + 1] += lambda * -2.0;
        far[i] += lambda;
    }
    let (mut d, mut l, mut m) = (vec![0.0; n], vec![0.0; n], vec![0.0; n]);
    for i in 0..n {
        let (l1, d1) = if i > 0 {
            (l[i - 1], d[i - 1])
        } else {
            (0.0, 0.0)
        };
        let (m2, d2) = if i > 1 {
            (m[i - 2], d[i - 2])
        } else {
            (0.0, 0.0)
        };
        d[i] = (main[i] - l1 * l1 * d1 - m2 * m2 * d2).max(1e-300);
        let m1 = if i > 0 { m[i - 1] } else { 0.0 };
        l[i] = (off[i] - l1 * d1 * m1) / d[i];
        m[i] = far[i] / d[i];
    }
    for i in 0..n {
        if i > 0 {
            right[i] -= l[i - 1] * right[i - 1];
        }
        if i > 1 {
            right[i] -= m[i - 2] * right[i - 2];
        }
    }
    for i in 0..n {
        right[i] /= d[i];
    }
    for i in (0..n).rev() {
        if i + 1 < n {
            right[i] -= l[i] * right[i + 1];
        }
        if i + 2 < n {
            right[i] -= m[i] * right[i + 2];
        }
    }
    // The middle of the inverse's band (Hutchinson and de Hoog 1985, Numerische
    // Mathematik 47), from the last row up: beside itself, one and two to the right.
    let (mut own, mut near) = (vec![0.0; n + 2], vec![0.0; n + 1]);
    for i in (0..n).rev() {
        let next = -l[i] * own[i + 1] - m[i] * near[i + 1];
        let far = -l[i] * near[i + 1] - m[i] * own[i + 2];
        near[i] = next;
        own[i] = 1.0 / d[i] - l[i] * next - m[i] * far;
    }
    own.truncate(n);
    (right, own)
}

/// Standard deviation of the finite heights about their smooth course. Heights
/// near the ends of a stretch, to which the course bends, do not count; none
/// for fewer than eight others.
#[allow(clippy::cast_precision_loss)]
pub fn raggedness(heights: &[f64], step: f64, half_wave: f64) -> Option<f64> {
    let (course, pull) = smoothed(heights, step, half_wave);
    // In the middle of a long stretch: the mean of 1 / (1 + (q / q0)^4) over all waves.
    let usual = std::f64::consts::FRAC_PI_2 * std::f64::consts::SQRT_2 * step / half_wave;
    let (mut sum, mut n) = (0.0, 0.0);
    for i in 0..heights.len() {
        if heights[i].is_finite() && pull[i] < ENDS * usual {
            sum += (heights[i] - course[i]) * (heights[i] - course[i]);
            n += 1.0;
        }
    }
    (n >= 8.0).then(|| f64::sqrt(sum / n))
}

/// A height that pulls the course so many times harder than one in the middle
/// of a long stretch is near an end.
const ENDS: f64 = 1.5;

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(n: usize, length: f64) -> Vec<f64> {
        (0..n)
            .map(|i| libm::sin(std::f64::consts::TAU * i as f64 / length))
            .collect()
    }

    #[test]
    fn a_wave_of_the_given_length_is_halved() {
        let v = wave(4000, 100.0);
        let s = smooth_course(&v, 1.0, 100.0);
        let share = s[2025] / v[2025];
        assert!((share - 0.5).abs() < 0.01, "{share}");
        // A tenth of the length passes with 1 / (1 + 10^4).
        let v = wave(4000, 10.0);
        assert!(smooth_course(&v, 1.0, 100.0)[2002].abs() < 2e-3);
    }

    #[test]
    fn a_straight_course_is_kept_over_gaps() {
        let mut v: Vec<f64> = (0..200).map(|i| 3.0 + 0.5 * f64::from(i)).collect();
        v[50..80].fill(f64::NAN);
        let s = smooth_course(&v, 0.1, 2.0);
        for (i, s) in s.iter().enumerate() {
            assert!((s - (3.0 + 0.5 * i as f64)).abs() < 1e-6, "{i} {s}");
        }
        assert!(raggedness(&v, 0.1, 2.0).unwrap() < 1e-6);
    }

    #[test]
    fn too_little_gives_nothing() {
        assert_eq!(raggedness(&[1.0; 5], 1.0, 5.0), None);
        assert_eq!(raggedness(&[f64::NAN; 50], 1.0, 5.0), None);
        assert!(smooth_course(&[], 1.0, 5.0).is_empty());
    }
}
