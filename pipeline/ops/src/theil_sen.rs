//! Theil-Sen line: the median of the slopes of all pairs, with Sen's interval.
//!
//! Sources: Theil, "A rank-invariant method of linear and polynomial
//! regression analysis", Indagationes Mathematicae 12, 1950; Sen, "Estimates
//! of the regression coefficient based on Kendall's tau", JASA 63, 1968
//! (interval, equation 2.6). The ranks asked for are found without making all
//! n(n-1)/2 slopes: slopes below `s` are the inversions of `y - s x` in the
//! order of `x`, and an interval that holds the rank is narrowed by slopes drawn
//! from it (Dillencourt, Mount and Netanyahu, "A randomized algorithm for slope
//! selection", International Journal of Computational Geometry and Applications
//! 2, 1992; Matousek, "Randomized optimal algorithm for slope selection",
//! Information Processing Letters 39, 1991). O(n log n) expected, memory O(n).
//!
//! The draws have a fixed seed and decide only how long it takes. What is
//! returned is the slope of that rank; slopes so close to each other that
//! rounding of `y - s x` does not tell them apart (some 1e-16 of the range of
//! `y` over the least spacing of `x`) count as equal.

use crate::inversions;
use crate::quantiles;
use crate::stats::median;

/// Up to this many points all slopes are made.
const FEW: usize = 400;

/// Drawn slopes that are enough to narrow an interval by.
const ENOUGH: usize = 4_000;

/// Rounds of narrowing at most; each leaves about 1 of 100 slopes.
const ROUNDS: usize = 200;

/// A line through points.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median slope.
    pub slope: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
    /// Median of `y` less slope times median of `x`.
    pub intercept: f64,
}

/// The line with an interval of confidence `level`. `inflation` is the factor
/// by which correlation of neighbours enlarges the variance of Kendall's
/// statistic (1: independent). Points with a value that is not finite are left
/// out. `None` with fewer than two different `x`.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64, inflation: f64) -> Option<TheilSen> {
    let mut slopes = Slopes::new(x, y)?;
    let (slope, intercept) = slopes.line();
    let (low, high) = slopes.interval(level, inflation)?;
    Some(TheilSen {
        slope,
        low,
        high,
        intercept,
    })
}

/// The slopes of all pairs of points, asked for by rank: the line first, and
/// the interval when the correlation of what the line leaves is known.
#[derive(Debug)]
pub struct Slopes {
    pairs: Pairs,
    search: Search,
}

impl Slopes {
    /// The slopes of points. Points with a value that is not finite are left
    /// out. `None` with fewer than two different `x`.
    pub fn new(x: &[f64], y: &[f64]) -> Option<Self> {
        let pairs = Pairs::new(x, y)?;
        let search = Search::new(&pairs);
        Some(Self { pairs, search })
    }

    /// Median slope, and the intercept that goes with it.
    pub fn line(&mut self) -> (f64, f64) {
        let total = self.pairs.total;
        let low = self.search.find(&self.pairs, (total - 1) / 2);
        let slope = 0.5 * (low + self.search.find(&self.pairs, total / 2));
        let middle = self.pairs.middle;
        (slope, middle.1 - slope * middle.0)
    }

    /// Sen's interval of confidence `level`; `None` for a level outside 0 to 1.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub fn interval(&mut self, level: f64, inflation: f64) -> Option<(f64, f64)> {
        let z = quantiles::normal(0.5 + level / 2.0)?;
        let half = z * (self.pairs.variance() * inflation.max(0.0)).sqrt();
        let (last, t) = (self.pairs.total - 1, self.pairs.total as f64);
        let low = (((t - half) / 2.0).round_ties_even() - 1.0).max(0.0) as u64;
        let high = ((t + half) / 2.0).round_ties_even() as u64;
        Some((
            self.search.find(&self.pairs, low.min(last)),
            self.search.find(&self.pairs, high.min(last)),
        ))
    }
}

/// Points in the order of x, then y.
#[derive(Debug)]
struct Pairs {
    x: Vec<f64>,
    y: Vec<f64>,
    /// Middle of x and y, taken off before slopes are counted.
    middle: (f64, f64),
    /// Largest distance from the middle, in x and y.
    reach: (f64, f64),
    /// Least distance of two different x.
    spacing: f64,
    /// Pairs of different x.
    total: u64,
}

