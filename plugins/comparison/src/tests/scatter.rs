//! The test of a difference: how often it cries wolf, and that it sees.

use restrike_ops::quantiles::{normal_upper, student_t};

use super::consensus::{ground, level};
use crate::consensus::Stream;
use crate::scatter::{Known, as_normal, test};

/// Cells over the threshold where nothing differs are about as many as its tail says.
#[test]
fn false_cells_are_as_many_as_the_tail_says() {
    let g = ground(0.04);
    for (n, m) in [(2, 2), (3, 6), (1, 4), (6, 6)] {
        let a = level(&g, n, 0.03, 11 + n as u64, &|_| 0.7);
        let b = level(&g, m, 0.03, 77 + m as u64, &|_| 0.7);
        let t = test(&a, &b, &[], Known::default()).unwrap();
        let over = t.score.iter().filter(|s| s.abs() > 1.0).count();
        let share = over as f64 / g.len() as f64;
        assert!(share < 5e-4, "{n} and {m}: {share}");
    }
}

#[test]
fn a_changed_patch_is_seen_and_nothing_else() {
    let g = ground(0.1);
    let patch = |at: usize| {
        let p = g.place(at);
        (p.x + 2.0).abs() < 0.3 && p.y.abs() < 0.3
    };
    let a = level(&g, 4, 0.02, 3, &|_| 0.8);
    let b = level(&g, 4, 0.02, 4, &|at| if patch(at) { 0.6 } else { 0.8 });
    let t = test(&a, &b, &[], Known::default()).unwrap();
    let seen = (0..g.len()).filter(|at| patch(*at)).collect::<Vec<_>>();
    let over = seen.iter().filter(|at| t.score[**at] < -1.0).count();
    assert!(over * 10 > seen.len() * 9, "{over} of {}", seen.len());
    let peak = t.score.iter().fold(0.0_f32, |m, s| m.max(s.abs()));
    assert!(t.peak(f64::from(peak)) < 1e-4);
}

#[test]
fn without_any_scatter_there_is_no_test() {
    let g = ground(0.5);
    let one = level(&g, 1, 0.02, 3, &|_| 0.8);
    assert!(test(&one, &one, &[], Known::default()).is_none());
    let more = level(&g, 3, 0.02, 4, &|_| 0.8);
    assert!(
        test(&one, &one, &[&more], Known::default()).is_some(),
        "borrowed"
    );
    let empty = Stream::new(&g, 1).end();
    let t = test(&empty, &more, &[], Known::default()).unwrap();
    assert_eq!(t.cells, 0);
}

/// A cell that one of three impressions tells of is not tested, whatever it shows.
#[test]
fn one_impression_alone_is_no_difference() {
    let g = ground(0.1);
    let a = level(&g, 3, 0.02, 5, &|_| 0.8);
    let mut b = level(&g, 3, 0.02, 6, &|_| 0.8);
    for at in 500..504 {
        (b.light[at], b.scatter[at], b.count[at]) = ([0.3; 3], [0.0; 3], 1);
    }
    let alike = vec![false; g.len()];
    let known = || Known {
        crossing: Some(&alike),
        ..Known::default()
    };
    let t = test(&a, &b, &[], known()).unwrap();
    assert!(t.score[500..504].iter().all(|s| *s == 0.0));
    b.count[500..504].fill(3);
    let t = test(&a, &b, &[], known()).unwrap();
    let over = t.score[500..504].iter().filter(|s| **s < -1.0).count();
    assert!(over >= 2, "{over}");
}

/// Tails of Student's t by `statrs`, from few degrees of freedom on and far out.
#[test]
fn a_value_of_students_t_becomes_a_normal_deviate() {
    for dof in [3.0, 7.0, 12.0, 40.0] {
        for tail in [0.1, 1e-3, 1e-5, 1e-8] {
            let t = student_t(1.0 - tail, dof).unwrap();
            let want = normal_upper(tail).unwrap();
            let got = as_normal(t, dof);
            // Never bolder.
            let low = if dof < 5.0 { 0.95 } else { 0.98 };
            assert!(
                got > low * want && got < want + 0.01,
                "{dof} {tail}: {got} for {want}"
            );
            assert_eq!(as_normal(-t, dof), -got);
        }
    }
}

/// Half of the cells scatter five times as much as the others, and nothing tells which:
/// cells that happen to scatter little are not taken for well known.
#[test]
fn cells_that_scatter_unlike_each_other_cry_wolf_no_more_often() {
    let g = ground(0.04);
    let wild = |at: usize| (at * 2_654_435_761) >> 7 & 1 == 1;
    let mixed = |seed: u64| {
        let [calm, rough] = [0.01, 0.05].map(|s| level(&g, 4, s, seed, &|_| 0.7));
        let mut out = calm;
        for at in (0..g.len()).filter(|at| wild(*at)) {
            (out.light[at], out.scatter[at]) = (rough.light[at], rough.scatter[at]);
        }
        out
    };
    let t = test(&mixed(5), &mixed(91), &[], Known::default()).unwrap();
    let over = t.score.iter().filter(|s| s.abs() > 1.0).count();
    let share = over as f64 / g.len() as f64;
    assert!(share < 5e-4, "{share}");
}
