//! One sheet: all its lines, one after another.

use restrike_ops::atlas::Atlas;
use restrike_ops::stats::median;
use restrike_stage::Point;

use crate::course::{Course, bridges};
use crate::edge_spread::own_sigma;
use crate::edges::{self, Mean, Metrics};
use crate::fill_ins;
use crate::gaps;
use crate::holes;
use crate::kinds::{Found, Kind, Unseen};
use crate::own_solid::own_solid;
use crate::run_ons::run_ons;
use crate::strip::{Reading, Strip};

/// A line as a sheet shows it.
pub(crate) struct Line {
    pub(crate) id: u32,
    pub(crate) length: f64,
    pub(crate) middle: Point,
    pub(crate) metrics: Metrics,
    pub(crate) seen_mm: f64,
    /// Length of its two sides on which a fill-in would have been seen, mm.
    pub(crate) sides_mm: f64,
}

/// A sheet.
pub(crate) struct Sheet {
    pub(crate) lines: Vec<Line>,
    pub(crate) found: Vec<Found>,
    pub(crate) unseen: Vec<Unseen>,
    /// Breaks of lines in the strokes they go on in.
    in_strokes: Vec<Found>,
}

/// Stations of a line lie half a pixel apart, but no closer, mm.
const CLOSEST_MM: f64 = 0.016;
/// How often edges and the ink just inside them are found from each other.
const ROUNDS: usize = 2;
/// Least confidence of a break of a line in a stroke, which its edges do not bear out.
const SURE: f64 = 0.6;
/// So far before it, mm, where the two still grow together, the line's own course does not tell.
const MEET_MM: f64 = 0.2;
/// Lines narrower than this many pixels are unresolved.
pub(crate) const LEAST_PX: f64 = 3.0;
/// Least number of places that say what light goes through the key's ink.
const ENOUGH: usize = 20;

/// Distance of stations along the lines, mm.
fn step(reading: &Reading<'_>) -> f64 {
    (0.5 * reading.pixel).max(CLOSEST_MM)
}

/// The courses of the lines that are looked at.
pub(crate) fn courses(reading: &Reading<'_>, atlas: &Atlas, least_mm: f64) -> Vec<Course> {
    let step = step(reading);
    let long = |l: &&restrike_ops::atlas::AtlasLine| l.length_mm >= least_mm;
    let mut out: Vec<Course> = atlas
        .lines
        .iter()
        .filter(long)
        .filter_map(|l| Course::of(l, reading.edges, step))
        .collect();
    out.extend(bridges(atlas, reading.edges, step));
    out.extend(run_ons(atlas, step));
    out
}

/// Share of light that goes through the key's solid ink, by channel: as seen in
/// the middle of lines wide enough for the blur to leave it alone; else as the
/// registration has it.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn through(reading: &Reading<'_>, courses: &[Course]) -> [f64; 3] {
    let key = reading.key;
    let model = key
        .absorption
        .map(|a| libm::exp(-a * key.strength).clamp(0.0, 0.8));
    let mut seen: [Vec<f64>; 3] = Default::default();
    for course in courses.iter().filter(|c| !c.bridge) {
        let every = ((1.5 / course.step) as usize).max(1);
        let stations: Vec<_> = course
            .stations
            .iter()
            .skip(every / 2)
            .step_by(every)
            .filter(|s| s.half - key.retreat_mm > 2.6 * reading.sigma && !s.joined)
            .copied()
            .collect();
        if stations.is_empty() {
            continue;
        }
        let sparse = Course {
            stations,
            ..course.clone()
        };
        let Some(strip) = Strip::read(reading, &sparse, model) else {
            continue;
        };
        for i in 0..sparse.stations.len() {
            for (c, seen) in seen.iter_mut().enumerate() {
                if let ([true, true], Some([a, b])) = (strip.ground[i].even, strip.sides(i, c))
                    && a.min(b) > 0.15
                {
                    seen.push(strip.light(i, 0.0, c) / (0.5 * (a + b)));
                }
            }
        }
    }
    std::array::from_fn(|c| {
        if seen[c].len() >= ENOUGH {
            median(&seen[c]).unwrap_or(model[c]).clamp(0.0, 0.8)
        } else {
            model[c]
        }
    })
}

/// Measures a sheet's lines.
pub(crate) fn measure(
    reading: &Reading<'_>,
    courses: &[Course],
    stopped: &dyn Fn() -> bool,
) -> Sheet {
    let through = through(reading, courses);
    let mut out = Sheet {
        lines: Vec::new(),
        found: Vec::new(),
        unseen: Vec::new(),
        in_strokes: Vec::new(),
    };
    for course in courses {
        if stopped() {
            break;
        }
        out.add(reading, course, through);
    }
    let mut found = std::mem::take(&mut out.found);
    // A bite out of a stroke is a break of the line that goes on in it.
    let broken = |f: &Found| out.in_strokes.iter().any(|s| holes::same(s, f));
    found.retain(|f| f.kind != Kind::Nick || !broken(f));
    found.append(&mut out.in_strokes);
    let found = holes::once(found);
    out.found = holes::gathered(found);
    out.found
        .sort_by(|a, b| a.line.cmp(&b.line).then(a.from.total_cmp(&b.from)));
    out
}

