//! Worn or re-cut: how finely the lines of a block keep their course from one
//! edition to the other.
//!
//! A block that wears keeps where its lines run; a new one cut after it does
//! not, by a few hundredths of a millimetre from place to place. In each tile
//! of a block's edges the later consensus is the earlier one moved: difference
//! of light = -slope . move - slope across the edge . growth (Lucas and Kanade
//! 1981, with growth of the edges beside the move). What a smooth warp over the
//! sheet explains is taken away; paper and damp do that to a worn block too.

use std::collections::BTreeMap;

use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, Matrix4, Vector2, Vector3, Vector4};
use restrike_ops::stats::median;
use restrike_stage::Point;

use crate::consensus::Level;
use crate::ground::{EDGE_MM, Ground};

/// Side of a tile, mm.
pub(crate) const TILE_MM: f64 = 2.0;
/// Neighbouring cells err together: so many count as one.
const TOGETHER: f64 = 2.0;
/// How much growth varies from tile to tile on a worn block, mm.
const GROWTH_MM: f64 = 0.008;
/// Least cells of a tile.
const CELLS: usize = 12;
/// Least cells this near to the edge itself, mm.
const ON_EDGE: usize = 10;
const ON_EDGE_MM: f64 = 0.1;
/// A tile tells when it knows its move to this, mm.
const KNOWN_MM: f64 = 0.03;
/// A tile has moved when its move is this unlikely (chi squared, two degrees of freedom, 0.001) ...
const UNLIKELY: f64 = 13.8;
/// ... and at least this large, mm.
const MOVED_MM: f64 = 0.02;
/// Moves larger than this are not believed, mm.
const FAR_MM: f64 = 0.4;
/// Least tiles to say anything of a block.
pub(crate) const LEAST_TILES: usize = 20;

/// A tile's move after the smooth warp is taken away.
#[derive(Debug, Clone)]
pub(crate) struct Tile {
    pub(crate) at: (i64, i64),
    pub(crate) centre: Point,
    /// Move, mm.
    pub(crate) by: [f64; 2],
    /// Information on it, 1/mm2.
    pub(crate) info: Matrix2<f64>,
    /// Chi squared of no move.
    pub(crate) unlikely: f64,
    pub(crate) moved: bool,
}

/// A block's course in the second edition against the first.
#[derive(Debug, Clone)]
pub(crate) struct Course {
    pub(crate) tiles: Vec<Tile>,
    /// Fine-scale deviation by axis, mm.
    pub(crate) deviation_mm: f64,
    /// What could be seen of it in one tile, mm.
    pub(crate) least_mm: f64,
    /// Middle of the tiles' squared moves along what each knows best, mm2.
    pub(crate) square: f64,
    /// Share of the tiles that have moved.
    pub(crate) moved: f64,
    /// Share of the difference at the edges that the moves explain.
    pub(crate) explained: f64,
}

/// The blocks' cells by tile.
fn cells_by_tile(ground: &Ground, block: usize) -> BTreeMap<(i64, i64), Vec<usize>> {
    let mut out: BTreeMap<(i64, i64), Vec<usize>> = BTreeMap::new();
    let (w, h) = (ground.grid.width, ground.grid.height);
    for at in 0..ground.len() {
        let (x, y) = (at % w, at / w);
        if usize::from(ground.owner[at]) == block
            && f64::from(ground.edge[at]).abs() < EDGE_MM
            && x > 1
            && y > 1
            && x + 2 < w
            && y + 2 < h
        {
            let p = ground.place(at);
            #[allow(clippy::cast_possible_truncation)]
            let key = (
                (p.x / TILE_MM).floor() as i64,
                (p.y / TILE_MM).floor() as i64,
            );
            out.entry(key).or_default().push(at);
        }
    }
    // A tile whose edges lie under another block's shows flanks only, and their
    // noise would be taken for slope.
    out.retain(|_, cells| {
        let on = |at: &usize| f64::from(ground.edge[*at]).abs() < ON_EDGE_MM;
        cells.iter().filter(|at| on(at)).count() >= ON_EDGE
    });
    out
}

struct Look<'a> {
    ground: &'a Ground,
    a: &'a Level,
    b: &'a Level,
    error: &'a [f32],
}