impl Pairs {
    fn new(x: &[f64], y: &[f64]) -> Option<Self> {
        let mut points: Vec<(f64, f64)> = x
            .iter()
            .copied()
            .zip(y.iter().copied())
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .collect();
        // A tag of a point has 32 bits.
        u32::try_from(points.len()).ok()?;
        points.sort_unstable_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
        let pairs = |n: u64| n * n.saturating_sub(1) / 2;
        let tied: u64 = x
            .chunk_by(|a, b| a == b)
            .map(|t| pairs(t.len() as u64))
            .sum();
        let total = pairs(x.len() as u64) - tied;
        if total == 0 {
            return None;
        }
        let spacing = x
            .windows(2)
            .map(|w| w[1] - w[0])
            .filter(|d| *d > 0.0)
            .fold(f64::INFINITY, f64::min);
        let middle = (median(&x)?, median(&y)?);
        let reach = |v: &[f64], m: f64| v.iter().map(|v| (v - m).abs()).fold(0.0, f64::max);
        let reach = (reach(&x, middle.0), reach(&y, middle.1));
        Some(Self {
            x,
            y,
            middle,
            reach,
            spacing,
            total,
        })
    }

    /// Variance of Kendall's statistic, as in Sen's equation 2.6.
    #[allow(clippy::cast_precision_loss)]
    fn variance(&self) -> f64 {
        let term = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
        let ties = |v: &[f64]| -> f64 {
            v.chunk_by(|a, b| a == b)
                .map(|t| term(t.len() as f64))
                .sum()
        };
        let mut sorted = self.y.clone();
        sorted.sort_unstable_by(f64::total_cmp);
        (term(self.x.len() as f64) - ties(&self.x) - ties(&sorted)) / 18.0
    }

    fn slope(&self, i: usize, j: usize) -> f64 {
        (self.y[j] - self.y[i]) / (self.x[j] - self.x[i])
    }

    /// What the points are ordered by where slopes below `s` have passed.
    fn key(&self, s: f64, i: usize) -> f64 {
        if s == f64::NEG_INFINITY {
            self.x[i]
        } else if s == f64::INFINITY {
            -self.x[i]
        } else {
            (self.y[i] - self.middle.1) - s * (self.x[i] - self.middle.0)
        }
    }

    /// Slopes closer to `s` than this cannot be told from it by counting.
    fn blur(&self, s: f64) -> f64 {
        8.0 * f64::EPSILON * (self.reach.1 + s.abs() * self.reach.0) / self.spacing
    }

    /// All slopes, ascending.
    fn all(&self) -> Vec<f64> {
        let mut all = Vec::new();
        for j in 0..self.x.len() {
            for i in 0..j {
                if self.x[i] < self.x[j] {
                    all.push(self.slope(i, j));
                }
            }
        }
        all.sort_unstable_by(f64::total_cmp);
        all
    }
}

/// Slopes of an interval.
#[derive(Debug)]
struct Within {
    low: f64,
    high: f64,
    slopes: Vec<f64>,
}

/// A search for slopes by rank; what it learns serves the next rank too.
#[derive(Debug)]
struct Search {
    /// How many slopes lie below a slope, ascending.
    counts: Vec<(f64, u64)>,
    /// Slopes drawn at random, from the widest interval to the narrowest.
    drawn: Vec<Within>,
    listed: Option<Within>,
    keys: Vec<f64>,
    spare: Vec<f64>,
    random: u64,
}

impl Search {
    fn new(pairs: &Pairs) -> Self {
        let (low, high) = (f64::NEG_INFINITY, f64::INFINITY);
        Self {
            counts: vec![(low, 0), (high, pairs.total)],
            drawn: Vec::new(),
            listed: (pairs.x.len() <= FEW).then(|| Within {
                low,
                high,
                slopes: pairs.all(),
            }),
            keys: Vec::new(),
            spare: Vec::new(),
            random: 0x9e37_79b9_7f4a_7c15,
        }
    }

    fn count(&mut self, p: &Pairs, s: f64) -> u64 {
        let at = self.counts.partition_point(|c| c.0 < s);
        if let Some(known) = self.counts.get(at).filter(|c| c.0 == s) {
            return known.1;
        }
        self.keys.clear();
        self.keys.extend((0..p.x.len()).map(|i| p.key(s, i)));
        let count = inversions::count(&mut self.keys, &mut self.spare);
        self.counts.insert(at, (s, count));
        count
    }