impl Sheet {
    fn add(&mut self, reading: &Reading<'_>, course: &Course, through: [f64; 3]) {
        let (Some(first), Some(last)) = (course.stations.first(), course.stations.last()) else {
            return;
        };
        if let Some(stroke) = course.runs_on {
            // What is looked at must be resolved as a line must be.
            let looked_at = 2.0 * first.half * course.looked_at();
            if looked_at < LEAST_PX * reading.pixel {
                return;
            }
            // Further back it is the line's own course.
            let told = |f: &Found| {
                f.kind == Kind::Break
                    && f.from.max(f.to) > -MEET_MM
                    && f.from.min(f.to) < stroke + MEET_MM
                    && f.confidence > SURE
            };
            let found = Strip::read(reading, course, through)
                .map(|strip| gaps::look(reading, course, &strip, through).found);
            self.in_strokes
                .extend(found.into_iter().flatten().filter(told));
            return;
        }
        let Some(mut strip) = Strip::read(reading, course, through) else {
            self.unseen.push(Unseen {
                line: course.line,
                from: first.arc,
                to: last.arc,
            });
            return;
        };
        let usual: Vec<f64> = strip
            .channel
            .iter()
            .map(|c| c.map_or(0.0, |c| through[c]))
            .collect();
        let mut edges = edges::contours(&strip, &usual);
        strip.follow(course, &edges);
        let gaps = gaps::look(reading, course, &strip, through);
        self.found.extend(gaps.found);
        let beside = fill_ins::fill_ins(reading, course, &strip, through);
        self.found.extend(beside.found);
        self.unseen.extend(gaps.unseen);
        if course.bridge {
            return;
        }
        let mut skip = gaps.skip;
        // A free end rounds off, and where other ink joins the line grows wider before.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let reach = |half: f64| ((half + 2.0 * reading.sigma) / course.step) as usize;
        let n = skip.len();
        if !course.closed {
            let reach = reach(first.half.max(last.half)).min(n);
            skip[..reach].fill(true);
            skip[n - reach..].fill(true);
        }
        for (i, s) in course.stations.iter().enumerate().filter(|(_, s)| s.joined) {
            let reach = reach(s.half);
            skip[i.saturating_sub(reach)..(i + reach + 1).min(n)].fill(true);
        }
        let mut solid = usual;
        for _ in 0..ROUNDS {
            let sigma = own_sigma(&strip, &solid, reading.sigma);
            solid = own_solid(sigma, course, &strip, &edges, through);
            edges = edges::contours(&strip, &solid);
        }
        self.lines.push(Line {
            id: course.line,
            length: last.arc - first.arc,
            middle: course.stations[course.stations.len() / 2].at,
            metrics: edges::metrics(reading, course, &strip, &solid, &edges, &skip),
            seen_mm: gaps.seen_mm,
            sides_mm: beside.seen_mm,
        });
    }
}

/// Mean of the lines, each weighted by the length it was measured over. Widths
/// are taken as differences from the record's and put back on the record's mean
/// over `all`, so that a line that is not seen does not shift the mean.
pub(crate) fn mean_of<'a>(
    lines: impl Iterator<Item = &'a Line> + Clone,
    recorded_mean: f64,
) -> Metrics {
    let pick = |f: &dyn Fn(&Metrics) -> Option<Mean>, from_record: bool| -> Option<Mean> {
        let (mut sum, mut weight, mut square) = (0.0, 0.0, 0.0);
        for l in lines.clone() {
            let (Some(m), Some(r)) = (f(&l.metrics), l.metrics.recorded) else {
                continue;
            };
            let w = l.metrics.measured_mm;
            sum += w * (m.value - if from_record { r } else { 0.0 });
            square += w * w * m.se * m.se;
            weight += w;
        }
        (weight > 0.0).then(|| Mean {
            value: sum / weight + if from_record { recorded_mean } else { 0.0 },
            se: square.sqrt() / weight,
        })
    };
    Metrics {
        t50: pick(&|m| m.t50, true),
        t60: pick(&|m| m.t60, true),
        blur: pick(&|m| m.blur, false),
        ragged: pick(&|m| m.ragged, false),
        contrast: pick(&|m| m.contrast, false),
        recorded: Some(recorded_mean),
        measured_mm: lines.map(|l| l.metrics.measured_mm).sum(),
    }
}
