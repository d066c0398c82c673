//! Where a colour block should print: its outline against the key's lines.
//!
//! A proof shows a block's shape, but where that shape should come to lie it
//! does not show: the proof was laid against the block's own marks, and those
//! may be what is wrong. Colour blocks are cut to end in the middle of the key
//! line that bounds their area, so that a little misregister stays hidden
//! (common practice, no source). The place at which a block's outline runs in
//! the middle of the key's lines is its true zero, as far as its outline
//! follows such lines at all.

use std::collections::BTreeMap;

use nalgebra::{SMatrix, SVector};
use restrike_stage::Point;

use crate::outline::{Edge, crossing, outline, side, to_middle};
use crate::state::{RIDE, Ride};
use restrike_ops::edge_map::EdgeMap;

/// The zero of a block.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Zero {
    /// By how much the block's own place must be moved to its true place.
    pub(crate) ride: Ride,
    /// Covariance of the motion, in the ride's own parameters.
    pub(crate) covariance: [[f64; RIDE]; RIDE],
    /// Standard error of the shift at the centroid, the larger axis, mm.
    pub(crate) se: f64,
    /// Share of the outline that runs in a key line.
    pub(crate) share: f64,
    /// Number of pieces of outline it rests on.
    pub(crate) pieces: usize,
    /// Spread of the outline about the lines' middles, mm.
    pub(crate) spread: f64,
}

/// What carvers differ from the middle of the line, as a lasting error of the
/// whole block, mm (an assumption; it bounds how exact a zero can be).
const CARVER_MM: f64 = 0.01;
/// How far wood and paper are bent, smoothly, and over what length, mm. A bend
/// across a narrow block cannot be told from a stretch or turn of it, which
/// would be claimed for all of the sheet (an assumption, like the above).
const BENT_MM: f64 = 0.03;
const BENT_OVER_MM: f64 = 20.0;
/// Fewest pieces and least share of the outline that make a zero.
const PIECES: usize = 12;
const SHARE: f64 = 0.3;
/// Most spread of an outline that follows the lines, mm. On designs that the
/// stage is tuned on true ones came to 0.053 and less; outlines that merely touch
/// lines of a like curve somewhere, 0.068 and more.
const LOOSE_MM: f64 = 0.06;
/// A second place that is nearly as good makes the zero uncertain: how near in
/// score, how far away in mm.
const RIVAL: f64 = 0.88;
const RIVAL_MM: f64 = 0.5;
/// A start is likely if this share of the best one's outline lies in key ink.
const LIKELY: f64 = 0.7;
/// Most starts that are followed.
const MOST_STARTS: usize = 8;
/// Most places on the outline that a start is judged by.
const MOST_STARTING: usize = 800;
/// How far the outline is looked for about where the proof has it, mm: as far
/// as proofs are laid askew. On a lattice a nearer line would pass for the right
/// one if the right one were out of reach.
const REACH_MM: f64 = 4.0;

/// What a bend adds to the covariance of a block's turn, stretch and shear.
pub(crate) fn bent(edges: &EdgeMap, radius: f64) -> [[f64; RIDE]; RIDE] {
    let spread = crate::learned::moments(edges).spread;
    let [x, y] = spread.map(|s| (radius * BENT_MM / (BENT_OVER_MM + s)).powi(2));
    let mut out = [[0.0; RIDE]; RIDE];
    // Stretch along an axis is the slope along it; turn and shear are half the
    // difference and half the sum of the slopes across.
    out[3][3] = x;
    out[4][4] = y;
    (out[2][2], out[5][5]) = ((x + y) / 4.0, (x + y) / 4.0);
    (out[2][5], out[5][2]) = ((x - y) / 4.0, (x - y) / 4.0);
    out
}