    /// The points in the order they have at `low`, keyed by that at `high`.
    fn between(p: &Pairs, low: f64, high: f64) -> Vec<(f64, u32)> {
        let mut order: Vec<(f64, u32)> = (0..p.x.len()).map(|i| p.key(low, i)).zip(0..).collect();
        order.sort_by(|a, b| a.0.total_cmp(&b.0));
        order
            .into_iter()
            .map(|(_, i)| (p.key(high, i as usize), i))
            .collect()
    }

    fn slopes(p: &Pairs, found: Vec<(u32, u32)>) -> Vec<f64> {
        let mut slopes: Vec<f64> = found
            .into_iter()
            .map(|(a, b)| (a.min(b) as usize, a.max(b) as usize))
            .filter(|(a, b)| p.x[*a] < p.x[*b])
            .map(|(a, b)| p.slope(a, b))
            .collect();
        slopes.sort_unstable_by(f64::total_cmp);
        slopes
    }

    /// The next of a fixed sequence (SplitMix64: Steele, Lea and Flood 2014).
    fn next(&mut self) -> u64 {
        self.random = self.random.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.random;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Slopes drawn from an interval, sorted: those of an earlier, wider draw that
    /// lie in it, where they are enough.
    fn sample(&mut self, p: &Pairs, low: f64, high: f64, held: u64) -> Vec<f64> {
        let wider = self.drawn.iter().rfind(|w| w.low <= low && high <= w.high);
        if let Some(w) = wider {
            let from = w.slopes.partition_point(|s| *s < low);
            let to = w.slopes.partition_point(|s| *s < high);
            if to - from >= ENOUGH || (w.low, w.high) == (low, high) {
                return w.slopes[from..to].to_vec();
            }
        }
        let slopes = self.draw(p, low, high, held);
        self.drawn.push(Within {
            low,
            high,
            slopes: slopes.clone(),
        });
        slopes
    }

    fn draw(&mut self, p: &Pairs, low: f64, high: f64, held: u64) -> Vec<f64> {
        let count = p.x.len().min(100_000);
        let mut places: Vec<u64> = (0..count).map(|_| self.next() % held).collect();
        places.sort_unstable();
        let found = inversions::draw(Self::between(p, low, high), &places);
        Self::slopes(p, found)
    }

    /// The interval that holds a rank: its ends, each with the slopes below.
    fn bracket(&self, rank: u64) -> ((f64, u64), (f64, u64)) {
        let above = self.counts.partition_point(|c| c.1 <= rank);
        let last = self.counts.len() - 1;
        (
            self.counts[above.saturating_sub(1)],
            self.counts[above.min(last)],
        )
    }

    /// Slopes in that interval.
    fn held(&self, rank: u64) -> u64 {
        let (low, high) = self.bracket(rank);
        high.1 - low.1
    }

    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    fn find(&mut self, p: &Pairs, rank: u64) -> f64 {
        let few = 8 * p.x.len() as u64;
        let mut last = 0.0;
        for _ in 0..ROUNDS {
            let ((low, below_low), (high, below_high)) = self.bracket(rank);
            let held = below_high - below_low;
            let here = |w: &Within| (w.low, w.high) == (low, high);
            if held <= few || self.listed.as_ref().is_some_and(here) {
                let listed = self.listed.take().filter(here).unwrap_or_else(|| Within {
                    low,
                    high,
                    slopes: Self::slopes(p, inversions::list(Self::between(p, low, high))),
                });
                let at = (rank - below_low) as usize;
                let slope = listed.slopes.get(at).or(listed.slopes.last()).copied();
                self.listed = Some(listed);
                return slope.unwrap_or(low);
            }
            let v = self.sample(p, low, high, held);
            let t = v.len();
            if t == 0 {
                return last;
            }
            let share = (rank - below_low) as f64 / held as f64;
            let centre = share * t as f64;
            let reach = 3.0 * (t as f64 * share * (1.0 - share)).sqrt() + 2.0;
            let first = v[(centre - reach).max(0.0) as usize];
            let end = v[((centre + reach) as usize).min(t - 1)];
            last = v[(centre as usize).min(t - 1)];
            if end - first > p.blur(last) {
                // Not on a slope that occurs: part of the way to the next one.
                let part = |a: f64, b: f64| a + 0.381_966_011_250_105_1 * (b - a);
                let before = v[..v.partition_point(|s| *s < first)].last().copied();
                let after = v[v.partition_point(|s| *s <= end)..].first().copied();
                let blur = p.blur(first).max(p.blur(end));
                let at_low = centre - reach >= 0.0;
                let at_high = ((centre + reach) as usize) < t;
                if at_low {
                    self.count(p, before.map_or(first - blur, |b| part(first, b)));
                }
                if at_high {
                    self.count(p, after.map_or(end + blur, |a| part(end, a)));
                }
            }
            if self.held(rank) > held / 2 {
                // One and the same slope many times, or a sample that says
                // little: the guess itself, which is the slope or parts the rest.
                let blur = p.blur(last);
                let under = self.count(p, last - blur);
                let over = self.count(p, last + blur);
                if under <= rank && rank < over {
                    return last;
                }
            }
        }
        last
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn naive(x: &[f64], y: &[f64]) -> Vec<f64> {
        let mut all = Vec::new();
        for j in 0..x.len() {
            for i in 0..j {
                if x[i] != x[j] {
                    all.push((y[j] - y[i]) / (x[j] - x[i]));
                }
            }
        }
        all.sort_unstable_by(f64::total_cmp);
        all
    }

    fn close(a: f64, b: f64) -> bool {
        (a - b).abs() <= 1e-9 * (a.abs() + b.abs()) + 1e-13
    }

    fn search_agrees(x: &[f64], y: &[f64]) {
        let all = naive(x, y);
        let pairs = Pairs::new(x, y).unwrap();
        assert_eq!(pairs.total, all.len() as u64);
        let mut search = Search::new(&pairs);
        search.listed = None;
        for k in [
            0,
            all.len() / 7,
            all.len() / 2,
            all.len() * 5 / 6,
            all.len() - 1,
        ] {
            let got = search.find(&pairs, k as u64);
            assert!(close(got, all[k]), "rank {k}: {got} for {}", all[k]);
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]
        #[test]
        fn ranks_are_those_of_all_slopes(
            y in prop::collection::vec(-1.0..1.0_f64, 30..300),
            gaps in prop::collection::vec(0..4_u8, 300),
        ) {
            let mut at = 0.0;
            let x: Vec<f64> = y.iter().zip(&gaps).map(|(_, g)| { at += f64::from(*g); at }).collect();
            prop_assume!(x[0] < at);
            search_agrees(&x, &y);
        }

        #[test]
        fn ranks_hold_with_many_equal_slopes(y in prop::collection::vec(0..3_u8, 40..400)) {
            let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
            let y: Vec<f64> = y.into_iter().map(|v| 0.1 * f64::from(v)).collect();
            search_agrees(&x, &y);
        }
    }

    #[test]
    fn a_small_sample_that_covers_its_interval_does_not_stop_the_search() {
        let y = "01011012020220102201011102220001220020220120220022220";
        let y: Vec<f64> = y.bytes().map(|b| 0.1 * f64::from(b - b'0')).collect();
        let x: Vec<f64> = (0..y.len()).map(|i| i as f64).collect();
        search_agrees(&x, &y);
    }

    #[test]
    fn many_points_need_no_list_of_slopes() {
        // A line with a zigzag: the median slope of 3000 points is the line's.
        let x: Vec<f64> = (0..3000).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 0.5 * x + (x * 7.0) % 3.0).collect();
        let all = naive(&x, &y);
        let got = theil_sen(&x, &y, 0.95, 1.0).unwrap();
        let middle = 0.5 * (all[all.len() / 2] + all[(all.len() - 1) / 2]);
        assert!(close(got.slope, middle));
        assert!(got.low <= got.slope && got.slope <= got.high);
    }

    #[test]
    fn no_line_through_one_place() {
        assert_eq!(theil_sen(&[1.0, 1.0], &[0.0, 2.0], 0.95, 1.0), None);
        assert_eq!(theil_sen(&[], &[], 0.95, 1.0), None);
        assert_eq!(theil_sen(&[1.0, f64::NAN], &[0.0, 2.0], 0.95, 1.0), None);
    }
}
