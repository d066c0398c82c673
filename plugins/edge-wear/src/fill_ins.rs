//! Ink where the wood beside a line should stand back.

use restrike_ops::stats::quantile;

use crate::course::Course;
use crate::kinds::{Found, Kind};
use crate::strip::{Reading, Strip};

/// Beside a line: how much light comes back, and where that is looked at.
struct Beside {
    light: [f64; 3],
    /// Share of the ground's light that the blur leaves there: less than 1 in a narrow hollow.
    open: f64,
    /// Distance from the line's middle, mm.
    offset: f64,
}

impl Beside {
    /// The light that an open place of that ground would give back, if it is open.
    fn ground(&self, through: [f64; 3]) -> [f64; 3] {
        [0, 1, 2].map(|c| self.light[c] / (through[c] + (1.0 - through[c]) * self.open))
    }
}

/// What was looked at, and what was found.
pub(crate) struct Beneath {
    /// The fill-ins.
    pub(crate) found: Vec<Found>,
    /// Length of the line's two sides on which one would have been seen, mm.
    pub(crate) seen_mm: f64,
}

/// What is usual is told over so much to either side, mm.
const NEAR_MM: f64 = 2.0;
/// Shortest fill-in, mm.
const LEAST_MM: f64 = 0.1;
/// A hollow is looked into from so many standard deviations of the blur on: of a narrower one
/// half of the light is lost between its lines.
const LEAST_OPEN: f64 = 1.5;
/// And from so many pixels on.
const LEAST_PX: f64 = 2.5;
/// Filled is what lets through less than this share of what the open hollow would.
const FILLED: f64 = 0.25;

/// Ink beside the line where the record has none: stretches over which what
/// should be bare is as dark as the key itself.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn fill_ins(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    through: [f64; 3],
) -> Beneath {
    let n = course.stations.len();
    let mut out = Beneath {
        found: Vec::new(),
        seen_mm: 0.0,
    };
    if course.bridge {
        return out;
    }
    let half = ((NEAR_MM / course.step) as usize).max(1);
    for (side, sign) in [(0, 1.0), (1, -1.0)] {
        let beside: Vec<Option<Beside>> = (0..n)
            .map(|i| {
                wide(reading, strip, i, side).or_else(|| hollow(reading, course, strip, (i, sign)))
            })
            .collect();
        let told = filled(&beside, through, half);
        out.seen_mm += told.iter().flatten().count() as f64 * course.step;
        let flags: Vec<bool> = told.iter().map(|f| f.unwrap_or(false)).collect();
        let mut i = 0;
        while i < n {
            let first = i;
            while i < n && flags[i] == flags[first] {
                i += 1;
            }
            let length = (i - first) as f64 * course.step;
            if !flags[first] || length < LEAST_MM {
                continue;
            }
            let (a, b) = (first, i - 1);
            let centre = (a + b) / 2;
            let here = &course.stations[centre];
            let off = beside[centre].as_ref().map_or(0.0, |b| b.offset);
            let at = here.at + here.normal * (sign * off);
            out.found.push(Found {
                kind: Kind::FillIn,
                line: course.line,
                recorded: false,
                from: course.stations[a].arc,
                to: course.stations[b].arc,
                length,
                depth: off,
                at,
                px: strip.px[centre],
                width: 2.0 * strip.half[centre],
                ends: [course.stations[a].at, course.stations[b].at],
                lines: 1,
                ink: 1.0,
                confidence: (length / (length + 0.1)).min(0.95),
            });
        }
    }
    out
}

/// Whether each place is as dark as the key in every channel, beside what is usual over so many
/// stations to either side; none where that cannot be told.
fn filled(beside: &[Option<Beside>], through: [f64; 3], half: usize) -> Vec<Option<bool>> {
    const LEAST_NEAR: usize = 8;
    let n = beside.len();
    let grounds: Vec<Option<[f64; 3]>> = beside
        .iter()
        .map(|b| b.as_ref().map(|b| b.ground(through)))
        .collect();
    let dark = |i: usize| -> Option<bool> {
        let here = beside[i].as_ref()?;
        let near: Vec<[f64; 3]> = grounds[i.saturating_sub(half)..(i + half).min(n)]
            .iter()
            .step_by(4)
            .copied()
            .flatten()
            .collect();
        if near.len() < LEAST_NEAR {
            return None;
        }
        Some((0..3).all(|c| {
            let all: Vec<f64> = near.iter().map(|v| v[c]).collect();
            let usual = quantile(&all, 0.7).unwrap_or(0.0);
            let filled = through[c] + FILLED * (1.0 - through[c]) * here.open;
            usual > 0.1 && here.light[c] < usual * filled.min(0.5)
        }))
    };
    (0..n).map(dark).collect()
}

