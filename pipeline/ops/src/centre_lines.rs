//! From a printed shape to its centre lines: the key-line atlas.
//!
//! The shape's skeleton ([`crate::thinning`]) without its spurs
//! ([`crate::skeleton_graph`]) gives the lines and where they meet; each point
//! is then set midway between the two printed edges across the line. What
//! holds a disc wider than a line may be is solid, with everything that such
//! discs cover (morphological opening: Serra 1982), and given by its outline.
//!
//! Lines narrower than a sample may break where no sample falls on them.
//! Below three samples the width reads low by up to 0.15 samples, since
//! between samples the distance to one edge is mixed with that to the other.

mod refine;

use restrike_model::{Point, Raster};

use crate::atlas::{Atlas, AtlasLine, AtlasPoint, LineEnd, Outline, OutlinePoint};
use crate::contour::{Inside, contours};
use crate::edge_distance::level_distance;
use crate::edge_map::{EdgeMap, REACH_MM};
use crate::skeleton_graph::{Branch, BranchEnd, SkeletonGraph};
use crate::thinning::thin;
use refine::{Course, Stop};

/// What to take for a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineLimits {
    /// Widest line, mm; up to twice [`REACH_MM`], beyond which nothing is solid.
    pub max_width_mm: f64,
}

impl Default for LineLimits {
    fn default() -> Self {
        Self { max_width_mm: 1.2 }
    }
}

/// Centre lines and solids of a printed shape.
///
/// Lines end at junctions, at solids, at free ends, where they are carried on
/// straight to the printed edge, and at the map's border. All lines of a
/// junction share its point, the one nearest to their courses in least squares.
pub fn centre_lines(map: &EdgeMap, limits: LineLimits) -> Atlas {
    if !(map.pitch.is_finite() && map.pitch > 0.0) {
        return Atlas::new(Vec::new(), Vec::new());
    }
    let solids = Solids::new(map, limits);
    #[allow(clippy::cast_possible_truncation)]
    let frozen = (solids.radius + 2.0 * map.pitch) as f32;
    let mut skeleton = thin(&map.distance, frozen);
    let (w, h) = (map.distance.width(), map.distance.height());
    // Where the skeleton goes on into a solid or over the border.
    let mut goes_on = vec![None; skeleton.cells()];
    for y in 0..h {
        for x in 0..w {
            let cell = skeleton.cell(x, y);
            if !skeleton.has(cell) {
                continue;
            }
            if solids.hold(x, y) {
                for n in skeleton.around(cell) {
                    goes_on[n] = Some(Stop::Solid);
                }
            } else if (x == 0 || y == 0 || x + 1 == w || y + 1 == h) && goes_on[cell].is_none() {
                goes_on[cell] = Some(Stop::Border);
            }
        }
    }
    for y in 0..h {
        for x in 0..w {
            if solids.hold(x, y) {
                let cell = skeleton.cell(x, y);
                skeleton.put(cell, false);
            }
        }
    }
    let depth = |cell: usize| {
        let (x, y) = skeleton_sample(w, cell);
        -f64::from(map.distance.get(x, y, 0))
    };
    let graph = SkeletonGraph::pruned(&mut skeleton, map.pitch, depth, |c| goes_on[c].is_some());

    let at = |cell: usize| {
        let (x, y) = skeleton.sample(cell);
        map.place(x, y)
    };
    let stop_at = |end: BranchEnd, cell: Option<&usize>| match end {
        BranchEnd::Junction(j) => Stop::Junction(j),
        BranchEnd::Free => cell.and_then(|c| goes_on[*c]).unwrap_or(Stop::Free),
    };
    let mut courses: Vec<Course> = Vec::new();
    for Branch { cells, ends } in &graph.branches {
        let stops = ends.map(|[a, b]| [stop_at(a, cells.first()), stop_at(b, cells.last())]);
        // Out of the corners of a solid nothing sticks out by a half width.
        let is_corner = match stops {
            Some([Stop::Solid, Stop::Free] | [Stop::Free, Stop::Solid]) => {
                let long: f64 = cells.windows(2).map(|c| at(c[0]).distance(at(c[1]))).sum();
                long < solids.radius
            }
            Some([Stop::Solid, Stop::Solid]) => cells.len() < 3,
            _ => false,
        };
        if !is_corner {
            let places = cells.iter().map(|c| at(*c)).collect();
            courses.push(Course::new(map, places, stops));
        }
    }
    let junctions: Vec<(Point, f64)> = graph
        .junctions
        .iter()
        .map(|j| {
            let [x, y] = j.centre(&skeleton);
            let p = Point::new(map.origin.x + x * map.pitch, map.origin.y - y * map.pitch);
            (p, j.depth(depth))
        })
        .collect();
    let junctions = refine::meeting_points(map, &mut courses, &junctions);
    let lines = courses
        .into_iter()
        .filter_map(|c| line(c.finished(map, &junctions)))
        .collect();
    Atlas::new(lines, solids.outlines(map))
}

