//! Layered absorption against measured press sheets: overprints of two and
//! three solids predicted from the single inks and the paper alone.
//!
//! Source of the colours: characterisation data of ten printing conditions in
//! Debian's icc-profiles-free (FOGRA28L to 40L: Fogra, www.fogra.org; TR002 to
//! TR006: CGATS), XYZ under D50, 2 degrees, 45/0. Nothing was tuned on the overprints.

#![allow(clippy::unwrap_used)] // a test: helpers may fail as it does

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{White, linear_srgb_to_lab, xyz_d50_to_d65, xyz_to_linear_srgb};
use restrike_ops::layered_absorption::absorption;
use restrike_ops::overprint_model::{Measured, OverprintModel};
use restrike_ops::overprints::{Subset, allowed, colours};

/// Least light a scan is read as, as the stages have it.
const FLOOR: f64 = 0.004;
/// Conditions on uncoated paper and on newsprint.
const MATT: [&str; 3] = ["FOGRA29L", "FOGRA30L", "TR002"];
const INKS: [&str; 4] = ["cyan", "magenta", "yellow", "black"];

/// Solids of a data set by the inks in them: linear sRGB and CIELAB.
type Solids = BTreeMap<u32, ([f64; 3], [f64; 3])>;

/// Data sets, sorted by name; none when they have not been fetched.
fn sets() -> Option<Vec<PathBuf>> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/data/icc");
    let mut files: Vec<PathBuf> = std::fs::read_dir(folder)
        .ok()?
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.extension().is_some_and(|e| e == "ti3"))
        .collect();
    files.sort();
    (!files.is_empty()).then_some(files)
}

fn read(file: &Path) -> Solids {
    // Their descriptions are not all UTF-8.
    let bytes = std::fs::read(file).unwrap();
    let text = String::from_utf8_lossy(&bytes);
    let data = text
        .split("\nBEGIN_DATA\n")
        .nth(1)
        .or_else(|| text.split("\nBEGIN_DATA\r\n").nth(1))
        .unwrap();
    let mut out = Solids::new();
    for line in data.lines().take_while(|l| !l.starts_with("END_DATA")) {
        let v: Vec<f64> = line
            .split_whitespace()
            .skip(1)
            .map(|v| v.parse().unwrap())
            .collect();
        assert_eq!(v.len(), 10, "{line}");
        if v[..4].iter().all(|t| *t == 0.0 || *t == 100.0) {
            let inks = (0..4).filter(|i| v[*i] == 100.0).map(|i| 1 << i).sum();
            let xyz = [v[4], v[5], v[6]].map(|x| x / 100.0);
            let rgb = xyz_to_linear_srgb(xyz_d50_to_d65(xyz));
            out.insert(inks, (rgb, [v[7], v[8], v[9]]));
        }
    }
    out
}

/// CIEDE2000 of each overprint of two or three inks between prediction and measurement.
fn errors(solids: &Solids) -> Vec<(Subset, f64)> {
    let paper = solids[&0].0;
    let inks: Vec<[f64; 3]> = (0..4)
        .map(|i| absorption(solids[&(1 << i)].0, paper, FLOOR))
        .collect();
    let over: Vec<Subset> = allowed(4, None, 3)
        .into_iter()
        .filter(|s| s.count() >= 2)
        .collect();
    let predicted = colours(paper, &inks, &over);
    over.iter()
        .zip(predicted)
        .filter_map(|(s, rgb)| {
            let measured = solids.get(&s.0)?.1;
            Some((*s, ciede2000(linear_srgb_to_lab(rgb, White::D50), measured)))
        })
        .collect()
}

/// Median and 90th percentile (linear between order statistics).
fn median_and_p90(errors: &[(Subset, f64)]) -> (f64, f64) {
    let mut e: Vec<f64> = errors.iter().map(|e| e.1).collect();
    e.sort_by(f64::total_cmp);
    let at = |p: f64| {
        let x = p * (e.len() - 1) as f64;
        let i = (x as usize).min(e.len() - 2);
        e[i] + (x - i as f64) * (e[i + 1] - e[i])
    };
    (at(0.5), at(0.9))
}

