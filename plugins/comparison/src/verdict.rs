//! Worn, re-cut, plugged or undecided: the likelihood ratio and its calibration.
//!
//! The ratio is of two log-normal densities of the fine-scale deviation, fitted
//! by maximum likelihood to rendered block pairs (see the README for which, and
//! for the pairs it was then held against), each widened by what the scans
//! themselves could not see. What was damaged before and prints again speaks
//! for a new block, what was damaged and stays so for the old one.

use crate::kinds::{Finding, Kind};
use crate::patches::{Patch, patches};
use crate::recut::{Course, LEAST_TILES};

/// Logarithm of the deviation in mm: mean and standard deviation of blocks that
/// were not re-cut.
const SAME: [f64; 2] = [-6.0, 0.4];
/// The same of re-cut ones, of the key and of a colour block: that one shows so
/// few places that a smooth warp takes most of the new course away. Fitted with
/// 0.34; wider, for rendered cutters are few.
const RECUT_KEY: [f64; 2] = [-3.3, 0.5];
const RECUT_COLOUR: [f64; 2] = [-4.4, 0.45];
/// Noise of the places' moves over what the cells' errors give: neighbouring
/// cells err less alike than was allowed for.
const NOISE_SHARE: f64 = 0.72;
/// Relative standard deviation of the middle square, times the root of the
/// number of tiles, and how far off the noise itself may be.
const SCATTER: f64 = 2.0;
const NOISE: f64 = 0.36;
/// A colour block whose place scatters more than this from impression to
/// impression of an edition is not well located there, mm.
const PLACED_MM: f64 = 0.015;
/// Scans that see no better than this in a place tell nothing of its course, mm.
const SEEN_MM: f64 = 0.0135;
/// Decided where one is so many times likelier than the other.
pub(crate) const DECIDED: f64 = 20.0;
/// Most the healed damage may say, natural logarithm.
const HEALED: f64 = 2.0;
/// A healed place is so likely on a new block, and on the old one (a plug).
const HEALS: [f64; 2] = [0.5, 0.15];
/// Largest logarithm of the ratio, that of 8000: no more is known of the tails.
const MOST: f64 = 8.987_196_820_661_972;
/// No cutter strays by this much: a misfit, mm.
const MISFIT_MM: f64 = 0.15;
/// A new colour block leaves less than this beside the smooth warp, mm: more is what moved lines
/// of the key do to the edges beside them.
const MISFIT_COLOUR_MM: f64 = 0.06;

/// What became of a block between two editions.
#[derive(Debug, Clone)]
pub(crate) struct Verdict {
    /// `worn`, `re-cut` or `undecided`.
    pub(crate) word: &'static str,
    /// Likelihood of re-cut over not re-cut, natural logarithm.
    pub(crate) log_ratio: Option<f64>,
    pub(crate) why: String,
    pub(crate) patches: Vec<Patch>,
    /// Places lost and gained on the block.
    pub(crate) lost: usize,
    pub(crate) gained: usize,
}

/// Likelihood of the tiles' middle square under deviations of a class: the
/// class's log-normal density is summed over, with what so many tiles scatter.
#[allow(clippy::cast_precision_loss)]
fn likelihood(course: &Course, [mean, sd]: [f64; 2]) -> f64 {
    let noise = (NOISE_SHARE * course.least_mm) * (NOISE_SHARE * course.least_mm);
    let tiles = course.tiles.len() as f64;
    let (mut sum, mut whole) = (0.0, 0.0);
    for k in -24..=24 {
        let z = f64::from(k) / 6.0;
        // Heavier than normal: rendered pairs are not all pairs.
        let weight = libm::pow(1.0 + z * z / 4.0, -2.5);
        let a = libm::exp(mean + sd * z);
        let middle = a * a + noise;
        let spread = middle * (SCATTER * SCATTER / tiles + NOISE * NOISE).sqrt();
        let off = (course.square - middle) / spread;
        sum += weight * libm::pow(1.0 + off * off / 5.0, -3.0) / spread;
        whole += weight;
    }
    sum / whole
}

