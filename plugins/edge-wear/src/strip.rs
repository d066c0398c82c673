//! A line straightened: the scan read along the normals of its stations, and
//! how dark the line is against the ground beside it.
//!
//! The scan is read once, where it lies, through the placement's map; nothing
//! is resampled before.

use restrike_ops::cubic_sample::cubic_sample;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::placement::{BlockPlace, Placement};
use restrike_ops::smooth_course::smooth_course;
use restrike_ops::stats::median;
use restrike_stage::{ImageView, Point};

use crate::course::Course;
use crate::local::Local;

/// How a sheet is read.
pub(crate) struct Reading<'a> {
    pub(crate) scan: ImageView<'a, u16>,
    pub(crate) placement: &'a Placement,
    pub(crate) key: &'a BlockPlace,
    pub(crate) edges: &'a EdgeMap,
    /// The colour blocks with their shapes' edges, those too whose place the sheet does not tell.
    pub(crate) colours: Vec<(&'a BlockPlace, &'a EdgeMap)>,
    /// Side of a scan pixel, mm.
    pub(crate) pixel: f64,
    /// Standard deviation of the blur, mm, the pixel's own square included.
    pub(crate) sigma: f64,
}

/// An edge of a colour block within so many standard deviations of the blur of a
/// line's own edge, and this, mm, blurs into it.
const BESET: f64 = 3.0;
const BESET_MM: f64 = 0.015;

/// A block whose place the sheet does not tell lies off as much as this, mm, now and then
/// (common practice, no source).
const UNPLACED_MM: f64 = 0.3;

impl Reading<'_> {
    /// How near, mm, a colour block's edge blurs into another edge.
    pub(crate) fn near(&self) -> f64 {
        BESET * self.sigma + BESET_MM
    }

    /// Whether a colour block's edge lies so near to a place of the record that
    /// the ground there is not what is seen beside it.
    pub(crate) fn beset(&self, at: Point) -> bool {
        let near = self.near();
        self.colours
            .iter()
            .any(|c| c.0.located() && edge_within(c, at, near))
    }

    /// Whether the edge of a colour block whose place the sheet does not tell may lie there.
    pub(crate) fn may_be_beset(&self, at: Point) -> bool {
        let near = self.near() + UNPLACED_MM;
        self.colours
            .iter()
            .any(|c| !c.0.located() && edge_within(c, at, near))
    }

    /// Whether a colour block's edge prints within `near`, mm, of a place of the
    /// record, as far as the sheet tells.
    pub(crate) fn near_colour_edge(&self, at: Point, near: f64) -> bool {
        self.colours.iter().any(|c| edge_within(c, at, near))
    }
}

fn edge_within((place, edges): &(&BlockPlace, &EdgeMap), at: Point, near: f64) -> bool {
    (edges.at(place.own_place(at)) + place.retreat_mm).abs() < near
}

/// Least light that a line must take away for its ink to be seen, of full white.
const LEAST_CONTRAST: f64 = 0.10;
/// Width of the ground that is looked at beside a line, mm.
const BESIDE_MM: f64 = 0.26;
/// Stations of one local affine map, mm.
const KNOT_MM: f64 = 0.8;
/// Waves longer than this are a line's own course, mm; on the way over a gap.
const COURSE_MM: f64 = 4.0;
const BRIDGE_COURSE_MM: f64 = 1.2;
/// Spread of the ground beside the line over its median from which an edge's
/// thresholds hang in the air.
const UNEVEN: f64 = 0.30;

/// What is beside a station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Ground {
    /// Light by channel on the left and the right.
    pub(crate) light: [Option<[f64; 3]>; 2],
    /// Whether each side is even enough to hang thresholds on.
    pub(crate) even: [bool; 2],
}

/// A straightened line.
pub(crate) struct Strip {
    /// Offsets across from the first to the last sample, mm; left is positive.
    pub(crate) first: f64,
    /// Distance of the samples across, mm.
    pub(crate) across: f64,
    /// Samples across.
    pub(crate) count: usize,
    /// Light by station, offset and channel.
    light: Vec<[f32; 3]>,
    /// The ground by station.
    pub(crate) ground: Vec<Ground>,
    /// Channel that shows the line best, by station; none where none does.
    pub(crate) channel: Vec<Option<usize>>,
    /// Middle of the printed line off the record's, mm, and half its width, by station.
    pub(crate) middle: Vec<f64>,
    pub(crate) half: Vec<f64>,
    /// Places in the scan, by station.
    pub(crate) px: Vec<Point>,
    /// Light by station and offset in the station's channel.
    profile: Vec<f64>,
}