#[test]
fn overprints_of_press_solids_are_predicted_within_the_stated_bound() {
    let Some(sets) = sets() else {
        println!("not run: icc is not there; fetch with tests/outside/fetch icc");
        return;
    };
    let mut seen = 0;
    for file in sets {
        let name = file.file_stem().unwrap().to_string_lossy().into_owned();
        let solids = read(&file);
        // The reading agrees with the file: its own Lab of the paper.
        let (rgb, lab) = solids[&0];
        assert!(
            ciede2000(linear_srgb_to_lab(rgb, White::D50), lab) < 0.3,
            "{name}"
        );
        let errors = errors(&solids);
        assert_eq!(errors.len(), 10, "{name}: 6 pairs and 4 triples");
        let (median, p90) = median_and_p90(&errors);
        println!("{name}: median {median:.2}, 90th percentile {p90:.2} CIEDE2000");
        if name == "FOGRA39L" {
            for (s, e) in &errors {
                let names: Vec<&str> = (0..4).filter(|i| s.has(*i)).map(|i| INKS[i]).collect();
                println!("    {}: {e:.2}", names.join(" + "));
            }
            assert!(median <= 7.5 && p90 <= 12.5, "{median} {p90}");
            seen += 1;
        }
        // On uncoated paper and newsprint light comes back that never went through the inks, so
        // overprints are paler than any product of layers: the bound says how much.
        let (most, most90) = if MATT.contains(&name.as_str()) {
            (21.0, 23.0)
        } else {
            (10.0, 15.0)
        };
        assert!(median <= most && p90 <= most90, "{name}: {median} {p90}");
    }
    assert_eq!(seen, 1, "FOGRA39L is among them");
}

/// Three-ink overprints with the two-ink ones known, as a record learns them;
/// the three-ink ones are not looked at. Order of printing black, cyan, magenta,
/// yellow: common practice, no source.
#[test]
fn overprints_of_three_inks_gain_from_measured_pairs() {
    let Some(sets) = sets() else {
        println!("not run: icc is not there; fetch with tests/outside/fetch icc");
        return;
    };
    let (mut plain, mut learned) = (Vec::new(), Vec::new());
    for file in sets {
        let solids = read(&file);
        let paper = solids[&0].0;
        let over = |set: u32| absorption(solids[&set].0, paper, FLOOR);
        let inks: Vec<[f64; 3]> = (0..4).map(|i| over(1 << i)).collect();
        let sum = |set: Subset| {
            let mut sum = [0.0; 3];
            for (_, a) in inks.iter().enumerate().filter(|(i, _)| set.has(*i)) {
                for (s, a) in sum.iter_mut().zip(a) {
                    *s += a;
                }
            }
            sum
        };
        let beyond = |set: Subset| {
            let (is, said) = (over(set.0), sum(set));
            [0, 1, 2].map(|c| is[c] - said[c])
        };
        let allowed = allowed(4, None, 3);
        let pairs: Vec<Measured> = allowed
            .iter()
            .filter(|s| s.count() == 2)
            .map(|s| Measured {
                inks: *s,
                beyond: beyond(*s),
                se: [0.02; 3],
            })
            .collect();
        let model = OverprintModel::fit(paper, &inks, &[3, 0, 1, 2], &pairs);
        for s in allowed.iter().filter(|s| s.count() == 3) {
            let Some((_, measured)) = solids.get(&s.0) else {
                continue;
            };
            let total = sum(*s);
            let lab = |more: [f64; 3]| {
                let rgb = [0, 1, 2].map(|c| paper[c] * libm::exp(-total[c] - more[c]));
                linear_srgb_to_lab(rgb, White::D50)
            };
            plain.push((*s, ciede2000(lab([0.0; 3]), *measured)));
            learned.push((*s, ciede2000(lab(model.beyond(*s)), *measured)));
        }
    }
    let (a, b) = (median_and_p90(&plain), median_and_p90(&learned));
    println!("three inks, from single inks: {a:?}; with measured pairs: {b:?} CIEDE2000");
    assert!(b.0 < a.0 && b.1 < a.1 + 2.0, "{a:?} {b:?}");
}
