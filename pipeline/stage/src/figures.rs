//! Numbers as sentences and tables give them.

/// Three significant digits, as people write them.
pub fn figure(v: f64) -> String {
    let rounded: f64 = format!("{v:.2e}").parse().unwrap_or(v);
    if rounded != 0.0 && (rounded.abs() < 1e-4 || rounded.abs() >= 1e7) {
        format!("{rounded:e}")
    } else {
        format!("{rounded}")
    }
}

/// Six significant digits, for tables: more would only show the last bits of sums.
pub fn six_digits(v: f64) -> f64 {
    if v == 0.0 || !v.is_finite() {
        return v;
    }
    format!("{v:.5e}").parse().unwrap_or(v)
}

/// A number with its unit behind it, if it has one.
pub fn with_unit(number: &str, unit: &str) -> String {
    if unit.is_empty() {
        number.to_owned()
    } else {
        format!("{number} {unit}")
    }
}

#[cfg(test)]
mod tests {
    use super::{figure, six_digits, with_unit};

    #[test]
    fn numbers_keep_the_digits_that_say_something() {
        assert_eq!(figure(0.123_456), "0.123");
        assert_eq!(figure(-1234.5), "-1230");
        assert_eq!(figure(0.0), "0");
        assert_eq!(figure(0.000_012_34), "1.23e-5");
        assert_eq!(figure(123_456_789.0), "1.23e8");
        assert!((six_digits(1.0 / 3.0) - 0.333_333).abs() < 1e-15);
        assert!(six_digits(f64::NAN).is_nan());
        assert_eq!(with_unit("0.1", "mm"), "0.1 mm");
        assert_eq!(with_unit("7", ""), "7");
    }
}
