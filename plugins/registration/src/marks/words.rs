//! The advice in words.

use restrike_ops::mark_contacts::RigidMotion;

use super::decide::{Action, Advice, Because};
use super::evidence::{Evidence, More};
use super::fit::{BlockFit, Part};
use super::layout::{Corner, Face};
use crate::basis::Basis;

/// Hundredths of a millimetre are all a printer can use.
pub(crate) fn mm(v: f64) -> String {
    format!("{:.2} mm", v.abs())
}

/// `1 more proof` or `7 more proofs`.
fn proofs(n: usize) -> String {
    format!("{n} more proof{}", if n == 1 { "" } else { "s" })
}

fn sheets(n: usize) -> String {
    format!("{n} sheet{}", if n == 1 { "" } else { "s" })
}

/// The advice for a face; `apart`: how many of the sheets stand apart from the others.
pub(crate) fn advice(
    face: &Face,
    e: &Evidence,
    a: &Advice,
    (tolerance, apart): (f64, usize),
    basis: Basis,
) -> String {
    let name = face.spoken();
    let size = mm(e.correction);
    let to_match = match basis {
        Basis::Key => String::new(),
        other => format!(", {}", other.aim()),
    };
    let mut text = match a.action {
        Action::CutBack => format!("Cut {name} back by {size}{to_match}"),
        Action::Pad => format!("Pad {name} by {size}{to_match}"),
        Action::LeaveIt => format!("Leave {name} as it is{to_match}"),
        Action::Undecided => format!("Undecided about {name}{to_match}"),
    };
    text.push_str(": ");
    text.push_str(&reason(e, a, tolerance, basis));
    text.push('.');
    if let Some(more) = a.more {
        text.push(' ');
        text.push_str(&more_words(more, e, tolerance));
    }
    if apart > 0 && a.action != Action::Undecided {
        text.push_str(&format!(
            " Of these sheets {apart} {} apart from the others: see the remarks of the run before you cut.",
            if apart == 1 { "stands" } else { "stand" }
        ));
    }
    text
}

fn reason(e: &Evidence, a: &Advice, tolerance: f64, basis: Basis) -> String {
    let size = mm(e.correction);
    let n = sheets(e.sheets);
    let scatter = e.scatter.unwrap_or(0.0);
    match a.because {
        Because::Shifted => format!(
            "between {} and {} (95 % interval) from {n}, more than the scatter of placing ({} from sheet to sheet) makes of their mean",
            mm((e.correction.abs() - e.half).max(0.0)),
            mm(e.correction.abs() + e.half),
            mm(scatter)
        ),
        Because::InTolerance(worst) => format!(
            "the worst corner is off by {} on average of {n}, inside the tolerance of {}",
            mm(worst),
            mm(tolerance)
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
        Because::Chance | Because::TooFew => {
            format!("it is off by {size}, but {n} cannot tell that from the scatter of placing")
        }
        Because::NoZero => basis.doubt().to_owned(),
        Because::Scatter => format!(
            "it is off by {size}, but the scatter of placing ({}) is more than twice that",
            mm(scatter)
        ),
    }
}

fn more_words(more: More, e: &Evidence, tolerance: f64) -> String {
    let detect = mm(e.correction.abs().max(tolerance));
    match more {
        More::Proofs(n) if e.dof <= 0.0 => format!("At least {} are needed.", proofs(n)),
        More::Proofs(n) => format!(
            "{} would decide about {detect}, four times in five.",
            proofs(n)
        ),
        More::TooMany => format!("Deciding about {detect} would take hundreds of proofs."),
        More::NoneWould => format!(
            "More proofs would not decide about {detect}: the block's own shape and zero are not known well enough, however many sheets are looked at."
        ),
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
    now: f64,
    (advised, moved): (f64, bool),
    (corner, left): (Corner, f64),
    tolerance: f64,
) -> String {
    let against = match block.basis {
        Basis::Key => "",
        Basis::Reference => "Against the reference impression: ",
        Basis::Proof => "Against its proof: ",
    };
    let mut text = if moved {
        format!(
            "{against}{} as the marks are, {} corrected as advised.",
            mm(now),
            mm(advised)
        )
    } else {
        format!(
            "{against}{} as the marks are; no correction is advised.",
            mm(now)
        )
    };
    if left < 0.01 {
        text.push_str(" Nothing is left that marks could not mend.");
        if moved && advised > tolerance {
            text.push_str(" What is over the tolerance all the same these sheets do not decide.");
        }
        return text;
    }
    text.push_str(&format!(
        " No mark mends the last {} at the {} corner",
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
    text
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
