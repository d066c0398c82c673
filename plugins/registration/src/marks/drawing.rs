//! What a drawing says: of a block, and of the key where its own marks may be what is off.

use restrike_stage::{Picture, Project, Tone};

use super::canvas::{Drawing, Told};
use super::common::Common;
use super::decide::{Action, Advice, Because};
use super::evidence::Evidence;
use super::fit::{BlockFit, JUDGED};
use super::layout::Face;
use super::words::mm;

/// Most blocks that are drawn: each drawing's name is declared beforehand.
pub(crate) const MOST: usize = 24;
/// Name of the drawing of the key.
pub(crate) const KEY: &str = "marks-key";

/// Name of the drawing of the block at a place of the printing order, from 0.
pub(crate) fn name(at: usize) -> String {
    format!("marks-{:02}", at + 1)
}

/// Draws a block.
pub(crate) fn drawing(
    project: &Project,
    at: usize,
    block: &BlockFit,
    faces: &[Face; 3],
    (advice, evidence): (&[Advice; 3], &[Evidence; JUDGED]),
    (factor, doubts): (f64, &[String]),
) -> Picture {
    let towards = block.basis.aim();
    let without_zero = advice.iter().any(Advice::without_zero);
    let doubt = if without_zero {
        format!(
            " No mark is to be cut or padded by this drawing: {}.",
            block.basis.doubt()
        )
    } else {
        String::new()
    };
    let against = if without_zero {
        ": its true place is not known"
    } else {
        ""
    };
    let acts = advice.iter().any(Advice::acts);
    let warnings = doubts.iter().filter(|_| acts);
    Drawing {
        name: name(at),
        caption: format!(
            "Block {} as it lies face up (the print's mirror image), with its registration marks and what to do there {towards}.{doubt} {} An arrow starts at the contact of a face that is to be moved and ends where the face should be; arrows are drawn {factor:.0} times too long, in all blocks alike.",
            block.block,
            "The sheet's edge is dashed, images are outlined. In brackets 95 % intervals, for the three faces together; of the whole where the block is moved as a whole."
        ),
        title: format!("Block {}, face up{against}", block.block),
        told: [0, 1, 2].map(|i| told(&faces[i], &advice[i], evidence)),
        images: block.parts.iter().map(|p| p.image.as_str()).collect(),
        warnings: warnings
            .map(|d| format!("{d}: see the remarks before you cut"))
            .collect(),
        factor,
    }
    .draw(project, faces)
}

/// Draws the key's block with what to do there instead of at the others.
pub(crate) fn key_drawing(
    project: &Project,
    common: &Common,
    faces: &[Face; 3],
    factor: f64,
) -> Picture {
    let told = [0, 1, 2].map(|i| {
        let by = common.at_key(i);
        let words = by.map_or_else(
            || format!("{}: leave it", faces[i].name()),
            |by| {
                let (low, high) = common.sizes(i);
                let (name, action) = (faces[i].name(), Action::moving(by).name());
                format!("{name}: {action} {} ({low:.2} to {high:.2})", mm(by))
            },
        );
        Told {
            by,
            words,
            tone: if by.is_some() {
                Tone::Measured
            } else {
                Tone::Guide
            },
        }
    });
    Drawing {
        name: KEY.to_owned(),
        caption: format!(
            "The key's block as it lies face up (the print's mirror image), with what to do at its own marks instead of what is told of the others: one or the other, never both. The sheet's edge is dashed, images are outlined. In brackets 95 % intervals. Arrows are drawn {factor:.0} times too long, as in the other drawings."
        ),
        title: "The key, face up: instead of the cuts at the others".to_owned(),
        told,
        images: project.images.iter().map(|i| i.name.as_str()).collect(),
        warnings: std::iter::once("Here or at the others, never both: see the remarks".to_owned())
            .chain(common.left.iter().map(|l| format!("Still: {l}")))
            .collect(),
        factor,
    }
    .draw(project, faces)
}

fn tone_of(advice: &Advice) -> Tone {
    match advice.action {
        Action::CutBack | Action::Pad => Tone::Measured,
        Action::LeaveIt => Tone::Guide,
        Action::Undecided => Tone::Notice,
    }
}

/// What is said of a face of a block.
fn told(face: &Face, a: &Advice, evidence: &[Evidence; JUDGED]) -> Told {
    let (low, high) = a.sizes(evidence);
    let size = match a.action {
        // Less rather than more: the interval stands beside it.
        Action::CutBack | Action::Pad => format!(
            " {}{} ({low:.2} to {high:.2})",
            mm(a.by),
            if a.because == Because::AsOne {
                ", the block as a whole"
            } else {
                ""
            }
        ),
        // No more than that: it may be off all the same.
        Action::LeaveIt if a.because == Because::Chance => " (not told from chance)".to_owned(),
        Action::Undecided if a.because == Because::Zero => {
            " (where it should print is not known well enough)".to_owned()
        }
        Action::LeaveIt | Action::Undecided => String::new(),
    };
    Told {
        by: a.acts().then_some(a.by),
        words: format!("{}: {}{size}", face.name(), a.action.name()),
        tone: tone_of(a),
    }
}
