//! Faces and blocks that are off alike: the long edge as a whole, the key's own marks.

use restrike_stage::{Mark, Role};
use restrike_synth::placing::{Hand, LaidBlock};
use restrike_synth::rng::Rng;

use super::placing::{FACES, NAMES, lasting_of, proofs_of};
use super::{Kept, Seen, impressions, number, project, run, run_of, text};

/// Sheets on which a block is off by so much at the corner mark's long face,
/// the straight mark and the corner mark's short face, mm.
fn sheets(block: &'static str, shifts: &[[f64; 3]]) -> Vec<Seen> {
    // The contacts of the worked example: K (-175, -132), H (60, -132), C (-195, -125).
    let motion = |[k, h, c]: [f64; 3]| {
        let theta = (h - k) / 235.0;
        [c - 125.0 * theta, k + 175.0 * theta, 1000.0 * theta]
    };
    (1..)
        .zip(shifts)
        .map(|(sheet, s)| Seen::new(sheet, block, motion(*s)))
        .collect()
}

/// Five sheets about a mean, with the scatter of placing at each face by itself.
fn scattered([k, h, c]: [f64; 3], sd: f64) -> Vec<[f64; 3]> {
    let signs = [
        [1.0, 1.0, 1.0],
        [-1.0, 1.0, -1.0],
        [1.0, -1.0, -1.0],
        [-1.0, -1.0, 1.0],
        [0.0; 3],
    ];
    signs
        .iter()
        .map(|s| [k + sd * s[0], h + sd * s[1], c + sd * s[2]])
        .collect()
}

fn told(kept: &Kept, block: &str) -> [f64; 3] {
    FACES.map(|f| {
        let row = kept.correction(block, f);
        let by = number(row, "by_mm").unwrap_or(0.0);
        if text(row, "action") == "cut back" {
            -by
        } else {
            by
        }
    })
}

/// One of two faces that are off alike passes for chance; cut at the other
/// alone the print would be turned.
#[test]
fn an_edge_that_is_off_as_a_whole_is_moved_as_a_whole() {
    let rows = sheets("ochre", &scattered([-0.28, -0.18, 0.0], 0.12));
    let kept = run(&project(&["ochre"]), &rows);
    let by = told(&kept, "ochre");
    assert!((by[0] + 0.2055).abs() < 0.005 && by[0] == by[1], "{by:?}");
    assert_eq!(by[2], 0.0);
    let long = kept.correction("ochre", "long");
    let words = text(long, "advice");
    assert!(
        words.contains("and the straight mark by as much"),
        "{words}"
    );
    assert!(
        words.contains("the block as a whole is off this way by 0.0"),
        "{words}"
    );
    // What is measured at the face itself stays in its own column.
    assert!((number(long, "correction_mm").unwrap() + 0.28).abs() < 0.005);
    assert!((number(long, "move_y_mm").unwrap() - by[0]).abs() < 1e-12);
    let left = kept.of("mark_residuals")[0];
    let advised = number(left, "as_advised_mm").unwrap();
    assert!(advised < 0.15, "{advised}");
}

#[test]
fn a_face_that_is_off_alone_is_moved_alone() {
    let rows = sheets("ochre", &scattered([-0.28, 0.0, 0.0], 0.04));
    let kept = run(&project(&["ochre"]), &rows);
    let by = told(&kept, "ochre");
    assert!((by[0] + 0.28).abs() < 0.005, "{by:?}");
    assert_eq!(by[1..], [0.0, 0.0]);
    assert!(!text(kept.correction("ochre", "long"), "advice").contains("as much"));
}

#[test]
fn what_the_sheets_do_not_decide_is_said_beside_what_no_mark_mends() {
    // Off at the straight mark by 0.25 mm, but twice that from sheet to sheet.
    let rows = sheets("ochre", &scattered([0.0, 0.25, 0.0], 0.45));
    let kept = run(&project(&["ochre"]), &rows);
    assert_eq!(told(&kept, "ochre"), [0.0; 3]);
    let left = kept.of("mark_residuals")[0];
    let words = text(left, "words");
    assert!(words.contains("these sheets do not decide how"), "{words}");
}

