//! What is advised in plain cases, and what is said of data that bear none.

use restrike_stage::{ImageArea, Mark, MarkKind, Project, Tone};

use super::{Kept, Seen, number, project, run, run_with, text};
use crate::marks::MarkOptions;

fn sheets(motions: &[[f64; 3]]) -> Vec<Seen> {
    let row = |(i, m): (usize, &[f64; 3])| Seen::new(i + 1, "ochre", *m);
    motions.iter().enumerate().map(row).collect()
}

fn actions(kept: &Kept) -> Vec<&str> {
    kept.of("mark_corrections")
        .iter()
        .map(|r| text(r, "action"))
        .collect()
}

/// Two copies of a design, side by side.
fn two_up() -> Project {
    let mut p = project(&["ochre"]);
    let half = |name: &str, x_mm: f64| ImageArea {
        name: name.to_owned(),
        x_mm,
        y_mm: 0.0,
        width_mm: 180.0,
        height_mm: 240.0,
        border: true,
    };
    p.images = vec![half("left", -95.0), half("right", 95.0)];
    p
}

#[test]
fn a_shift_inside_the_tolerance_is_left() {
    let kept = run(
        &project(&["ochre"]),
        &sheets(&[[0.05, 0.04, 0.0], [0.051, 0.041, 0.0], [0.049, 0.039, 0.0]]),
    );
    assert_eq!(actions(&kept), ["leave it"; 3]);
    let row = kept.correction("ochre", "straight");
    assert!(
        text(row, "advice").contains("inside the tolerance"),
        "{}",
        text(row, "advice")
    );
    assert_eq!(number(row, "by_mm"), None);
    assert_eq!(number(row, "more_proofs"), None);
}

#[test]
fn only_the_face_that_is_wrong_is_cut() {
    let kept = run(
        &project(&["ochre"]),
        &sheets(&[
            [0.4, 0.01, 0.0],
            [0.42, 0.0, 0.0],
            [0.41, 0.02, 0.0],
            [0.4, 0.01, 0.0],
        ]),
    );
    assert_eq!(actions(&kept), ["leave it", "leave it", "pad"]);
}

#[test]
fn one_proof_alone_cannot_tell() {
    let kept = run(&project(&["ochre"]), &sheets(&[[0.3, -0.2, 1.0]]));
    assert_eq!(actions(&kept), ["undecided"; 3]);
    let row = kept.correction("ochre", "long");
    assert!(
        text(row, "advice").contains("1 sheet cannot tell"),
        "{}",
        text(row, "advice")
    );
    assert_eq!(number(row, "more_proofs"), Some(2.0));
    assert_eq!(number(row, "correction_low_mm"), None);
    assert_eq!(number(row, "correction_se_mm"), None);
}

/// A reference that is itself out would otherwise be cut into the marks.
#[test]
fn nothing_is_advised_against_a_reference_nobody_has_vouched_for() {
    for basis in ["relative to reference", "relative to proof"] {
        let mut rows = sheets(&[[0.4, 0.3, 0.0]; 4]);
        rows.iter_mut().for_each(|r| r.basis = basis);
        let kept = run(&project(&["ochre"]), &rows);
        assert_eq!(actions(&kept), ["undecided"; 3]);
        for r in kept.of("mark_corrections") {
            assert_eq!(text(r, "basis"), basis);
            assert_eq!((number(r, "by_mm"), number(r, "more_proofs")), (None, None));
            for withheld in [
                "correction_mm",
                "correction_low_mm",
                "move_x_mm",
                "move_u_mm",
            ] {
                assert_eq!(number(r, withheld), None, "{withheld}");
            }
            assert!(text(r, "advice").contains("known to follow key lines"));
        }
        let drawing = &kept.pictures[0];
        assert!(drawing.caption.contains("No mark is to be cut"));
        let arrows = |m: &&Mark| matches!(m, Mark::Arrow { .. });
        assert_eq!(drawing.marks.iter().filter(arrows).count(), 0);
    }
}

#[test]
fn advice_against_a_trusted_reference_says_so() {
    let mut rows = sheets(&[[0.4, 0.3, 0.0]; 4]);
    rows.iter_mut()
        .for_each(|r| r.basis = "relative to reference");
    let options = MarkOptions {
        reference_in_register: true,
        ..MarkOptions::default()
    };
    let kept = run_with(&project(&["ochre"]), options, &rows);
    assert!(actions(&kept).contains(&"pad"), "{:?}", actions(&kept));
    for r in kept.of("mark_corrections") {
        assert_eq!(text(r, "basis"), "relative to reference");
        assert!(text(r, "advice").contains("to match the reference impression"));
    }
    assert!(
        kept.pictures[0]
            .caption
            .contains("to match the reference impression")
    );
}

