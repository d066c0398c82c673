//! Straight line through points that hold outliers, with standard errors.
//!
//! Start: the median slope of pairs of points half the length apart and the
//! median intercept (after Theil 1950 and Sen 1968, with the fixed pairing of
//! the repeated-halves estimator), which holds up to a quarter of outliers.
//! Then total least squares (the principal axis of the weighted scatter:
//! Golub and Van Loan 1980; Pearson 1901) under Tukey's bisquare weights with
//! the median absolute deviation as scale (Beaton and Tukey 1974).
//!
//! Residuals along an edge are not independent: roughness has a length. The
//! variance is therefore enlarged by the integral correlation length of the
//! residuals in order along the line, 1 + 2 sum of rho_k (Bartlett 1946).

use restrike_model::Point;

use crate::stats::{MAD_TO_SIGMA, median};

/// A straight line and how well it is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FittedLine {
    /// The weighted mean of the points; it lies on the line.
    pub centre: Point,
    /// Unit vector along the line.
    pub direction: Point,
    /// Standard error of the line's place across itself at `centre`.
    pub offset_se: f64,
    /// Standard error of its direction, radians; independent of the place at `centre`.
    pub angle_se: f64,
    /// Root mean square distance of the kept points from the line.
    pub rms: f64,
    /// Points with more than a negligible weight.
    pub kept: usize,
    /// Points given.
    pub given: usize,
    /// Variance factor for the correlation of neighbours, at least 1.
    pub correlation: f64,
}

impl FittedLine {
    /// Unit normal: the direction turned by +90 degrees in the given axes.
    pub fn normal(&self) -> Point {
        Point::new(-self.direction.y, self.direction.x)
    }

    /// Signed distance of a point, positive along [`normal`](Self::normal).
    pub fn distance(&self, p: Point) -> f64 {
        (p - self.centre).dot(self.normal())
    }

    /// The point at distance `t` from `centre` along the line.
    pub fn at(&self, t: f64) -> Point {
        self.centre + self.direction * t
    }

    /// Variance of the line's place across itself at distance `t` from `centre`.
    pub fn variance_at(&self, t: f64) -> f64 {
        self.offset_se * self.offset_se + t * t * self.angle_se * self.angle_se
    }

    /// The same line moved by `by` along its normal.
    #[must_use]
    pub fn moved(&self, by: f64) -> Self {
        Self {
            centre: self.centre + self.normal() * by,
            ..*self
        }
    }
}

/// Where two lines meet, with the covariance (xx, xy, yy) of the place.
/// `None` for lines less than about 6 degrees apart.
pub fn intersection(a: &FittedLine, b: &FittedLine) -> Option<(Point, [f64; 3])> {
    let (na, nb) = (a.normal(), b.normal());
    let det = na.x * nb.y - na.y * nb.x;
    if det.abs() < 0.1 {
        return None;
    }
    let (ca, cb) = (na.dot(a.centre), nb.dot(b.centre));
    let p = Point::new((ca * nb.y - cb * na.y) / det, (na.x * cb - nb.x * ca) / det);
    let va = a.variance_at((p - a.centre).dot(a.direction));
    let vb = b.variance_at((p - b.centre).dot(b.direction));
    // dp = N^-1 (da, db), with the rows of N the two normals.
    let (ax, ay) = (nb.y / det, -nb.x / det);
    let (bx, by) = (-na.y / det, na.x / det);
    Some((
        p,
        [
            ax * ax * va + bx * bx * vb,
            ax * ay * va + bx * by * vb,
            ay * ay * va + by * by * vb,
        ],
    ))
}