/// How far a block lies otherwise from impression to impression of an edition,
/// standard deviation across its edges, mm: what its edges' cells scatter beyond
/// what calm cells do, over their slope. None with one impression.
pub(crate) fn placing(ground: &Ground, level: &Level, block: usize) -> Option<f64> {
    let w = ground.grid.width;
    let (mut calm, mut edge) = (Vec::new(), Vec::new());
    let variance = |at: usize| {
        let s = level.scatter[at].iter().map(|v| f64::from(*v)).sum::<f64>() / 3.0;
        s * s
    };
    for at in w..ground.len().saturating_sub(w) {
        if level.count[at] < 2 || usize::from(ground.owner[at]) != block {
            continue;
        }
        let d = f64::from(ground.edge[at]).abs();
        if ground.deep[at] {
            calm.push(variance(at));
        } else if d < ON_EDGE_MM {
            let pitch = ground.grid.pitch;
            let gx = (mean(level, at + 1) - mean(level, at - 1)) / (2.0 * pitch);
            let gy = (mean(level, at - w) - mean(level, at + w)) / (2.0 * pitch);
            let [nx, ny] = ground.normal[at].map(f64::from);
            let slope = gx * nx + gy * ny;
            edge.push((slope * slope, variance(at)));
        }
    }
    let noise = median(&calm).unwrap_or(0.0);
    edge.sort_by(|a, b| b.0.total_cmp(&a.0));
    edge.truncate((edge.len() / 2).max(1));
    let each: Vec<f64> = edge
        .iter()
        .map(|(slope, v)| (v - noise) / slope.max(1e-6))
        .collect();
    // Edges run all ways: across one of them half of the square shows.
    median(&each).map(|v| (v / 0.5).max(0.0).sqrt())
}

/// Least squares of a tile: move, growth and a constant.
struct Solved {
    normal: Matrix4<f64>,
    right: Vector4<f64>,
    /// Sum of squares before.
    before: f64,
}

impl Look<'_> {
    /// Mean of the channels at a fractional cell.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn later(&self, x: f64, y: f64) -> Option<f64> {
        let (w, h) = (self.b.width, self.b.height);
        if !(x >= 0.0 && y >= 0.0 && x < w as f64 - 1.0 && y < h as f64 - 1.0) {
            return None;
        }
        let (i, j) = (x as usize, y as usize);
        let (u, v) = (x - i as f64, y - j as f64);
        let mut sum = 0.0;
        for (at, k) in [
            (j * w + i, (1.0 - u) * (1.0 - v)),
            (j * w + i + 1, u * (1.0 - v)),
            ((j + 1) * w + i, (1.0 - u) * v),
            ((j + 1) * w + i + 1, u * v),
        ] {
            if self.b.count[at] == 0 {
                return None;
            }
            sum += k * mean(self.b, at);
        }
        Some(sum)
    }

    /// The tile's equations about a move already known.
    #[allow(clippy::cast_precision_loss)]
    fn solve(&self, cells: &[usize], by: Vector2<f64>) -> Solved {
        let (w, pitch) = (self.a.width, self.ground.grid.pitch);
        let mut out = Solved {
            normal: Matrix4::zeros(),
            right: Vector4::zeros(),
            before: 0.0,
        };
        for &at in cells {
            if [at, at - 1, at + 1, at - w, at + w]
                .iter()
                .any(|k| self.a.count[*k] == 0)
            {
                continue;
            }
            let (x, y) = (
                (at % w) as f64 + by.x / pitch,
                (at / w) as f64 - by.y / pitch,
            );
            let here = self.later(x, y);
            let around = [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)]
                .map(|(dx, dy)| self.later(x + dx, y + dy));
            let (Some(here), [Some(e), Some(west), Some(s), Some(n)]) = (here, around) else {
                continue;
            };
            // Slopes of both, so that the second order falls out.
            let gx =
                0.5 * ((e - west) + mean(self.a, at + 1) - mean(self.a, at - 1)) / (2.0 * pitch);
            let gy = 0.5 * ((n - s) + mean(self.a, at - w) - mean(self.a, at + w)) / (2.0 * pitch);
            let [nx, ny] = self.ground.normal[at].map(f64::from);
            let row = Vector4::new(-gx, -gy, -(gx * nx + gy * ny), 1.0);
            let d = here - mean(self.a, at);
            let sd = f64::from(self.error[at]).max(0.004);
            let weight = if sd.is_finite() {
                1.0 / (sd * sd * TOGETHER)
            } else {
                0.0
            };
            out.normal += weight * row * row.transpose();
            out.right += weight * d * row;
            out.before += weight * d * d;
        }
        out
    }
}