impl Strip {
    /// Light at a station and an offset, by sample.
    pub(crate) fn at(&self, i: usize, j: usize) -> [f32; 3] {
        self.light[i * self.count + j]
    }

    /// Light across a station in its channel, by sample; zeros where it has none.
    pub(crate) fn profile(&self, i: usize) -> &[f64] {
        &self.profile[i * self.count..(i + 1) * self.count]
    }

    /// Light in a channel at an offset, mm, between the samples.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn light(&self, i: usize, offset: f64, channel: usize) -> f64 {
        let x = ((offset - self.first) / self.across).clamp(0.0, (self.count - 1) as f64 - 1e-9);
        let j = x as usize;
        let f = x - j as f64;
        let a = f64::from(self.at(i, j)[channel]);
        let b = f64::from(self.at(i, (j + 1).min(self.count - 1))[channel]);
        a + f * (b - a)
    }

    /// Light across a station in its channel at an offset, mm: the cubic through the
    /// samples about it (Catmull and Rom 1974).
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn between(&self, i: usize, offset: f64) -> Option<f64> {
        let x = (offset - self.first) / self.across;
        if x < 1.0 || x >= (self.count - 2) as f64 {
            return None;
        }
        let (j, t) = (x as usize, x.fract());
        let [a, b, c, d]: [f64; 4] = self.profile(i)[j - 1..j + 3].try_into().ok()?;
        let slopes = [0.5 * (c - a), 0.5 * (d - b)];
        let (t2, t3) = (t * t, t * t * t);
        let v = b * (2.0 * t3 - 3.0 * t2 + 1.0)
            + slopes[0] * (t3 - 2.0 * t2 + t)
            + c * (3.0 * t2 - 2.0 * t3)
            + slopes[1] * (t3 - t2);
        v.is_finite().then_some(v)
    }

    /// Ground of both sides in a channel; a side that is not seen is like the other.
    pub(crate) fn sides(&self, i: usize, channel: usize) -> Option<[f64; 2]> {
        let g = self.ground[i].light.map(|g| g.map(|g| g[channel]));
        match g {
            [Some(a), Some(b)] => Some([a, b]),
            [Some(a), None] | [None, Some(a)] => Some([a, a]),
            [None, None] => None,
        }
    }

    /// How much of the key's ink is at an offset: 1 as its solid, 0 as the darker ground.
    pub(crate) fn ink(&self, i: usize, offset: f64, through: [f64; 3]) -> Option<f64> {
        let c = self.channel[i]?;
        let [a, b] = self.sides(i, c)?;
        let ground = a.min(b);
        let share = self.light(i, offset, c) / ground;
        Some(((1.0 - share) / (1.0 - through[c])).clamp(-0.2, 1.2))
    }

    /// Reads a line's strip.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn read(reading: &Reading<'_>, course: &Course, through: [f64; 3]) -> Option<Self> {
        let stations = &course.stations;
        let widest = stations.iter().map(|s| s.half).fold(0.0, f64::max);
        let growth = (-reading.key.retreat_mm).max(0.0);
        let clear = 2.4 * reading.sigma + 0.02;
        let reach = widest + growth + clear + BESIDE_MM.max(5.0 * reading.pixel);
        let across = 0.5 * reading.pixel;
        let half_count = (reach / across).ceil() as usize;
        let count = 2 * half_count + 1;
        let first = -(half_count as f64) * across;
        let mut light = Vec::with_capacity(stations.len() * count);
        let mut px = Vec::with_capacity(stations.len());
        let knot = ((KNOT_MM / course.step) as usize).max(1);
        let mut local = None;
        for (i, s) in stations.iter().enumerate() {
            if i % knot == 0 {
                let middle = stations[(i + knot / 2).min(stations.len() - 1)].at;
                local = Local::about(reading.placement, reading.key, middle);
            }
            let map = local?;
            let centre = map.apply(s.at);
            let step = map.vector(s.normal) * across;
            px.push(centre);
            let start = centre - step * half_count as f64;
            for j in 0..count {
                let v = cubic_sample(reading.scan, start + step * j as f64);
                light.push(v.unwrap_or([f32::NAN; 3]));
            }
        }
        let mut strip = Self {
            first,
            across,
            count,
            light,
            ground: Vec::new(),
            channel: Vec::new(),
            middle: vec![0.0; stations.len()],
            half: stations
                .iter()
                .map(|s| (s.half - reading.key.retreat_mm).max(0.02))
                .collect(),
            px,
            profile: Vec::new(),
        };
        strip.ground = (0..stations.len())
            .map(|i| strip.beside(reading, course, i, clear))
            .collect();
        strip.fill_ground(course);
        strip.channel = strip.channels(course, through);
        strip.profile = strip
            .channel
            .iter()
            .zip(strip.light.chunks_exact(count))
            .flat_map(|(c, row)| row.iter().map(move |v| c.map_or(0.0, |c| f64::from(v[c]))))
            .collect();
        Some(strip)
    }

    /// Medians of what lies free of the key's ink on both sides.
    fn beside(&self, reading: &Reading<'_>, course: &Course, i: usize, clear: f64) -> Ground {
        let s = &course.stations[i];
        let from = self.half[i] + clear;
        let mut out = Ground {
            light: [None; 2],
            even: [false; 2],
        };
        for (side, sign) in [(0, 1.0), (1, -1.0)] {
            let mut seen: [Vec<f64>; 3] = Default::default();
            for j in 0..self.count {
                #[allow(clippy::cast_precision_loss)]
                let t = self.first + j as f64 * self.across;
                let beyond = t * sign - from;
                if !(0.0..=BESIDE_MM.max(4.0 * reading.pixel)).contains(&beyond) {
                    continue;
                }
                let free = reading.edges.at(s.at + s.normal * t) + reading.key.retreat_mm;
                let v = self.at(i, j);
                if free < 2.0 * reading.sigma || !v[0].is_finite() {
                    continue;
                }
                for c in 0..3 {
                    seen[c].push(f64::from(v[c]));
                }
            }
            if seen[0].len() < 3 {
                continue;
            }
            let mut level = [0.0; 3];
            let mut even = true;
            for c in 0..3 {
                seen[c].sort_by(f64::total_cmp);
                let n = seen[c].len();
                level[c] = 0.5 * (seen[c][n / 2] + seen[c][(n - 1) / 2]).max(2e-4);
                even &= seen[c][n - 1 - n / 8] - seen[c][n / 8] < UNEVEN * level[c].max(0.05);
            }
            out.light[side] = Some(level);
            out.even[side] = even;
        }
        out
    }

    /// Where a side is hidden for a little way, it is taken to go on as before.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn fill_ground(&mut self, course: &Course) {
        let most = (0.8 / course.step) as usize;
        for i in 0..self.ground.len() {
            if self.ground[i].light.iter().all(Option::is_none) {
                let near = (1..=most).find_map(|k| {
                    let seen = |n: usize| {
                        self.ground
                            .get(n)
                            .filter(|g| g.light.iter().any(Option::is_some) && !filled(g))
                    };
                    i.checked_sub(k).and_then(seen).or_else(|| seen(i + k))
                });
                if let Some(g) = near.copied() {
                    self.ground[i] = Ground {
                        even: [false; 2],
                        ..g
                    };
                    // Marks it as borrowed: both sides alike and uneven.
                    let one = g.light[0].or(g.light[1]);
                    self.ground[i].light = [one, one];
                }
            }
        }
    }

    /// The channel in which the line takes away most light from the darker side.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn channels(&self, course: &Course, through: [f64; 3]) -> Vec<Option<usize>> {
        let n = self.ground.len();
        let half = (0.3 / course.step) as usize;
        let contrast =
            |i: usize, c: usize| self.sides(i, c).map(|[a, b]| a.min(b) * (1.0 - through[c]));
        let all: Vec<[f64; 3]> = (0..n)
            .map(|i| [0, 1, 2].map(|c| contrast(i, c).unwrap_or(f64::NAN)))
            .collect();
        let medians = [0, 1, 2].map(|c| {
            let values: Vec<f64> = all.iter().map(|v| v[c]).collect();
            running_medians(&values, half)
        });
        (0..n)
            .map(|i| {
                let best = (0..3)
                    .filter_map(|c| medians[c][i].map(|m| (c, m)))
                    .max_by(|a, b| a.1.total_cmp(&b.1));
                best.filter(|b| {
                    // Here, not only nearby.
                    b.1 > LEAST_CONTRAST && all[i][b.0] > 0.8 * LEAST_CONTRAST
                })
                .map(|b| b.0)
            })
            .collect()
    }

    /// Sets the printed line's middle and half width from its edges, smoothed.
    pub(crate) fn follow(&mut self, course: &Course, edges: &[[Option<f64>; 2]]) {
        let raw = |f: &dyn Fn(f64, f64) -> f64, most: &dyn Fn(usize, f64) -> bool| -> Vec<f64> {
            edges
                .iter()
                .enumerate()
                .map(|(i, e)| match e {
                    [Some(left), Some(right)] => {
                        let v = f(*left, *right);
                        if most(i, v) { v } else { f64::NAN }
                    }
                    _ => f64::NAN,
                })
                .collect()
        };
        let nominal = self.half.clone();
        let middles = raw(&|l, r| 0.5 * (l + r), &|i, v| v.abs() < nominal[i] + 0.06);
        let halves = raw(&|l, r| 0.5 * (l - r), &|i, v| {
            v > 0.6 * nominal[i] && v < 1.5 * nominal[i] + 0.06
        });
        let changes: Vec<f64> = halves.iter().zip(&nominal).map(|(h, n)| h - n).collect();
        // The way over a gap is a guess: where the line is there, it may bend more.
        let stiff = if course.bridge {
            BRIDGE_COURSE_MM
        } else {
            COURSE_MM
        };
        let known = |v: &[f64]| v.iter().filter(|v| v.is_finite()).count();
        if known(&middles) >= 12 {
            self.middle = smooth_course(&clipped(&middles), course.step, stiff);
        }
        if known(&changes) >= 12 {
            let smooth = smooth_course(&clipped(&changes), course.step, COURSE_MM);
            for (h, c) in self.half.iter_mut().zip(smooth) {
                *h = (*h + c).max(0.02);
            }
        }
    }
}

