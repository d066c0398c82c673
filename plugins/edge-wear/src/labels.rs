//! Places for labels beside what they name, so that none lies on another.

use restrike_stage::Point;

/// Height of letters and width of one, mm, as drawings true to size letter them.
const LETTERS_MM: f64 = 2.6;
const LETTER_WIDTH_MM: f64 = 1.5;
/// White about a label, mm.
const CLEAR_MM: f64 = 0.3;
/// How far a label may stand from its ring, mm, in the order they are tried.
const OFF_MM: [f64; 11] = [0.4, 1.5, 3.0, 5.0, 7.5, 10.0, 13.0, 17.0, 22.0, 28.0, 35.0];
/// Nearer than this to another ring a label would be taken for that one's, mm.
const OTHERS_MM: f64 = 1.0;
/// Cost of each piece of a drawn line that a label lies over, and what all of them
/// cost less than: anything else in the way costs more.
const OVER: f64 = 0.01;
const FREE: f64 = 0.4;
/// Further than this from its ring, mm, no label goes only to be clear of drawn lines.
const NEAR_MM: f64 = 4.0;
/// Directions tried at each distance.
const WAYS: u32 = 24;

/// A ring that wants a label.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Ring {
    pub(crate) at: Point,
    pub(crate) radius: f64,
    /// What it is called, the long form and a shorter one for where room is scarce.
    pub(crate) names: [String; 2],
}

/// A label with its place.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Label {
    /// Place of its ring among those given.
    pub(crate) ring: usize,
    /// Left end of the base line.
    pub(crate) at: Point,
    pub(crate) text: String,
    /// From the ring to the label, where it stands away.
    pub(crate) leader: Option<[Point; 2]>,
}

#[derive(Debug, Clone, Copy)]
struct Rect {
    min: Point,
    max: Point,
}

impl Rect {
    fn nearest(&self, p: Point) -> Point {
        Point::new(
            p.x.clamp(self.min.x, self.max.x),
            p.y.clamp(self.min.y, self.max.y),
        )
    }

    /// Area that two share, mm2, with white about them.
    fn shared(&self, o: &Self) -> f64 {
        let side =
            |a0: f64, a1: f64, b0: f64, b1: f64| (a1.min(b1) - a0.max(b0) + CLEAR_MM).max(0.0);
        side(self.min.x, self.max.x, o.min.x, o.max.x)
            * side(self.min.y, self.max.y, o.min.y, o.max.y)
    }

    /// Whether a straight passes through.
    fn crossed(&self, [a, b]: [Point; 2]) -> bool {
        // Clipped against each pair of sides (Liang and Barsky 1984).
        let d = b - a;
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        for (p, q) in [
            (-d.x, a.x - self.min.x),
            (d.x, self.max.x - a.x),
            (-d.y, a.y - self.min.y),
            (d.y, self.max.y - a.y),
        ] {
            if p == 0.0 {
                if q < 0.0 {
                    return false;
                }
            } else if p < 0.0 {
                from = from.max(q / p);
            } else {
                to = to.min(q / p);
            }
        }
        from < to
    }
}

/// Places a label for each ring, in order, within an area of that size; off the
/// `drawn` lines where there is room near by.
pub(crate) fn placed(rings: &[Ring], size: Point, drawn: &[[Point; 2]]) -> Vec<Label> {
    let mut boxes: Vec<Rect> = Vec::new();
    let mut leaders: Vec<[Point; 2]> = Vec::new();
    let mut out = Vec::new();
    for (n, ring) in rings.iter().enumerate() {
        let mut best: Option<(f64, usize, Rect, Option<[Point; 2]>)> = None;
        for (name, off) in [0, 1].into_iter().flat_map(|k| OFF_MM.map(|o| (k, o))) {
            // Nothing in the way; further off only to get clear of the drawing's own lines.
            let done = |b: f64| b == 0.0 || (b < FREE && (off > NEAR_MM || name == 1));
            if best.as_ref().is_some_and(|b| done(b.0)) {
                break;
            }
            for way in 0..WAYS {
                let (at, leader) = candidate(ring, name, off, way);
                let inside =
                    at.min.x >= 0.0 && at.min.y >= 0.0 && at.max.x <= size.x && at.max.y <= size.y;
                if !inside {
                    continue;
                }
                let mut cost = cost(&at, leader, n, rings, &boxes, &leaders);
                if cost < FREE {
                    #[allow(clippy::cast_precision_loss)]
                    let over = drawn.iter().filter(|d| at.crossed(**d)).count() as f64;
                    cost += (OVER * over).min(0.9 * FREE);
                }
                if best.as_ref().is_none_or(|b| cost < b.0) {
                    best = Some((cost, name, at, leader));
                }
            }
        }
        let Some((_, name, at, leader)) = best else {
            continue;
        };
        boxes.push(at);
        leaders.extend(leader);
        out.push(Label {
            ring: n,
            at: Point::new(at.min.x, at.max.y - 0.2 * LETTERS_MM),
            text: ring.names[name].clone(),
            leader,
        });
    }
    out
}