/// The key's own mark is off, so every block is; cut at the key alone they come right.
#[test]
fn the_key_s_own_mark_is_named_when_all_blocks_are_off_alike() {
    let hand = Hand {
        placing_sd: 0.03,
        cutting_error: 0.0,
    };
    let mut rng = Rng::new(4, "key");
    let blocks = vec![LaidBlock::default(); 6];
    let mut key = LaidBlock {
        faces: [0.25, 0.0, -0.3],
        ..LaidBlock::default()
    };
    let kept = run(
        &project(&NAMES),
        &proofs_of(&key, &blocks, |_| hand, 6, &mut rng),
    );
    let named: Vec<&String> = kept.notes.iter().filter(|n| n.contains("key's")).collect();
    assert_eq!(named.len(), 1, "{:?}", kept.notes);
    let words = named[0];
    assert!(words.contains("Never both ways"), "{words}");
    for name in NAMES {
        let advice = text(kept.correction(name, "short"), "advice");
        assert!(advice.contains("the key's own mark"), "{advice}");
    }
    // The words, taken literally.
    let by = |action: &str, face: &str| {
        let after = words.split(&format!("{action} the {face}")).nth(1);
        let size = after.and_then(|a| a.split(" by ").nth(1));
        size.and_then(|s| s.split(' ').next()?.parse::<f64>().ok())
    };
    let long = by("cut", "long-edge face of the corner mark").unwrap_or(0.0);
    let short = by("pad", "short-edge face of the corner mark").unwrap_or(0.0);
    assert!(
        (long - 0.25).abs() < 0.05 && (short - 0.3).abs() < 0.05,
        "{words}"
    );
    // The table and the drawing say the same, and what would be left of it.
    let table = kept.of("key_marks");
    assert_eq!(table.len(), 3);
    for (row, action, by) in [(table[0], "cut back", long), (table[2], "pad", short)] {
        assert_eq!(text(row, "action"), action);
        let told = number(row, "by_mm").unwrap();
        assert!((told - by).abs() < 0.0051, "{told} {by}");
        let (low, high) = (number(row, "by_low_mm"), number(row, "by_high_mm"));
        assert!(low.unwrap() < told && told < high.unwrap());
    }
    assert_eq!(text(table[1], "action"), "leave it");
    let drawn = kept.pictures.iter().filter(|p| p.name == "marks-key");
    let arrows = drawn.map(|p| {
        let arrow = |m: &&Mark| matches!(m, Mark::Arrow { .. });
        p.marks.iter().filter(arrow).count()
    });
    assert_eq!(arrows.collect::<Vec<usize>>(), [2]);
    for row in kept.of("mark_residuals") {
        let of = |column| number(row, column).unwrap();
        assert!(
            of("now_mm") > 0.3 && of("by_key_mm") < 0.12,
            "{}",
            of("by_key_mm")
        );
        assert!(of("by_key_se_mm") > 0.0);
    }
    let before = lasting_of(&key, &blocks[0]);
    key.faces[0] -= long;
    key.faces[2] += short;
    let after = lasting_of(&key, &blocks[0]);
    assert!(before > 0.3 && after < 0.1, "{before} to {after}");
    let kept = run(
        &project(&NAMES),
        &proofs_of(&key, &blocks, |_| hand, 6, &mut rng),
    );
    assert!(!kept.notes.iter().any(|n| n.contains("key's")));
    assert!(kept.of("key_marks").is_empty());
    assert_eq!(number(kept.of("mark_residuals")[0], "by_key_mm"), None);
    assert!(kept.pictures.iter().all(|p| p.name != "marks-key"));
}

#[test]
fn one_block_that_is_off_is_not_the_key() {
    let mut rows = sheets("ochre", &scattered([0.3, 0.3, 0.3], 0.03));
    for name in ["blue", "red", "green"] {
        rows.extend(sheets(name, &scattered([0.0; 3], 0.03)));
    }
    let kept = run(&project(&["ochre", "blue", "red", "green"]), &rows);
    assert!(
        !kept.notes.iter().any(|n| n.contains("key's")),
        "{:?}",
        kept.notes
    );
    assert!(told(&kept, "ochre").iter().all(|by| *by > 0.2));
}

#[test]
fn leaving_out_the_only_reference_needs_another() {
    let mut shifts = scattered([0.0; 3], 0.01);
    shifts.extend(scattered([0.0; 3], 0.01));
    shifts[0] = [1.0; 3];
    let rows = sheets("ochre", &shifts);
    let said = |references: usize| {
        let mut files = impressions(shifts.len());
        for f in files.iter_mut().take(references) {
            f.role = Role::Reference;
        }
        let kept = run_of(&project(&["ochre"]), &files, &rows);
        kept.notes.join(" ")
    };
    assert!(said(1).contains("it is the only reference"));
    assert!(said(2).contains("leave it out and look again"));
    assert!(said(0).contains("leave it out and look again"));
}

/// A face that is off is moved though what the others are off by hides it at the worst corner.
#[test]
fn a_face_that_is_off_is_moved_whatever_is_undecided_beside_it() {
    let mut rows = sheets("ochre", &scattered([-0.31, 0.0, 0.3], 0.03));
    for (row, sign) in rows.iter_mut().zip([1.0, -1.0, 1.0, -1.0, 0.0]) {
        // Along x only chance is seen.
        row.motion[0] += 0.6 * sign;
    }
    let kept = run(&project(&["ochre"]), &rows);
    let by = told(&kept, "ochre");
    assert!((by[0] + 0.31).abs() < 0.01, "{by:?}");
    assert_eq!(by[1..], [0.0, 0.0]);
}