/// Fits a line to points in order along it. `along` is its rough direction;
/// `floor` is the smallest scale residuals are judged by (in the points' unit),
/// so that perfect points do not reject each other.
///
/// `None` with fewer than 8 points, or when fewer than half of them agree.
pub fn fit_line(points: &[Point], along: Point, floor: f64) -> Option<FittedLine> {
    let n = points.len();
    let length = along.norm();
    if n < 8 || !length.is_finite() || length <= 0.0 {
        return None;
    }
    let u = along * (1.0 / length);
    let v = Point::new(-u.y, u.x);
    let mut order: Vec<(f64, f64)> = points.iter().map(|p| (p.dot(u), p.dot(v))).collect();
    if order.iter().any(|(t, d)| !t.is_finite() || !d.is_finite()) {
        return None;
    }
    order.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let half = n / 2;
    let slopes: Vec<f64> = (0..n - half)
        .filter_map(|i| {
            let (a, b) = (order[i], order[i + half]);
            let dt = b.0 - a.0;
            (dt > 0.0).then(|| (b.1 - a.1) / dt)
        })
        .collect();
    let slope = median(&slopes)?;
    let offsets: Vec<f64> = order.iter().map(|(t, d)| d - slope * t).collect();
    let start = median(&offsets)?;
    let norm = (1.0 + slope * slope).sqrt();
    let mut residuals: Vec<f64> = offsets.iter().map(|o| (o - start) / norm).collect();

    let mut fit = None;
    for _ in 0..30 {
        let sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        let scale = (median(&sizes)? * MAD_TO_SIGMA).max(floor).max(1e-12);
        let weights: Vec<f64> = residuals.iter().map(|r| bisquare(r / scale)).collect();
        let next = principal_axis(&order, &weights)?;
        let fresh: Vec<f64> = order
            .iter()
            .map(|&(t, d)| (d - next.1) * next.2 - (t - next.0) * next.3)
            .collect();
        let moved = residuals
            .iter()
            .zip(&fresh)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max);
        residuals = fresh;
        fit = Some((next, weights));
        if moved < 1e-9 * scale {
            break;
        }
    }
    let ((ct, cd, cos, sin), weights) = fit?;
    let kept: Vec<usize> = (0..n).filter(|&i| weights[i] > 0.1).collect();
    if kept.len() * 2 < n || kept.len() < 6 {
        return None;
    }
    let kept_residuals: Vec<f64> = kept.iter().map(|&i| residuals[i]).collect();
    let correlation = correlation_factor(&kept_residuals);
    #[allow(clippy::cast_precision_loss)]
    let count = kept.len() as f64;
    let square: f64 = kept_residuals.iter().map(|r| r * r).sum();
    let variance = square / (count - 2.0) * correlation;
    let spread: f64 = kept
        .iter()
        .map(|&i| {
            let t = (order[i].0 - ct) * cos + (order[i].1 - cd) * sin;
            t * t
        })
        .sum();
    if spread <= 0.0 {
        return None;
    }
    Some(FittedLine {
        centre: u * ct + v * cd,
        direction: u * cos + v * sin,
        offset_se: (variance / count).sqrt(),
        angle_se: (variance / spread).sqrt(),
        rms: (square / count).sqrt(),
        kept: kept.len(),
        given: n,
        correlation,
    })
}

/// Tukey's bisquare weight with the usual constant 4.685.
fn bisquare(z: f64) -> f64 {
    let r = z / 4.685;
    if r.abs() >= 1.0 {
        0.0
    } else {
        (1.0 - r * r) * (1.0 - r * r)
    }
}

/// Weighted mean and unit principal axis (cosine >= 0) of the points.
fn principal_axis(points: &[(f64, f64)], weights: &[f64]) -> Option<(f64, f64, f64, f64)> {
    let sum: f64 = weights.iter().sum();
    if sum <= 0.0 {
        return None;
    }
    let (mut ct, mut cd) = (0.0, 0.0);
    for (&(t, d), w) in points.iter().zip(weights) {
        ct += w * t;
        cd += w * d;
    }
    let (ct, cd) = (ct / sum, cd / sum);
    let (mut tt, mut td, mut dd) = (0.0, 0.0, 0.0);
    for (&(t, d), w) in points.iter().zip(weights) {
        tt += w * (t - ct) * (t - ct);
        td += w * (t - ct) * (d - cd);
        dd += w * (d - cd) * (d - cd);
    }
    let angle = 0.5 * libm::atan2(2.0 * td, tt - dd);
    let (sin, cos) = libm::sincos(angle);
    Some((ct, cd, cos, sin))
}