#[test]
fn absolute_rows_outweigh_relative_ones() {
    let mut rows = sheets(&[[0.4, 0.0, 0.0]; 5]);
    rows[4].basis = "relative to reference";
    rows[4].motion = [5.0, 5.0, 5.0];
    let kept = run(&project(&["ochre"]), &rows);
    let row = kept.correction("ochre", "short");
    assert_eq!(
        (text(row, "basis"), number(row, "sheets")),
        ("absolute", Some(4.0))
    );
}

#[test]
fn only_the_first_sheets_count_when_asked() {
    let mut rows = sheets(&[[0.4, 0.0, 0.0]; 4]);
    rows.extend((5..9).map(|s| Seen::new(s, "ochre", [-3.0, 0.0, 0.0])));
    let options = MarkOptions {
        first_sheets: Some(4),
        ..MarkOptions::default()
    };
    let kept = run_with(&project(&["ochre"]), options, &rows);
    let row = kept.correction("ochre", "short");
    assert_eq!(number(row, "sheets"), Some(4.0));
    assert!((number(row, "correction_mm").unwrap() - 0.4).abs() < 1e-9);
}

#[test]
fn an_ill_known_shape_is_not_mended_by_more_proofs() {
    let mut rows = sheets(&[
        [0.16, 0.0, 0.0],
        [0.14, 0.0, 0.0],
        [0.15, 0.0, 0.0],
        [0.15, 0.0, 0.0],
    ]);
    rows.iter_mut().for_each(|r| r.zero_se = 0.1);
    let kept = run(&project(&["ochre"]), &rows);
    let row = kept.correction("ochre", "short");
    assert_eq!(text(row, "action"), "undecided");
    assert!(
        text(row, "advice").contains("however many sheets"),
        "{}",
        text(row, "advice")
    );
}

#[test]
fn a_scatter_far_over_the_shift_is_the_thing_to_mend() {
    let rows: Vec<Seen> = (0..200)
        .map(|i| {
            Seen::new(
                i + 1,
                "ochre",
                [0.15 + if i % 2 == 0 { 0.5 } else { -0.5 }, 0.0, 0.0],
            )
        })
        .collect();
    let kept = run(&project(&["ochre"]), &rows);
    let row = kept.correction("ochre", "short");
    assert_eq!(text(row, "action"), "leave it");
    assert!(
        text(row, "advice").contains("more than twice that"),
        "{}",
        text(row, "advice")
    );
}

#[test]
fn a_hidden_block_gets_its_interval_and_no_number() {
    let mut rows = sheets(&[[0.0; 3]; 3]);
    for r in &mut rows {
        r.hidden = Some(("its edges lie under key lines", [-0.1, 0.3, -0.2, 0.2]));
    }
    let kept = run(&project(&["ochre"]), &rows);
    assert_eq!(actions(&kept), ["undecided"; 3]);
    let row = kept.correction("ochre", "short");
    assert_eq!(number(row, "correction_mm"), None);
    assert!((number(row, "correction_low_mm").unwrap() + 0.1).abs() < 1e-12);
    assert!((number(row, "correction_high_mm").unwrap() - 0.3).abs() < 1e-12);
    assert!(text(row, "advice").contains("under key lines"));
    assert!(kept.pictures.is_empty());
}

#[test]
fn two_halves_are_fitted_with_one_set_of_marks() {
    let mut rows = Vec::new();
    for s in 1..=5 {
        for (image, dx) in [("left", 0.1), ("right", 0.5)] {
            rows.push(Seen {
                image,
                ..Seen::new(s, "ochre", [dx, 0.0, 0.0])
            });
        }
    }
    let kept = run(&two_up(), &rows);
    let short = kept.correction("ochre", "short");
    assert!((number(short, "correction_mm").unwrap() - 0.3).abs() < 1e-5);
    let left = kept.of("mark_residuals");
    assert_eq!(left.len(), 2);
    for (r, image) in left.iter().zip(["left", "right"]) {
        assert_eq!(text(r, "image"), image);
        assert!((number(r, "at_best_mm").unwrap() - 0.2).abs() < 1e-5);
        assert!(
            text(r, "words").contains("two halves"),
            "{}",
            text(r, "words")
        );
    }
}

