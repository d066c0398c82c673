//! Block, inking or scan: from which sheets show a place and which do not.
//!
//! Stories are weighed by Bayes' rule. Block damage is there from some
//! sheet on, and stays, unless it is healed (by a plug or a re-cut), most likely
//! between editions. A gap that the record has too may have been cut so: then no
//! sheet shows the line whole, and the longer the gap the likelier. Inking comes and goes: each sheet for itself, at a rate
//! that differs from place to place (beta-binomial). Dust lies on one scan.
//! What a place looks like weighs in once: sharp ends speak for the block, a
//! soft fading for the ink, another colour than the paper's for dust; and so does
//! the line's ink beside it, which is thin where the block took too little of it.

use crate::damage::Seen;
use crate::kinds::Kind;

/// What a sheet says of a place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shown {
    Present,
    Absent,
    Unseen,
}

/// Probabilities of the stories.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Blame {
    pub(crate) block: f64,
    pub(crate) inking: f64,
    pub(crate) scan: f64,
    /// Of a gap that the record has, or a place that all sheets print pale: that it was cut so.
    pub(crate) cut: f64,
    /// Probability that it was healed, if it is the block.
    pub(crate) healed: f64,
    /// First sheet, in the order of time, that most likely no longer has it.
    pub(crate) healed_at: Option<usize>,
}

/// Damage that is there is missed so often from a length of `PLAIN_MM` on, mm, and so often
/// where it is as short as it can be seen; it is found where there is none this often.
const MISSED: f64 = 0.005;
const MISSED_SHORT: f64 = 0.05;
const PLAIN_MM: f64 = 0.4;
const SHORTEST_MM: f64 = 0.1;
const FALSE: f64 = 0.003;
/// Dust lies on one place of another scan again this often.
const DUST_AGAIN: f64 = 0.001;
/// Of bites no longer than this, mm, fewer show from sheet to sheet: so many against the others.
const SMALL_MM: f64 = 0.15;
const SMALL_FOUND: f64 = 0.37;
/// Damage is there from the first sheet on this often.
const FROM_START: f64 = 0.5;
/// It is healed this often at an end of an edition, and this often within one.
const HEALED_BETWEEN: f64 = 0.06;
const HEALED_WITHIN: f64 = 0.0005;
/// A gap of this length that the record has and that is there from the first
/// sheet on was cut so as often as it broke, mm.
const AS_OFTEN_MM: f64 = 0.8;
/// A line shows whole over a gap that was cut so this often.
const INKED_OVER: f64 = 0.01;
/// Rate of a place that inks badly: Beta(a, b).
const RATE: [f64; 2] = [0.6, 2.4];

/// Ink of the line beside a place, of the key's solid, under which it is thin, and over
/// how much it goes from hardly to plainly so.
const THIN: f64 = 0.83;
const THIN_OVER: f64 = 0.02;
/// How often the ink beside is thin: block, inking, scan, cut so.
const THIN_BESIDE: [f64; 4] = [0.01, 0.5, 0.01, 0.01];

impl Blame {
    /// The likeliest story, or `undecided`.
    pub(crate) fn name(&self) -> &'static str {
        let all = [
            (self.block, "block damage"),
            (self.inking, "inking"),
            (self.scan, "scan"),
        ];
        all.into_iter()
            .find(|(p, _)| *p > 0.5)
            .map_or("undecided", |(_, n)| n)
    }
}

/// How often a place of a story looks as it does: block, inking, scan, cut so.
fn looks(kind: Kind) -> [f64; 4] {
    let [block, inking, scan] = match kind {
        Kind::Break => [0.45, 0.08, 0.25],
        Kind::Nick => [0.25, 0.12, 0.25],
        Kind::Hole => [0.1, 0.001, 0.005],
        Kind::FillIn => [0.05, 0.15, 0.05],
        Kind::Pale => [0.03, 0.65, 0.05],
        Kind::Speck => [0.02, 0.02, 0.4],
    };
    // What was cut so looks as what broke.
    [block, inking, scan, block]
}