/// As `Skeleton::sample`, while the skeleton itself is being changed.
fn skeleton_sample(width: usize, cell: usize) -> (usize, usize) {
    let stride = width + 2;
    (
        (cell % stride).saturating_sub(1),
        (cell / stride).saturating_sub(1),
    )
}

fn line(course: Course) -> Option<AtlasLine> {
    if course.points.is_empty() {
        return None;
    }
    let end = |stop: Stop| match stop {
        Stop::Free => LineEnd::Free,
        Stop::Junction(_) => LineEnd::Junction,
        Stop::Solid => LineEnd::Solid,
        Stop::Border => LineEnd::Border,
    };
    let [start, stop] = course
        .stops
        .map_or([LineEnd::Closed; 2], |stops| stops.map(end));
    Some(AtlasLine {
        id: 0,
        closed: course.stops.is_none(),
        start,
        end: stop,
        length_mm: 0.0,
        points: course
            .points
            .into_iter()
            .map(|p| AtlasPoint {
                x_mm: p.at.x,
                y_mm: p.at.y,
                arc_mm: 0.0,
                half_width_mm: p.half,
            })
            .collect(),
    })
}

/// What is too wide for lines.
struct Solids {
    /// Half the widest line, mm.
    radius: f64,
    /// Distance to the places deeper than that, if there are any.
    core: Option<Raster<f32>>,
}

impl Solids {
    #[allow(clippy::cast_possible_truncation)]
    fn new(map: &EdgeMap, limits: LineLimits) -> Self {
        let radius = (limits.max_width_mm / 2.0).max(0.0);
        let level = -radius as f32;
        let deep = radius < f64::from(REACH_MM) && map.distance.data().iter().any(|d| *d < level);
        Self {
            radius: if radius.is_finite() { radius } else { f64::MAX },
            core: deep.then(|| {
                level_distance(&map.distance, level, Inside::Below, map.origin, map.pitch).distance
            }),
        }
    }

    /// Whether a sample of the shape belongs to a solid.
    fn hold(&self, x: usize, y: usize) -> bool {
        self.core
            .as_ref()
            .is_some_and(|c| f64::from(c.get(x, y, 0)) < self.radius)
    }

    #[allow(clippy::cast_possible_truncation)]
    fn outlines(&self, map: &EdgeMap) -> Vec<Outline> {
        let Some(core) = &self.core else {
            return Vec::new();
        };
        let mut solid = core.clone();
        for (s, d) in solid.data_mut().iter_mut().zip(map.distance.data()) {
            *s = (*s - self.radius as f32).max(*d);
        }
        contours(&solid, 0.0, Inside::Below)
            .into_iter()
            .map(|c| Outline {
                id: 0,
                closed: c.closed,
                hole: c.closed && c.area() < 0.0,
                points: c
                    .points
                    .iter()
                    .map(|p| map.between(*p))
                    .map(|p| OutlinePoint {
                        x_mm: p.x,
                        y_mm: p.y,
                    })
                    .collect(),
            })
            .collect()
    }
}

#[cfg(test)]
mod tests;
