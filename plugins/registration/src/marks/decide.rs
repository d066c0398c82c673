//! What to do at each face.

use std::collections::BTreeSet;

use restrike_ops::mark_contacts::{Contact, RigidMotion, motion_from_shifts};

use super::MarkOptions;
use super::evidence::{Evidence, More};
use super::fit::{AS_ONE, BlockFit, JUDGED};
use super::layout::Face;

/// Degrees of freedom below which a scatter is hardly known at all.
const LEAST_DOF: f64 = 2.0;

/// A shift of so many standard errors is likely one.
const LIKELY: f64 = 2.0;

/// What to do at a face.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Action {
    /// Cut the face back, away from the sheet.
    CutBack,
    /// Pad the face, towards the sheet.
    Pad,
    /// Leave it as it is.
    LeaveIt,
    /// The proofs do not say.
    Undecided,
}

impl Action {
    /// What moves a face by so much along its normal, towards the sheet.
    pub(crate) fn moving(by: f64) -> Self {
        if by > 0.0 { Self::Pad } else { Self::CutBack }
    }

    /// Its name in tables.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::CutBack => "cut back",
            Self::Pad => "pad",
            Self::LeaveIt => "leave it",
            Self::Undecided => "undecided",
        }
    }
}

/// Why.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Because {
    /// The shift is more than chance, and more than the tolerance bears.
    Shifted,
    /// That of the block as a whole is; whether it is turned as well is not known.
    AsOne,
    /// The whole image is inside the tolerance: its worst corner, mm.
    InTolerance(f64),
    /// The other cuts alone bring the worst corner to so many mm.
    OthersDo(f64),
    /// Cutting would gain next to nothing: what is wrong is of another kind.
    LittleGain,
    /// Chance makes as much of so few sheets.
    Chance,
    /// The scatter of placing is more than twice the shift.
    Scatter,
    /// Too few sheets to know the scatter.
    TooFew,
    /// Where the block should print is not known.
    NoZero,
    /// Where the block should print is not known well enough, however many sheets are looked at.
    Zero,
}

/// The advice for a face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Advice {
    /// What to do.
    pub(crate) action: Action,
    /// By how much, mm along the normal; 0 where nothing is to be done.
    pub(crate) by: f64,
    /// What of the evidence that rests on.
    pub(crate) on: usize,
    /// Why.
    pub(crate) because: Because,
    /// How many more proofs would decide; none where it is decided.
    pub(crate) more: Option<More>,
}

impl Advice {
    /// Whether nothing is advised because the block's true place is not known.
    pub(crate) fn without_zero(&self) -> bool {
        self.because == Because::NoZero
    }

    /// The 95 % interval of how much is to be cut or padded, mm.
    pub(crate) fn sizes(&self, evidence: &[Evidence; JUDGED]) -> (f64, f64) {
        sizes(self.by, evidence[self.on].half)
    }

    /// Whether the face is to be moved.
    pub(crate) fn acts(&self) -> bool {
        matches!(self.action, Action::CutBack | Action::Pad)
    }
}

/// The interval of how much is to be cut or padded, mm: no less than nothing.
pub(crate) fn sizes(by: f64, half: f64) -> (f64, f64) {
    ((by.abs() - half).max(0.0), by.abs() + half)
}

