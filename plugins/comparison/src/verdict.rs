//! Worn, re-cut, plugged or undecided: the likelihood ratio and its calibration.
//!
//! The ratio is of two normal densities of the logarithm of the fine-scale
//! deviation, set after rendered block pairs (see the README for which, and for
//! the pairs it was then held against), each widened by what the scans
//! themselves could not see. What was damaged before and prints again speaks
//! for a new block, what was damaged and stays so for the old one.

use crate::kinds::{Finding, Kind};
use crate::recut::{Course, LEAST_TILES, Patch, patches};

/// Logarithm of the deviation in mm: mean and standard deviation of blocks that
/// were not re-cut, and of those that were.
const SAME: [f64; 2] = [-5.3, 0.45];
const RECUT: [f64; 2] = [-3.3, 0.5];
/// Relative standard deviation of the middle square, times the root of the
/// number of tiles, and how far off the noise itself may be.
const SCATTER: f64 = 1.7;
const NOISE: f64 = 0.25;
/// Decided where one is so many times likelier than the other.
pub(crate) const DECIDED: f64 = 20.0;
/// Most the healed damage may say, natural logarithm.
const HEALED: f64 = 2.0;
/// A healed place is so likely on a new block, and on the old one (a plug).
const HEALS: [f64; 2] = [0.5, 0.15];
/// Largest logarithm of the ratio: no more is known of the tails.
const MOST: f64 = 9.0;
/// No cutter strays by this much: a misfit, mm.
const MISFIT_MM: f64 = 0.15;
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
    let noise = course.least_mm * course.least_mm;
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

/// Judges a block. `course` is none where its edges tell too little.
pub(crate) fn judge(
    course: Option<&Course>,
    (block, key): (usize, bool),
    found: &[Finding],
    located: [bool; 2],
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
    if course.deviation_mm > MISFIT_MM {
        return undecided(format!(
            "its edges lie up to some tenths of a millimetre from where they were looked for ({:.2} mm): nothing fits",
            course.deviation_mm
        ));
    }
    let mut log_ratio = libm::log(likelihood(course, RECUT)) - libm::log(likelihood(course, SAME));
    #[allow(clippy::cast_precision_loss)]
    if lost + gained >= 3 {
        let healed = gained as f64 * libm::log(HEALS[0] / HEALS[1])
            + lost as f64 * libm::log((1.0 - HEALS[0]) / (1.0 - HEALS[1]));
        log_ratio += healed.clamp(-HEALED, HEALED);
    }
    let log_ratio = log_ratio.clamp(-MOST, MOST);
    if !(located[0] && located[1]) {
        // A wrong place looks like another course.
        return Verdict {
            log_ratio: Some(log_ratio),
            ..undecided(format!(
                "not located in one of the editions: a wrong place looks like a new cut (moves of its edges explain {:.0} % of the difference)",
                100.0 * course.explained
            ))
        };
    }
    let limit = libm::log(DECIDED);
    let patches = if log_ratio < limit {
        patches(course)
    } else {
        Vec::new()
    };
    let (word, why) = if !key && log_ratio.abs() > limit {
        // Its edges lie mostly under the key's lines; one sheet that is located
        // a little wrong has made a new block of an old one.
        (
            "undecided",
            "a colour block shows too little of its course to decide by: the ratio is a hint"
                .to_owned(),
        )
    } else if log_ratio > limit {
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
        (
            "undecided",
            format!(
                "the fine-scale deviation of {:.4} mm is not clearly what wear leaves or what a new cut brings, with what these scans can see",
                course.deviation_mm
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