/// Placing scatters differently from block to block; that is not a sheet laid askew.
#[test]
fn the_usual_scatter_is_not_laid_askew() {
    let mut rows = Vec::new();
    for (name, sd) in [("ochre", 0.06), ("blue", 0.06), ("red", 0.06)] {
        let mut shifts = scattered([0.0; 3], sd);
        shifts.extend(scattered([0.0; 3], sd));
        rows.extend(sheets(name, &shifts));
    }
    // By chance most sheets of one block lie close together.
    let mut close = scattered([0.0; 3], 0.005);
    close.extend(scattered([0.0; 3], 0.005));
    close[2] = [0.14, 0.0, 0.0];
    rows.extend(sheets("green", &close));
    let blocks = project(&["ochre", "blue", "red", "green"]);
    let kept = run(&blocks, &rows);
    assert!(
        !kept.notes.iter().any(|n| n.contains("askew")),
        "{:?}",
        kept.notes
    );
    // One that lies far off is named, at the face where it does.
    close[2] = [0.9, 0.0, 0.0];
    rows.truncate(30);
    rows.extend(sheets("green", &close));
    let kept = run(&blocks, &rows);
    assert!(
        kept.notes
            .iter()
            .any(|n| n.contains("3.tif: 0.9") && n.contains("askew")),
        "{:?}",
        kept.notes
    );
    let says =
        |face| text(kept.correction("green", face), "advice").contains("apart from the others");
    assert!(says("long") && !says("straight") && !says("short"));
}

#[test]
fn what_is_off_at_a_corner_has_its_error() {
    let kept = run(
        &project(&["ochre"]),
        &sheets("ochre", &scattered([0.3; 3], 0.1)),
    );
    let left = kept.of("mark_residuals")[0];
    let se = number(left, "now_se_mm").unwrap();
    // Five sheets that scatter by 0.1 mm at each face, seen at a corner 185 mm out.
    assert!((0.04..0.09).contains(&se), "{se}");
    assert!(text(left, "words").contains(&format!("(standard error {se:.2}) as the marks are")));
    let one = run(&project(&["ochre"]), &sheets("ochre", &[[0.3; 3]]));
    assert_eq!(number(one.of("mark_residuals")[0], "now_se_mm"), None);
}

/// Off to one side as a whole, with one face that chance covers: the others alone would turn it.
#[test]
fn a_block_that_is_not_turned_is_not_turned_by_the_advice() {
    let mut rows = sheets("ochre", &scattered([0.3, 0.3, -0.28], 0.05));
    for (row, sign) in rows.iter_mut().zip([1.0, -1.0, 1.0, -1.0, 0.0]) {
        // Turned about the straight mark by chance, so that the corner's long face is not told.
        row.motion[1] -= 0.06 * 1.5 * sign;
        row.motion[2] += 1.5 * sign;
        row.motion[0] -= 0.132 * 1.5 * sign;
    }
    let kept = run(&project(&["ochre"]), &rows);
    let by = told(&kept, "ochre");
    assert!(by[0] == by[1] && by[0] > 0.25, "{by:?}");
}

/// One face passes for chance, but so does the difference between the two.
#[test]
fn a_face_alone_is_moved_only_where_the_other_is_likely_right() {
    let mut shifts = scattered([-0.16, -0.24, 0.0], 0.0);
    for (s, by) in shifts.iter_mut().zip([1.0, -1.0, 1.0, -1.0, 0.0]) {
        // The long face of the corner mark is the one laid against badly.
        s[0] += 0.16 * by;
        s[1] += 0.1 * by;
    }
    let kept = run(&project(&["ochre"]), &sheets("ochre", &shifts));
    let by = told(&kept, "ochre");
    assert!(by[0] == by[1] && by[0] < -0.1, "{by:?}");
    let advice = text(kept.correction("ochre", "straight"), "advice");
    assert!(advice.contains("likelier than a turn"), "{advice}");
    // Where it is right the other is moved alone, and what that does besides is said.
    let mut shifts = scattered([0.0, -0.24, 0.0], 0.0);
    for (s, by) in shifts.iter_mut().zip([1.0, -1.0, 1.0, -1.0, 0.0]) {
        s[0] += 0.13 * by;
        s[1] -= 0.03 * by;
    }
    let kept = run(&project(&["ochre"]), &sheets("ochre", &shifts));
    assert_eq!(told(&kept, "ochre")[0], 0.0);
    let advice = text(kept.correction("ochre", "straight"), "advice");
    assert!(advice.contains("turns the print by 1.0 mrad"), "{advice}");
}
