//! Lines of the atlas as rows of stations at even distances, with the direction
//! across each; and the courses over gaps that the record itself has.

use restrike_ops::atlas::{Atlas, AtlasLine, LineEnd};
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::smooth_course::smooth_course;
use restrike_stage::Point;

use crate::edges::COURSE_MM;

/// A place on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Station {
    /// Length along the line, mm.
    pub(crate) arc: f64,
    /// Place in the record, mm.
    pub(crate) at: Point,
    /// Unit normal: to the left of the line's direction.
    pub(crate) normal: Point,
    /// Half the recorded width, mm.
    pub(crate) half: f64,
    /// Whether other ink of the key joins the line here.
    pub(crate) joined: bool,
    /// How far the line lies off its own smooth course along the normal, mm: the
    /// record's line is drawn between edges that are ragged too. None at tight bends.
    pub(crate) off: Option<f64>,
}

/// A line, or the way over a gap that the record has.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Course {
    /// The line's number.
    pub(crate) line: u32,
    /// Whether it is the way over a gap from the end of `line` to another line, or in a stroke.
    pub(crate) bridge: bool,
    /// The length of the stroke, mm, if it is the way of a line in a wider one it goes on in.
    pub(crate) runs_on: Option<f64>,
    /// Whether it has no ends.
    pub(crate) closed: bool,
    /// Distance of the stations, mm.
    pub(crate) step: f64,
    /// The stations.
    pub(crate) stations: Vec<Station>,
    /// Whether each end of it is free.
    pub(crate) free: [bool; 2],
}

/// A smooth course that leaves the line by more than this cuts a bend, mm, or by
/// more than the second in the mean over so much to either side.
const BEND_MM: f64 = 0.035;
const LEAN_MM: f64 = 0.005;
const ONE_SIDE_MM: f64 = 0.8;
/// Half the length a direction is taken over, mm.
const ARM_MM: f64 = 0.12;
/// How far a line reaches into a bridge's ends, mm.
const TAIL_MM: f64 = 2.4;
/// Longest gap of the record that is bridged, mm.
const LONGEST_MM: f64 = 4.0;
/// Length over which an end's direction is taken, mm.
const LOOK_BACK_MM: f64 = 0.35;
/// Least cosine between a line's end and the way over the gap.
const ALONG: f64 = 0.96;
/// Over a longer gap than this, mm, two ends must lie on one bend.
const SHORT_MM: f64 = 0.9;
/// Most that the ends' turns off the way may differ there, rad, over a gap of the
/// first length and of the last: a wavy line may turn to and fro, strokes that end
/// facing each other by design do so more.
const UNEVEN_RAD: [f64; 2] = [0.28, 0.12];
/// Ends nearer than this, mm, or than about the line's width, may lie on a tight bend.
const TIGHT_MM: f64 = 0.3;
/// Most that ends near each other may turn off the way on one tight bend, and most
/// that their turns may differ there, rad.
const TIGHT_RAD: f64 = 0.65;
const UNEVEN_TIGHT_RAD: f64 = 0.35;
/// Least length of each line, of the gap's.
const LEAST_TAIL: f64 = 0.5;
/// How far inside the printed edge a station may lie, against half the width,
/// before other ink is held to join.
const JOINED: f64 = 1.25;
const JOINED_MM: f64 = 0.025;

/// Of the width of a line in a stroke only this share is looked at: how far in its inner
/// edge lies is a guess, and the stroke's ink beyond it blurs into a gap.
const IN_STROKE: f64 = 0.6;

impl Course {
    /// Share of the line's width that the rows across it are spread over.
    pub(crate) fn looked_at(&self) -> f64 {
        if self.runs_on.is_some() {
            IN_STROKE
        } else {
            1.0
        }
    }

