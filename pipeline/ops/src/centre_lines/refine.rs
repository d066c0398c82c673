//! A skeleton's chain of samples set midway between the printed edges.

use restrike_model::Point;

use crate::edge_map::EdgeMap;

/// What a course ends at.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stop {
    Free,
    Junction(usize),
    Solid,
    Border,
}

/// A place on a course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Station {
    pub(super) at: Point,
    /// Half the width across, mm.
    pub(super) half: f64,
    /// Whether it was found between two edges.
    found: bool,
}

/// A line in the making.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Course {
    pub(super) points: Vec<Station>,
    /// None for a closed one.
    pub(super) stops: Option<[Stop; 2]>,
    /// The skeleton's ends, where there are.
    tips: Option<[Point; 2]>,
    /// Too short to have a direction.
    dot: bool,
}

/// Stations to each side whose course gives the direction.
const WINDOW: usize = 4;

impl Course {
    /// A first course from a skeleton's samples, in print coordinates.
    pub(super) fn new(map: &EdgeMap, places: Vec<Point>, stops: Option<[Stop; 2]>) -> Self {
        let long: f64 = places.windows(2).map(|p| p[0].distance(p[1])).sum();
        let deepest = places.iter().map(|p| depth(map, *p)).fold(0.0, f64::max);
        let dot = long < (0.5 * deepest).max(1.5 * map.pitch);
        let tips = places.first().copied().zip(places.last().copied());
        let points = places
            .into_iter()
            .map(|at| Station {
                at,
                half: depth(map, at),
                found: false,
            })
            .collect();
        let mut course = Self {
            points,
            stops,
            tips: tips.filter(|_| stops.is_some()).map(|(a, b)| [a, b]),
            dot: dot && stops == Some([Stop::Free; 2]),
        };
        if course.dot {
            return course;
        }
        // From whole samples: directions are coarse, but the midpoint of a
        // straight line's edges lies on its centre line in any direction.
        course.centre(map);
        course.resample(map.pitch);
        course
    }

    /// Direction of the course at a station: main axis of those around it.
    fn direction(&self, n: usize) -> Option<Point> {
        let count = self.points.len();
        let window = WINDOW.min((count.saturating_sub(1)) / 2).max(1);
        let near: Vec<Point> = if self.stops.is_none() {
            (0..=2 * window)
                .map(|k| self.points[(n + count + k - window.min(count)) % count].at)
                .collect()
        } else {
            // As many on both sides, so that a bend does not turn it.
            let reach = window.min(n.max(1)).min((count - 1 - n).max(1));
            let (low, high) = (n.saturating_sub(reach), (n + reach).min(count - 1));
            self.points[low..=high].iter().map(|s| s.at).collect()
        };
        main_axis(&near)
    }

    /// Sets each station between its two edges.
    fn centre(&mut self, map: &EdgeMap) {
        let moved: Vec<Station> = (0..self.points.len())
            .map(|n| {
                let here = self.points[n];
                self.direction(n)
                    .and_then(|d| across(map, here.at, d))
                    .unwrap_or(Station {
                        half: depth(map, here.at),
                        found: false,
                        ..here
                    })
            })
            .collect();
        self.points = moved;
    }

