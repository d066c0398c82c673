//! Patches: where lines moved together amid lines that stayed, as new wood let
//! in (umeki) leaves.

use std::collections::BTreeMap;

use nalgebra::{Matrix2, Vector2};
use restrike_stage::Point;

use crate::recut::{Course, TILE_MM, Tile};

/// A patch has at least so many moved tiles, together moved by so much, mm.
const LEAST_TILES: usize = 4;
const LEAST_MM: f64 = 0.04;

/// A patch of moved tiles amid ones that stayed.
#[derive(Debug, Clone)]
pub(crate) struct Patch {
    pub(crate) centre: Point,
    pub(crate) extent_mm: f64,
    pub(crate) tiles: usize,
    pub(crate) by: [f64; 2],
    /// Chi squared of the tiles together, over their number.
    pub(crate) unlikely: f64,
}

/// Patches of a block that as a whole stayed: neighbouring tiles that moved
/// alike, within a border of tiles that did not.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn patches(course: &Course) -> Vec<Patch> {
    let by_place: BTreeMap<(i64, i64), &Tile> = course.tiles.iter().map(|t| (t.at, t)).collect();
    let mut left: Vec<(i64, i64)> = course
        .tiles
        .iter()
        .filter(|t| t.moved)
        .map(|t| t.at)
        .collect();
    let mut out = Vec::new();
    while let Some(start) = left.pop() {
        let mut group = vec![start];
        let mut k = 0;
        while k < group.len() {
            let (x, y) = group[k];
            k += 1;
            // Tiles between may hold no edge.
            left.retain(|t| {
                let near = (t.0 - x).abs() <= 2 && (t.1 - y).abs() <= 2;
                if near {
                    group.push(*t);
                }
                !near
            });
        }
        let tiles: Vec<&&Tile> = group.iter().filter_map(|g| by_place.get(g)).collect();
        if tiles.len() < LEAST_TILES {
            continue;
        }
        // One move for all, weighted by what each knows.
        let (mut info, mut right) = (Matrix2::zeros(), Vector2::zeros());
        for t in &tiles {
            info += t.info;
            right += t.info * Vector2::new(t.by[0], t.by[1]);
        }
        let Some(inverse) = info.try_inverse() else {
            continue;
        };
        let by = inverse * right;
        let common = (by.transpose() * info * by)[(0, 0)];
        let whole: f64 = tiles.iter().map(|t| t.unlikely).sum();
        let n = tiles.len() as f64;
        let centre = tiles
            .iter()
            .fold(Point::new(0.0, 0.0), |s, t| s + t.centre * (1.0 / n));
        let reach = tiles
            .iter()
            .map(|t| t.centre.distance(centre))
            .fold(0.0, f64::max);
        let within = course
            .tiles
            .iter()
            .filter(|t| t.centre.distance(centre) <= reach + 0.1)
            .count();
        // Wood let in carries all of its lines along: most tiles within moved, and alike.
        if common > 0.5 * whole && tiles.len() * 2 > within && by.norm() > LEAST_MM {
            out.push(Patch {
                centre,
                extent_mm: 2.0 * reach + TILE_MM,
                tiles: tiles.len(),
                by: [by.x, by.y],
                unlikely: common / n,
            });
        }
    }
    out.sort_by(|a, b| b.unlikely.total_cmp(&a.unlikely));
    out
}