#[cfg(test)]
impl Strip {
    /// Profiles across a line, its middle in theirs, on a ground of 1.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn of_profiles(profiles: &[Vec<f64>], across: f64, half: f64) -> Self {
        let (n, count) = (profiles.len(), profiles[0].len());
        let all = profiles.concat();
        Self {
            first: -0.5 * across * (count - 1) as f64,
            across,
            count,
            light: all.iter().map(|v| [*v as f32; 3]).collect(),
            ground: vec![
                Ground {
                    light: [Some([1.0; 3]); 2],
                    even: [true; 2],
                };
                n
            ],
            channel: vec![Some(0); n],
            middle: vec![0.0; n],
            half: vec![half; n],
            px: vec![Point::default(); n],
            profile: all,
        }
    }
}

/// Medians of the finite values up to `half` places to either side of each: the
/// window's values are kept sorted while it moves on.
fn running_medians(values: &[f64], half: usize) -> Vec<Option<f64>> {
    let mut window: Vec<f64> = Vec::with_capacity(2 * half + 2);
    let place = |w: &[f64], v: f64| w.partition_point(|o| o.total_cmp(&v).is_lt());
    let mut next = 0;
    (0..values.len())
        .map(|i| {
            while next < (i + half + 1).min(values.len()) {
                if values[next].is_finite() {
                    let at = place(&window, values[next]);
                    window.insert(at, values[next]);
                }
                next += 1;
            }
            if let Some(gone) = i.checked_sub(half + 1).map(|k| values[k])
                && gone.is_finite()
            {
                window.remove(place(&window, gone));
            }
            let n = window.len();
            let (a, b) = (*window.get(n.checked_sub(1)? / 2)?, window[n / 2]);
            Some(if n % 2 == 1 { a } else { a + 0.5 * (b - a) })
        })
        .collect()
}

fn filled(g: &Ground) -> bool {
    g.light[0].is_some() && g.light[0] == g.light[1] && g.even == [false; 2]
}

/// Values further from the median than four robust standard deviations do not count.
fn clipped(values: &[f64]) -> Vec<f64> {
    let middle = median(values).unwrap_or(0.0);
    let spread = restrike_ops::stats::mad_sigma(values)
        .unwrap_or(0.0)
        .max(0.004);
    values
        .iter()
        .map(|v| {
            if (v - middle).abs() <= 4.0 * spread {
                *v
            } else {
                f64::NAN
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn running_medians_are_those_of_each_window() {
        let values: Vec<f64> = (0..200_u32)
            .map(|i| match i * 7919 % 97 {
                v if v % 11 == 0 => f64::NAN,
                v => f64::from(v % 13) * 0.1,
            })
            .collect();
        for half in [0, 1, 4, 14, 300] {
            let got = running_medians(&values, half);
            for (i, got) in got.iter().enumerate() {
                let to = (i + half + 1).min(values.len());
                assert_eq!(
                    *got,
                    median(&values[i.saturating_sub(half)..to]),
                    "{half} {i}"
                );
            }
        }
    }
}
