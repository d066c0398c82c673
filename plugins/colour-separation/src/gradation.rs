//! The profile of a gradation (bokashi): where it starts to fade, where it has
//! faded out, how steeply.

use restrike_ops::stats::median;
use restrike_stage::Point;

/// Bins along the fading are so wide, mm.
const BIN_MM: f64 = 1.0;
/// It starts to fade where less than this share of its most is left, and has
/// faded out where less than the other is.
const STARTED: f64 = 0.9;
const ENDED: f64 = 0.1;
/// What has this share of the strongest bin counts as full: the strongest by itself is the one that
/// unevenness favours most.
const FULL: f64 = 0.93;
/// Strips along the fading, each left out in turn, tell the errors (the jackknife: Tukey, Annals of
/// Mathematical Statistics 29, 614, 1958).
const STRIPS: usize = 8;
/// Fewest bins and pixels in a bin.
const BINS: usize = 6;
const FEWEST: f64 = 15.0;

/// A gradation's profile.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Profile {
    /// Direction in which it fades, degrees counter-clockwise from x.
    pub(crate) degrees: f64,
    /// Strength at its strongest.
    pub(crate) most: f64,
    /// Where it starts to fade, mm along the direction from the origin given;
    /// none where the printed area starts later.
    pub(crate) start: Option<f64>,
    /// Where it has faded out; none where the printed area ends before.
    pub(crate) end: Option<f64>,
    /// Largest loss of strength, share of the most, per mm.
    pub(crate) steepness: f64,
    /// Standard errors of start, end and steepness from the unevenness across the fading; none where
    /// a part of the print does not tell them.
    pub(crate) se: [Option<f64>; 3],
    /// Place along the direction, mm, and strength.
    pub(crate) points: Vec<Point>,
}

/// Reads the profile off strengths given by place with weights.
pub(crate) fn profile(strengths: &[(Point, f64, f64)], origin: Point) -> Option<Profile> {
    let direction = fading(strengths)?;
    let mut out = along(strengths, origin, direction)?;
    out.se = errors(strengths, origin, direction);
    Some(out)
}

/// Standard errors of start, end and steepness.
fn errors(strengths: &[(Point, f64, f64)], origin: Point, direction: Point) -> [Option<f64>; 3] {
    let across = |p: Point| p.x * direction.y - p.y * direction.x;
    let mut sorted: Vec<&(Point, f64, f64)> = strengths.iter().collect();
    sorted.sort_by(|a, b| across(a.0).total_cmp(&across(b.0)));
    let strip = sorted.len().div_ceil(STRIPS);
    let without: Vec<Option<[Option<f64>; 3]>> = (0..STRIPS)
        .map(|n| {
            let rest = sorted.iter().enumerate().filter(|(k, _)| k / strip != n);
            let rest: Vec<(Point, f64, f64)> = rest.map(|(_, s)| **s).collect();
            let p = along(&rest, origin, direction)?;
            Some([p.start, p.end, Some(p.steepness)])
        })
        .collect();
    [0, 1, 2].map(|which| {
        let values: Option<Vec<f64>> = without.iter().map(|w| (*w)?[which]).collect();
        let values = values?;
        #[allow(clippy::cast_precision_loss)]
        let n = STRIPS as f64;
        let mean = values.iter().sum::<f64>() / n;
        let square: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
        Some((square * (n - 1.0) / n).sqrt())
    })
}

/// The profile along a direction, without errors.
fn along(strengths: &[(Point, f64, f64)], origin: Point, direction: Point) -> Option<Profile> {
    let mut bins = std::collections::BTreeMap::<i64, (f64, f64)>::new();
    for (p, s, w) in strengths {
        let t = (*p - origin).dot(direction) / BIN_MM;
        #[allow(clippy::cast_possible_truncation)]
        let b = bins.entry(t.floor() as i64).or_default();
        b.0 += w * s;
        b.1 += w;
    }
    #[allow(clippy::cast_precision_loss)]
    let raw: Vec<Point> = bins
        .iter()
        .filter(|(_, b)| b.1 >= FEWEST)
        .map(|(t, b)| Point::new((*t as f64 + 0.5) * BIN_MM, b.0 / b.1))
        .collect();
    if raw.len() < BINS {
        return None;
    }
    // Three bins together: the mottle is no gradation.
    let points: Vec<Point> = (0..raw.len())
        .map(|i| {
            let part = &raw[i.saturating_sub(1)..(i + 2).min(raw.len())];
            #[allow(clippy::cast_precision_loss)]
            let mean = part.iter().map(|p| p.y).sum::<f64>() / part.len() as f64;
            Point::new(raw[i].x, mean)
        })
        .collect();
    let highest = points.iter().map(|p| p.y).fold(0.0, f64::max);
    if highest <= 0.0 {
        return None;
    }
    let peak = points.iter().position(|p| p.y >= highest)?;
    let full = points.iter().map(|p| p.y).filter(|s| *s >= FULL * highest);
    let most = median(&full.collect::<Vec<f64>>())?;
    let crossing = |level: f64| {
        points[peak..].windows(2).find_map(|w| {
            let (a, b) = (w[0], w[1]);
            (a.y >= level && b.y < level).then(|| a.x + (b.x - a.x) * (a.y - level) / (a.y - b.y))
        })
    };
    let steepness = points[peak..]
        .windows(5)
        .map(|w| (w[0].y - w[4].y) / (w[4].x - w[0].x) / most)
        .fold(0.0, f64::max);
    Some(Profile {
        degrees: libm::atan2(direction.y, direction.x).to_degrees(),
        most,
        start: crossing(STARTED * most),
        end: crossing(ENDED * most),
        steepness,
        se: [None; 3],
        points,
    })
}

