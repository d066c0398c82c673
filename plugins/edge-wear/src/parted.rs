//! Whether what misses of a line on rows across it parts the line: cuts run aslant, and
//! chips narrow from one edge to the other.

use crate::gaps::{LEAST_BREAK_MM, THROUGH_INK};

/// A gap that narrows across the line parts it where its narrow end is as light as a gap so
/// long is under the blur, within this much of the ink.
const CLEAR: f64 = 0.12;

/// Ink left where a gap is lightest, on the row where that is most. Rows are looked at
/// each for itself, for a gap may cross the line aslant; but what misses on a row must
/// overlap what misses on the next, or two bites face each other past one another.
pub(crate) fn left_across(inks: &[[f64; 5]]) -> f64 {
    let lightest = |row: usize| inks.iter().map(|i| i[row]).fold(f64::NAN, f64::min);
    let meet = (0..4).all(|r| {
        inks.iter()
            .any(|i| i[r] < THROUGH_INK && i[r + 1] < THROUGH_INK)
    });
    if meet {
        (0..5).map(lightest).fold(f64::NAN, f64::max)
    } else {
        1.0
    }
}

/// Whether a gap that narrows to `least`, mm, goes through all the same: a bite that holds at
/// one edge leaves more ink there than a gap does on which as much is missing.
pub(crate) fn tapers(left: f64, least: f64, sigma: f64) -> bool {
    let gap = 1.0 - libm::erf(least / (2.0 * std::f64::consts::SQRT_2 * sigma));
    least >= LEAST_BREAK_MM && left <= gap + CLEAR
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::gaps::GAP;

    const STEP: f64 = 0.02;
    const SIGMA: f64 = 0.03;

    /// Ink of five rows along a line, each with a gap of a length about a place, mm, blurred.
    fn inks(gaps: [(f64, f64); 5]) -> Vec<[f64; 5]> {
        let below = |t: f64| 0.5 * libm::erfc(-t / (SIGMA * std::f64::consts::SQRT_2));
        (-40..=40)
            .map(|i| {
                let s = f64::from(i) * STEP;
                gaps.map(|(at, length)| {
                    let gone = below(s - at + 0.5 * length) - below(s - at - 0.5 * length);
                    1.0 - gone
                })
            })
            .collect()
    }

    fn least(inks: &[[f64; 5]]) -> f64 {
        let missing = |r: usize| inks.iter().map(|i| 1.0 - i[r]).sum::<f64>() * STEP;
        (0..5).map(missing).fold(f64::MAX, f64::min)
    }

    #[test]
    fn a_cut_aslant_goes_through_and_bites_past_each_other_do_not() {
        // 0.2 mm wide, and each row 0.15 mm further on than the last.
        let aslant = inks([-0.3, -0.15, 0.0, 0.15, 0.3].map(|at| (at, 0.2)));
        assert!(left_across(&aslant) < GAP);
        let most = |i: &[f64; 5]| i.iter().copied().fold(0.0, f64::max);
        assert!(aslant.iter().map(most).fold(1.0, f64::min) > GAP);
        let past = inks([
            (-0.3, 0.2),
            (-0.3, 0.2),
            (-0.3, 0.2),
            (0.3, 0.2),
            (0.3, 0.2),
        ]);
        assert!(left_across(&past) > 0.9);
    }

    #[test]
    fn a_gap_that_narrows_is_told_from_a_bite_that_holds() {
        let wedge = inks([0.4, 0.34, 0.27, 0.2, 0.14].map(|length| (0.0, length)));
        assert!(tapers(left_across(&wedge), least(&wedge), SIGMA));
        // As much ink misses on the row that holds, but thinly all along.
        let mut bite = inks([0.4, 0.4, 0.4, 0.4, 0.4].map(|length| (0.0, length)));
        for i in &mut bite {
            i[4] = 1.0 - 0.35 * (1.0 - i[0]);
        }
        assert!((least(&bite) - least(&wedge)).abs() < 0.01);
        assert!(!tapers(left_across(&bite), least(&bite), SIGMA));
    }
}