#[test]
fn stretch_is_left_and_said() {
    let rows: Vec<Seen> = (1..=6)
        .map(|s| Seen {
            stretch: Some([1.0 + 0.01 * (s as f64 - 3.5), 0.0]),
            ..Seen::new(s, "ochre", [0.0; 3])
        })
        .collect();
    let kept = run(&project(&["ochre"]), &rows);
    assert_eq!(actions(&kept), ["leave it"; 3]);
    let r = kept.of("mark_residuals")[0];
    // A permille of half of 370 mm.
    assert!((number(r, "at_best_mm").unwrap() - 0.185).abs() < 1e-4);
    assert!(
        text(r, "words").contains("0.10 ± 0.01 % wider than the key"),
        "{}",
        text(r, "words")
    );
    assert!(text(r, "words").contains("over the tolerance"));
}

#[test]
fn marks_that_make_no_sense_are_named() {
    let rows = sheets(&[[0.4, 0.0, 0.0]; 3]);
    let said = |change: &dyn Fn(&mut Project)| {
        let mut p = project(&["ochre"]);
        change(&mut p);
        let kept = run(&p, &rows);
        assert!(kept.of("mark_corrections").is_empty());
        kept.notes.join(" ")
    };
    assert!(said(&|p| p.marks[0].y_mm = -150.0).contains("18.0 mm outside the sheet"));
    assert!(said(&|p| p.marks[1].y_mm = -100.0).contains("32.0 mm inside the sheet's edge"));
    assert!(
        said(&|p| p.marks.truncate(2)).contains("no contact for the corner mark's short-edge face")
    );
    assert!(said(&|p| p.marks[1].face = MarkKind::CornerLong).contains("two contacts"));
    assert!(said(&|p| p.marks[1].x_mm = -174.0).contains("less than 10 mm apart"));
    assert!(said(&|p| p.marks.clear()).contains("no registration marks"));
    assert!(said(&|p| p.marks[2].x_mm = f64::NAN).contains("not a place"));
}

#[test]
fn the_drawing_is_mirrored_and_its_arrows_exaggerated_as_stated() {
    let kept = run(&project(&["ochre"]), &sheets(&[[0.4, 0.0, 0.0]; 4]));
    assert_eq!((kept.images.len(), kept.pictures.len()), (1, 1));
    let picture = &kept.pictures[0];
    let frame = picture.frame.unwrap();
    let arrows: Vec<_> = picture
        .marks
        .iter()
        .filter_map(|m| match m {
            Mark::Arrow { from, to, tone } => Some((*from, *to, *tone)),
            _ => None,
        })
        .collect();
    // Of the three faces only this one is to be moved. Corner mark short edge: left in
    // the print, so on the right of the block; padded, so its arrow points to the
    // left, into the sheet.
    assert_eq!(arrows.len(), 1);
    let (from, to, tone) = arrows[0];
    assert_eq!(tone, Tone::Measured);
    assert!(from.x > 0.8 * frame.width && to.x < from.x && (to.y - from.y).abs() < 1e-9);
    let px_per_mm = frame.width / (390.0 * 1.24);
    let factor: f64 = picture
        .caption
        .split("drawn ")
        .nth(1)
        .and_then(|s| s.split(' ').next())
        .unwrap()
        .parse()
        .unwrap();
    assert!(((from.x - to.x) - 0.4 * factor * px_per_mm).abs() < 1e-6);
    let inside = |p: restrike_stage::Point| {
        p.x > 0.0 && p.x < frame.width && p.y > 0.0 && p.y < frame.height
    };
    assert!(arrows.iter().all(|a| inside(a.0) && inside(a.1)));
}

#[test]
fn a_sheet_laid_askew_is_named_and_keeps_the_knife_away() {
    let mut motions = vec![[0.15, 0.0, 0.0]; 8];
    for (i, m) in motions.iter_mut().enumerate() {
        m[0] += 0.01 * [1.0, -1.0, 2.0, -2.0][i % 4];
    }
    let kept = run(&project(&["ochre"]), &sheets(&motions));
    assert_eq!(actions(&kept)[2], "pad");
    assert!(!kept.notes.iter().any(|n| n.contains("askew")));
    motions[3][0] = 2.0;
    let kept = run(&project(&["ochre"]), &sheets(&motions));
    assert_eq!(actions(&kept)[2], "leave it");
    let said: Vec<&String> = kept.notes.iter().filter(|n| n.contains("askew")).collect();
    assert_eq!(said.len(), 1);
    assert!(said[0].contains("4.tif: 1.8"), "{}", said[0]);
}