/// How often the ink beside a place of a story is as it is there.
fn ink_beside(seen: &Seen) -> [f64; 4] {
    // Where ink lies beside a line says nothing about the line's own.
    if seen.kind == Kind::FillIn {
        return [1.0; 4];
    }
    let thin = 1.0 / (1.0 + libm::exp((seen.ink - THIN) / THIN_OVER));
    THIN_BESIDE.map(|p| thin * p + (1.0 - thin) * (1.0 - p))
}

/// Weighs the stories.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn blame(shown: &[Shown], turns: &[bool], seen: &[Seen]) -> Blame {
    let told: Vec<(usize, bool)> = shown
        .iter()
        .enumerate()
        .filter(|(_, s)| **s != Shown::Unseen)
        .map(|(n, s)| (n, *s == Shown::Present))
        .collect();
    let m = told.len();
    let x = told.iter().filter(|t| t.1).count();
    let found = found(seen);
    let surest: Vec<(Kind, f64)> = Kind::ALL
        .into_iter()
        .map(|k| {
            let of = seen.iter().filter(|s| s.kind == k);
            (k, of.map(|s| s.confidence).sum::<f64>())
        })
        .collect();
    let most = surest.iter().max_by(|a, b| a.1.total_cmp(&b.1));
    let most = most.map_or(Kind::Break, |s| s.0);
    let block = Block::weigh(&told, turns, found, most.is_wood());
    // Each given that there is anything at all.
    let none = beta_ratio(0, m);
    let inking = beta_ratio(x, m) / (1.0 - none).max(1e-300);
    let scan = if x == 1 {
        1.0 / m.max(1) as f64
    } else {
        // Dust on the same place of several scans, each for itself.
        libm::pow(DUST_AGAIN, (x.max(1) - 1) as f64) / m.max(1) as f64
    };
    let cut = {
        let recorded: Vec<f64> = seen
            .iter()
            .filter(|s| s.recorded)
            .map(|s| s.length)
            .collect();
        let mut often = restrike_ops::stats::median(&recorded).unwrap_or(0.0) / AS_OFTEN_MM;
        // A line that every sheet prints pale at one place may be cut as thin there.
        if most == Kind::Pale && x == m {
            often = often.max(1.0);
        }
        let stays = libm::pow(found, x as f64) * libm::pow(INKED_OVER, (m - x) as f64);
        FROM_START * often * stays
    };
    // Half of the places are the block's, before anything is seen.
    let mut weight = [
        0.5 * block.likelihood,
        0.25 * inking,
        0.25 * scan,
        0.5 * cut,
    ];
    let total: f64 = surest.iter().map(|s| s.1).sum();
    for (n, w) in weight.iter_mut().enumerate() {
        let look: f64 = surest
            .iter()
            .map(|(k, c)| c / total.max(1e-12) * libm::log(looks(*k)[n]))
            .sum();
        let ink: f64 = seen
            .iter()
            .map(|s| s.confidence / total.max(1e-12) * libm::log(ink_beside(s)[n]))
            .sum();
        *w *= libm::exp(look + ink);
    }
    let sum: f64 = weight.iter().sum();
    if sum <= 0.0 {
        return Blame {
            block: 1.0 / 3.0,
            inking: 1.0 / 3.0,
            scan: 1.0 / 3.0,
            cut: 0.0,
            healed: 0.0,
            healed_at: None,
        };
    }
    Blame {
        block: weight[0] / sum,
        inking: weight[1] / sum,
        scan: weight[2] / sum,
        cut: weight[3] / sum,
        healed: block.healed,
        healed_at: block.healed_at,
    }
}

/// Probability of one given set of `x` of `m` sheets when each shows it at a
/// rate drawn from a beta distribution.
fn beta_ratio(x: usize, m: usize) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let (x, m) = (x as f64, m as f64);
    let [a, b] = RATE;
    let lnb = |a: f64, b: f64| libm::lgamma(a) + libm::lgamma(b) - libm::lgamma(a + b);
    libm::exp(lnb(a + x, b + m - x) - lnb(a, b))
}

