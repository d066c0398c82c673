//! T10 to T90 distance of a line's edges, from mean profiles.
//!
//! Where ground or ink is uneven, the places of T10 and T90 on a single profile
//! stray further outwards, and further inwards, than back: both levels lie where
//! an edge runs out, and a first crossing is met early. The mean distance of single profiles
//! is too long for it, the more so the finer the scan, which blurs the unevenness less.
//! So the profiles of a piece of the edge are laid on one another, each by its own
//! T50 place, and the thresholds are met by their mean.

use restrike_ops::line_profile::{LineProfile, Side};
use restrike_ops::stats::median;

use crate::edges::with_profile;
use crate::strip::Strip;

/// Reach of the mean profile to either side of the edge, standard deviations of the blur.
const REACH: f64 = 3.2;
/// Share of the profiles, at either end, that the mean leaves out at each place.
const TRIMMED: f64 = 0.1;
/// Fewest profiles of a piece.
const ENOUGH: usize = 6;

/// Levels from which the blur of an edge is read, %, and their distance in its standard
/// deviations: on the outer half, which the solid moves little.
const OUTER: [f64; 2] = [20.0, 50.0];
const OUTER_SIGMAS: f64 = 0.841_621;
/// Fewest places that say it.
const TELLING: usize = 24;

/// Standard deviation of the blur of a line's edges, mm, as its own outer halves have it; `usual` where they do not tell.
/// The registration's is that of all edges about smooth outlines, so waves of ragged edges are in it.
pub(crate) fn own_sigma(strip: &Strip, solid: &[f64], usual: f64) -> f64 {
    let seen: Vec<f64> = (0..solid.len())
        .filter_map(|i| {
            with_profile(strip, i, solid[i], |p, _| {
                [Side::First, Side::Second].map(|s| p.blur(s, OUTER[0], OUTER[1]))
            })
        })
        .flatten()
        .flatten()
        .map(|d| d / OUTER_SIGMAS)
        .collect();
    let told = (seen.len() >= TELLING).then(|| median(&seen)).flatten();
    told.map_or(usual, |s| s.clamp(0.5 * usual, 1.5 * usual))
}

/// T10 to T90 distance at each station, that of its piece, on the left and the right;
/// not-a-number where the piece has none or the station is not `good`. `solid`: share of the light that goes through the ink.
pub(crate) fn spreads(
    strip: &Strip,
    solid: &[f64],
    edges: &[[Option<f64>; 2]],
    good: &[bool],
    piece: usize,
    sigma: f64,
) -> Vec<[f64; 2]> {
    let mut out = vec![[f64::NAN; 2]; good.len()];
    for from in (0..good.len()).step_by(piece) {
        let here: Vec<usize> = (from..(from + piece).min(good.len()))
            .filter(|i| good[*i])
            .collect();
        let of = |side: usize| spread(strip, solid, edges, &here, side, sigma);
        if here.len() >= ENOUGH
            && let (Some(left), Some(right)) = (of(0), of(1))
        {
            for i in here {
                out[i] = [left, right];
            }
        }
    }
    out
}

/// Of one side, 0 the left.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn spread(
    strip: &Strip,
    solid: &[f64],
    edges: &[[Option<f64>; 2]],
    here: &[usize],
    side: usize,
    sigma: f64,
) -> Option<f64> {
    let outwards = if side == 0 { 1.0 } else { -1.0 };
    let step = 0.5 * strip.across;
    let reach = (REACH * sigma / step).ceil() as usize;
    let thinnest = here.iter().map(|i| strip.half[*i]).fold(f64::MAX, f64::min);
    let depth = reach.min((thinnest / step) as usize);
    // Station, place of its edge, ground beside it.
    let stations: Vec<(usize, f64, f64)> = here
        .iter()
        .filter_map(|i| {
            let ground = strip.sides(*i, strip.channel[*i]?)?[side];
            Some((*i, edges[*i][side]?, ground))
        })
        .collect();
    if stations.len() < ENOUGH {
        return None;
    }
    let mut values = Vec::with_capacity(depth + reach + 1);
    let mut seen = Vec::with_capacity(here.len());
    for k in 0..=depth + reach {
        let off = outwards * step * (k as f64 - depth as f64);
        seen.clear();
        for (i, edge, ground) in &stations {
            if let Some(light) = strip.between(*i, edge + off) {
                seen.push((light / ground - solid[*i]) / (1.0 - solid[*i]));
            }
        }
        seen.sort_by(f64::total_cmp);
        let cut = (TRIMMED * seen.len() as f64) as usize;
        let kept = &seen[cut..seen.len() - cut];
        values.push(kept.iter().sum::<f64>() / kept.len() as f64);
    }
    LineProfile {
        values: &values,
        step,
        centre: 0.5 * depth as f64,
        reach: 0.5 * depth as f64 * step,
        ground: [1.0; 2],
        solid: [0.0; 2],
    }
    .blur(Side::Second, 10.0, 90.0)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::edges::{contours, mean};
    use restrike_ops::quantiles::normal_below;

    const SOLID: f64 = 0.1;
    const SIGMA: f64 = 0.0165;
    const ACROSS: f64 = 0.0053;
    const WIDTH: f64 = 0.16;

    /// A blurred line whose profiles each have an uneven ground and ink of their own.
    fn strip(uneven: f64) -> Strip {
        let mut state = 7_u64;
        let mut next = || {
            // A sum of uniform numbers from a linear congruential generator.
            (0..6)
                .map(|_| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1_442_695_040_888_963_407);
                    (state >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
                })
                .sum::<f64>()
                * std::f64::consts::SQRT_2
        };
        let profiles: Vec<Vec<f64>> = (0..400)
            .map(|_| {
                let (ground, ink) = (uneven * next(), uneven * next());
                (-40..=40)
                    .map(|j| {
                        let t = f64::from(j) * ACROSS;
                        let dark = normal_below((t + 0.5 * WIDTH) / SIGMA)
                            - normal_below((t - 0.5 * WIDTH) / SIGMA);
                        1.0 + ground * (1.0 - dark) - (1.0 - SOLID + ink) * dark
                    })
                    .collect()
            })
            .collect();
        Strip::of_profiles(&profiles, ACROSS, 0.5 * WIDTH)
    }

    #[test]
    fn unevenness_does_not_lengthen_the_blur() {
        let want = 2.563_103 * SIGMA;
        for uneven in [0.0, 0.05] {
            let strip = strip(uneven);
            let solid = vec![SOLID; 400];
            let edges = contours(&strip, &solid);
            let got: Vec<f64> = spreads(&strip, &solid, &edges, &[true; 400], 40, SIGMA)
                .iter()
                .map(|[a, b]| 0.5 * (a + b))
                .collect();
            let got = mean(&got, 40).unwrap().value;
            assert!((got / want - 1.0).abs() < 0.015, "{uneven} {got} {want}");
        }
    }

    #[test]
    fn the_outer_half_tells_the_blur_whatever_is_taken_for_the_solid() {
        for (uneven, solid) in [(0.0, SOLID), (0.03, SOLID), (0.0, SOLID - 0.02)] {
            let got = own_sigma(&strip(uneven), &[solid; 400], 1.25 * SIGMA);
            assert!((got / SIGMA - 1.0).abs() < 0.02, "{uneven} {solid} {got}");
        }
        // A line that is seen nowhere says nothing.
        assert_eq!(
            own_sigma(&strip(0.0), &[SOLID; 4], SIGMA * 2.0),
            SIGMA * 2.0
        );
    }
}
