//! Killed at any moment, the same command goes on and ends with the same bytes.

use std::process::Stdio;
use std::time::{Duration, Instant};

use crate::bench::{Bench, restrike, said, tree};

const STAGE: &str = "[[stage]]\nname = \"unruly\"\n";

#[test]
fn results_do_not_depend_on_the_number_of_threads() {
    let bench = Bench::new(24, STAGE);
    let mut first = None;
    for threads in ["1", "2", "4"] {
        let out = bench.path(&format!("out{threads}"));
        let run = bench.restrike(&["run", "--threads", threads, "--out", out.to_str().unwrap()]);
        said(&run, 0);
        let files = tree(&out);
        assert!(files.contains_key("tables/unruly.csv"));
        match &first {
            None => first = Some(files),
            Some(f) => assert!(f == &files, "{threads} threads give other files"),
        }
    }
}

#[test]
fn finished_sheets_are_not_measured_again_unless_something_changed() {
    let bench = Bench::new(3, STAGE);
    let earlier = |text: &str| {
        text.lines()
            .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap())
            .filter(|e| e["earlier"] == true)
            .count()
    };
    let run = || said(&bench.restrike(&["run", "--log", "json"]), 0);
    assert_eq!(earlier(&run()), 0);
    assert_eq!(earlier(&run()), 3);
    // Another scan under the same name.
    std::fs::copy(bench.path("scan1.png"), bench.path("scan2.png")).unwrap();
    assert_eq!(earlier(&run()), 2);
    // Another setting.
    bench.config("[[stage]]\nname = \"unruly\"\nsettings = { mood = \"good\" }\n");
    assert_eq!(earlier(&run()), 0);
    // A sheet fewer.
    bench.write("sheets.csv", "file,position,dpi\nscan1.png,1,300\n");
    assert_eq!(earlier(&run()), 1);
    assert_eq!(bench.table("unruly").len(), 2);
}

#[cfg(unix)]
#[test]
fn a_run_that_is_asked_to_stop_ends_cleanly_and_can_go_on() {
    let bench = Bench::new(
        4,
        "[[stage]]\nname = \"unruly\"\nsettings = { mood = \"sleep\", on_sheet = 3 }\n",
    );
    let child = restrike()
        .arg("run")
        .arg(bench.path("p.toml"))
        .args(["--threads", "1"])
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let until = Instant::now() + Duration::from_secs(20);
    while !bench.path("out/.restrike/sheets/0000002.json").exists() {
        assert!(Instant::now() < until, "the second sheet was never done");
        std::thread::sleep(Duration::from_millis(10));
    }
    interrupt(child.id());
    let out = child.wait_with_output().unwrap();
    let text = said(&out, 130);
    assert!(text.contains("the same command continues"), "{text}");
    assert!(
        !bench.path("out/tables").exists(),
        "no table of a run that is not done"
    );
    assert!(!bench.path("out/.restrike/sheets/0000003.json").exists());
}

/// Sends SIGINT, as Ctrl-C does.
#[cfg(unix)]
fn interrupt(pid: u32) {
    let done = std::process::Command::new("kill")
        .args(["-INT", &pid.to_string()])
        .status()
        .unwrap();
    assert!(done.success());
}

/// A small generator (Knuth's MMIX constants) for moments to kill at.
fn next(seed: &mut u64) -> u64 {
    *seed = seed
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    *seed >> 33
}

#[test]
fn killed_at_fifty_random_moments_it_ends_with_the_same_bytes() {
    let bench = Bench::new(40, STAGE);
    bench.write(
        "sheets.csv",
        &bench
            .read("sheets.csv")
            .replace("position,dpi", "position,dpi,role")
            .replace(",1,300\n", ",1,300,reference\n")
            .lines()
            .map(|l| {
                if l.ends_with(",300") {
                    format!("{l},run\n")
                } else {
                    format!("{l}\n")
                }
            })
            .collect::<String>(),
    );
    let whole = bench.path("whole");
    let started = Instant::now();
    said(
        &bench.restrike(&["run", "--out", whole.to_str().unwrap()]),
        0,
    );
    let full = started.elapsed();
    let mut seed = 20_260_501;
    let torn = bench.path("torn");
    let mut finished = 0;
    for _ in 0..50 {
        let mut child = restrike()
            .arg("run")
            .arg(bench.path("p.toml"))
            .arg("--out")
            .arg(&torn)
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let micros = next(&mut seed) % (full.as_micros() as u64 + 1);
        std::thread::sleep(Duration::from_micros(micros));
        child.kill().unwrap();
        let ended = child.wait().unwrap();
        finished += usize::from(ended.success());
        // Begin anew now and then, so that early moments are hit as well as late ones.
        if next(&mut seed).is_multiple_of(4) {
            std::fs::remove_dir_all(&torn).ok();
        }
    }
    said(
        &bench.restrike(&["run", "--out", torn.to_str().unwrap()]),
        0,
    );
    assert!(finished < 50, "no run was killed");
    assert!(tree(&whole) == tree(&torn), "a killed run left other files");
}
