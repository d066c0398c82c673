//! Two scans of unknown scale, turn and part brought onto each other, or
//! refused with the evidence.
//!
//! In three steps: features that look alike ([`features`]), the similarity most
//! of them agree on and whether that is more than chance ([`votes`]), and tiles
//! held against each other, which refine the map and have the last word
//! ([`tiles`]): a scan of another design has the same border, corners and paper
//! edge at the best, but not the same drawing inside.

mod evidence;
mod features;
mod plane;
mod plane_map;
mod tiles;
mod votes;

use std::sync::Arc;

use restrike_model::{Affine, ImageView, Point, Rect};
use serde::{Deserialize, Serialize};

use evidence::CLEARLY;
pub use evidence::{Evidence, LEAST_MATCHES, NoMatch};
use features::Features;
use plane::Plane;
pub use plane_map::PlaneMap;
use tiles::{Details, Grain, Tile};

use crate::stats::{median, quantile};

/// Nearest features kept for each feature.
const NEAREST: usize = 3;
/// Maps that are looked at.
const MOST_LOOKED_AT: usize = 6;
/// Correlation from which a tile agrees.
pub const TILE_AGREES: f64 = 0.5;
/// Least places on which two maps are held against each other.
const LEAST_COMPARED: usize = 6;
/// A map that fits this share of the drawing that the best one fits is its rival.
const RIVAL: f64 = 0.7;
/// Below this share after the first round a map is given up.
const HOPELESS: f64 = 0.3;
/// Search each way in the rounds of refinement, plane pixels.
const REACH: [usize; 4] = [10, 6, 3, 3];
/// Fewer places than this hold a similarity, no affine map.
const FEW: usize = 12;
/// Below this many tiles the features say where things lie as well: tiles may
/// all lie in one corner of what both scans show.
const MANY: usize = 40;
/// Weight of a feature against a tile's: it is placed to about half a pixel, a
/// tile to a tenth or two.
const FEATURE_WEIGHT: f64 = 0.05;
/// Tiles, and smaller ones where a scan shows too few of them.
const LARGE: Grain = Grain { tile: 40, step: 32 };
const SMALL: Grain = Grain { tile: 24, step: 20 };
const FEW_LARGE: usize = 16;
/// Tiles of the first round, which is to find an affine map or give up, and
/// tiles held against unrelated places.
const MOST_FIRST: usize = 300;
const MOST_BY_CHANCE: usize = 600;

/// Two scans brought onto each other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ImageMatch {
    /// First scan's pixels to the second's; scan pixels have their origin at
    /// the top-left corner, a pixel's centre at half a pixel.
    pub map: PlaneMap,
    /// Affine part of it at the middle of what both show.
    pub affine: Affine,
    /// Second scan's pixels to one of the first.
    pub scale: f64,
    /// Turn of the second against the first, degrees, clockwise as seen.
    pub turn_deg: f64,
    /// Scatter of the tiles about the map, one coordinate, first scan's pixels.
    pub scatter_px: f64,
    /// How far nine of ten agreeing tiles lie from the map at most, pixels of
    /// the coarser scan: small where all of the drawing moved as one.
    pub spread_px: f64,
    /// The part of the first scan in which tiles agree, its pixels.
    pub drawing: Rect,
    /// Centres of the agreeing tiles, first scan's pixels.
    pub agreeing: Vec<Point>,
    /// Share of the first scan's area that the second shows.
    pub overlap: f64,
    /// What speaks for it.
    pub evidence: Evidence,
}

/// A scan made ready for matching.
pub struct Matchable<'a> {
    scan: ImageView<'a, u16>,
    plane: Plane,
    features: Features,
}

impl<'a> Matchable<'a> {
    /// Looks for the scan's features (linear light, 1 or 3 channels).
    pub fn new(scan: ImageView<'a, u16>) -> Self {
        let plane = Plane::new(scan, Plane::factor_for(scan));
        let features = Features::of(&plane).unwrap_or_default();
        Self {
            scan,
            plane,
            features,
        }
    }
}

/// Brings the second scan onto the first.
///
/// # Errors
/// [`NoMatch`] with the evidence.
pub fn match_scans(
    first: ImageView<'_, u16>,
    second: ImageView<'_, u16>,
) -> Result<ImageMatch, NoMatch> {
    match_ready(&Matchable::new(first), &Matchable::new(second))
}