/// Judges a block. `course` is none where its edges tell too little; `located`
/// and `placing`: of each edition, whether the block is located and how far its
/// place scatters from impression to impression, mm.
pub(crate) fn judge(
    course: Option<&Course>,
    (block, key): (usize, bool),
    found: &[Finding],
    located: [bool; 2],
    placing: [Option<f64>; 2],
) -> Verdict {
    let count = |kinds: [Kind; 2]| {
        found
            .iter()
            .filter(|f| f.block == Some(block) && kinds.contains(&f.kind))
            .count()
    };
    let lost = count([Kind::LineLost, Kind::AreaLost]);
    let gained = count([Kind::LineGained, Kind::AreaGained]);
    let undecided = |why: String| Verdict {
        word: "undecided",
        log_ratio: None,
        why,
        patches: Vec::new(),
        lost,
        gained,
    };
    let Some(course) = course else {
        return undecided(format!(
            "its edges tell of fewer than {LEAST_TILES} places, or nothing fits"
        ));
    };
    if course.deviation_mm > if key { MISFIT_MM } else { MISFIT_COLOUR_MM } {
        return undecided(format!(
            "its edges lie further from where they were looked for ({:.2} mm) than a new cut brings them: nothing fits",
            course.deviation_mm
        ));
    }
    // A wrong place looks like another course.
    if !(located[0] && located[1]) {
        return undecided(format!(
            "not located in one of the editions: a wrong place looks like a new cut (moves of its edges explain {:.0} % of the difference)",
            100.0 * course.explained
        ));
    }
    if !key {
        let Some(worst) = placing[0].and_then(|a| placing[1].map(|b| a.max(b))) else {
            return undecided(
                "located on one impression of an edition only: nothing says how well".to_owned(),
            );
        };
        if worst > PLACED_MM {
            return undecided(format!(
                "its place scatters by {worst:.3} mm from impression to impression of an edition: a wrong place looks like a new cut"
            ));
        }
    }
    if course.least_mm > SEEN_MM {
        return undecided(format!(
            "its edges show too little: a place tells of deviations from {:.4} mm on, {SEEN_MM} mm are needed",
            course.least_mm
        ));
    }
    let recut = if key { RECUT_KEY } else { RECUT_COLOUR };
    let mut log_ratio = libm::log(likelihood(course, recut)) - libm::log(likelihood(course, SAME));
    #[allow(clippy::cast_precision_loss)]
    if lost + gained >= 3 {
        let healed = gained as f64 * libm::log(HEALS[0] / HEALS[1])
            + lost as f64 * libm::log((1.0 - HEALS[0]) / (1.0 - HEALS[1]));
        log_ratio += healed.clamp(-HEALED, HEALED);
    }
    let log_ratio = log_ratio.clamp(-MOST, MOST);
    let limit = libm::log(DECIDED);
    let patches = if log_ratio < limit {
        patches(course)
    } else {
        Vec::new()
    };
    let (word, why) = if log_ratio > limit {
        ("re-cut", String::new())
    } else if log_ratio < -limit {
        let remark = match patches.len() {
            0 => String::new(),
            n => format!(
                "lines moved together in {n} patch{}: new wood may have been let in there, look at them",
                if n == 1 { "" } else { "es" }
            ),
        };
        ("worn", remark)
    } else {
        let seen = if course.deviation_mm < course.least_mm {
            "no fine-scale deviation is seen".to_owned()
        } else {
            format!("the fine-scale deviation is {:.4} mm", course.deviation_mm)
        };
        (
            "undecided",
            format!(
                "{seen}; these scans tell of {:.4} mm and more in a place, which is too little to part what wear leaves from what a new cut brings",
                course.least_mm
            ),
        )
    };
    Verdict {
        word,
        log_ratio: Some(log_ratio),
        why,
        patches,
        lost,
        gained,
    }
}
