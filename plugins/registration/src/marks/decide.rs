//! What to do at each face.

use restrike_ops::mark_contacts::{Contact, RigidMotion, motion_from_shifts};

use super::MarkOptions;
use super::evidence::{Evidence, More};
use super::fit::BlockFit;
use super::layout::Face;

/// Degrees of freedom below which a scatter is hardly known at all.
const LEAST_DOF: f64 = 2.0;

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
}

/// The advice for a face.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Advice {
    /// What to do.
    pub(crate) action: Action,
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
}

/// The advice for the three faces, and the move of the sheet it makes.
///
/// `tolerance` is the largest error borne at an image corner, mm. A face is
/// cut only if its shift is beyond chance and not drowned by the scatter of
/// placing; of those, no more than needed: each cut brings its own error. What
/// is not cut may cost half the tolerance at the worst corner.
pub(crate) fn decide(
    block: &BlockFit,
    faces: &[Face; 3],
    evidence: &[Evidence; 3],
    tolerance: f64,
    options: &MarkOptions,
) -> ([Advice; 3], RigidMotion) {
    if !block.basis.decides(options) {
        let none = Advice {
            action: Action::Undecided,
            because: Because::NoZero,
            more: None,
        };
        return ([none; 3], RigidMotion::default());
    }
    let unmoved = block.worst(&RigidMotion::default());
    let inside = unmoved <= tolerance;
    let wanted = evidence.map(|e| {
        !inside
            && e.dof >= LEAST_DOF
            && e.beyond_chance()
            && e.scatter.is_none_or(|s| e.correction.abs() >= s / 2.0)
    });
    let chosen = fewest_cuts(block, faces, wanted, tolerance / 2.0);
    let moved = move_of(block, faces, chosen);
    let worst = block.worst(&moved);
    let advice = [0, 1, 2].map(|f| {
        let e = &evidence[f];
        let (action, because) = if inside {
            (Action::LeaveIt, Because::InTolerance(unmoved))
        } else if chosen[f] {
            let action = if e.correction > 0.0 {
                Action::Pad
            } else {
                Action::CutBack
            };
            (action, Because::Shifted)
        } else if wanted[f] {
            let because = if chosen.contains(&true) {
                Because::OthersDo(worst)
            } else {
                Because::LittleGain
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
            | Because::OthersDo(_)
            | Because::LittleGain
            | Because::Scatter
            | Because::NoZero => false,
        };
        let detect = e.correction.abs().max(tolerance);
        // An interval that lies inside the tolerance is an answer as well.
        let open = open && e.correction.abs() + e.half > tolerance;
        Advice {
            action,
            because,
            more: open.then(|| e.more_proofs(detect)),
        }
    });
    (advice, moved)
}

/// The move of the sheet when the chosen faces are corrected.
pub(crate) fn move_of(block: &BlockFit, faces: &[Face; 3], chosen: [bool; 3]) -> RigidMotion {
    let contacts: [Contact; 3] = faces.map(|f| f.contact);
    let shifts = [0, 1, 2].map(|f| if chosen[f] { block.correction[f] } else { 0.0 });
    motion_from_shifts(&contacts, shifts).unwrap_or_default()
}

/// Of the wanted faces the fewest that bring the worst corner to within
/// `bearable` of the best that can be had.
fn fewest_cuts(block: &BlockFit, faces: &[Face; 3], wanted: [bool; 3], bearable: f64) -> [bool; 3] {
    let worst = |set: [bool; 3]| block.worst(&move_of(block, faces, set));
    let mut sets: Vec<[bool; 3]> = (0..8_u8)
        .map(|bits| [0, 1, 2].map(|f| wanted[f] && bits >> f & 1 == 1))
        .collect();
    sets.dedup();
    sets.sort_by_key(|s| s.iter().filter(|c| **c).count());
    let least = sets.iter().map(|s| worst(*s)).fold(f64::INFINITY, f64::min);
    let limit = least + bearable;
    let fits = |s: &&[bool; 3]| worst(**s) <= limit;
    let size = |s: &[bool; 3]| s.iter().filter(|c| **c).count();
    let Some(fewest) = sets.iter().find(fits).map(size) else {
        return [false; 3];
    };
    sets.iter()
        .filter(|s| size(s) == fewest)
        .filter(fits)
        .min_by(|a, b| worst(**a).total_cmp(&worst(**b)))
        .copied()
        .unwrap_or([false; 3])
}