/// The same with scans made ready before.
///
/// # Errors
/// [`NoMatch`] with the evidence.
#[allow(clippy::cast_precision_loss)]
pub fn match_ready(first: &Matchable<'_>, second: &Matchable<'_>) -> Result<ImageMatch, NoMatch> {
    for (which, m) in [("first", first), ("second", second)] {
        let found = m.features.list.len();
        if found < LEAST_MATCHES {
            return Err(NoMatch::TooLittle { which, found });
        }
    }
    let matches = Features::nearest(&first.features, &second.features, NEAREST);
    let size = [second.scan.width() as f64, second.scan.height() as f64];
    let found = votes::agreements(
        &first.features,
        &second.features,
        &matches,
        size,
        second.plane.factor as f64,
    );
    let mut evidence = Evidence {
        features: [first.features.list.len(), second.features.list.len()],
        ..Evidence::default()
    };
    if let Some(best) = found.first() {
        evidence.matches = best.pairs.len();
        evidence.log10_chance = best.log10_chance;
    }
    let good: Vec<&votes::Agreement> = found
        .iter()
        .filter(|a| a.pairs.len() >= LEAST_MATCHES)
        .take(MOST_LOOKED_AT)
        .collect();
    if good.is_empty() {
        return Err(NoMatch::Chance(evidence));
    }
    let mut planes = Planes::default();
    let mut refined: Vec<(ImageMatch, Vec<Tile>)> = good
        .iter()
        .map(|a| refine(first, second, &mut planes, a, evidence))
        .collect();
    // Stable: of equals the one with more features stays before.
    refined.sort_by(|a, b| strength(&b.0).total_cmp(&strength(&a.0)));
    let best = refined.remove(0);
    let e = best.0.evidence;
    if !e.holds() {
        return Err(NoMatch::Drawing(e));
    }
    let middle = Point::new(size[0] / 2.0, size[1] / 2.0);
    // About half of what lies between two tiles, second scan's pixels.
    let within = 0.5 * LARGE.step as f64 * second.plane.factor as f64;
    for other in &refined {
        let apart = !votes::same(
            &best.0.affine,
            &other.0.affine,
            middle,
            0.01 * libm::hypot(size[0], size[1]),
        );
        // Of a two-up sheet each half fits the other: half of the drawing.
        let as_much = strength(&other.0) > RIVAL * strength(&best.0);
        if apart && as_much && other.0.evidence.holds() && !preferred(&best.1, &other.1, within) {
            return Err(NoMatch::Ambiguous(e));
        }
    }
    Ok(best.0)
}

/// How much of the drawing agrees, and how well.
#[allow(clippy::cast_precision_loss)]
fn strength(m: &ImageMatch) -> f64 {
    m.evidence.agreeing as f64 * m.evidence.correlation.max(0.0)
}

/// Whether the second scan prefers one map to another: what it shows at a place
/// correlates better with where the first map has it from than with where the
/// second has, on the mean over places by more than three standard errors.
#[allow(clippy::cast_precision_loss)]
fn preferred(one: &[Tile], other: &[Tile], within: f64) -> bool {
    let better: Vec<f64> = one
        .iter()
        .filter_map(|t| {
            let far = |o: &&Tile| o.found.distance(t.found);
            let same = other.iter().min_by(|p, q| far(p).total_cmp(&far(q)))?;
            (far(&same) < within).then_some(t.correlation - same.correlation)
        })
        .collect();
    let n = better.len() as f64;
    if better.len() < LEAST_COMPARED {
        // Hardly anything in common: what fits more of the drawing is preferred.
        return one.len() > 2 * other.len();
    }
    let mean = better.iter().sum::<f64>() / n;
    let square = better.iter().map(|b| (b - mean) * (b - mean)).sum::<f64>() / (n - 1.0);
    mean > CLEARLY * (square / n).sqrt().max(1e-3)
}

/// Details of two scans by the factors of their planes: the maps looked at
/// mostly ask for the same.
#[derive(Default)]
struct Planes(Vec<([usize; 2], Grain, Arc<Details>)>);

impl Planes {
    fn details(
        &mut self,
        first: &Matchable<'_>,
        second: &Matchable<'_>,
        factors: [usize; 2],
        grain: Grain,
    ) -> Arc<Details> {
        let known = |(f, g, _): &&([usize; 2], Grain, _)| *f == factors && *g == grain;
        if let Some((_, _, found)) = self.0.iter().find(known) {
            return found.clone();
        }
        let plane = |m: &Matchable<'_>, factor: usize| {
            if factor == m.plane.factor {
                m.plane.clone()
            } else {
                Plane::new(m.scan, factor)
            }
        };
        let details = Arc::new(Details::new(
            &plane(first, factors[0]),
            &plane(second, factors[1]),
            grain,
        ));
        self.0.push((factors, grain, details.clone()));
        details
    }
}