    /// The stations of a line `step` apart.
    pub(crate) fn of(line: &AtlasLine, edges: &EdgeMap, step: f64) -> Option<Self> {
        if line.length_mm < 4.0 * step || line.points.len() < 3 {
            return None;
        }
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (line.length_mm / step).floor() as usize;
        let mut stations = Vec::with_capacity(count + 1);
        for i in 0..=count {
            #[allow(clippy::cast_precision_loss)]
            let arc = i as f64 * step;
            if line.closed && i == count {
                break;
            }
            let here = line.place(arc)?;
            let reach = |by: f64| {
                let to = arc + by;
                let to = if line.closed {
                    to
                } else {
                    to.clamp(0.0, line.length_mm)
                };
                line.place(to).map(|p| Point::new(p.x_mm, p.y_mm))
            };
            let along = reach(ARM_MM)? - reach(-ARM_MM)?;
            let length = along.norm();
            if length <= 1e-9 {
                return None;
            }
            let at = Point::new(here.x_mm, here.y_mm);
            let half = here.half_width_mm;
            stations.push(Station {
                arc,
                at,
                normal: Point::new(-along.y / length, along.x / length),
                half,
                joined: -edges.at(at) > JOINED * half + JOINED_MM,
                off: None,
            });
        }
        set_off(&mut stations, step);
        let free = [line.start, line.end].map(|e| e == LineEnd::Free);
        Some(Self {
            line: line.id,
            bridge: false,
            runs_on: None,
            closed: line.closed,
            step,
            stations,
            free,
        })
    }
}

/// Finds how far each station lies off the smooth course.
fn set_off(stations: &mut [Station], step: f64) {
    let smooth = |f: &dyn Fn(&Station) -> f64| {
        let values: Vec<f64> = stations.iter().map(f).collect();
        smooth_course(&values, step, COURSE_MM)
    };
    let (x, y) = (smooth(&|s| s.at.x), smooth(&|s| s.at.y));
    let offs: Vec<f64> = stations
        .iter()
        .zip(x.into_iter().zip(y))
        .map(|(s, (x, y))| (s.at - Point::new(x, y)).dot(s.normal))
        .collect();
    for (s, off) in stations.iter_mut().zip(unbent(&offs, step)) {
        s.off = off;
    }
}

/// Offsets from a smooth course, but for where it cuts a bend: there they are
/// large, or lie to one side for longer than a ragged edge does.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
pub(crate) fn unbent(offs: &[f64], step: f64) -> Vec<Option<f64>> {
    let half = ((ONE_SIDE_MM / step) as usize).max(1);
    let mut sums = vec![0.0];
    for o in offs {
        sums.push(sums[sums.len() - 1] + o);
    }
    (0..offs.len())
        .map(|i| {
            let (from, to) = (i.saturating_sub(half), (i + half + 1).min(offs.len()));
            let mean = (sums[to] - sums[from]) / (to - from) as f64;
            (offs[i].abs() < BEND_MM && mean.abs() < LEAN_MM).then_some(offs[i])
        })
        .collect()
}

/// An end of a line that stops.
struct Tip<'a> {
    line: &'a AtlasLine,
    last: bool,
    at: Point,
    /// Unit vector out of the line.
    out: Point,
    half: f64,
}

impl<'a> Tip<'a> {
    fn of(line: &'a AtlasLine, last: bool) -> Option<Self> {
        let arc = |back: f64| if last { line.length_mm - back } else { back };
        if line.closed || line.length_mm < 0.3 {
            return None;
        }
        let end = if last { line.end } else { line.start };
        if end != LineEnd::Free {
            return None;
        }
        let at = line.place(arc(0.0))?;
        let near = line.place(arc(line.length_mm.min(0.25)))?;
        let far = line.place(arc(line.length_mm.min(1.0)))?;
        // A stroke that thins out ends because it was cut so.
        if near.half_width_mm < 0.75 * far.half_width_mm {
            return None;
        }
        // An end that broke off is oblique, and within half the width of it the middle
        // runs to one of its corners.
        let half = near.half_width_mm;
        let front = line.place(arc(line.length_mm.min(0.8 * half)))?;
        let back = line.place(arc(line
            .length_mm
            .min(0.8 * half + LOOK_BACK_MM.max(1.5 * half))))?;
        let along = Point::new(front.x_mm - back.x_mm, front.y_mm - back.y_mm);
        let length = along.norm();
        (length > 0.05).then(|| Self {
            line,
            last,
            at: Point::new(at.x_mm, at.y_mm),
            out: along * (1.0 / length),
            half,
        })
    }