/// The advice for the three faces, and the move of the sheet it makes.
///
/// `tolerance` is the largest error borne anywhere the block prints, mm. A face is
/// cut only if its shift is beyond chance and not drowned by the scatter of
/// placing; of those, no more than needed: each cut brings its own error. What
/// is not cut may cost half the tolerance at the worst corner. A block may
/// be moved as one, by what it is off in the middle of what it prints: of two faces
/// that are off alike one often passes for chance, and the other cut alone would
/// turn the print.
pub(crate) fn decide(
    block: &BlockFit,
    faces: &[Face; 3],
    evidence: &[Evidence; JUDGED],
    tolerance: f64,
    options: &MarkOptions,
) -> ([Advice; 3], RigidMotion) {
    if !block.basis.decides(options) {
        let none = Advice {
            action: Action::Undecided,
            by: 0.0,
            on: 0,
            because: Because::NoZero,
            more: None,
        };
        return ([none; 3], RigidMotion::default());
    }
    let unmoved = block.worst(&RigidMotion::default());
    let inside = unmoved <= tolerance;
    let mut wanted = evidence.map(|e| {
        !inside
            && e.dof >= LEAST_DOF
            && e.beyond_chance()
            && e.scatter.is_none_or(|s| e.correction.abs() >= s / 2.0)
    });
    // Where a face of the long edge is off for certain, to move the block without turning it takes
    // no more than that it is off as a whole at all.
    let whole = &evidence[AS_ONE[0]];
    wanted[AS_ONE[0]] |= (wanted[0] || wanted[1]) && whole.correction.abs() > LIKELY * whole.se;
    let chosen = fewest_cuts(block, faces, wanted, tolerance / 2.0);
    let moved = move_of(faces, chosen.map(|c| c.0));
    let worst = block.worst(&moved);
    let advice = [0, 1, 2].map(|f| {
        let e = &evidence[f];
        let (by, on) = chosen[f];
        let (action, because) = if inside {
            (Action::LeaveIt, Because::InTolerance(unmoved))
        } else if by != 0.0 {
            let action = Action::moving(by);
            let because = if on == AS_ONE[f] {
                Because::AsOne
            } else {
                Because::Shifted
            };
            (action, because)
        } else if wanted[f] {
            let because = if chosen.iter().all(|c| c.0 == 0.0) {
                Because::LittleGain
            } else {
                Because::OthersDo(worst)
            };
            (Action::LeaveIt, because)
        } else if e.dof < LEAST_DOF && e.correction.abs() > tolerance / 2.0 {
            (Action::Undecided, Because::TooFew)
        } else if e.beyond_chance() && e.dof >= LEAST_DOF {
            (Action::LeaveIt, Because::Scatter)
        } else {
            (Action::LeaveIt, Because::Chance)
        };
        let open = match because {
            Because::InTolerance(_) => e.correction.abs() + e.half > tolerance,
            Because::Chance | Because::TooFew => true,
            Because::Shifted
            | Because::AsOne
            | Because::OthersDo(_)
            | Because::LittleGain
            | Because::Scatter
            | Because::Zero
            | Because::NoZero => false,
        };
        let detect = e.correction.abs().max(tolerance);
        // An interval that lies inside the tolerance is an answer as well.
        let open = open && e.correction.abs() + e.half > tolerance;
        let more = open.then(|| e.more_proofs(detect));
        // To leave a face is no answer where it may be far off and nothing would tell.
        let (action, because) = match (because, more) {
            (Because::Chance, Some(More::NoneWould)) if e.correction.abs() > tolerance / 2.0 => {
                (Action::Undecided, Because::Zero)
            }
            _ => (action, because),
        };
        Advice {
            action,
            by,
            on,
            because,
            more,
        }
    });
    (advice, moved)
}

/// The move of the sheet when the faces are moved by so much.
pub(crate) fn move_of(faces: &[Face; 3], by: [f64; 3]) -> RigidMotion {
    let contacts: [Contact; 3] = faces.map(|f| f.contact);
    motion_from_shifts(&contacts, by).unwrap_or_default()
}

/// By how much a face is moved, mm, and what of the evidence that rests on.
type Choice = (f64, usize);

/// Of the moves that are wanted the fewest that bring the worst
/// place to within `bearable` of the best that can be had: by how much each
/// face is moved.
fn fewest_cuts(
    block: &BlockFit,
    faces: &[Face; 3],
    wanted: [bool; JUDGED],
    bearable: f64,
) -> [Choice; 3] {
    let none = [0, 1, 2].map(|f| (0.0, f));
    // A block moved without a turn is one thing to do, at whatever number of faces.
    let size = |set: &[Choice; 3]| {
        let moves = set.iter().filter(|c| c.0 != 0.0).map(|c| c.1);
        moves.collect::<BTreeSet<usize>>().len()
    };
    let worst = |by: [f64; 3]| block.worst(&move_of(faces, by));
    let unmoved = worst([0.0; 3]);
    let fewest = |judged: &dyn Fn(&[Choice; 3]) -> f64| -> [Choice; 3] {
        // Nothing may make the worst place worse.
        let sets: Vec<([Choice; 3], f64)> = candidates(block, wanted)
            .filter(|set| worst(set.map(|c| c.0)) <= unmoved)
            .map(|set| (set, judged(&set)))
            .collect();
        let least = sets.iter().map(|s| s.1).fold(f64::INFINITY, f64::min);
        let fits = sets.iter().filter(|s| s.1 <= least + bearable);
        let best = fits.min_by(|a, b| size(&a.0).cmp(&size(&b.0)).then(a.1.total_cmp(&b.1)));
        best.map_or(none, |s| s.0)
    };
    let chosen = fewest(&|set| worst(set.map(|c| c.0)));
    if chosen != none {
        return chosen;
    }
    // What is not wanted may be off all the same, and then hides what a cut does at the worst
    // place: with those faces where they are measured to belong it shows.
    fewest(&|set| {
        worst([0, 1, 2].map(|f| match set[f].0 {
            0.0 if !wanted[f] => block.correction[f],
            by => by,
        }))
    })
}

/// All moves that are wanted: each face by itself, or without a turn, by what the block as a whole
/// is off.
fn candidates(block: &BlockFit, wanted: [bool; JUDGED]) -> impl Iterator<Item = [Choice; 3]> {
    let by = move |f: usize, on: usize, moves: bool| {
        if moves && wanted[on] {
            (block.correction[on], on)
        } else {
            (0.0, f)
        }
    };
    let long = [[false, false], [true, false], [false, true], [true, true]]
        .map(|moves| [0, 1].map(|f| by(f, f, moves[f])));
    let as_one = [0, 1].map(|f| by(f, AS_ONE[f], true));
    let short = [by(2, 2, false), by(2, 2, true), by(2, AS_ONE[2], true)];
    let long = long.into_iter().chain([as_one]);
    long.flat_map(move |[a, b]| short.into_iter().map(move |c| [a, b, c]))
}
