//! How likely an image is to be good, as its numbers and their errors say.
//!
//! Those near a limit are undecided and clear rejects are not, so the share that
//! passes among the decided ones is no fair share of all. Each undecided one is
//! counted by the chance that what is in doubt lies inside its limits, its error
//! normal about the value measured. Where there is no number there is no chance.

use std::collections::BTreeMap;
use std::ops::Mul as _;

use restrike_ops::quantiles;

use crate::grade::{Grade, Standing};
use crate::judge::{Limits, Stand};
use crate::quantity::Quantity;
use crate::settings::Leads;
use crate::tolerance::Finding;

/// A grade as far as it is known, and the chance of each grade or a better one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Judged {
    pub(crate) standing: Standing,
    /// Chance that it passes; none where a number is missing that may decide it.
    pub(crate) pass: Option<f64>,
    /// Chance that it passes or is a second.
    pub(crate) second: Option<f64>,
    /// Whether no number is missing that could decide, though another decides already: only
    /// such tell of a share, for of those that lack one just the bad are known.
    pub(crate) told: bool,
}

impl Judged {
    /// By what all tolerances say of an image; `z` standard errors reach to an
    /// interval's ends.
    pub(crate) fn of(findings: &[Finding], z: f64) -> Self {
        let standing = findings
            .iter()
            .fold(Standing::PASS, |all, f| all.and(f.standing()));
        let (pass, all) = chance(findings, Grade::Pass, z);
        let (second, both) = chance(findings, Grade::Second, z);
        Self {
            standing,
            pass,
            second,
            told: all && both,
        }
    }

    /// Images together: the worst of them.
    pub(crate) fn all(images: impl IntoIterator<Item = Self>) -> Self {
        let good = Self {
            standing: Standing::PASS,
            pass: Some(1.0),
            second: Some(1.0),
            told: true,
        };
        images.into_iter().fold(good, |all, one| Self {
            standing: all.standing.and(one.standing),
            pass: both(all.pass, one.pass, f64::mul),
            second: both(all.second, one.second, f64::mul),
            told: all.told && one.told,
        })
    }

    /// Chance of this grade or a better one.
    pub(crate) fn chance(&self, limit: Grade) -> Option<f64> {
        match limit {
            Grade::Pass => self.pass,
            Grade::Second => self.second,
            Grade::Reject => Some(1.0),
        }
    }
}

/// Of two things that must both hold, whose chances go together in a way: what
/// cannot be decides without the other.
fn both(a: Option<f64>, b: Option<f64>, together: fn(f64, f64) -> f64) -> Option<f64> {
    match (a, b) {
        (Some(0.0), _) | (_, Some(0.0)) => Some(0.0),
        (Some(a), Some(b)) => Some(together(a, b)),
        _ => None,
    }
}

/// The chance, and whether each finding has one.
fn chance(findings: &[Finding], limit: Grade, z: f64) -> (Option<f64>, bool) {
    // Several limits of one quantity: the one that is kept least often.
    let mut of: BTreeMap<(&str, Option<&str>), Option<f64>> = BTreeMap::new();
    for f in findings {
        let p = match f.standing() {
            s if s.worst <= limit => Some(1.0),
            s if s.best > limit => Some(0.0),
            _ => match (f.stand, f.leads, &f.quantity) {
                (Stand::Unsure, Leads::Second | Leads::Reject, Some(q)) => inside(q, f.limits, z),
                _ => None,
            },
        };
        let least = of
            .entry((f.name.as_str(), f.block.as_deref()))
            .or_insert(Some(1.0));
        *least = both(*least, p, f64::min);
    }
    let told = of.values().all(Option::is_some);
    let all = of
        .into_values()
        .reduce(|all, one| both(all, one, f64::mul))
        .unwrap_or(Some(1.0));
    (all, told)
}

/// Chance that a value lies inside its limits.
fn inside(q: &Quantity, limits: Limits, z: f64) -> Option<f64> {
    let se = q.se.unwrap_or((q.high - q.low) / (2.0 * z));
    if !se.is_finite() || se <= 0.0 {
        return None;
    }
    // With infinitely many degrees of freedom Student's t is the normal distribution.
    let below = |limit: f64| quantiles::student_t_tail((q.value - limit) / se, f64::INFINITY);
    let high = limits.high.map_or(Some(1.0), below)?;
    let low = limits.low.map_or(Some(0.0), below)?;
    Some((high - low).clamp(0.0, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(name: &str, value: f64, high: f64, leads: Leads) -> Finding {
        let quantity = Quantity::with_se(value, 0.01, 1.645);
        let limits = Limits {
            low: None,
            high: Some(high),
        };
        Finding {
            name: name.to_owned(),
            stand: limits.stand(&quantity),
            quantity: Some(quantity),
            leads,
            limits,
            ..Finding::missing(name, "")
        }
    }

    #[test]
    fn chances_of_different_things_multiply_and_limits_of_one_do_not() {
        // Half a standard error inside: 0.691462 (a table of the normal distribution).
        let near = |name| finding(name, 0.195, 0.2, Leads::Second);
        let one = Judged::of(&[near("a")], 1.645);
        assert!((one.pass.unwrap() - 0.691_462).abs() < 1e-5, "{one:?}");
        assert_eq!(one.second, Some(1.0));
        let two = Judged::of(&[near("a"), near("b")], 1.645);
        assert!((two.pass.unwrap() - 0.691_462 * 0.691_462).abs() < 1e-5);
        let nested = [near("a"), finding("a", 0.195, 0.21, Leads::Reject)];
        let nested = Judged::of(&nested, 1.645);
        assert!((nested.pass.unwrap() - 0.691_462).abs() < 1e-5);
        // Inside the limit for rejects by 1.5 standard errors.
        assert!((nested.second.unwrap() - 0.933_193).abs() < 1e-5);
    }

    #[test]
    fn what_is_certain_needs_no_chance_and_what_is_missing_has_none() {
        let missing = Finding::missing("scan", "blank");
        assert_eq!(Judged::of(std::slice::from_ref(&missing), 1.645).pass, None);
        let off = finding("a", 0.9, 0.2, Leads::Reject);
        let both = Judged::of(&[missing, off], 1.645);
        assert_eq!((both.pass, both.second), (Some(0.0), Some(0.0)));
        assert!(!both.told);
        let good = Judged::of(&[], 1.645);
        assert_eq!(Judged::all([good, both]).pass, Some(0.0));
    }
}