/// How often sheets show damage that is there: short gaps are missed more often, and
/// bites near the limit of what a line shows come and go as ink does.
fn found(seen: &[Seen]) -> f64 {
    let median = |of: &dyn Fn(&&Seen) -> bool| {
        let lengths: Vec<f64> = seen.iter().filter(of).map(|s| s.length).collect();
        restrike_ops::stats::median(&lengths).unwrap_or(0.0)
    };
    let length = median(&|_| true);
    let plain = ((length - SHORTEST_MM) / (PLAIN_MM - SHORTEST_MM)).clamp(0.0, 1.0);
    let found = 1.0 - MISSED_SHORT - plain * (MISSED - MISSED_SHORT);
    let nick = |s: &&Seen| s.kind == Kind::Nick;
    if 2 * seen.iter().filter(nick).count() <= seen.len() {
        return found;
    }
    let plain = 1.0 / (1.0 + libm::exp((SMALL_MM - median(&nick)) / 0.012));
    (1.0 - MISSED_SHORT) * (SMALL_FOUND + (1.0 - SMALL_FOUND) * plain)
}

struct Block {
    likelihood: f64,
    healed: f64,
    healed_at: Option<usize>,
}

impl Block {
    /// Sums over all sheets the damage may begin at and be healed at.
    /// Only wood is healed: ink that comes back is not.
    #[allow(clippy::cast_precision_loss)]
    fn weigh(told: &[(usize, bool)], turns: &[bool], found: f64, wood: bool) -> Self {
        let m = told.len();
        // Logarithms of what is seen, by whether the damage is there, summed from the start.
        let mut there = vec![0.0; m + 1];
        let mut not = vec![0.0; m + 1];
        for (n, (_, present)) in told.iter().enumerate() {
            let log = |p: f64| libm::log(if *present { p } else { 1.0 - p });
            there[n + 1] = there[n] + log(found);
            not[n + 1] = not[n] + log(FALSE);
        }
        let begins = |k: usize| {
            if k == 0 {
                FROM_START
            } else {
                (1.0 - FROM_START) / (m as f64 - 1.0).max(1.0)
            }
        };
        // Between two sheets that tell, an edition may have ended.
        let heals = |h: usize| {
            if !wood {
                return 0.0;
            }
            let (from, to) = (told[h - 1].0, told[h].0);
            if turns[from + 1..=to].contains(&true) {
                HEALED_BETWEEN
            } else {
                HEALED_WITHIN
            }
        };
        let (mut sum, mut healed, mut best) = (0.0, 0.0, (0.0, None));
        for k in 0..m {
            let mut stays = 1.0;
            for h in k + 1..=m {
                let p = if h < m {
                    let p = stays * heals(h);
                    stays -= p;
                    p
                } else {
                    stays
                };
                let log = not[k] + there[h] - there[k] + not[m] - not[h];
                let w = begins(k) * p * libm::exp(log);
                sum += w;
                if h < m {
                    healed += w;
                    if w > best.0 {
                        best = (w, Some(told[h].0));
                    }
                }
            }
        }
        let healed = if sum > 0.0 { healed / sum } else { 0.0 };
        Self {
            likelihood: sum,
            healed,
            healed_at: best.1.filter(|_| healed > 0.5),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(pattern: &str, kind: Kind) -> Blame {
        told_of(pattern, kind, false)
    }

    fn told_of(pattern: &str, kind: Kind, recorded: bool) -> Blame {
        let shown: Vec<Shown> = pattern
            .chars()
            .filter(|c| *c != '|')
            .map(|c| match c {
                'x' => Shown::Present,
                '?' => Shown::Unseen,
                _ => Shown::Absent,
            })
            .collect();
        let mut turns = Vec::new();
        let mut turn = false;
        for c in pattern.chars() {
            if c == '|' {
                turn = true;
            } else {
                turns.push(turn);
                turn = false;
            }
        }
        let seen: Vec<Seen> = (0..shown.len())
            .filter(|n| shown[*n] == Shown::Present)
            .map(|at| seen(at, kind, recorded))
            .collect();
        blame(&shown, &turns, &seen)
    }

    fn seen(at: usize, kind: Kind, recorded: bool) -> Seen {
        Seen {
            recorded,
            ..Seen::made(at, kind)
        }
    }

    #[test]
    fn what_stays_is_the_block() {
        for pattern in [
            "xxxxxxxxxxxxxxxxxxxx",
            ".........xxxxxxxxxxx",
            ".........xx?xxx.xxxx",
            "?????xxx",
            "xxx",
        ] {
            let b = told(pattern, Kind::Break);
            assert!(
                b.block > 0.9 && b.name() == "block damage",
                "{pattern} {b:?}"
            );
            assert!(b.healed < 0.1, "{pattern} {b:?}");
        }
    }

    #[test]
    fn what_comes_and_goes_is_the_ink_and_what_is_there_once_the_scan() {
        for pattern in ["..x...xx...x.....x..", "x...xx....x..x...x.x"] {
            let b = told(pattern, Kind::Pale);
            assert!(b.inking > 0.9, "{pattern} {b:?}");
            let b = told(pattern, Kind::Break);
            assert!(b.inking > 0.5, "{pattern} {b:?}");
        }
        // Plain damage is not missed on sheet after sheet between.
        for pattern in ["........xx.x.xx", "...x.x.xx", "....x..xx..x"] {
            let b = told(pattern, Kind::Break);
            assert!(b.block < 0.5, "{pattern} {b:?}");
        }
        // Dust does not lie twice at one place.
        let b = told("..x.....x...", Kind::Break);
        assert!(b.scan < 0.5 && b.inking > b.scan, "{b:?}");
        let b = told("........x...........", Kind::Break);
        assert!(b.scan > 0.6, "{b:?}");
        let b = told("........x...........", Kind::Speck);
        assert!(b.scan > 0.9, "{b:?}");
        // On the last sheet alone nobody can be sure.
        let b = told("...................x", Kind::Break);
        assert!(b.block < 0.95 && b.scan > 0.05, "{b:?}");
    }

    #[test]
    fn a_bite_too_small_for_most_sheets_may_be_the_blocks() {
        let pattern = "x..x..x....x..x..x..";
        let of = |length: f64| {
            let shown: Vec<Shown> = pattern
                .chars()
                .map(|c| {
                    if c == 'x' {
                        Shown::Present
                    } else {
                        Shown::Absent
                    }
                })
                .collect();
            let seen: Vec<Seen> = (0..shown.len())
                .filter(|n| shown[*n] == Shown::Present)
                .map(|at| Seen {
                    length,
                    ..seen(at, Kind::Nick, false)
                })
                .collect();
            blame(&shown, &[false; 20], &seen).name()
        };
        assert_eq!(of(0.12), "block damage");
        assert_eq!(of(0.25), "inking");
    }

    #[test]
    fn specks_on_lines_thin_with_ink_are_the_inks() {
        let mut shown = [Shown::Absent; 20];
        shown[4] = Shown::Present;
        shown[11] = Shown::Present;
        let of = |ink: f64| {
            let seen = [4, 11].map(|at| Seen {
                ink,
                ..seen(at, Kind::Speck, false)
            });
            blame(&shown, &[false; 20], &seen).name()
        };
        assert_eq!(of(0.6), "inking");
        assert_eq!(of(1.0), "scan");
    }

    #[test]
    fn what_only_prints_pale_is_not_healed() {
        for kind in [Kind::Pale, Kind::Speck] {
            let b = told("xxx|...|..|.....", kind);
            assert!(b.block < 0.05 && b.healed == 0.0, "{b:?}");
        }
        // Cut as thin, or worn before the first impression: no sheet tells.
        let b = told("xxx|xxx|xx|xxxxx", Kind::Pale);
        assert!(
            b.name() == "undecided" && (b.block - b.cut).abs() < 1e-3,
            "{b:?}"
        );
    }

    #[test]
    fn what_ends_with_an_edition_was_healed() {
        let b = told("xxxx|xxxx|....|.....", Kind::Break);
        assert!(b.block > 0.9 && b.healed > 0.9, "{b:?}");
        assert_eq!(b.healed_at, Some(8));
    }

    #[test]
    fn a_gap_of_the_record_may_be_cut_so_until_a_sheet_shows_it_whole() {
        let b = told_of("xxxxxxxx", Kind::Break, true);
        assert!(b.cut > 0.2 && b.block > 0.4 && b.block < 0.8, "{b:?}");
        let b = told_of("..|xxxxxx", Kind::Break, true);
        assert!(b.cut < 0.01 && b.block > 0.95, "{b:?}");
    }

    #[test]
    fn nothing_told_is_no_story() {
        let b = told("????", Kind::Break);
        assert!(
            (b.block + b.inking + b.scan + b.cut - 1.0).abs() < 1e-9,
            "{b:?}"
        );
    }
}
