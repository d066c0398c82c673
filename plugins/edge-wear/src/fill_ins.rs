//! Ink where the wood beside a line should stand back.

use restrike_ops::stats::quantile;

use crate::course::Course;
use crate::kinds::{Found, Kind};
use crate::strip::{Reading, Strip};

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
) -> Vec<Found> {
    const LEAST_MM: f64 = 0.1;
    let n = course.stations.len();
    let mut out = Vec::new();
    if course.bridge {
        return out;
    }
    let half = ((2.0 / course.step) as usize).max(1);
    for (side, sign) in [(0, 1.0), (1, -1.0)] {
        let lightest = |i: usize| {
            strip.ground[i].light[side]
                .filter(|_| strip.ground[i].light[0] != strip.ground[i].light[1])
                .map(|g| [0, 1, 2].map(|c| g[c]))
        };
        let dark = |i: usize| -> Option<bool> {
            let here = lightest(i)?;
            let near: Vec<[f64; 3]> = (i.saturating_sub(half)..(i + half).min(n))
                .step_by(4)
                .filter_map(lightest)
                .collect();
            if near.len() < 8 {
                return None;
            }
            // As dark as the key in every channel.
            Some((0..3).all(|c| {
                let all: Vec<f64> = near.iter().map(|v| v[c]).collect();
                let usual = quantile(&all, 0.7).unwrap_or(0.0);
                usual > 0.1 && here[c] < usual * (0.25 + 0.75 * through[c]).min(0.5)
            }))
        };
        let flags: Vec<bool> = (0..n).map(|i| dark(i).unwrap_or(false)).collect();
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
            let beside = strip.half[centre] + 2.4 * reading.sigma + 0.1;
            let at = here.at + here.normal * (sign * beside);
            out.push(Found {
                kind: Kind::FillIn,
                line: course.line,
                recorded: false,
                from: course.stations[a].arc,
                to: course.stations[b].arc,
                length,
                depth: beside,
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
