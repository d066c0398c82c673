//! Changes of level: the split of a series into stretches of constant mean
//! with the least sum of squares plus a penalty for each change.
//!
//! Sources: Killick, Fearnhead and Eckley, "Optimal detection of changepoints
//! with a linear computational cost", JASA 107, 2012 (the criterion; PELT);
//! Maidstone, Hocking, Rigaill and Fearnhead, "On optimal multiple changepoint
//! algorithms for large data", Statistics and Computing 27, 2017 (functional
//! pruning). The optimum is exact and the same with either pruning; PELT's
//! takes quadratic time where changes are rare, as they are in a steady run,
//! functional pruning does not.

/// Where a new stretch begins, for a least length of `shortest` values of each
/// stretch. Values must be finite; scale and penalty go together (with values
/// in units of their standard deviation a penalty of `c log n` is usual).
#[allow(clippy::cast_precision_loss)]
pub fn change_points(values: &[f64], penalty: f64, shortest: usize) -> Vec<usize> {
    let n = values.len();
    let m = shortest.max(1);
    if n < 2 * m || penalty.is_nan() || values.iter().any(|v| !v.is_finite()) {
        return Vec::new();
    }
    let sums = Sums::new(values);
    let (low, high) = values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), v| {
            (a.min(*v), b.max(*v))
        });
    if low >= high {
        return Vec::new();
    }
    let (low, high) = (low - sums.centre, high - sums.centre);
    // Least cost of the first t values; the first stretch pays no penalty.
    let mut cost = vec![f64::INFINITY; n + 1];
    cost[0] = -penalty;
    let mut from = vec![0_usize; n + 1];
    let mut pieces: Vec<Piece> = Vec::new();
    let mut next: Vec<Piece> = Vec::new();
    for t in m..=n {
        let s = t - m;
        if cost[s].is_finite() {
            // The stretch that begins at s joins: it is better outside an interval of means.
            next.clear();
            if pieces.is_empty() {
                next.push(Piece {
                    start: s,
                    low,
                    high,
                });
            }
            for p in &pieces {
                let keep = sums.better(p, s, cost[p.start] - cost[s]);
                let Some((a, b)) = keep else {
                    push(&mut next, s, p.low, p.high);
                    continue;
                };
                push(&mut next, s, p.low, a);
                push(&mut next, p.start, a, b);
                push(&mut next, s, b, p.high);
            }
            std::mem::swap(&mut pieces, &mut next);
        }
        for p in &pieces {
            let c = cost[p.start] + penalty + sums.least(p, t);
            if c < cost[t] {
                cost[t] = c;
                from[t] = p.start;
            }
        }
    }
    let mut found = Vec::new();
    let mut t = n;
    while t > 0 {
        t = from[t];
        if t > 0 {
            found.push(t);
        }
    }
    found.reverse();
    found
}

/// The means for which the last stretch is best begun at `start`.
#[derive(Debug, Clone, Copy)]
struct Piece {
    start: usize,
    low: f64,
    high: f64,
}

fn push(to: &mut Vec<Piece>, start: usize, low: f64, high: f64) {
    if high <= low {
        return;
    }
    match to.last_mut() {
        Some(last) if last.start == start && last.high >= low => last.high = high,
        _ => to.push(Piece { start, low, high }),
    }
}

/// Running sums of the values less their mean, and of the squares.
struct Sums {
    centre: f64,
    one: Vec<f64>,
    two: Vec<f64>,
}

impl Sums {
    #[allow(clippy::cast_precision_loss)]
    fn new(values: &[f64]) -> Self {
        let centre = values.iter().sum::<f64>() / values.len() as f64;
        let mut one = Vec::with_capacity(values.len() + 1);
        let mut two = Vec::with_capacity(values.len() + 1);
        let (mut a, mut b) = (0.0, 0.0);
        one.push(a);
        two.push(b);
        for v in values {
            let d = v - centre;
            a += d;
            b += d * d;
            one.push(a);
            two.push(b);
        }
        Self { centre, one, two }
    }

