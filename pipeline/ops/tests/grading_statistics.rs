//! Statistics of yields against worked figures and scipy:
//! `tests/data/grading_statistics.json` and `grading_reference.json` (made by
//! the script beside it), each with its sources.

#![allow(clippy::unwrap_used)]

use restrike_ops::beta_binomial::{Chance, least_trials};
use restrike_ops::binomial_interval::{exact, jeffreys};
use restrike_ops::dirichlet_multinomial::HalvesGood;
use serde_json::Value;

fn worked() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/grading_statistics.json")).unwrap()
}

fn reference() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/grading_reference.json")).unwrap()
}

fn number(v: &Value, key: &str) -> f64 {
    v[key].as_f64().unwrap()
}

fn count(v: &Value, key: &str) -> usize {
    usize::try_from(v[key].as_u64().unwrap()).unwrap()
}

fn list<'a>(v: &'a Value, key: &str) -> &'a Vec<Value> {
    v[key].as_array().unwrap()
}

#[track_caller]
fn close(got: f64, want: f64, tolerance: f64, what: &Value) {
    assert!((got - want).abs() <= tolerance, "{what}: {got} for {want}");
}

#[test]
fn sheets_to_print_at_a_known_share() {
    let all = &worked()["sheets_to_print"];
    assert_eq!(list(all, "table").len(), 20);
    for row in list(all, "table") {
        let chance = Chance::Known(number(row, "p_good"));
        let (need, want) = (count(row, "need_good"), count(row, "print_n_95pct"));
        assert_eq!(
            least_trials(&chance, need, 0.95, 10_000),
            Some(want),
            "{row}"
        );
        let at = |n: usize| chance.at_least(n, need).unwrap();
        close(at(want), number(row, "P(>=N)"), 5e-6, row);
        close(at(want - 1), number(row, "P_at_n-1"), 5e-6, row);
    }
}

#[test]
fn sheets_to_print_after_a_pilot() {
    let all = &worked()["sheets_to_print"];
    for row in list(all, "p_uncertain") {
        assert_eq!(row["pilot"], "46 good of 50");
        let need = count(row, "need_good");
        let pilot = Chance::after_pilot(46.0, 4.0);
        assert_eq!(
            least_trials(&pilot, need, 0.95, 10_000),
            Some(count(row, "n_betabinomial"))
        );
        assert_eq!(
            least_trials(&Chance::Known(0.92), need, 0.95, 10_000),
            Some(count(row, "n_if_p=0.92_known"))
        );
    }
}

#[test]
fn none_bad_of_n_bounds_the_share_of_bad_ones() {
    let bounds = &worked()["rule_of_three"]["0 bad of n -> 95% upper bound"];
    for (n, want) in bounds.as_object().unwrap() {
        // One-sided at 95 %: the upper end of the two-sided interval at 90 %.
        let found = exact(0, n.parse().unwrap(), 0.90).unwrap();
        close(found.high, want.as_f64().unwrap(), 5e-6, bounds);
    }
}

#[test]
fn acceptance_sampling_plans_pass_as_often_as_they_should() {
    for plan in list(&worked()["acceptance_sampling"], "plans") {
        let (n, bad) = (count(plan, "n"), count(plan, "Ac"));
        let good = Chance::Known(1.0 - number(plan, "AQL%") / 100.0);
        let passes = good.at_least(n, n - bad).unwrap();
        close(passes, number(plan, "Pa_at_AQL"), 5e-5, plan);
        // The share of bad ones at which one lot in ten passes.
        let found = exact(bad as u64, n as u64, 0.80).unwrap();
        close(found.high, number(plan, "p_at_Pa=0.10"), 5e-5, plan);
    }
}

#[test]
fn intervals_are_those_of_scipy() {
    for row in list(&reference(), "intervals") {
        let (good, n) = (count(row, "good") as u64, count(row, "n") as u64);
        let level = number(row, "level");
        for (found, key) in [
            (exact(good, n, level).unwrap(), "exact"),
            (jeffreys(good, n, level).unwrap(), "jeffreys"),
        ] {
            close(found.low, row[key][0].as_f64().unwrap(), 1e-9, row);
            close(found.high, row[key][1].as_f64().unwrap(), 1e-9, row);
        }
    }
}

#[test]
fn tails_are_those_of_scipy() {
    for row in list(&reference(), "tails") {
        let (n, need) = (count(row, "n"), count(row, "need"));
        let (alpha, beta) = (number(row, "alpha"), number(row, "beta"));
        let found = Chance::Beta { alpha, beta }.at_least(n, need).unwrap();
        close(found, number(row, "beta_binomial"), 1e-10, row);
        let found = Chance::Known(number(row, "p")).at_least(n, need).unwrap();
        close(found, number(row, "binomial"), 1e-10, row);
    }
}

#[test]
fn numbers_of_sheets_are_those_of_scipy() {
    for row in list(&reference(), "sheets") {
        let pilot = Chance::after_pilot(count(row, "good") as f64, count(row, "bad") as f64);
        let found = least_trials(&pilot, count(row, "need"), 0.95, 1_000_000);
        assert_eq!(found, Some(count(row, "sheets")), "{row}");
    }
}

#[test]
fn good_halves_are_those_of_scipy() {
    for row in list(&reference(), "halves") {
        let sheets = [0, 1, 2].map(|k| row["sheets_with"][k].as_f64().unwrap());
        let halves = HalvesGood::after_pilot(sheets);
        let found = halves
            .at_least(count(row, "n"), count(row, "need"))
            .unwrap();
        close(found, number(row, "at_least"), 1e-10, row);
    }
}
