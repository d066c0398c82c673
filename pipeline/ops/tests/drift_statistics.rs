//! Statistics of drift against published examples and general-purpose
//! libraries: `tests/data/drift_statistics.json` and `drift_reference.json`
//! (made by the script beside it), each with its sources.

#![allow(clippy::unwrap_used)]

use restrike_ops::autocorrelation::{autocorrelation, ranks};
use restrike_ops::change_points::change_points;
use restrike_ops::control_charts::{cusum, ewma, ewma_sigma};
use restrike_ops::group_trend::{Group, group_trend};
use restrike_ops::mann_kendall::{inflation, mann_kendall};
use restrike_ops::step_scan::best_step;
use restrike_ops::theil_sen::theil_sen;
use serde_json::Value;

fn published() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/drift_statistics.json")).unwrap()
}

fn reference() -> Value {
    serde_json::from_str(include_str!("../../../tests/data/drift_reference.json")).unwrap()
}

fn numbers(v: &Value) -> Vec<f64> {
    v.as_array()
        .unwrap()
        .iter()
        .map(|v| v.as_f64().unwrap())
        .collect()
}

fn count(n: usize) -> Vec<f64> {
    (1..=n).map(|i| i as f64).collect()
}

fn close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!(
        (got - want).abs() <= tolerance * (1.0 + want.abs()),
        "{what}: {got} for {want}"
    );
}

#[test]
fn ewma_is_that_of_the_handbook() {
    let e = &published()["ewma"];
    let (lambda, target, sigma) = (
        e["lambda"].as_f64().unwrap(),
        e["target"].as_f64().unwrap(),
        e["sigma"].as_f64().unwrap(),
    );
    let got = ewma(&numbers(&e["data"]), target, lambda);
    for (g, w) in got.iter().zip(numbers(&e["published"])) {
        assert!((g - w).abs() <= 0.0051, "{g} {w}");
    }
    let reach = 3.0 * sigma * ewma_sigma(lambda, 100_000);
    assert!((target + reach - e["upper"].as_f64().unwrap()).abs() < 1e-3);
    assert!((target - reach - e["lower"].as_f64().unwrap()).abs() < 1e-3);
    assert!(got.iter().all(|g| (g - target).abs() < reach));
}

#[test]
fn cusum_is_that_of_the_handbook() {
    let c = &published()["cusum"];
    let rows: Vec<Vec<f64>> = c["rows"].as_array().unwrap().iter().map(numbers).collect();
    let x: Vec<f64> = rows.iter().map(|r| r[1]).collect();
    let got = cusum(&x, c["target"].as_f64().unwrap(), c["k"].as_f64().unwrap());
    for (g, r) in got.iter().zip(&rows) {
        assert!(
            (g.high - r[2]).abs() < 1e-9 && (g.low - r[3]).abs() < 1e-9,
            "{g:?} {r:?}"
        );
    }
    let h = c["h"].as_f64().unwrap();
    let first = got.iter().position(|g| g.high > h).unwrap() + 1;
    assert_eq!(first as f64, c["first_signal_high"].as_f64().unwrap());
    assert!(got.iter().all(|g| g.low <= h));
}

#[test]
fn the_nile_changed_in_1899() {
    let n = &published()["nile"];
    let y = numbers(&n["data"]);
    let penalty = n["penalty"].as_f64().unwrap();
    let at = usize::try_from(n["change"].as_u64().unwrap()).unwrap();
    assert_eq!(change_points(&y, penalty, 2), [at]);
    assert_eq!(change_points(&y, 2.0 * penalty, 2), [at]);
    let s = best_step(&y, 2).unwrap();
    assert_eq!(s.at, at);
    let means = numbers(&n["means"]);
    assert!((s.before - means[0]).abs() < 0.005 && (s.after - means[1]).abs() < 0.005);
    assert!((s.left - n["left"].as_f64().unwrap()).abs() < 0.05);
    let r = mann_kendall(&count(y.len()), &y, 1.0).unwrap();
    let m = &n["mann_kendall"];
    for (got, name) in [(r.s, "S"), (r.variance, "var_S"), (r.z, "Z"), (r.p, "p")] {
        close(got, m[name].as_f64().unwrap(), 1e-12, name);
    }
    let t = theil_sen(&count(y.len()), &y, 0.95, 1.0).unwrap();
    let want = numbers(&n["theil_sen"]);
    close(t.slope, want[0], 1e-12, "slope");
    close(t.low, want[2], 1e-12, "low");
    close(t.high, want[3], 1e-12, "high");
}