fn mean(l: &Level, at: usize) -> f64 {
    l.light[at].iter().map(|v| f64::from(*v)).sum::<f64>() / 3.0
}

/// The constant taken out of a tile's equations.
fn without_constant(s: &Solved) -> Option<(Matrix3<f64>, Vector3<f64>)> {
    let k = s.normal[(3, 3)];
    if k <= 0.0 {
        return None;
    }
    let c = Vector3::new(s.normal[(0, 3)], s.normal[(1, 3)], s.normal[(2, 3)]);
    let m = s.normal.fixed_view::<3, 3>(0, 0).into_owned() - c * c.transpose() / k;
    let r = Vector3::new(s.right[0], s.right[1], s.right[2]) - c * s.right[3] / k;
    Some((m, r))
}

/// Basis of the smooth warp at a place, by how many terms the tiles allow.
fn basis(p: Point, tiles: usize) -> Vec<f64> {
    let (x, y) = (p.x / 60.0, p.y / 60.0);
    let mut out = vec![1.0, x, y];
    if tiles >= 40 {
        out.extend([x * x, x * y, y * y]);
    }
    if tiles >= 100 {
        out.extend([x * x * x, x * x * y, x * y * y, y * y * y]);
    }
    out
}

/// Looks at a block; none when its edges tell of too few tiles.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn course(
    ground: &Ground,
    a: &Level,
    b: &Level,
    error: &[f32],
    block: usize,
) -> Option<Course> {
    let look = Look {
        ground,
        a,
        b,
        error,
    };
    let tiles = cells_by_tile(ground, block);
    // The block as a whole first: a few rounds find a shift of some tenths.
    let mut shift = Vector2::zeros();
    for _ in 0..5 {
        let (mut m, mut r) = (Matrix3::zeros(), Vector3::zeros());
        for cells in tiles.values().filter(|c| c.len() >= CELLS) {
            if let Some((n, v)) = without_constant(&look.solve(cells, shift)) {
                m += n;
                r += v;
            }
        }
        m += Matrix3::identity() * (m.trace() * 1e-6 + 1e-9);
        let by = m.try_inverse()? * r;
        shift += Vector2::new(by.x, by.y);
        if shift.norm() > 1.0 {
            return None;
        }
    }
    // The smooth warp and its growth, found with the tiles' own equations.
    let mut seen: Vec<((i64, i64), Point, &Vec<usize>)> = Vec::new();
    for (key, cells) in tiles.iter().filter(|(_, c)| c.len() >= CELLS) {
        let n = cells.len() as f64;
        let centre = cells
            .iter()
            .map(|at| ground.place(*at))
            .fold(Point::new(0.0, 0.0), |s, p| s + p * (1.0 / n));
        seen.push((*key, centre, cells));
    }
    let terms = basis(Point::new(0.0, 0.0), seen.len()).len();
    let size = 2 * terms + 3;
    let mut warp = DVector::<f64>::zeros(size);
    let at_tile = |w: &DVector<f64>, p: Point| -> Vector3<f64> {
        let f = basis(p, seen.len());
        let dot = |from: usize, n: usize| -> f64 {
            f.iter()
                .take(n)
                .enumerate()
                .map(|(k, v)| v * w[from + k])
                .sum()
        };
        Vector3::new(
            shift.x + dot(0, terms),
            shift.y + dot(terms, terms),
            dot(2 * terms, 3),
        )
    };
    let mut trust = vec![1.0; seen.len()];
    for _ in 0..4 {
        let mut m = DMatrix::<f64>::identity(size, size) * 1e-3;
        let mut r = DVector::<f64>::zeros(size);
        for (k, (_, p, cells)) in seen.iter().enumerate() {
            let known = at_tile(&warp, *p);
            let s = look.solve(cells, Vector2::new(known.x, known.y));
            let Some((n, v)) = without_constant(&s) else {
                continue;
            };
            // Growth is about none, not about what is known of it.
            let v = v - n * Vector3::new(0.0, 0.0, known.z);
            let f = basis(*p, seen.len());
            let place = |axis: usize, t: usize| axis * terms + t;
            let terms_of = |axis: usize| if axis == 2 { 3 } else { terms };
            let own = residual(&n, &v);
            trust[k] = own.map_or(0.0, |(by, info)| {
                let u = (by.transpose() * info * by)[(0, 0)];
                1.0 / (1.0 + u / 9.0)
            });
            for i in 0..3 {
                for ti in 0..terms_of(i) {
                    r[place(i, ti)] += trust[k] * f[ti] * v[i];
                    for j in 0..3 {
                        for tj in 0..terms_of(j) {
                            m[(place(i, ti), place(j, tj))] += trust[k] * f[ti] * f[tj] * n[(i, j)];
                        }
                    }
                }
            }
        }
        let by = m.cholesky()?.solve(&r);
        warp += by;
    }
    let mut out = Vec::new();
    let (mut before, mut after) = (0.0, 0.0);
    for (key, p, cells) in &seen {
        let mut known = at_tile(&warp, *p);
        let growth = known.z;
        let mut total = Vector2::zeros();
        let mut last = None;
        for round in 0..4 {
            let s = look.solve(cells, Vector2::new(known.x, known.y));
            let Some((n, v)) = without_constant(&s) else {
                break;
            };
            if round == 0 {
                before += s.before;
            }
            let v = v - n * Vector3::new(0.0, 0.0, growth);
            let Some((by, info)) = residual(&n, &v) else {
                break;
            };
            let by = if by.norm() > 0.1 {
                by * (0.1 / by.norm())
            } else {
                by
            };
            total += by;
            known.x += by.x;
            known.y += by.y;
            last = Some((info, s.before));
        }
        let Some((info, left)) = last else { continue };
        after += left;
        let Some(cov) = info.try_inverse() else {
            continue;
        };
        let sd = cov.symmetric_eigenvalues().min().max(0.0).sqrt();
        if sd > KNOWN_MM || total.norm() > FAR_MM {
            continue;
        }
        let unlikely = (total.transpose() * info * total)[(0, 0)];
        // How far along what is known best.
        let along = (unlikely / info.symmetric_eigenvalues().max()).sqrt();
        out.push(Tile {
            at: *key,
            centre: *p,
            by: [total.x, total.y],
            info,
            unlikely,
            moved: unlikely > UNLIKELY && along > MOVED_MM,
        });
    }
    if out.len() < LEAST_TILES {
        return None;
    }
    let n = out.len() as f64;
    // Squared moves along the direction each tile knows best; the median of chi
    // squared of one degree of freedom is 0.455. Robust against plugs.
    let each: Vec<f64> = out
        .iter()
        .map(|t| {
            let e = t.info.symmetric_eigen();
            let best = usize::from(e.eigenvalues[1] > e.eigenvalues[0]);
            let along = e
                .eigenvectors
                .column(best)
                .dot(&Vector2::new(t.by[0], t.by[1]));
            along * along / 0.455
        })
        .collect();
    let noise: Vec<f64> = out
        .iter()
        .map(|t| 1.0 / t.info.symmetric_eigenvalues().max())
        .collect();
    let noise = median(&noise)?;
    let square = median(&each)?;
    let deviation = (square - noise).max(0.0).sqrt();
    Some(Course {
        square,
        deviation_mm: deviation,
        least_mm: noise.sqrt(),
        moved: out.iter().filter(|t| t.moved).count() as f64 / n,
        explained: if before > 0.0 {
            (1.0 - after / before).max(0.0)
        } else {
            0.0
        },
        tiles: out,
    })
}

/// A tile's own move with growth held near what the warp gives, and the
/// information on it.
fn residual(n: &Matrix3<f64>, v: &Vector3<f64>) -> Option<(Vector2<f64>, Matrix2<f64>)> {
    let g = n[(2, 2)] + 1.0 / (GROWTH_MM * GROWTH_MM);
    let c = Vector2::new(n[(0, 2)], n[(1, 2)]);
    let info = n.fixed_view::<2, 2>(0, 0).into_owned() - c * c.transpose() / g;
    let right = Vector2::new(v.x, v.y) - c * v.z / g;
    // Along an edge nothing is known: held at none.
    let held = info + Matrix2::identity() / (0.05 * 0.05);
    let by = held.try_inverse()? * right;
    Some((by, info))
}