/// Refines an agreement of features by tiles.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn refine(
    first: &Matchable<'_>,
    second: &Matchable<'_>,
    planes: &mut Planes,
    from: &votes::Agreement,
    mut evidence: Evidence,
) -> (ImageMatch, Vec<Tile>) {
    evidence.matches = from.pairs.len();
    evidence.log10_chance = from.log10_chance;
    // Both planes at the pitch of the coarser one.
    let scale = from.map.determinant().abs().sqrt();
    let (mut fa, mut fb) = (first.plane.factor as f64, second.plane.factor as f64);
    if fb < fa * scale {
        fb = (fa * scale).floor().max(1.0);
    } else {
        fa = (fb / scale).floor().max(1.0);
    }
    let factors = [fa as usize, fb as usize];
    let mut map = PlaneMap::of_affine(&from.map);
    let mut details = planes.details(first, second, factors, LARGE);
    if details.asked(&map, usize::MAX).len() < FEW_LARGE {
        details = planes.details(first, second, factors, SMALL);
    }
    evidence.tile_area = details.tile_area(LARGE);
    let mut scatter = f64::NAN;
    let mut tiles: Vec<Tile> = Vec::new();
    let mut searched = 0;
    let rounds = REACH.len();
    for (round, reach) in REACH.into_iter().enumerate() {
        let most = if round == 0 { MOST_FIRST } else { usize::MAX };
        tiles = details.compare(&map, &details.asked(&map, most), reach);
        searched = reach;
        if round + 1 == rounds {
            break;
        }
        let agree = tiles
            .iter()
            .filter(|t| t.correlation >= TILE_AGREES)
            .count();
        if (agree as f64) < HOPELESS * tiles.len() as f64 {
            break;
        }
        let mut pairs: Vec<(Point, Point, f64)> = tiles
            .iter()
            .filter(|t| t.inside && t.correlation >= TILE_AGREES)
            .map(|t| (t.at, t.found, t.correlation * t.correlation))
            .collect();
        // The wide first round sets the plane right, later ones may bend it.
        let (few, many) = (pairs.len() < FEW, pairs.len() >= MANY);
        let most = if round == 0 || !many { 1 } else { 3 };
        if !many {
            pairs.extend(from.pairs.iter().map(|(p, q)| (*p, *q, FEATURE_WEIGHT)));
        }
        let fitted = if few {
            PlaneMap::fit_similarity(&pairs)
        } else {
            PlaneMap::fit_best(&pairs, most)
        };
        let Some((next, s)) = fitted else {
            break;
        };
        map = next;
        scatter = s;
    }
    evidence.tiles = tiles.len();
    evidence.agreeing = tiles
        .iter()
        .filter(|t| t.inside && t.correlation >= TILE_AGREES)
        .count();
    let chance = details.by_chance(&map, &details.asked(&map, MOST_BY_CHANCE), searched);
    evidence.agreeing_by_chance = if chance.is_empty() {
        0.0
    } else {
        chance.iter().filter(|c| **c >= TILE_AGREES).count() as f64 / chance.len() as f64
    };
    let correlations: Vec<f64> = tiles.iter().map(|t| t.correlation).collect();
    evidence.correlation = median(&correlations).unwrap_or(0.0);
    // Tiles measure in plane pixels of the first scan.
    let coarser = fa * scale.min(1.0);
    let off: Vec<f64> = tiles
        .iter()
        .filter(|t| t.inside && t.correlation >= TILE_AGREES)
        .map(|t| t.off * coarser)
        .collect();
    let drawing = tiles
        .iter()
        .filter(|t| t.inside && t.correlation >= TILE_AGREES)
        .map(|t| Rect::new(t.at, t.at))
        .reduce(|a, b| {
            Rect::new(
                Point::new(a.min.x.min(b.min.x), a.min.y.min(b.min.y)),
                Point::new(a.max.x.max(b.max.x), a.max.y.max(b.max.y)),
            )
        })
        .unwrap_or_else(|| Rect::centred(0.0, 0.0));
    let spread_px = quantile(&off, 0.9).unwrap_or(f64::NAN);
    let (overlap, middle) = overlap(first.scan, second.scan, &map);
    let affine = map.affine_at(middle);
    let scale = affine.determinant().abs().sqrt();
    let found = ImageMatch {
        map,
        affine,
        scale,
        turn_deg: libm::atan2(affine.0[3] - affine.0[1], affine.0[0] + affine.0[4]).to_degrees(),
        scatter_px: scatter / scale,
        spread_px,
        drawing,
        agreeing: tiles
            .iter()
            .filter(|t| t.inside && t.correlation >= TILE_AGREES)
            .map(|t| t.at)
            .collect(),
        overlap,
        evidence,
    };
    (found, tiles)
}