/// 1 + 2 sum of the autocorrelations up to the first that is not clearly positive.
fn correlation_factor(residuals: &[f64]) -> f64 {
    let n = residuals.len();
    let power: f64 = residuals.iter().map(|r| r * r).sum();
    if power <= 0.0 {
        return 1.0;
    }
    let mut factor = 1.0;
    for lag in 1..n / 3 {
        let shared: f64 = residuals[lag..]
            .iter()
            .zip(residuals)
            .map(|(a, b)| a * b)
            .sum();
        let rho = shared / power;
        if rho < 0.05 {
            break;
        }
        factor += 2.0 * rho;
    }
    factor
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Splitmix64 as normal deviates (sum of twelve uniforms), for tests only.
    struct Noise(u64);
    impl Noise {
        fn uniform(&mut self) -> f64 {
            self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
            let mut z = self.0;
            z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
            z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
            ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
        }
        fn normal(&mut self) -> f64 {
            (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
        }
    }

    #[test]
    fn orthogonal_line_of_pearsons_data() {
        // Pearson 1901, Phil. Mag. 2(11), worked example: the best-fitting line
        // is y = 5.7841 - 0.54556 x (numbers from memory, recomputed with
        // numpy.linalg.svd: slope -0.545561, intercept 5.784044).
        let x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4];
        let y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5];
        let points: Vec<Point> = x.iter().zip(y).map(|(&x, y)| Point::new(x, y)).collect();
        // A large floor gives every point a weight close to 1.
        let line = fit_line(&points, Point::new(1.0, -0.5), 1e6).unwrap();
        let slope = line.direction.y / line.direction.x;
        assert!((slope + 0.545_561).abs() < 1e-5, "{slope}");
        let intercept = line.centre.y - slope * line.centre.x;
        assert!((intercept - 5.784_044).abs() < 1e-4, "{intercept}");
    }

    #[test]
    fn a_quarter_of_outliers_does_not_move_the_line() {
        let mut noise = Noise(1);
        let points: Vec<Point> = (0..400)
            .map(|i| {
                let t = f64::from(i);
                let off = if i % 4 == 0 { 30.0 } else { 0.0 };
                Point::new(t, 0.01 * t + 5.0 + 0.1 * noise.normal() + off)
            })
            .collect();
        let line = fit_line(&points, Point::new(1.0, 0.0), 0.01).unwrap();
        let angle = libm::atan2(line.direction.y, line.direction.x);
        assert!((angle - libm::atan(0.01)).abs() < 4.0 * line.angle_se);
        assert!(line.distance(Point::new(200.0, 7.0)).abs() < 4.0 * line.offset_se);
        assert!(line.kept <= 300 && line.kept > 280);
    }

    #[test]
    fn standard_errors_hold_for_correlated_roughness() {
        // Moving average of 8: neighbours correlated, variance factor 8 in theory.
        let mut inside = 0;
        let (mut sum, mut sum2) = (0.0, 0.0);
        let runs = 300;
        for seed in 0..runs {
            let mut noise = Noise(seed + 100);
            let white: Vec<f64> = (0..408).map(|_| noise.normal()).collect();
            let points: Vec<Point> = (0..400)
                .map(|i| {
                    let rough: f64 = white[i..i + 8].iter().sum::<f64>() / 8.0;
                    Point::new(i as f64, rough)
                })
                .collect();
            let line = fit_line(&points, Point::new(1.0, 0.0), 0.001).unwrap();
            let angle = libm::atan2(line.direction.y, line.direction.x);
            sum += angle * angle;
            sum2 += line.angle_se * line.angle_se;
            if angle.abs() < 1.645 * line.angle_se {
                inside += 1;
            }
        }
        let cover = f64::from(inside) / runs as f64;
        assert!((0.82..0.96).contains(&cover), "{cover}");
        assert!((0.7..1.4).contains(&(sum2 / sum)), "{}", sum2 / sum);
    }

    #[test]
    fn corner_of_two_lines_with_covariance() {
        let line = |centre, direction| FittedLine {
            centre,
            direction,
            offset_se: 0.1,
            angle_se: 0.001,
            rms: 0.0,
            kept: 10,
            given: 10,
            correlation: 1.0,
        };
        let a = line(Point::new(50.0, 2.0), Point::new(1.0, 0.0));
        let b = line(Point::new(3.0, 80.0), Point::new(0.0, 1.0));
        let (p, cov) = intersection(&a, &b).unwrap();
        assert!(p.distance(Point::new(3.0, 2.0)) < 1e-12);
        assert!((cov[0] - (0.01 + 78.0 * 78.0 * 1e-6)).abs() < 1e-12);
        assert!((cov[2] - (0.01 + 47.0 * 47.0 * 1e-6)).abs() < 1e-12);
        assert!(cov[1].abs() < 1e-15);
        assert!(intersection(&a, &a).is_none());
    }

    #[test]
    fn too_few_or_broken_points_give_no_line() {
        let p = vec![Point::new(0.0, 0.0); 7];
        assert!(fit_line(&p, Point::new(1.0, 0.0), 0.1).is_none());
        let p = vec![Point::new(f64::NAN, 0.0); 20];
        assert!(fit_line(&p, Point::new(1.0, 0.0), 0.1).is_none());
        let p = vec![Point::new(1.0, 1.0); 20];
        assert!(fit_line(&p, Point::new(1.0, 0.0), 0.1).is_none());
    }
}
