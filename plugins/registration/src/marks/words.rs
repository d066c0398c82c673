//! The advice in words.

use restrike_ops::mark_contacts::RigidMotion;

use super::decide::{Action, Advice, Because, sizes};
use super::evidence::{Evidence, More};
use super::fit::{BlockFit, EDGE_FACES, JUDGED, Part};
use super::layout::{Corner, Face};
use crate::basis::Basis;

/// Hundredths of a millimetre are all a printer can use.
pub(crate) fn mm(v: f64) -> String {
    format!("{:.2} mm", v.abs())
}

/// `1 more sheet` or `7 more sheets`.
fn more_sheets(n: usize) -> String {
    format!("{n} more sheet{}", if n == 1 { "" } else { "s" })
}

fn sheets(n: usize) -> String {
    format!("{n} sheet{}", if n == 1 { "" } else { "s" })
}

/// What the words of a face's advice stand on.
pub(crate) struct Grounds<'a> {
    /// The three faces.
    pub(crate) faces: &'a [Face; 3],
    /// What is known of each, and of the block as a whole.
    pub(crate) evidence: &'a [Evidence; JUDGED],
    /// Largest error borne at a corner, mm.
    pub(crate) tolerance: f64,
    /// How many sheets stand apart from the others at each face.
    pub(crate) apart: [usize; 3],
    /// What the block's places are against.
    pub(crate) basis: Basis,
    /// By how much each face is moved, mm.
    pub(crate) moved: [f64; 3],
    /// Whether what is off here is off in all blocks, so that the key may be what is.
    pub(crate) in_common: [bool; 3],
}

/// The advice for the face `at`.
pub(crate) fn advice(at: usize, a: &Advice, on: &Grounds<'_>) -> String {
    let &Grounds {
        tolerance,
        apart,
        basis,
        ..
    } = on;
    let e = &on.evidence[at];
    let name = on.faces[at].spoken();
    let to_match = match basis {
        Basis::Key => String::new(),
        other => format!(", {}", other.aim()),
    };
    let as_one = match a.because {
        Because::AsOne if EDGE_FACES.contains(&at) => {
            let other = EDGE_FACES[usize::from(at == EDGE_FACES[0])];
            format!(", and {} by as much", on.faces[other].spoken())
        }
        _ => String::new(),
    };
    let turns = turned(at, a, on);
    let mut text = match a.action {
        Action::CutBack => format!("Cut {name} back by {}{as_one}{to_match}", mm(a.by)),
        Action::Pad => format!("Pad {name} by {}{as_one}{to_match}", mm(a.by)),
        Action::LeaveIt => format!("Leave {name} as it is{to_match}"),
        Action::Undecided => format!("Undecided about {name}{to_match}"),
    };
    text.push_str(": ");
    text.push_str(&reason(at, a, on));
    text.push('.');
    if let Some(more) = a.more {
        text.push(' ');
        text.push_str(&more_words(more, e, tolerance));
    }
    text.push_str(&turns);
    if on.in_common[at] && a.acts() {
        text.push_str(
            " The other blocks are off the same way: it may be the key's own mark, see the remarks of the run before you cut.",
        );
    }
    let apart = apart[at];
    if apart > 0 && a.action != Action::Undecided {
        text.push_str(&format!(
            " Of these sheets {apart} {} apart from the others: see the remarks of the run before you cut.",
            if apart == 1 { "stands" } else { "stand" }
        ));
    }
    text
}

/// What a cut at one face of the long edge alone does besides.
fn turned(at: usize, a: &Advice, on: &Grounds<'_>) -> String {
    let Some(mine) = EDGE_FACES.iter().position(|f| *f == at) else {
        return String::new();
    };
    let other = EDGE_FACES[1 - mine];
    if !a.acts() || on.moved[other] != 0.0 {
        return String::new();
    }
    let apart = (on.faces[at].contact.at - on.faces[other].contact.at).norm();
    format!(
        " Moved alone it turns the print by {:.1} mrad against the key.",
        1000.0 * a.by.abs() / apart
    )
}

fn reason(at: usize, a: &Advice, on: &Grounds<'_>) -> String {
    let e = &on.evidence[if a.acts() { a.on } else { at }];
    let (low, high) = sizes(a.by, e.half);
    let size = mm(e.correction);
    let n = sheets(e.sheets);
    let scatter = e.scatter.unwrap_or(0.0);
    match a.because {
        Because::Shifted => format!(
            "between {} and {} (95 % interval) from {n}, more than the scatter of placing ({} from sheet to sheet) makes of their mean",
            mm(low),
            mm(high),
            mm(scatter)
        ),
        Because::AsOne if a.by.abs() <= e.half => format!(
            "a face of the long edge is off for certain, and that the block is off as a whole, by {} give or take {} (95 % interval) from {n}, is likelier than a turn ({} is measured at this face)",
            mm(a.by),
            mm(e.half),
            mm(on.evidence[at].correction)
        ),
        Because::AsOne => format!(
            "the block as a whole is off this way by {} to {} (95 % interval) from {n}, more than the scatter of placing ({} from sheet to sheet) makes of their mean; whether it is turned besides ({} is measured at this face) they do not decide",
            mm(low),
            mm(high),
            mm(scatter),
            mm(on.evidence[at].correction)
        ),
        Because::InTolerance(worst) => format!(
            "the worst corner is off by {} on average of {n}, inside the tolerance of {}",
            mm(worst),
            mm(on.tolerance)
        ),
        Because::OthersDo(worst) => format!(
            "it is off by {size}, but with the other corrections the worst corner comes to {}",
            mm(worst)
        ),
        Because::LittleGain => format!(
            "it is off by {size}, but correcting it would gain next to nothing at the worst corner"
        ),
        Because::Chance if e.half.is_finite() => format!(
            "{size} is no more than chance makes of {n} (up to {})",
            mm(e.half)
        ),
        Because::Zero => format!(
            "it is off by {size}, give or take {} (95 % interval), and {} of that would stay however many sheets were looked at, for how the block's outline lies to the key's lines is not known well enough. Look at the prints; a slip of paper on the mark tries a move without a cut",
            mm(e.half),
            mm(e.lasting())
        ),
        Because::Chance | Because::TooFew => {
            format!("it is off by {size}, but {n} cannot tell that from the scatter of placing")
        }
        Because::NoZero => on.basis.doubt().to_owned(),
        Because::Scatter => format!(
            "it is off by {size}, but the scatter of placing ({}) is more than twice that",
            mm(scatter)
        ),
    }
}