/// Share of the first scan that the second shows, and the middle of that part.
#[allow(clippy::cast_precision_loss)]
fn overlap(first: ImageView<'_, u16>, second: ImageView<'_, u16>, map: &PlaneMap) -> (f64, Point) {
    const CELLS: usize = 60;
    let (w, h) = (first.width() as f64, first.height() as f64);
    let (mut n, mut sum) = (0_usize, Point::new(0.0, 0.0));
    for j in 0..CELLS {
        for i in 0..CELLS {
            let p = Point::new(
                (i as f64 + 0.5) / CELLS as f64 * w,
                (j as f64 + 0.5) / CELLS as f64 * h,
            );
            let q = map.apply(p);
            let within = |v: f64, n: usize| v >= 0.0 && v <= n as f64;
            if within(q.x, second.width()) && within(q.y, second.height()) {
                n += 1;
                sum = sum + p;
            }
        }
    }
    if n == 0 {
        return (0.0, Point::new(w / 2.0, h / 2.0));
    }
    (n as f64 / (CELLS * CELLS) as f64, sum * (1.0 / n as f64))
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_model::Raster;

    /// Strokes at random places: seeded, so that two seeds are two drawings.
    fn drawing(seed: u64, w: usize, h: usize) -> Raster<u16> {
        let mut out = Raster::from_vec(w, h, 1, vec![52_000; w * h]).unwrap();
        let mut state = seed;
        let mut draw = |n: usize| {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) as usize % n
        };
        for _ in 0..220 {
            let (x, y, long) = (draw(w - 60), draw(h - 60), 12 + draw(40));
            let (dx, dy, wide) = (draw(5) as f64 / 4.0, draw(5) as f64 / 4.0, 2 + draw(5));
            for t in 0..long {
                let (u, v) = (x as f64 + dx * t as f64, y as f64 + dy * t as f64);
                for j in 0..wide {
                    for i in 0..wide {
                        out.set(
                            (u as usize + i).min(w - 1),
                            (v as usize + j).min(h - 1),
                            0,
                            3000,
                        );
                    }
                }
            }
        }
        out
    }

    /// The part of a drawing that an affine map takes into a smaller scan.
    fn seen(of: &Raster<u16>, back: &Affine, w: usize, h: usize) -> Raster<u16> {
        let mut out = Raster::new(w, h, 1);
        for y in 0..h {
            for x in 0..w {
                let mut sum = 0.0;
                for k in 0..16 {
                    let (i, j) = (f64::from(k % 4), f64::from(k / 4));
                    let p = Point::new(x as f64 + (i + 0.5) / 4.0, y as f64 + (j + 0.5) / 4.0);
                    let q = back.apply(p);
                    let inside = q.x >= 0.0
                        && q.y >= 0.0
                        && q.x < of.width() as f64
                        && q.y < of.height() as f64;
                    sum += if inside {
                        f64::from(of.get(q.x as usize, q.y as usize, 0))
                    } else {
                        52_000.0
                    };
                }
                out.set(x, y, 0, (sum / 16.0) as u16);
            }
        }
        out
    }

    #[test]
    fn a_turned_smaller_part_is_found_where_it_is() {
        let whole = drawing(5, 900, 700);
        let forth = Affine::translation(-300.0, -200.0)
            .then(&Affine::rotation(2.1))
            .then(&Affine::scale(0.7, 0.7))
            .then(&Affine::translation(230.0, 190.0));
        let part = seen(&whole, &forth.inverse().unwrap(), 420, 380);
        let found = match_scans(whole.view(), part.view()).unwrap();
        assert!((found.scale - 0.7).abs() < 0.002, "{found:?}");
        assert!(
            (found.turn_deg - 2.1_f64.to_degrees()).abs() < 0.1,
            "{found:?}"
        );
        for p in [(300.0, 200.0), (220.0, 260.0), (400.0, 150.0)] {
            let p = Point::new(p.0, p.1);
            let off = found.map.apply(p).distance(forth.apply(p));
            assert!(off < 0.3, "{off} px at {p:?}");
            let back = found.map.inverse_apply(forth.apply(p)).unwrap();
            assert!(back.distance(p) < 0.5, "{back:?}");
        }
    }

    #[test]
    fn two_drawings_and_blank_sheets_are_refused_with_the_evidence() {
        let (a, b) = (drawing(5, 700, 600), drawing(6, 700, 600));
        let refused = match_scans(a.view(), b.view()).unwrap_err();
        assert!(refused.evidence().share() < 0.5, "{refused}");
        let blank = Raster::from_vec(700, 600, 1, vec![50_000; 420_000]).unwrap();
        assert!(matches!(
            match_scans(a.view(), blank.view()),
            Err(NoMatch::TooLittle {
                which: "second",
                ..
            })
        ));
    }
}
