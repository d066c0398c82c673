//! Where a line is broken, bitten or pale, and where the sheet does not tell.
//!
//! Along five rows across the line the ink is compared with the line's own
//! usual ink there. A gap of length L under a blur of standard deviation s
//! leaves 1 - erf(L / (2 sqrt 2 s)) of the ink in its middle, but the ink that
//! is missing along a row adds up to L whatever the blur. A break misses as
//! much on all rows; a nick misses less and less towards the edge that holds.

use restrike_stage::Point;

use crate::course::Course;
use crate::dust;
use crate::kinds::{Found, Kind, Unseen};
use crate::overlaps;
use crate::parted::{left_across, tapers};
use crate::rows::{Rows, across};
use crate::strip::{Reading, Strip};

/// Ink left in the middle of a gap, of the usual, from which it is one.
pub(crate) const GAP: f64 = 0.62;
/// The same where a colour block's edge passes under the gap: how light the ground
/// is there is not what is seen beside it.
const BESET_GAP: f64 = 0.4;
/// There a line narrower than this, in pixels, tells nothing.
const BESET_PX: f64 = 3.2;
/// Ink left on a row of a gap, of the usual, up to which it is parted there.
pub(crate) const THROUGH_INK: f64 = GAP + 0.1;
/// Ink from which a line is whole again.
const WHOLE: f64 = 0.88;
/// Least share of what misses on the row that misses most, for a break.
const THROUGH: f64 = 0.6;
/// Shortest break and shortest nick that is believed, mm.
pub(crate) const LEAST_BREAK_MM: f64 = 0.08;
const LEAST_NICK_MM: f64 = 0.12;
/// The same in scan pixels.
const LEAST_BREAK_PX: f64 = 1.1;
const LEAST_NICK_PX: f64 = 2.4;
/// Over this length a gap's end goes from three quarters of the ink to one, at most, mm.
const SHARP_MM: f64 = 0.15;
/// How much bluer or redder than the ground a gap may be before it is a speck.
const OTHER_COLOUR: f64 = 0.09;
/// A gap's ends fade over so many standard deviations of the blur.
pub(crate) const BLURS: f64 = 2.5;
/// Light of overlapping blocks, of full white, from which a gap shows on them.
const LEAST_LIGHT: f64 = 0.04;
/// Gaps nearer to each other than this are one, mm.
const APART_MM: f64 = 0.15;
/// Missing ink nearer to a free end is the end itself, mm, beside half the width.
const END_MM: f64 = 0.12;

/// What a line of a sheet shows.
pub(crate) struct Gaps {
    pub(crate) found: Vec<Found>,
    pub(crate) unseen: Vec<Unseen>,
    /// Stations that are not the line's usual print.
    pub(crate) skip: Vec<bool>,
    /// Length that was looked at, mm.
    pub(crate) seen_mm: f64,
}

/// Looks along a line.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn look(
    reading: &Reading<'_>,
    course: &Course,
    strip: &Strip,
    through: [f64; 3],
) -> Gaps {
    let n = course.stations.len();
    let rows = Rows::of(course, strip, through);
    let mut out = Gaps {
        found: Vec::new(),
        unseen: Vec::new(),
        skip: vec![false; n],
        seen_mm: 0.0,
    };
    let told: Vec<bool> = (0..n).map(|i| rows.told(i)).collect();
    for (i, told) in told.iter().enumerate() {
        out.skip[i] = !told || course.stations[i].joined;
    }
    let reach = ((BLURS * reading.sigma + 0.03) / course.step) as usize;
    let apart = (APART_MM / course.step) as usize;
    let (mut i, mut done) = (0, 0);
    while i < n {
        if !(told[i] && rows.least(i) < GAP) {
            i += 1;
            continue;
        }
        // From here on until no more is missing for a while. What misses further on
        // than the blur reaches, as where a line thins out, is no part of the gap.
        let mut last = i;
        let mut k = i;
        while k + 1 < n && told[k + 1] && k - last <= apart {
            k += 1;
            if rows.least(k) < GAP {
                last = k;
            }
        }
        let (mut a, mut b) = (i, last);
        while a > done && i - a < reach && told[a - 1] && rows.least(a - 1) < WHOLE {
            a -= 1;
        }
        while b + 1 < n && b - last < reach && told[b + 1] && rows.least(b + 1) < WHOLE {
            b += 1;
        }
        done = b + 1;
        let margin = ((0.12 / course.step) as usize).max(1);
        for s in &mut out.skip[a.saturating_sub(margin)..(b + margin + 1).min(n)] {
            *s = true;
        }
        let piece = Piece {
            reading,
            course,
            strip,
            rows: &rows,
            through,
            told: &told,
            a,
            b,
        };
        match piece.judge() {
            Judged::Site(found) => out.found.push(*found),
            Judged::Unseen => out.unseen.push(Unseen {
                line: course.line,
                from: course.stations[a].arc,
                to: course.stations[b].arc,
            }),
            Judged::Nothing => {}
        }
        i = b + 1;
    }
    out.add_unseen(course, &told);
    if !course.bridge {
        #[allow(clippy::cast_precision_loss)]
        let seen = told.iter().filter(|t| **t).count() as f64;
        out.seen_mm = seen * course.step;
    }
    out
}