/// Looks for the zero of a block.
///
/// # Errors
/// In words, why the outline does not say.
pub(crate) fn zero(block: &EdgeMap, key: &EdgeMap, still: Ride) -> Result<Zero, String> {
    let edges = outline(block);
    if edges.len() < 40 {
        return Err("its outline is too short".to_owned());
    }
    // Lying in key ink is one thing, running in the middle of its lines another:
    // every likely start is followed to its end before one is chosen.
    let mut ends: Vec<Fit> = starts(&edges, key, still)
        .into_iter()
        .map(|start| settle(&edges, key, start))
        .collect();
    // Those that run along lines closely come first.
    let loose = |e: &Fit| e.spread > LOOSE_MM;
    ends.sort_by(|a, b| loose(a).cmp(&loose(b)).then(b.used.total_cmp(&a.used)));
    let mut ends = ends.into_iter();
    let best = ends.next().ok_or("its outline is too short")?;
    let rival = ends.any(|e| {
        let d = Point::new(
            e.ride.by[0] - best.ride.by[0],
            e.ride.by[1] - best.ride.by[1],
        );
        e.used > RIVAL * best.used && d.norm() > RIVAL_MM
    });
    if rival {
        return Err(
            "its outline fits the key's lines equally well at more than one place".to_owned(),
        );
    }
    let Fit {
        ride,
        retreat,
        mut covariance,
        used,
        pieces,
        spread,
    } = best;
    let share = used / edges.len() as f64;
    if share < SHARE || pieces < PIECES {
        return Err(format!(
            "only {:.0} % of its outline runs along key lines",
            100.0 * share
        ));
    }
    if spread > LOOSE_MM {
        return Err(format!(
            "its outline runs along key lines only loosely ({spread:.2} mm about their middle)"
        ));
    }
    let floor = CARVER_MM * CARVER_MM;
    covariance[0][0] += floor;
    covariance[1][1] += floor;
    let se = covariance[0][0].max(covariance[1][1]).sqrt();
    if ride.by[0].abs().max(ride.by[1].abs()) > REACH_MM + 0.5 || retreat.abs() > 0.3 {
        return Err("its outline fits the key's lines at no place near".to_owned());
    }
    Ok(Zero {
        ride,
        covariance,
        se,
        share,
        pieces,
        spread,
    })
}

/// Places apart from each other where much of the outline lies in key ink, the
/// most first.
fn starts(edges: &[Edge], key: &EdgeMap, still: Ride) -> Vec<Ride> {
    // A line is met within its half-width and the slack given below.
    let step = 0.1;
    #[allow(clippy::cast_possible_truncation)]
    let n = (REACH_MM / step) as i32;
    // More would only cost time.
    let stride = (edges.len() / MOST_STARTING).max(3);
    let mut places = Vec::new();
    for turn in [0.0, -0.006, -0.003, 0.003, 0.006] {
        for j in -n..=n {
            for i in -n..=n {
                let mut ride = still;
                ride.by = [
                    f64::from(i) * step,
                    f64::from(j) * step,
                    turn * ride.radius,
                    0.0,
                    0.0,
                    0.0,
                ];
                let mut score = 0.0;
                for e in edges.iter().step_by(stride) {
                    let d = key.at(e.at + ride.displacement(e.at));
                    score += (1.0 - (d + 0.05).max(0.0) / 0.15).max(0.0);
                }
                // Of equal places the nearest.
                score *= 1.0 - 0.01 * (f64::from(i * i + j * j) * step * step);
                places.push((score, ride));
            }
        }
    }
    places.sort_by(|a, b| b.0.total_cmp(&a.0));
    let least = LIKELY * places.first().map_or(0.0, |p| p.0);
    let mut out: Vec<Ride> = Vec::new();
    for (score, ride) in places {
        if score < least || out.len() >= MOST_STARTS {
            break;
        }
        let apart =
            |o: &Ride| Point::new(o.by[0] - ride.by[0], o.by[1] - ride.by[1]).norm() > RIVAL_MM;
        if out.iter().all(apart) {
            out.push(ride);
        }
    }
    out
}

/// Follows a start to where the outline runs in the middle of lines.
fn settle(edges: &[Edge], key: &EdgeMap, start: Ride) -> Fit {
    let mut last = fit(edges, key, &start, 0.5, [false; 4]);
    for width in [0.35, 0.25, 0.18, 0.14, 0.12] {
        last = fit(edges, key, &last.ride, width, [false; 4]);
    }
    // Once those sides hold no more that cross lines, others may be seen to.
    let mut crosses = [false; 4];
    for _ in 0..2 {
        for (c, more) in crosses.iter_mut().zip(crossing(edges, key, &last.ride)) {
            *c |= more;
        }
        for _ in 0..3 {
            last = fit(edges, key, &last.ride, 0.12, crosses);
        }
    }
    last
}

/// Where the outline runs along lines best from a start.
struct Fit {
    ride: Ride,
    retreat: f64,
    covariance: [[f64; RIDE]; RIDE],
    /// Places on the outline that run in a line, by their weights.
    used: f64,
    pieces: usize,
    spread: f64,
}

/// Parameters of the fit: the motion and a common retreat.
const N: usize = RIDE + 1;

/// A place on the outline that meets a line.
struct Met {
    row: SVector<f64, N>,
    /// From the outline to the line's middle, mm.
    off: f64,
    tile: (i64, i64),
    /// See `Line::room`.
    room: f64,
    /// Its weight for that against a narrow line's.
    trust: f64,
    /// Which of four ways the outline faces.
    side: usize,
}

impl Met {
    /// What is left of its offset.
    fn left(&self, solution: &SVector<f64, N>) -> f64 {
        self.off - self.row.dot(solution)
    }
}

