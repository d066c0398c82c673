//! Where a monotone condition changes, by halving an interval.

/// The place in `low..high` up to which `more` holds, the interval halved
/// `rounds` times; `more` has to hold below it and nowhere above.
pub fn bisect(mut low: f64, mut high: f64, rounds: usize, more: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..rounds {
        let middle = f64::midpoint(low, high);
        if more(middle) {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_root_and_the_ends() {
        assert!((bisect(0.0, 2.0, 50, |x| x * x < 2.0) - 2.0_f64.sqrt()).abs() < 1e-12);
        assert!(bisect(0.0, 1.0, 50, |_| true) > 1.0 - 1e-12);
        assert!(bisect(0.0, 1.0, 50, |_| false) < 1e-12);
    }
}