    /// Places from inside the line to its tip, with half widths.
    fn tail(&self, step: f64) -> Vec<(Point, f64)> {
        let length = TAIL_MM.min(self.line.length_mm);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let count = (length / step).floor() as usize;
        (0..=count)
            .rev()
            .filter_map(|i| {
                #[allow(clippy::cast_precision_loss)]
                let back = i as f64 * step;
                let arc = if self.last {
                    self.line.length_mm - back
                } else {
                    back
                };
                let p = self.line.place(arc)?;
                Some((Point::new(p.x_mm, p.y_mm), p.half_width_mm))
            })
            .collect()
    }
}

/// Ways over gaps of the record: free ends that face each other in one run and
/// would each be the other's nearest.
pub(crate) fn bridges(atlas: &Atlas, edges: &EdgeMap, step: f64) -> Vec<Course> {
    let tips: Vec<Tip<'_>> = atlas
        .lines
        .iter()
        .flat_map(|l| [Tip::of(l, false), Tip::of(l, true)])
        .flatten()
        .collect();
    let partner = |a: usize| {
        (0..tips.len())
            .filter(|b| *b != a && faces(&tips[a], &tips[*b]))
            .min_by(|b, c| {
                let d = |n: usize| tips[a].at.distance(tips[n].at);
                d(*b).total_cmp(&d(*c))
            })
    };
    let partners: Vec<Option<usize>> = (0..tips.len()).map(partner).collect();
    let mut out = Vec::new();
    for (a, b) in partners.iter().enumerate() {
        if let Some(b) = *b
            && a < b
            && partners[b] == Some(a)
        {
            out.extend(
                bridge(&tips[a], &tips[b], step).filter(|c| clear(c, &tips[a], &tips[b], edges)),
            );
        }
    }
    out
}

fn faces(a: &Tip<'_>, b: &Tip<'_>) -> bool {
    let way = b.at - a.at;
    let gap = way.norm();
    if !(0.03..=LONGEST_MM).contains(&gap) {
        return false;
    }
    let thin = a.half.min(b.half) / a.half.max(b.half).max(1e-9);
    let run = a.out.dot(b.out);
    let ahead = |t: &Tip<'_>, sign: f64| t.out.dot(way) * sign / gap;
    // Over a gap no longer than the line is wide the way's own direction says little.
    let wide = gap < 2.0 * a.half.max(b.half);
    let straight = run < -ALONG && (wide || (ahead(a, 1.0) > ALONG && ahead(b, -1.0) > ALONG));
    let way = way * (1.0 / gap);
    thin > 0.6
        && ahead(a, 1.0) > 0.5
        && ahead(b, -1.0) > 0.5
        && if gap <= SHORT_MM {
            straight && even(a, b, way, gap) || tight_bend(a, b, way, gap)
        } else {
            straight && one_bend(a, b, way, gap)
        }
}

/// By how much the ends turn off the way between them: leaving and arriving, rad,
/// of one sign where both lie on one bend.
fn turns(a: &Tip<'_>, b: &Tip<'_>, way: Point) -> (f64, f64) {
    let turn = |u: Point, v: Point| libm::asin((u.x * v.y - u.y * v.x).clamp(-1.0, 1.0));
    (turn(a.out, way), turn(way, b.out * -1.0))
}