    /// Length, sum and sum of squares of a stretch.
    #[allow(clippy::cast_precision_loss)]
    fn of(&self, start: usize, end: usize) -> (f64, f64, f64) {
        (
            (end - start) as f64,
            self.one[end] - self.one[start],
            self.two[end] - self.two[start],
        )
    }

    /// Least sum of squares of a stretch about a mean the piece holds.
    fn least(&self, p: &Piece, end: usize) -> f64 {
        let (n, a, b) = self.of(p.start, end);
        let mean = (a / n).clamp(p.low, p.high);
        b - 2.0 * mean * a + n * mean * mean
    }

    /// The part of the piece where its start is better than the later start `s`;
    /// `ahead` is the cost up to its start less that up to `s`.
    fn better(&self, p: &Piece, s: usize, ahead: f64) -> Option<(f64, f64)> {
        let (n, a, b) = self.of(p.start, s);
        // n m^2 - 2 a m + b + ahead < 0 for the mean m.
        let centre = a / n;
        let square = centre * centre - (b + ahead) / n;
        if square <= 0.0 {
            return None;
        }
        let reach = square.sqrt();
        let (low, high) = ((centre - reach).max(p.low), (centre + reach).min(p.high));
        (low < high).then_some((low, high))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn sse(v: &[f64]) -> f64 {
        let m = v.iter().sum::<f64>() / v.len() as f64;
        v.iter().map(|v| (v - m) * (v - m)).sum()
    }

    fn price(v: &[f64], changes: &[usize], penalty: f64) -> f64 {
        let mut at = 0;
        let mut sum = penalty * changes.len() as f64;
        for end in changes.iter().copied().chain([v.len()]) {
            sum += sse(&v[at..end]);
            at = end;
        }
        sum
    }

    /// Optimal partitioning over all splits (Jackson et al. 2005).
    fn naive(v: &[f64], penalty: f64, shortest: usize) -> f64 {
        let n = v.len();
        let mut cost = vec![f64::INFINITY; n + 1];
        cost[0] = -penalty;
        for t in shortest..=n {
            for s in 0..=t - shortest {
                cost[t] = cost[t].min(cost[s] + penalty + sse(&v[s..t]));
            }
        }
        cost[n]
    }

    proptest! {
        #[test]
        fn no_split_is_cheaper(
            steps in prop::collection::vec((-3.0..3.0_f64, 1..12_usize), 1..8),
            noise in prop::collection::vec(-1.0..1.0_f64, 100),
            penalty in 0.1..12.0_f64,
            shortest in 1..6_usize,
        ) {
            let mut v: Vec<f64> = steps
                .iter()
                .flat_map(|(level, n)| std::iter::repeat_n(*level, *n))
                .collect();
            v.iter_mut().zip(&noise).for_each(|(v, e)| *v += e);
            prop_assume!(v.len() >= 2 * shortest);
            let found = change_points(&v, penalty, shortest);
            let ends: Vec<usize> = [0].into_iter().chain(found.iter().copied()).chain([v.len()]).collect();
            prop_assert!(ends.windows(2).all(|w| w[1] - w[0] >= shortest));
            let (got, best) = (price(&v, &found, penalty), naive(&v, penalty, shortest));
            prop_assert!((got - best).abs() < 1e-8 * (1.0 + best.abs()), "{} {}", got, best);
        }
    }

    #[test]
    fn a_plain_step_is_found_where_it_is() {
        let mut v = vec![0.0; 20];
        v.extend(vec![1.0; 30]);
        assert_eq!(change_points(&v, 0.5, 2), [20]);
        assert!(change_points(&[1.0; 50], 0.5, 2).is_empty());
        assert!(change_points(&[1.0, f64::NAN, 3.0], 0.5, 1).is_empty());
        assert!(change_points(&[1.0], 0.5, 1).is_empty());
    }
}