    /// Takes stations a step apart along the course.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    fn resample(&mut self, step: f64) {
        let mut old = std::mem::take(&mut self.points);
        let Some(&first) = old.first() else { return };
        if self.stops.is_none() {
            old.push(first);
        }
        let mut arc = vec![0.0];
        for p in old.windows(2) {
            arc.push(arc[arc.len() - 1] + p[0].at.distance(p[1].at));
        }
        let whole = arc[arc.len() - 1];
        let pieces = (whole / step).round().max(1.0) as usize;
        let last = if self.stops.is_none() {
            pieces
        } else {
            pieces + 1
        };
        if old.len() == 1 || whole == 0.0 {
            self.points = vec![first];
            return;
        }
        let mut n = 0;
        for k in 0..last {
            let s = whole * k as f64 / pieces as f64;
            while n + 2 < arc.len() && arc[n + 1] < s {
                n += 1;
            }
            let (a, b) = (old[n], old[n + 1]);
            let long = arc[n + 1] - arc[n];
            let t = if long > 0.0 { (s - arc[n]) / long } else { 0.0 };
            self.points.push(Station {
                at: Point::new(
                    a.at.x + t * (b.at.x - a.at.x),
                    a.at.y + t * (b.at.y - a.at.y),
                ),
                half: a.half + t * (b.half - a.half),
                found: a.found && b.found,
            });
        }
    }

    /// Takes off the stations at an end that lie in a junction's or an end's
    /// disc, and those after it that were not found.
    fn cut_back(&mut self, end: usize, from: Point, radius: f64) {
        let count = self.points.len();
        let from_end = |k: usize| if end == 0 { k } else { count - 1 - k };
        let away = |k: usize| self.points[from_end(k)].at.distance(from);
        let mut cut = (0..count).find(|k| away(*k) > radius).unwrap_or(count);
        while cut < count && !self.points[from_end(cut)].found && away(cut) < 2.5 * radius {
            cut += 1;
        }
        if end == 0 {
            self.points.drain(..cut);
        } else {
            self.points.truncate(count - cut);
        }
    }

    /// Direction outwards at an end, from the stations next to it.
    fn heading(&self, end: usize) -> Option<Point> {
        let count = self.points.len();
        let near = (2 * WINDOW).min(count);
        let stretch = if end == 0 {
            &self.points[..near]
        } else {
            &self.points[count - near..]
        };
        let places: Vec<Point> = stretch.iter().map(|s| s.at).collect();
        let d = main_axis(&places)?;
        Some(if end == 0 { scaled(d, -1.0) } else { d })
    }

    fn end(&self, end: usize) -> Option<Station> {
        if end == 0 {
            self.points.first().copied()
        } else {
            self.points.last().copied()
        }
    }

    fn push(&mut self, end: usize, station: Station) {
        if end == 0 {
            self.points.insert(0, station);
        } else {
            self.points.push(station);
        }
    }

    /// The line as it goes into the atlas.
    pub(super) fn finished(mut self, map: &EdgeMap, junctions: &[Point]) -> Self {
        if self.dot {
            self.points = self
                .points
                .first()
                .map(|s| dot_at(map, s.at))
                .into_iter()
                .collect();
            return self;
        }
        for _ in 0..2 {
            self.centre(map);
            self.resample(map.pitch);
        }
        self.centre(map);
        let Some((stops, tips)) = self.stops.zip(self.tips) else {
            return self;
        };
        for (end, (stop, tip)) in stops.into_iter().zip(tips).enumerate() {
            match stop {
                Stop::Junction(j) => {
                    if let Some(at) = junctions.get(j) {
                        self.lead_to(end, *at, map.pitch);
                    }
                }
                Stop::Solid => {
                    if let Some((last, d)) = self.end(end).zip(self.heading(end)) {
                        let on = (tip - last.at).dot(d).max(0.0);
                        self.lead_to(end, last.at + scaled(d, on), map.pitch);
                    }
                }
                Stop::Border => {}
                Stop::Free => self.carry_on(end, map),
            }
        }
        self
    }

    /// Straight on to a given place.
    fn lead_to(&mut self, end: usize, place: Point, step: f64) {
        let Some(last) = self.end(end) else {
            self.points.push(Station {
                at: place,
                half: 0.0,
                found: false,
            });
            return;
        };
        let way = place - last.at;
        let count = (way.norm() / step).round().max(1.0);
        let mut k = 1.0;
        while k <= count {
            self.push(
                end,
                Station {
                    at: last.at + scaled(way, k / count),
                    ..last
                },
            );
            k += 1.0;
        }
    }

    /// Straight on to the printed edge.
    fn carry_on(&mut self, end: usize, map: &EdgeMap) {
        let (Some(last), Some(d)) = (self.end(end), self.heading(end)) else {
            return;
        };
        let Some(far) = crossing(map, last.at, d, 3.0 * last.half + 2.0 * map.pitch) else {
            return;
        };
        let mut before = last;
        let mut s = map.pitch;
        while s < far - 0.25 * map.pitch {
            let at = last.at + scaled(d, s);
            let half = across(map, at, d).map_or(before.half, |found| found.half);
            before = Station {
                at,
                half,
                found: false,
            };
            self.push(end, before);
            s += map.pitch;
        }
        let at = last.at + scaled(d, far);
        self.push(end, Station { at, ..before });
    }
}

/// Where the courses of each junction meet; cuts them back to where they have
/// edges of their own. Takes each junction's place and depth, mm.
pub(super) fn meeting_points(
    map: &EdgeMap,
    courses: &mut [Course],
    junctions: &[(Point, f64)],
) -> Vec<Point> {
    let mut normal = vec![[0.0_f64; 5]; junctions.len()];
    for course in courses.iter_mut() {
        let Some((stops, tips)) = course.stops.zip(course.tips) else {
            continue;
        };
        let whole = course.clone();
        for (end, (stop, tip)) in stops.into_iter().zip(tips).enumerate() {
            match stop {
                Stop::Junction(j) => {
                    let (centre, depth) = junctions[j];
                    course.cut_back(end, centre, depth + map.pitch);
                }
                // The skeleton may turn into a corner of a square end.
                Stop::Free => course.cut_back(end, tip, 0.7 * depth(map, tip) + map.pitch),
                Stop::Solid | Stop::Border => course.cut_back(end, tip, map.pitch),
            }
        }
        if course.points.len() < 2 {
            *course = whole;
            continue;
        }
        for (end, stop) in stops.into_iter().enumerate() {
            if let (Stop::Junction(j), Some(last), Some(d)) =
                (stop, course.end(end), course.heading(end))
            {
                // Squared distance from the course's straight continuation,
                // about the junction's first place.
                let (n, q) = (Point::new(-d.y, d.x), last.at - junctions[j].0);
                let c = n.dot(q);
                let sums = [n.x * n.x, n.x * n.y, n.y * n.y, n.x * c, n.y * c];
                for (into, v) in normal[j].iter_mut().zip(sums) {
                    *into += v;
                }
            }
        }
    }
    normal
        .into_iter()
        .zip(junctions)
        .map(|([a, b, c, u, v], (centre, depth))| {
            let det = a * c - b * b;
            // Courses that are all but parallel do not say where along them.
            if det < 0.1 {
                return *centre;
            }
            let shift = Point::new((c * u - b * v) / det, (a * v - b * u) / det);
            if shift.norm() > depth + map.pitch {
                return *centre;
            }
            *centre + shift
        })
        .collect()
}