/// One step of iteratively reweighted least squares (Tukey's biweight of
/// half-width `3 width`): shift, turn, stretch and a common retreat.
fn fit(edges: &[Edge], key: &EdgeMap, ride: &Ride, width: f64, crosses: [bool; 4]) -> Fit {
    let mut normal = SMatrix::<f64, N, N>::zeros();
    let mut right = SVector::<f64, N>::zeros();
    let mut rows = Vec::new();
    for e in edges {
        let at = e.at + ride.displacement(e.at);
        let Some(line) = to_middle(e, at, key) else {
            continue;
        };
        let q = ride.relative(e.at);
        let n = e.normal;
        let row = SVector::<f64, N>::from([
            n.x,
            n.y,
            n.y * q.x - n.x * q.y,
            n.x * q.x,
            n.y * q.y,
            n.x * q.y + n.y * q.x,
            1.0,
        ]);
        let room = line.room(crosses[side(n)]);
        rows.push(Met {
            row,
            off: line.middle,
            tile: e.tile,
            room,
            trust: width * width / (width * width + room * room),
            side: side(n),
        });
    }
    let stretch = 1.0 / (0.001 * ride.radius).powi(2);
    let mut solution = SVector::<f64, N>::zeros();
    let mut weights = vec![1.0; rows.len()];
    for _ in 0..3 {
        normal.fill(0.0);
        right.fill(0.0);
        for (met, k) in rows.iter().zip(&mut weights) {
            let u = met.left(&solution) / (3.0 * libm::hypot(width, met.room));
            *k = if u.abs() < 1.0 {
                (1.0 - u * u).powi(2)
            } else {
                0.0
            };
            let each = *k * met.trust / (width * width);
            normal += met.row * met.row.transpose() * each;
            right += met.row * (each * met.off);
        }
        for i in 0..RIDE {
            let prior = match i {
                0 | 1 => 1.0 / (3.0 * 3.0),
                2 => 1.0 / (0.01 * ride.radius).powi(2),
                5 => 1.0 / (0.0008 * ride.radius).powi(2),
                _ => stretch,
            };
            normal[(i, i)] += prior;
            right[i] -= prior * ride.by[i];
        }
        normal[(RIDE, RIDE)] += 1.0 / (0.1 * 0.1);
        if let Some(c) = normal.cholesky() {
            solution = c.solve(&right);
        }
    }
    let mut out = *ride;
    for i in 0..RIDE {
        out.by[i] += solution[i];
    }
    let inverse = normal.try_inverse().unwrap_or_else(SMatrix::zeros);
    let mut tiles: BTreeMap<(i64, i64), (SVector<f64, N>, f64)> = BTreeMap::new();
    // What lies off the middle of wide lines does so along a whole side: that is
    // no scatter about the line.
    let mut sides = [SVector::<f64, N>::zeros(); 4];
    let mut aside = [(0.0, 0.0); 4];
    for (met, k) in rows.iter().zip(&weights).filter(|(m, _)| m.room > 0.0) {
        sides[met.side] += met.row * (k * met.trust / (width * width) * met.room);
        aside[met.side].0 += k * met.left(&solution);
        aside[met.side].1 += k;
    }
    let mut used = 0.0;
    let (mut spread, mut judged) = (0.0, 0.0);
    for (met, k) in rows.iter().zip(&weights) {
        let (sum, n) = aside[met.side];
        let mean = if met.room > 0.0 {
            sum / f64::max(n, 1e-9)
        } else {
            0.0
        };
        let left = met.left(&solution) - mean;
        let t = tiles.entry(met.tile).or_insert((SVector::zeros(), 0.0));
        t.0 += met.row * (k * met.trust / (width * width) * left);
        t.1 += k;
        // What crosses a line does not run along it.
        if crosses[met.side] {
            used += k * met.trust;
            continue;
        }
        used += k;
        spread += k * met.trust * left * left;
        judged += k * met.trust;
    }
    let mut meat = SMatrix::<f64, N, N>::zeros();
    for (g, _) in tiles.values() {
        meat += g * g.transpose();
    }
    let lasting = sides.iter().fold(SMatrix::<f64, N, N>::zeros(), |sum, g| {
        sum + g * g.transpose()
    });
    let pieces = tiles.values().filter(|t| t.1 > 1.0).count();
    #[allow(clippy::cast_precision_loss)]
    let correction = pieces as f64 / (pieces as f64 - 6.0).max(1.0);
    let sandwich = inverse * (meat * correction + lasting) * inverse;
    let mut covariance = [[0.0; RIDE]; RIDE];
    for i in 0..RIDE {
        for j in 0..RIDE {
            covariance[i][j] = sandwich[(i, j)];
        }
    }
    Fit {
        ride: out,
        retreat: solution[RIDE],
        covariance,
        used,
        pieces,
        spread: (spread / f64::max(judged, 1.0)).sqrt(),
    }
}