fn more_words(more: More, e: &Evidence, tolerance: f64) -> String {
    let detect = mm(e.correction.abs().max(tolerance));
    match more {
        More::Proofs(n) if e.dof <= 0.0 => format!("At least {} are needed.", more_sheets(n)),
        More::Proofs(n) => format!(
            "{} would decide about {detect}, four times in five.",
            more_sheets(n)
        ),
        More::TooMany => format!("Deciding about {detect} would take hundreds of sheets."),
        More::NoneWould => "More sheets would hardly decide it.".to_owned(),
    }
}

/// What is known of a face of a block that cannot be located.
pub(crate) fn hidden(face: &Face, reason: &str, interval: Option<(f64, f64)>, n: usize) -> String {
    let why = if reason.is_empty() {
        "the block could not be located"
    } else {
        reason
    };
    let known = interval.map_or(String::new(), |(low, high)| {
        format!(
            " {} bear anything between {low:+.2} and {high:+.2} mm there, if the block is not turned.",
            sheets(n)
        )
    });
    format!("Undecided about {}: {why}.{known}", face.spoken())
}

/// What the marks leave of an image's error. `left` is the worst corner at best.
pub(crate) fn residual(
    block: &BlockFit,
    part: &Part,
    (now, now_se): (f64, Option<f64>),
    (advised, moved): (f64, bool),
    (corner, left): (Corner, f64),
    tolerance: f64,
) -> String {
    let against = match block.basis {
        Basis::Key => "",
        Basis::Reference => {
            "Against the reference impression, whose own register is not measured: "
        }
        Basis::Proof => "Against its proof, which was not laid against the key: ",
    };
    let error = now_se.map_or(String::new(), |se| {
        format!(" (standard error {:.2})", se.max(0.01))
    });
    let over = if advised > tolerance {
        format!(", over the tolerance of {}", mm(tolerance))
    } else {
        String::new()
    };
    let mut text = if moved {
        format!(
            "{against}{}{error} as the marks are, {} corrected as advised{over}.",
            mm(now),
            mm(advised)
        )
    } else {
        format!(
            "{against}{}{error} as the marks are{over}; no correction is advised.",
            mm(now)
        )
    };
    let undecided = undecided(block.basis, advised, left, tolerance);
    if left < 0.01 {
        text.push_str(if undecided.is_empty() {
            " Nothing is left that marks could not mend."
        } else {
            &undecided
        });
        return text;
    }
    text.push_str(&format!(
        " No mark mends {} of it, at the {} corner",
        mm(left),
        corner.name
    ));
    let [_, _, _, sx, sy] = part.mean;
    let mut why = Vec::new();
    let mut unsure = false;
    for ([more, less], v, se) in [
        (["wider", "narrower"], sx, part.stretch_se.map(|s| s[0])),
        (["taller", "shorter"], sy, part.stretch_se.map(|s| s[1])),
    ] {
        // As in the shares of the stretch: of many blocks one in twenty passes twice its error.
        let sure = se.is_none_or(|se| v.abs() > 3.0 * se);
        if part.stretched && v.abs() >= 5e-5 {
            let which = if v > 0.0 { more } else { less };
            if sure {
                let error = se.map_or(String::new(), |se| {
                    format!(" ± {:.2}", (100.0 * se).max(0.01))
                });
                why.push(format!("{:.2}{error} % {which}", 100.0 * v.abs()));
            }
            unsure |= !sure;
        }
    }
    if !why.is_empty() {
        text.push_str(&format!(
            ": this print is {} than the key's",
            why.join(" and ")
        ));
    } else if block.parts.len() > 1 {
        text.push_str(": the two halves ask for different moves, and there is one set of marks");
    }
    text.push('.');
    if left > tolerance && why.is_empty() && unsure {
        text.push_str(
            " That is over the tolerance, but most of it is a stretch that is not certain.",
        );
    } else if left > tolerance {
        text.push_str(" That is over the tolerance: damp, or the block itself.");
    }
    text.push_str(&undecided);
    text
}

/// What is said where the advice leaves more than the marks would have to.
fn undecided(basis: Basis, advised: f64, left: f64, tolerance: f64) -> String {
    // What is held against a reference nothing is advised for, whatever the sheets say.
    if basis != Basis::Key || advised <= tolerance || advised - left <= tolerance / 2.0 {
        return String::new();
    }
    format!(
        " Marks could mend {} of it, but these sheets do not decide how.",
        mm(advised - left)
    )
}

/// The largest error of an image under a move, and its corner.
pub(crate) fn worst_of(
    block: &BlockFit,
    part: &Part,
    moved: &RigidMotion,
) -> Option<(Corner, restrike_stage::Point)> {
    block
        .errors(moved)
        .into_iter()
        .filter(|(p, ..)| p.image == part.image)
        .map(|(_, c, e)| (c, e))
        .max_by(|a, b| a.1.norm().total_cmp(&b.1.norm()))
}
