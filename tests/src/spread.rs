//! Errors gathered over many sheets.

/// Quantile of the normal distribution that 90 % intervals reach to.
const Z90: f64 = 1.644_853_626_951_472;

/// Errors, and how many lay inside their stated 90 % intervals.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Spread {
    errors: Vec<f64>,
    covered: usize,
    stated: usize,
}

impl Spread {
    /// Adds an error with its stated standard error.
    pub fn add(&mut self, error: f64, se: Option<f64>) {
        self.errors.push(error);
        if let Some(se) = se {
            self.stated += 1;
            self.covered += usize::from(error.abs() <= Z90 * se);
        }
    }

    /// Adds all errors of another.
    pub fn join(&mut self, other: &Self) {
        self.errors.extend(&other.errors);
        self.covered += other.covered;
        self.stated += other.stated;
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.errors.len()
    }

    /// Root mean square.
    pub fn rms(&self) -> f64 {
        (self.errors.iter().map(|e| e * e).sum::<f64>() / self.errors.len().max(1) as f64).sqrt()
    }

    /// Mean.
    pub fn mean(&self) -> f64 {
        self.errors.iter().sum::<f64>() / self.errors.len().max(1) as f64
    }

    /// Largest by size.
    pub fn largest(&self) -> f64 {
        self.errors.iter().fold(0.0, |m, e| m.max(e.abs()))
    }

    /// Share inside the stated 90 % intervals, %; none if none were stated.
    pub fn coverage_pct(&self) -> Option<f64> {
        (self.stated > 0).then(|| 100.0 * self.covered as f64 / self.stated as f64)
    }

    /// A line of a report.
    pub fn line(&self, name: &str, unit: &str) -> String {
        let coverage = self
            .coverage_pct()
            .map(|c| format!(", 90 % intervals hold {c:.1} %"))
            .unwrap_or_default();
        format!(
            "{name:<34} n {:4}  rms {:.4}  mean {:+.4}  largest {:.4} {unit}{coverage}",
            self.count(),
            self.rms(),
            self.mean(),
            self.largest()
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_of_a_few_errors() {
        let mut s = Spread::default();
        for e in [3.0, -4.0] {
            s.add(e, Some(2.0));
        }
        s.add(0.0, None);
        assert_eq!(s.count(), 3);
        assert!((s.rms() - (25.0_f64 / 3.0).sqrt()).abs() < 1e-12);
        assert!((s.mean() + 1.0 / 3.0).abs() < 1e-12);
        assert_eq!(s.coverage_pct(), Some(50.0));
        assert_eq!(s.largest(), 4.0);
    }
}
