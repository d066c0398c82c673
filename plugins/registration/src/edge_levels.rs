//! Where a proof's edges lie, by the levels on both sides of each edge itself.
//!
//! An edge is half-way between the bare paper and the ink beside it. Over a
//! whole sheet the paper is known to a percent or two; of a pale ink, which
//! takes a tenth of the light, that would move edges by a quarter of a pixel,
//! to the same side over centimetres. Read off within a few millimetres on
//! either side, what is unknown of the paper falls out.

use restrike_stage::{Point, Raster};

use restrike_ops::contour::Inside;
use restrike_ops::edge_distance::level_distance;
use restrike_ops::grid::Grid;

/// Side of the cells that levels are summed in, mm.
const CELL_MM: f64 = 0.25;
/// Nearer to the edge than this is its blur and the ink squashed to its rim, mm.
const RIM_MM: f64 = 0.25;
/// Farther off than this tells nothing of an edge, mm.
const FAR_MM: f64 = 3.0;
/// Standard deviation of the weight by distance, mm.
const NEAR_MM: f64 = 1.0;
/// Samples within this of the edge are read anew, mm.
const BAND_MM: f64 = 0.4;
/// Least area that a level rests on, weighted, mm2.
const LEAST_MM2: f64 = 0.3;
/// A slope rests on this much or is none, mm2.
const HOLD_MM2: f64 = 0.4;

/// Sums of what lies on one side of the edges, by cell.
struct Side {
    grid: Grid,
    /// Samples, sum of their light.
    cells: Vec<(f64, f64)>,
}

/// A level near a place: value there and its slopes.
#[derive(Clone, Copy)]
struct Plane {
    at: Point,
    value: f64,
    slope: Point,
}

impl Plane {
    fn at(self, p: Point) -> f64 {
        let d = p - self.at;
        self.value + self.slope.dot(d)
    }
}

impl Side {
    /// A plane through the cells about a cell, near ones counting most.
    #[allow(clippy::cast_precision_loss)]
    fn plane(&self, i: usize, j: usize, area: f64) -> Option<Plane> {
        let g = self.grid;
        let reach = (2.5 * NEAR_MM / g.pitch).ceil() as usize;
        let at = g.place(i, j);
        let mut m = nalgebra::Matrix3::<f64>::zeros();
        let mut b = nalgebra::Vector3::<f64>::zeros();
        for v in j.saturating_sub(reach)..(j + reach + 1).min(g.height) {
            for u in i.saturating_sub(reach)..(i + reach + 1).min(g.width) {
                let (n, sum) = self.cells[v * g.width + u];
                if n <= 0.0 {
                    continue;
                }
                let d = g.place(u, v) - at;
                let k = libm::exp(-0.5 * d.dot(d) / (NEAR_MM * NEAR_MM));
                let f = nalgebra::Vector3::new(1.0, d.x, d.y);
                m += f * f.transpose() * (k * n);
                b += f * (k * sum);
            }
        }
        if m[(0, 0)] * area < LEAST_MM2 {
            return None;
        }
        let hold = HOLD_MM2 / area * NEAR_MM * NEAR_MM;
        m[(1, 1)] += hold;
        m[(2, 2)] += hold;
        let s = m.cholesky()?.solve(&b);
        Some(Plane {
            at,
            value: s[0],
            slope: Point::new(s[1], s[2]),
        })
    }
}

/// The coverage with its edges placed by what lies beside them.
///
/// `light`: by sample, the light that tells this ink best; `looked`: samples
/// that count; `sharp`: whether there is an edge to be placed at a place. Where
/// one side shows too little, the coverage stays.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn placed(
    coverage: &Raster<f32>,
    light: &[f32],
    looked: &[bool],
    grid: Grid,
    sharp: &dyn Fn(Point) -> bool,
) -> Raster<f32> {
    let w = grid.width;
    let edges = level_distance(coverage, 0.5, Inside::Above, grid.origin, grid.pitch);
    let distance = edges.distance.data();
    let step = ((CELL_MM / grid.pitch).round() as usize).max(1);
    let cells = grid.coarser(step);
    let empty = || Side {
        grid: cells,
        cells: vec![(0.0, 0.0); cells.width * cells.height],
    };
    let (mut ink, mut paper) = (empty(), empty());
    for k in (0..looked.len()).filter(|k| looked[*k]) {
        let d = f64::from(distance[k]);
        if !(RIM_MM..FAR_MM).contains(&d.abs()) {
            continue;
        }
        let side = if d < 0.0 { &mut ink } else { &mut paper };
        let cell = &mut side.cells[(k / w / step) * cells.width + (k % w) / step];
        cell.0 += 1.0;
        cell.1 += f64::from(light[k]);
    }
    let area = grid.pitch * grid.pitch;
    let mut out = coverage.clone();
    let mut planes: Vec<Option<Option<(Plane, Plane)>>> = vec![None; cells.width * cells.height];
    for k in (0..looked.len()).filter(|k| looked[*k]) {
        if f64::from(distance[k]).abs() > BAND_MM {
            continue;
        }
        let p = grid.place(k % w, k / w);
        if !sharp(p) {
            continue;
        }
        let (i, j) = ((k % w) / step, k / w / step);
        let both = *planes[j * cells.width + i]
            .get_or_insert_with(|| Some((paper.plane(i, j, area)?, ink.plane(i, j, area)?)));
        let Some((bare, inked)) = both else { continue };
        let (bare, inked) = (bare.at(p), inked.at(p));
        let gap = bare - inked;
        if gap > 0.0 {
            out.data_mut()[k] = ((bare - f64::from(light[k])) / gap).clamp(-0.5, 1.5) as f32;
        }
    }
    out
}