#[allow(clippy::cast_precision_loss)]
fn candidate(ring: &Ring, name: usize, off: f64, way: u32) -> (Rect, Option<[Point; 2]>) {
    let letters = ring.names[name].chars().count() as f64;
    let half = Point::new(0.5 * letters * LETTER_WIDTH_MM, 0.5 * LETTERS_MM);
    let (s, c) = libm::sincos(std::f64::consts::TAU * (f64::from(way) + 0.5) / f64::from(WAYS));
    let unit = Point::new(c, -s);
    // The box's nearest place to the ring's middle is `off` beyond the ring.
    let beyond = ring.radius + off;
    let centre = ring.at
        + Point::new(
            unit.x * beyond + half.x * (3.0 * unit.x).clamp(-1.0, 1.0),
            unit.y * beyond + half.y * (3.0 * unit.y).clamp(-1.0, 1.0),
        );
    let at = Rect {
        min: centre - half,
        max: centre + half,
    };
    let end = at.nearest(ring.at);
    let way = end - ring.at;
    let length = way.norm();
    let leader = (length > ring.radius + 0.8)
        .then(|| [ring.at + way * (ring.radius / length.max(1e-9)), end]);
    (at, leader)
}

/// How much a place for a label is in the way of others, 0 if not at all.
fn cost(
    at: &Rect,
    leader: Option<[Point; 2]>,
    own: usize,
    rings: &[Ring],
    boxes: &[Rect],
    leaders: &[[Point; 2]],
) -> f64 {
    // Letters on letters are worst, a leader over letters next, leaders that cross least.
    let mut sum: f64 = boxes
        .iter()
        .map(|b| at.shared(b))
        .filter(|shared| *shared > 0.0)
        .map(|shared| 50.0 + shared)
        .sum();
    for (n, r) in rings.iter().enumerate() {
        let short = r.radius - at.nearest(r.at).distance(r.at);
        if n == own {
            continue;
        }
        if short > 0.0 {
            sum += 2.0 + short;
        } else if short > -OTHERS_MM {
            // It would be taken for the other's.
            sum += 0.5;
        }
    }
    sum += 5.0 * leaders.iter().filter(|l| at.crossed(**l)).count() as f64;
    if let Some(l) = leader {
        sum += 5.0 * boxes.iter().filter(|b| b.crossed(l)).count() as f64;
        sum += leaders.iter().filter(|o| cross(**o, l)).count() as f64;
    }
    sum
}

fn cross([a, b]: [Point; 2], [c, d]: [Point; 2]) -> bool {
    let side = |p: Point, q: Point, r: Point| {
        let (u, v) = (q - p, r - p);
        u.x * v.y - u.y * v.x
    };
    side(a, b, c) * side(a, b, d) < 0.0 && side(c, d, a) * side(c, d, b) < 0.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn labels_of_crowded_places_do_not_lie_on_each_other() {
        let rings: Vec<Ring> = (0..40)
            .map(|n| Ring {
                at: Point::new(40.0 + f64::from(n % 8) * 3.0, 30.0 + f64::from(n / 8) * 2.5),
                radius: 0.8,
                names: [format!("{} break 0.42", n + 1), (n + 1).to_string()],
            })
            .collect();
        let labels = placed(&rings, Point::new(120.0, 90.0), &[]);
        assert_eq!(labels.len(), rings.len());
        let rect = |l: &Label| {
            #[allow(clippy::cast_precision_loss)]
            let width = l.text.chars().count() as f64 * LETTER_WIDTH_MM;
            let bottom = l.at.y + 0.2 * LETTERS_MM;
            Rect {
                min: Point::new(l.at.x, bottom - LETTERS_MM),
                max: Point::new(l.at.x + width, bottom),
            }
        };
        let mut away = 0;
        for (n, l) in labels.iter().enumerate() {
            for o in &labels[..n] {
                assert!(rect(l).shared(&rect(o)) < 1e-6, "{l:?} {o:?}");
            }
            away += usize::from(l.leader.is_some());
        }
        assert!(away > 10, "{away}");
    }

    #[test]
    fn a_ring_alone_has_its_label_beside_it() {
        let ring = Ring {
            at: Point::new(10.0, 10.0),
            radius: 1.0,
            names: ["1 nick 0.20".into(), "1".into()],
        };
        let labels = placed(std::slice::from_ref(&ring), Point::new(50.0, 50.0), &[]);
        assert_eq!(labels[0].leader, None);
        assert_eq!(labels[0].text, "1 nick 0.20");
        assert!(labels[0].at.distance(Point::new(10.0, 10.0)) < 4.0);
        // A line to its right: it goes to the left or above, still near.
        let line = [Point::new(12.0, 0.0), Point::new(12.0, 50.0)];
        let ring = Ring {
            at: Point::new(25.0, 25.0),
            ..ring
        };
        let across = [Point::new(25.0, 25.0), Point::new(50.0, 25.0)];
        let label = &placed(&[ring], Point::new(50.0, 50.0), &[line, across])[0];
        assert!(label.at.y < 24.5 || label.at.y > 27.0, "{label:?}");
        assert_eq!(label.leader, None);
    }
}