/// Midway between the edges to both sides of a place, if both are the line's own.
fn across(map: &EdgeMap, at: Point, along: Point) -> Option<Station> {
    let normal = Point::new(-along.y, along.x);
    let limit = 3.0 * depth(map, at) + 3.0 * map.pitch;
    let left = crossing(map, at, normal, limit)?;
    let right = crossing(map, at, scaled(normal, -1.0), limit)?;
    let middle = at + scaled(normal, 0.5 * (left - right));
    let half = 0.5 * (left + right);
    // Where another line or an end opens to a side, the nearest edge is much
    // nearer than the one found there.
    let own = half < 1.35 * depth(map, middle) + 0.75 * map.pitch;
    own.then_some(Station {
        at: middle,
        half,
        found: true,
    })
}

/// Distance to the printed edge in a direction; none up to the limit or off the map.
fn crossing(map: &EdgeMap, from: Point, direction: Point, limit: f64) -> Option<f64> {
    let depth_at = |s: f64| Some(map.sample(from + scaled(direction, s))?.distance);
    let (mut inside, mut value) = (0.0, depth_at(0.0)?);
    if value >= 0.0 {
        return None;
    }
    // No edge is nearer than the distance says, up to the mixing between samples.
    let (mut outside, mut beyond);
    loop {
        outside = inside + (-0.9 * value).max(0.25 * map.pitch);
        if outside > limit {
            return None;
        }
        beyond = depth_at(outside)?;
        if beyond >= 0.0 {
            break;
        }
        (inside, value) = (outside, beyond);
    }
    // Between samples the distance is smooth: a few halvings by proportion.
    for _ in 0..6 {
        let s = inside + (outside - inside) * value / (value - beyond);
        let d = depth_at(s)?;
        if d.abs() < 1e-6 * map.pitch {
            return Some(s);
        }
        if d < 0.0 {
            (inside, value) = (s, d);
        } else {
            (outside, beyond) = (s, d);
        }
    }
    Some(inside + (outside - inside) * value / (value - beyond))
}

/// A dot: midway between its edges across and down, with their mean half width.
fn dot_at(map: &EdgeMap, at: Point) -> Station {
    let mut dot = Station {
        at,
        half: depth(map, at),
        found: true,
    };
    let limit = 3.0 * dot.half + 3.0 * map.pitch;
    for _ in 0..2 {
        let mut spans = [0.0; 2];
        for (span, (x, y)) in spans.iter_mut().zip([(1.0, 0.0), (0.0, 1.0)]) {
            let d = Point::new(x, y);
            let (Some(a), Some(b)) = (
                crossing(map, dot.at, d, limit),
                crossing(map, dot.at, scaled(d, -1.0), limit),
            ) else {
                return dot;
            };
            dot.at = dot.at + scaled(d, 0.5 * (a - b));
            *span = 0.5 * (a + b);
        }
        dot.half = 0.5 * (spans[0] + spans[1]);
    }
    dot
}

/// Unit vector of the main axis of places, from the first towards the last.
#[allow(clippy::cast_precision_loss)]
fn main_axis(places: &[Point]) -> Option<Point> {
    let (first, last) = (*places.first()?, *places.last()?);
    let count = places.len() as f64;
    let sum = places
        .iter()
        .fold(Point::default(), |s, p| s + (*p - first));
    let mean = first + scaled(sum, 1.0 / count);
    let (mut xx, mut xy, mut yy) = (0.0, 0.0, 0.0);
    for p in places {
        let d = *p - mean;
        xx += d.x * d.x;
        xy += d.x * d.y;
        yy += d.y * d.y;
    }
    if xx + yy <= 0.0 {
        return None;
    }
    let (s, c) = libm::sincos(0.5 * libm::atan2(2.0 * xy, xx - yy));
    let axis = Point::new(c, s);
    Some(if axis.dot(last - first) < 0.0 {
        scaled(axis, -1.0)
    } else {
        axis
    })
}

/// Distance to the printed edge from inside; zero outside and off the map.
fn depth(map: &EdgeMap, at: Point) -> f64 {
    (-map.at(at)).max(0.0)
}

fn scaled(p: Point, by: f64) -> Point {
    Point::new(p.x * by, p.y * by)
}