#[test]
fn ties_by_hand() {
    let t = &published()["ties"];
    let y = numbers(&t["x"]);
    let r = mann_kendall(&count(y.len()), &y, 1.0).unwrap();
    for (got, name) in [(r.s, "s"), (r.variance, "variance"), (r.z, "z"), (r.p, "p")] {
        close(got, t[name].as_f64().unwrap(), 1e-12, name);
    }
}

#[test]
fn slopes_are_those_of_scipy() {
    for t in reference()["trends"].as_array().unwrap() {
        let want = numbers(&t["theilslopes"]);
        let got = theil_sen(&numbers(&t["x"]), &numbers(&t["y"]), 0.95, 1.0).unwrap();
        for (g, w) in [got.slope, got.intercept, got.low, got.high]
            .iter()
            .zip(want)
        {
            close(*g, w, 1e-10, "theilslopes");
        }
    }
}

#[test]
fn trend_tests_are_those_of_pymannkendall() {
    for t in reference()["trends"].as_array().unwrap() {
        let y = numbers(&t["y"]);
        let x = count(y.len());
        let want = numbers(&t["mann_kendall"]);
        let r = mann_kendall(&x, &y, 1.0).unwrap();
        close(r.s, want[0], 0.0, "s");
        close(r.variance, want[1], 1e-12, "variance");
        close(r.z, want[2], 1e-12, "z");
        if y.len() > 40 {
            close(r.p, want[3], 1e-9, "p");
        }
        // As there: ranks of what Sen's line leaves, lags 1 to 3, only those
        // clear of chance at 5 %.
        let slope = theil_sen(&x, &y, 0.95, 1.0).unwrap().slope;
        let left: Vec<f64> = y.iter().zip(&x).map(|(y, x)| y - x * slope).collect();
        let bound = 1.959_963_984_540_054 / (y.len() as f64).sqrt();
        let acf: Vec<f64> = autocorrelation(&ranks(&left), 3)
            .into_iter()
            .map(|r| if r.abs() > bound { r } else { 0.0 })
            .collect();
        let r = mann_kendall(&x, &y, inflation(y.len(), &acf)).unwrap();
        let want = numbers(&t["hamed_rao_lag3"]);
        close(
            r.variance * inflation(y.len(), &acf),
            want[0],
            1e-9,
            "inflated variance",
        );
        close(r.z, want[1], 1e-9, "z, lag 3");
    }
}

#[test]
fn few_values_have_the_p_of_kendalltau() {
    for e in reference()["exact"].as_array().unwrap() {
        let y = numbers(&e["y"]);
        let r = mann_kendall(&count(y.len()), &y, 1.0).unwrap();
        close(r.p, e["p"].as_f64().unwrap(), 1e-12, "exact p");
    }
}

#[test]
fn changes_are_those_of_ruptures() {
    for c in reference()["changes"].as_array().unwrap() {
        let y = numbers(&c["y"]);
        let shortest = usize::try_from(c["shortest"].as_u64().unwrap()).unwrap();
        let got = change_points(&y, c["penalty"].as_f64().unwrap(), shortest);
        let want: Vec<usize> = numbers(&c["changes"]).iter().map(|v| *v as usize).collect();
        assert_eq!(got, want);
    }
}

#[test]
fn groups_of_one_size_are_regression_on_their_means() {
    for e in reference()["editions"].as_array().unwrap() {
        let groups: Vec<Group> = e["groups"]
            .as_array()
            .unwrap()
            .iter()
            .map(|g| Group::of(g[0].as_f64().unwrap(), &numbers(&g[1])).unwrap())
            .collect();
        let got = group_trend(&groups, 0.95).unwrap();
        close(got.slope, e["slope"].as_f64().unwrap(), 1e-9, "slope");
        close(got.se, e["se"].as_f64().unwrap(), 1e-6, "se");
        close(got.p, e["p"].as_f64().unwrap(), 1e-6, "p");
    }
}