impl Gaps {
    fn add_unseen(&mut self, course: &Course, told: &[bool]) {
        let mut i = 0;
        while i < told.len() {
            let first = i;
            while i < told.len() && told[i] == told[first] {
                i += 1;
            }
            if !told[first] {
                self.unseen.push(Unseen {
                    line: course.line,
                    from: course.stations[first].arc,
                    to: course.stations[i - 1].arc,
                });
            }
        }
    }
}

enum Judged {
    Site(Box<Found>),
    Unseen,
    Nothing,
}

/// A stretch with ink missing.
pub(crate) struct Piece<'a> {
    pub(crate) reading: &'a Reading<'a>,
    pub(crate) course: &'a Course,
    pub(crate) strip: &'a Strip,
    pub(crate) rows: &'a Rows,
    pub(crate) through: [f64; 3],
    pub(crate) told: &'a [bool],
    pub(crate) a: usize,
    pub(crate) b: usize,
}

impl Piece<'_> {
    fn judge(&self) -> Judged {
        let stations = &self.course.stations;
        let (a, b) = (self.a, self.b);
        let step = self.course.step;
        let inks: Vec<[f64; 5]> = (a..=b).map(|i| self.on_overlaps(i)).collect();
        let most = |i: usize| inks[i - a].iter().copied().fold(f64::NAN, f64::max);
        let lowest = (a..=b)
            .min_by(|x, y| most(*x).total_cmp(&most(*y)))
            .unwrap_or(a);
        let left = left_across(&inks);
        let deepest = (a..=b)
            .min_by(|x, y| self.rows.least(*x).total_cmp(&self.rows.least(*y)))
            .unwrap_or(a);
        if self.rows.usual[deepest][2].is_nan() {
            return Judged::Unseen;
        }
        // What misses most; a line that thins out goes on missing a little.
        let (mut first, mut last) = (deepest, deepest);
        while first > a && self.rows.least(first - 1) < GAP {
            first -= 1;
        }
        while last < b && self.rows.least(last + 1) < GAP {
            last += 1;
        }
        // At a free end the line just stops a little sooner or later.
        if !self.course.closed && !self.course.bridge {
            let reach = END_MM + stations[deepest].half;
            let length = stations.last().map_or(0.0, |s| s.arc);
            if stations[first].arc < reach || length - stations[last].arc < reach {
                return Judged::Nothing;
            }
        }
        // One side of the gap is not seen: nobody knows how it goes on.
        let cut = |end: bool| {
            let (at, next) = if end {
                (b, b.checked_add(1))
            } else {
                (a, a.checked_sub(1))
            };
            next.is_none_or(|n| n >= stations.len() || !self.told[n]) && self.rows.least(at) < GAP
        };
        if cut(false) || cut(true) {
            return Judged::Unseen;
        }
        let missing: [f64; 5] = std::array::from_fn(|r| {
            inks.iter()
                .map(|ink| (1.0 - ink[r]).clamp(0.0, 1.0))
                .sum::<f64>()
                * step
        });
        let most = missing.iter().copied().fold(0.0, f64::max);
        let least = missing.iter().copied().fold(f64::MAX, f64::min);
        let through = least / most.max(1e-9);
        let least_ink = self.rows.least(deepest);
        let narrow = tapers(left, least, self.reading.sigma);
        let broken = left < THROUGH_INK && (through >= THROUGH || narrow);
        let fine = self.thinnest() < BESET_PX * self.reading.pixel;
        if (fine || least_ink > BESET_GAP)
            && stations[a..=b].iter().any(|s| self.reading.beset(s.at))
        {
            return Judged::Unseen;
        }
        let rise = self.rise(if broken { lowest } else { deepest });
        // A long gap is as long as where half the ink misses; a short one as
        // long as what misses adds up to.
        let middle = missing[2];
        let half = inks.iter().filter(|ink| ink[2] < 0.5).count();
        #[allow(clippy::cast_precision_loss)]
        let across_half = half as f64 * step;
        let length = if across_half > 4.0 * self.reading.sigma {
            across_half
        } else {
            middle.max(if broken { 0.0 } else { most })
        };
        let soft = rise.is_none_or(|r| r > SHARP_MM + 2.0 * self.reading.sigma);
        let beside = dust::goes_on_beside(self.reading, self.course, self.strip, a, b);
        // Where colour blocks do not meet beside a line, lighter ground shows for a short way.
        if beside && self.whole_on_lightest(deepest) {
            return Judged::Unseen;
        }
        let on_it = if beside { 2.0 * OTHER_COLOUR } else { 0.0 };
        let other = self.other_colour(deepest).max(on_it);
        let kind = if soft {
            Kind::Pale
        } else if other > OTHER_COLOUR {
            Kind::Speck
        } else if broken {
            Kind::Break
        } else {
            Kind::Nick
        };
        let too_short = match kind {
            Kind::Break => length < LEAST_BREAK_MM.max(LEAST_BREAK_PX * self.reading.pixel),
            Kind::Nick => most < LEAST_NICK_MM.max(LEAST_NICK_PX * self.reading.pixel),
            _ => false,
        };
        if too_short {
            return Judged::Nothing;
        }
        let sure = if narrow { 1.0 } else { through };
        let confidence = self.confidence(kind, sure, least_ink, rise, other);
        let centre = (a + b) / 2;
        let here = &stations[centre];
        let span = if kind == Kind::Pale {
            // On a bridge that starts at a line's first place, arcs run backwards.
            (stations[b].arc - stations[a].arc).abs()
        } else {
            length
        };
        let mid = 0.5 * (stations[a].arc + stations[b].arc);
        let end = |sign: f64| {
            let i = (a..=b)
                .min_by(|x, y| {
                    let want = mid + sign * span / 2.0;
                    let d = |n: usize| (stations[n].arc - want).abs();
                    d(*x).total_cmp(&d(*y))
                })
                .unwrap_or(centre);
            stations[i].at
        };
        let at = here.at + here.normal * self.strip.middle[centre];
        Judged::Site(Box::new(Found {
            kind,
            line: self.course.line,
            recorded: self.course.bridge && self.course.runs_on.is_none(),
            from: mid - span / 2.0,
            to: mid + span / 2.0,
            length: span,
            depth: self.depth(kind, deepest),
            at,
            px: self.strip.px[centre],
            width: 2.0 * self.strip.half[centre],
            ends: [end(-1.0), end(1.0)],
            lines: 1,
            ink: self.ink_beside(),
            confidence,
        }))
    }

    /// Ink along the rows, held against ground as dark as overlapping blocks make it there.
    fn on_overlaps(&self, i: usize) -> [f64; 5] {
        let s = self.strip;
        let whole = self.rows.ink[i];
        let Some(channel) = s.channel[i] else {
            return whole;
        };
        std::array::from_fn(|r| {
            let t = across(self.course, s, i, r);
            let left = overlaps::left(self.reading, self.course, s, i, t, channel);
            let ground = s.sides(i, channel).map(|[a, b]| a.min(b) * left);
            match ground {
                // Under darker ground nothing can be told.
                Some(g) if left < 1.0 && g * (1.0 - self.through[channel]) > LEAST_LIGHT => {
                    let ink = (1.0 - s.light(i, t, channel) / g) / (1.0 - self.through[channel]);
                    ink.clamp(-0.2, 1.2) / self.rows.usual[i][r]
                }
                _ => whole[r],
            }
        })
    }

    /// How far the missing ink reaches across, mm.
    fn depth(&self, kind: Kind, at: usize) -> f64 {
        let width = 2.0 * self.strip.half[at];
        match kind {
            Kind::Nick => {
                let lost: f64 = self.rows.ink[at]
                    .iter()
                    .map(|v| (1.0 - v).clamp(0.0, 1.0))
                    .sum::<f64>();
                width * lost / 5.0
            }
            _ => width,
        }
    }

    /// The shorter of the lengths over which the two ends go from three quarters
    /// to a quarter of the way down, mm, the longer of both; none if it never
    /// comes back.
    fn rise(&self, at: usize) -> Option<f64> {
        let row = (0..5)
            .min_by(|x, y| self.rows.ink[at][*x].total_cmp(&self.rows.ink[at][*y]))
            .unwrap_or(2);
        let ink = |i: usize| self.rows.ink[i][row];
        let low = ink(at);
        let (upper, lower) = (1.0 - 0.25 * (1.0 - low), low + 0.25 * (1.0 - low));
        #[allow(clippy::cast_precision_loss)]
        let run = |steps: &mut dyn Iterator<Item = usize>| -> Option<f64> {
            let (mut left, mut n) = (None, 0_usize);
            for i in steps {
                n += 1;
                let v = ink(i);
                if !v.is_finite() {
                    return None;
                }
                if v < lower {
                    left = Some(n);
                }
                if v > upper {
                    return Some((n - left.unwrap_or(0)) as f64 * self.course.step);
                }
            }
            None
        };
        let back = run(&mut (0..at).rev());
        let forth = run(&mut (at + 1..self.course.stations.len()));
        match (back, forth) {
            (Some(a), Some(b)) => Some(a.max(b)),
            _ => None,
        }
    }

    /// How much another colour than the ground's the gap has: the light in it,
    /// the ink that is left taken off, against the ground of the side it is more like.
    fn other_colour(&self, at: usize) -> f64 {
        let s = self.strip;
        let Some(c) = s.channel[at] else {
            return 0.0;
        };
        let ink = self.rows.least(at).clamp(0.0, 0.9) * self.rows.usual[at][2].min(1.0);
        let row = (0..5)
            .min_by(|x, y| self.rows.ink[at][*x].total_cmp(&self.rows.ink[at][*y]))
            .unwrap_or(2);
        let t = across(self.course, s, at, row);
        let Some(near) = s.sides(at, c) else {
            return 0.0;
        };
        // Where colour blocks do not quite meet under the line, paper shows.
        let sheet = self.reading.placement.sheet_place(s.px[at]);
        let lightest = |left: &dyn Fn(usize) -> f64| {
            (0..3)
                .map(|k| {
                    let ground = s.sides(at, k).map_or(near, |g| g);
                    let paper = libm::exp(self.reading.placement.paper[k].at(sheet));
                    let v = s.light(at, t, k);
                    let g = ground[0].max(ground[1]);
                    (v - left(k) * g) / (1.0 - ink) / g.max(paper)
                })
                .fold(f64::MIN, f64::max)
        };
        // Lighter in some channel than both, whether the ink covers part of the place or
        // all of it thinly, in which channels fade unlike.
        let through = self.through.map(|t| t.max(1e-3));
        let thin = libm::log(1.0 - ink * (1.0 - through[c])) / libm::log(through[c]);
        let part = lightest(&|k| ink * through[k]);
        let thinned = lightest(&|k| libm::pow(through[k], thin) - (1.0 - ink));
        (part.min(thinned) - 1.0).max(0.0)
    }

    /// Least width of the line there, mm.
    fn thinnest(&self) -> f64 {
        let half = self.strip.half[self.a..=self.b].iter().copied();
        2.0 * half.fold(f64::MAX, f64::min)
    }

    fn confidence(&self, kind: Kind, through: f64, ink: f64, rise: Option<f64>, other: f64) -> f64 {
        let logistic = |x: f64| 1.0 / (1.0 + libm::exp(-x));
        let depth = logistic((GAP - ink) / 0.06);
        let sharp = rise.map_or(0.0, |r| {
            logistic((SHARP_MM + 2.0 * self.reading.sigma - r) / 0.03)
        });
        let plain = logistic((OTHER_COLOUR - other) / 0.02);
        let fine = self.thinnest() / self.reading.pixel;
        // Two pixels do not tell a bite from a break; where the record has the gap
        // too, less is asked.
        let width = if self.course.bridge {
            logistic((fine - 2.2) / 0.4)
        } else {
            logistic((fine - 2.5) / 0.25)
        };
        match kind {
            Kind::Break | Kind::Hole => {
                depth * sharp * plain * width * logistic((through - THROUGH) / 0.07)
            }
            Kind::Nick => depth * sharp * plain * width * logistic((THROUGH - through) / 0.07),
            Kind::Pale => depth * (1.0 - sharp),
            Kind::Speck => depth * (1.0 - plain),
            Kind::FillIn => depth,
        }
    }
}

/// Middle between two places.
pub(crate) fn between(a: Point, b: Point) -> Point {
    (a + b) * 0.5
}