/// The ground beside the line where nothing else of the key is near.
fn wide(reading: &Reading<'_>, strip: &Strip, i: usize, side: usize) -> Option<Beside> {
    let ground = &strip.ground[i].light;
    // Alike to the last digit it is the other side's, or borrowed from further along.
    let light = ground[side].filter(|_| ground[0] != ground[1])?;
    Some(Beside {
        light,
        open: 1.0,
        offset: strip.half[i] + 2.4 * reading.sigma + 0.1,
    })
}

/// The middle of the hollow between the line and the key's next ink, as between hatches.
fn hollow(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    (i, sign): (usize, f64),
) -> Option<Beside> {
    let s = &course.stations[i];
    let free = |t: f64| reading.edges.at(s.at + s.normal * (sign * t)) + reading.key.retreat_mm;
    let (offset, half) = deepest(free, strip.half[i], -strip.first, strip.across)?;
    let least = (LEAST_OPEN * reading.sigma).max(LEAST_PX * reading.pixel);
    if 2.0 * half < least {
        return None;
    }
    let light = [0, 1, 2].map(|c| strip.light(i, sign * offset, c));
    let seen = light.iter().all(|v| v.is_finite());
    seen.then(|| Beside {
        light,
        // A bar of that width under a normal blur, at its middle.
        open: libm::erf(half / (std::f64::consts::SQRT_2 * reading.sigma)),
        offset,
    })
}

/// Where between two edges the way to the nearer one is longest, and how long it is there; none
/// where no second edge is met. `free` is the way to the nearest edge, under 0 in ink.
fn deepest(free: impl Fn(f64) -> f64, from: f64, to: f64, step: f64) -> Option<(f64, f64)> {
    let mut deepest = (from, f64::NEG_INFINITY);
    let mut t = from;
    while t <= to {
        let here = free(t);
        if here > deepest.1 {
            deepest = (t, here);
        } else if here <= 0.0 && deepest.1 > 0.0 {
            return Some(deepest);
        }
        t += step;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    const THROUGH: [f64; 3] = [0.06, 0.05, 0.05];
    const SIGMA: f64 = 0.03;

    /// A hollow between lines of which one stretch is filled, with a pattern of 4 % over it.
    fn hollow(width: f64, filled: std::ops::Range<usize>) -> Vec<Option<Beside>> {
        let open = libm::erf(0.5 * width / (std::f64::consts::SQRT_2 * SIGMA));
        let place = |i: u32| {
            let ink = filled.contains(&(i as usize));
            let noise = 1.0 + 0.04 * (f64::from(i * 7919 % 101) / 50.0 - 1.0);
            let light = THROUGH.map(|t| noise * if ink { t } else { t + (1.0 - t) * open });
            Some(Beside {
                light,
                open,
                offset: 0.2,
            })
        };
        (0..300).map(place).collect()
    }

    #[test]
    fn narrow_hollows_tell_what_fills_them() {
        for width in [0.06, 0.12, 0.25] {
            let told = super::filled(&hollow(width, 140..165), THROUGH, 100);
            let filled: Vec<usize> = (0..300).filter(|i| told[*i] == Some(true)).collect();
            assert_eq!(filled, (140..165).collect::<Vec<usize>>(), "{width}");
            assert!(told.iter().all(Option::is_some));
        }
    }

    #[test]
    fn heavy_inking_alike_along_a_line_fills_nothing() {
        let told = super::filled(&hollow(0.12, 0..300), THROUGH, 100);
        assert!(told.iter().all(|t| *t != Some(true)));
    }

    #[test]
    fn the_middle_of_a_hollow_lies_between_two_edges() {
        // Lines up to 0.1 mm and from 0.24 mm on.
        let free = |t: f64| (t - 0.1).min(0.24 - t);
        let (at, half) = deepest(free, 0.1, 0.6, 0.01).unwrap_or_default();
        assert!(
            (at - 0.17).abs() < 0.006 && (half - 0.07).abs() < 0.006,
            "{at} {half}"
        );
        assert_eq!(deepest(|t| t - 0.1, 0.1, 0.6, 0.01), None);
        // The line's own edge lies a little further out than the record has it.
        assert!(deepest(|t| free(t) - 0.02, 0.1, 0.6, 0.01).is_some());
        assert_eq!(deepest(|_| -0.05, 0.1, 0.6, 0.01), None);
    }
}