/// Direction in which strength falls: against the slope of a plane through it.
fn fading(strengths: &[(Point, f64, f64)]) -> Option<Point> {
    let total: f64 = strengths.iter().map(|s| s.2).sum();
    if strengths.len() < 12 || total <= 0.0 {
        return None;
    }
    let mean = |f: &dyn Fn(&(Point, f64, f64)) -> f64| {
        strengths.iter().map(|s| s.2 * f(s)).sum::<f64>() / total
    };
    let (mx, my, ms) = (mean(&|s| s.0.x), mean(&|s| s.0.y), mean(&|s| s.1));
    let product = |f: &dyn Fn(&(Point, f64, f64)) -> f64| mean(f);
    let xx = product(&|s| (s.0.x - mx) * (s.0.x - mx));
    let xy = product(&|s| (s.0.x - mx) * (s.0.y - my));
    let yy = product(&|s| (s.0.y - my) * (s.0.y - my));
    let xs = product(&|s| (s.0.x - mx) * (s.1 - ms));
    let ys = product(&|s| (s.0.y - my) * (s.1 - ms));
    let determinant = xx * yy - xy * xy;
    if determinant <= 1e-9 {
        return None;
    }
    let slope = Point::new(
        (yy * xs - xy * ys) / determinant,
        (xx * ys - xy * xs) / determinant,
    );
    let size = slope.norm();
    (size > 1e-9).then(|| slope * (-1.0 / size))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_ramp_is_read_back() {
        // Full strength down to y = 10, nothing from y = -10 on.
        let mut s = Vec::new();
        for i in -20..20 {
            for j in -30..30 {
                let p = Point::new(f64::from(i) + 0.5, f64::from(j) + 0.5);
                s.push((p, ((p.y + 10.0) / 20.0).clamp(0.0, 1.0) * 0.8, 100.0));
            }
        }
        let f = profile(&s, Point::new(0.0, 0.0)).unwrap();
        assert!((f.degrees + 90.0).abs() < 1e-6, "{}", f.degrees);
        assert!((f.most - 0.8).abs() < 1e-9);
        // 90 % is left 2 mm into the ramp, 10 % 2 mm before its end.
        assert!((f.start.unwrap() + 8.0).abs() < 0.05);
        assert!((f.end.unwrap() - 8.0).abs() < 0.05);
        assert!((f.steepness - 0.05).abs() < 1e-9);
    }

    #[test]
    fn its_errors_are_those_of_uneven_ink() {
        // The same ramp with ink that is uneven by 8 % in patches of 3 mm.
        let mut state = 1_u64;
        let mut even = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            f64::from((state >> 40) as u32) / f64::from(1_u32 << 24) - 0.5
        };
        let (mut inside, mut all) = (0, 0);
        let mut square = 0.0;
        for _ in 0..60 {
            let patch: Vec<f64> = (0..14 * 20).map(|_| 1.0 + 0.28 * even()).collect();
            let mut s = Vec::new();
            for i in 0..40 {
                for j in 0..60 {
                    let p = Point::new(f64::from(i) - 19.5, f64::from(j) - 29.5);
                    let ramp = ((p.y + 10.0) / 20.0).clamp(0.0, 1.0) * 0.8;
                    let uneven = patch[(i / 3 * 20 + j / 3) as usize];
                    s.push((p, ramp * uneven, 100.0));
                }
            }
            let f = profile(&s, Point::default()).unwrap();
            let found = [(f.start, f.se[0], -8.0), (f.end, f.se[1], 8.0)];
            for (value, se, truth) in found {
                let (off, se) = (value.unwrap() - truth, se.unwrap());
                inside += i32::from(off.abs() <= 1.645 * se);
                square += off * off;
                all += 1;
            }
        }
        let held = f64::from(inside) / f64::from(all);
        println!(
            "held {held:.2}, rms {:.2} mm",
            (square / f64::from(all)).sqrt()
        );
        assert!((0.75..=1.0).contains(&held), "{held}");
    }

    #[test]
    fn what_does_not_fade_has_no_end() {
        let s: Vec<_> = (0..400)
            .map(|k| {
                let p = Point::new(f64::from(k % 20), f64::from(k / 20));
                (p, 1.0 - 0.01 * p.x, 50.0)
            })
            .collect();
        let f = profile(&s, Point::new(0.0, 0.0)).unwrap();
        assert!(f.end.is_none() && f.start.is_some());
        assert!(profile(&s[..5], Point::new(0.0, 0.0)).is_none());
        let even: Vec<_> = s.iter().map(|(p, _, w)| (*p, 1.0, *w)).collect();
        assert!(profile(&even, Point::new(0.0, 0.0)).is_none());
    }
}