/// Whether two ends near each other lie on one bend, however tight, as of an eye
/// or a finger's tip.
fn tight_bend(a: &Tip<'_>, b: &Tip<'_>, way: Point, gap: f64) -> bool {
    let (leave, arrive) = turns(a, b, way);
    gap < TIGHT_MM.max(2.4 * a.half.max(b.half))
        && leave * arrive > 0.0
        && leave.abs().max(arrive.abs()) < TIGHT_RAD
        && (leave - arrive).abs() < UNEVEN_TIGHT_RAD
        && a.line.length_mm.min(b.line.length_mm) > LEAST_TAIL * gap
}

/// Whether two ends far apart go on into each other along a straight or an even
/// bend, where both turn off the way between them by about the same angle.
fn one_bend(a: &Tip<'_>, b: &Tip<'_>, way: Point, gap: f64) -> bool {
    even(a, b, way, gap) && a.line.length_mm.min(b.line.length_mm) > LEAST_TAIL * gap
}

/// Whether both ends turn off the way between them by about the same angle; over
/// the shortest gaps ends are too near to tell.
fn even(a: &Tip<'_>, b: &Tip<'_>, way: Point, gap: f64) -> bool {
    let (leave, arrive) = turns(a, b, way);
    let far = ((gap - SHORT_MM) / (LONGEST_MM - SHORT_MM)).clamp(0.0, 1.0);
    let most = UNEVEN_RAD[0] * libm::pow(UNEVEN_RAD[1] / UNEVEN_RAD[0], far);
    gap < TIGHT_MM || (leave - arrive).abs() < most
}

/// Whether the record has no other ink in the way.
fn clear(course: &Course, a: &Tip<'_>, b: &Tip<'_>, edges: &EdgeMap) -> bool {
    let wide = a.half.max(b.half);
    course
        .stations
        .iter()
        .filter(|s| s.at.distance(a.at).min(s.at.distance(b.at)) > 0.15 + wide)
        .filter(|s| {
            let inside = |t: &Tip<'_>| (s.at - t.at).dot(t.out) > 0.0;
            inside(a) && inside(b)
        })
        .all(|s| edges.at(s.at) > 0.0)
}

fn bridge(a: &Tip<'_>, b: &Tip<'_>, step: f64) -> Option<Course> {
    let gap = a.at.distance(b.at);
    let mut places = a.tail(step);
    let from = places.len();
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let count = (gap / step).floor() as usize;
    for i in 1..count {
        #[allow(clippy::cast_precision_loss)]
        let t = i as f64 * step / gap;
        let (t2, t3) = (t * t, t * t * t);
        let p = a.at * (2.0 * t3 - 3.0 * t2 + 1.0)
            + a.out * (gap * (t3 - 2.0 * t2 + t))
            + b.at * (3.0 * t2 - 2.0 * t3)
            + b.out * (-gap * (t3 - t2));
        places.push((p, a.half + t * (b.half - a.half)));
    }
    let mut rest = b.tail(step);
    rest.reverse();
    places.extend(rest);
    #[allow(clippy::cast_precision_loss)]
    let tip = (from - 1) as f64 * step;
    let start = if a.last { a.line.length_mm } else { 0.0 };
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let arm = (ARM_MM / step).ceil() as usize;
    let stations = (0..places.len())
        .map(|i| {
            let (at, half) = places[i];
            let along = places[(i + arm).min(places.len() - 1)].0 - places[i.saturating_sub(arm)].0;
            let length = along.norm().max(1e-9);
            #[allow(clippy::cast_precision_loss)]
            let beyond = i as f64 * step - tip;
            Station {
                // Beyond the line's last place, or before its first.
                arc: if a.last { start + beyond } else { -beyond },
                at,
                normal: Point::new(-along.y / length, along.x / length),
                half,
                joined: false,
                off: None,
            }
        })
        .collect();
    Some(Course {
        line: a.line.id,
        bridge: true,
        runs_on: None,
        closed: false,
        step,
        stations,
        free: [false; 2],
    })
}
