//! Whether two matched scans show one impression: by the fine texture of bare
//! paper, which no two sheets have in common, and by how far the drawing's
//! parts moved against each other.
//!
//! Correlation of the texture in two bands, on calm light places: the finest
//! holds the scanner's noise, which only copies of one scan share; the next
//! the fibres of the sheet. The limits are calibrated on synthetic pairs by
//! `accuracy pairs`; between them nothing is said.

use restrike_model::{Point, Raster};

use crate::box_mean::{Gaps, box_mean};
use crate::image_match::ImageMatch;
use crate::laid_over::LaidOver;
use crate::stats::quantile;

/// What two scans are to each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Relation {
    /// One scan or photograph, saved twice.
    SameScan,
    /// One impression, scanned or photographed twice.
    SameImpression,
    /// Two impressions of one design.
    TwoImpressions,
    /// One design; whether one impression or two cannot be told.
    OneDesign,
}

impl Relation {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::SameScan => "the same scan or photograph twice",
            Self::SameImpression => "one impression twice: scanned again, or its scan saved anew",
            Self::TwoImpressions => "two impressions of one design",
            Self::OneDesign => "one design; one impression or two: undecided",
        }
    }
}

/// Likeness of the textures.
#[derive(Debug, Clone, Copy, PartialEq, Default, serde::Serialize, serde::Deserialize)]
pub struct Texture {
    /// Correlation in the finest band (noise, fibres), if there is a place to compare.
    pub finest: Option<f64>,
    /// Correlation in the next band (fibres).
    pub fine: Option<f64>,
    /// Share of its variance in the next band that a scan's noise does not
    /// account for, the lesser of both.
    pub texture_share: Option<f64>,
    /// Calm patches compared.
    pub places: usize,
}

/// Side of a patch, grid pixels.
const PATCH: usize = 24;
/// Least calm patches.
const LEAST_PLACES: usize = 12;
/// Share of the patches of bare paper, the quietest, that count as calm.
const CALM: f64 = 0.35;
/// Finest-band correlation from which it is one scan.
const SAME_SCAN: f64 = 0.6;
/// Correlation from which it is one impression.
const SAME_IMPRESSION: f64 = 0.35;
/// The same where the frames are one: JPEG takes most of the texture away.
const SAME_FRAME: f64 = 0.2;
/// Correlation under which it is two, if the texture shows at all.
const TWO_IMPRESSIONS: f64 = 0.15;
/// Share of texture in the band from which it shows.
const TEXTURE_SHOWS: f64 = 0.3;
/// Spread of the drawing's parts, in pixels of the coarser scan, beyond which
/// they moved against each other: blocks laid anew.
const MOVED_PX: f64 = 0.25;
/// Correlation so high that it is one impression whatever seems to have moved: a lens or another
/// focus moves features by half a pixel and more. (Two impressions may share the grain of a tint
/// that covers all of the sheet; scans of them reach less, as the limit of deskew's duplicates has it.)
const ONE_SHEET: f64 = 0.9;
/// Correlation from which features have to move by more to speak against it, and that much.
const MUCH_ALIKE: f64 = 0.5;
const CLEARLY_MOVED_PX: f64 = 0.5;
/// Spread under which nothing moved at all, pixels of the coarser scan.
const STILL_PX: f64 = 0.1;
/// How far a corner of one scan may lie from the other's for the frames to be
/// one, pixels of the coarser scan.
const FRAME_PX: f64 = 1.0;

/// A patch's band-passed sums in two bands.
struct Patch {
    finest: Sums,
    fine: Sums,
}

/// Compares the textures of two scans laid over each other.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub fn texture(laid: &LaidOver) -> Texture {
    let planes = [&laid.first, &laid.second].map(light);
    // Box means of 3 and 9 pixels.
    let means = [1, 4].map(|r| planes.each_ref().map(|p| box_mean(p, r, Gaps::Spread)));
    let at = |r: &Raster<f32>, x: usize, y: usize| f64::from(r.get(x, y, 0));
    let (low, high) = (laid.drawing.min, laid.drawing.max);
    let from = |v: f64| v.max(8.0) as usize;
    let (x1, y1) = (
        (high.x.max(0.0) as usize).min(planes[0].width().saturating_sub(8)),
        (high.y.max(0.0) as usize).min(planes[0].height().saturating_sub(8)),
    );
    let mut patches = Vec::new();
    for y in (from(low.y)..y1.saturating_sub(PATCH)).step_by(PATCH) {
        for x in (from(low.x)..x1.saturating_sub(PATCH)).step_by(PATCH) {
            let mut patch = Patch {
                finest: Sums::default(),
                fine: Sums::default(),
            };
            let mut bare = true;
            for j in y..y + PATCH {
                for i in x..x + PATCH {
                    // Bare paper in both: about as light as the lightest tenth.
                    bare &= (0..2).all(|k| (0.85..1.3).contains(&at(&means[1][k], i, j)));
                    let [a, b] = [0, 1].map(|k| at(&planes[k], i, j) - at(&means[0][k], i, j));
                    patch.finest.add(a, b);
                    let [a, b] = [0, 1].map(|k| at(&means[0][k], i, j) - at(&means[1][k], i, j));
                    patch.fine.add(a, b);
                }
            }
            if bare && patch.fine.n == PATCH * PATCH {
                patches.push(patch);
            }
        }
    }
    // A patch is as calm as the livelier of its two sides, against the median.
    let side = |f: fn(&Sums) -> f64| {
        let all: Vec<f64> = patches.iter().map(|p| f(&p.fine)).collect();
        quantile(&all, 0.5).unwrap_or(1.0).max(1e-15)
    };
    let (va, vb) = (side(|s| s.aa), side(|s| s.bb));
    patches.sort_by(|p, q| {
        let life = |p: &Patch| (p.fine.aa / va).max(p.fine.bb / vb);
        life(p).total_cmp(&life(q))
    });
    patches.truncate((patches.len() as f64 * CALM).ceil() as usize);
    if patches.len() < LEAST_PLACES {
        return Texture {
            places: patches.len(),
            ..Texture::default()
        };
    }
    let total = |f: fn(&Patch) -> &Sums| {
        patches.iter().map(f).fold(Sums::default(), |s, p| Sums {
            aa: s.aa + p.aa,
            ab: s.ab + p.ab,
            bb: s.bb + p.bb,
            n: s.n + p.n,
        })
    };
    let (finest, fine) = (total(|p| &p.finest), total(|p| &p.fine));
    // White noise of variance s2 leaves 8/9 s2 in the finest band and
    // (1/9 - 1/81) s2 in the next.
    let noise = |finest: f64| finest * (9.0 / 8.0) * (1.0 / 9.0 - 1.0 / 81.0);
    let share = |fine: f64, finest: f64| (1.0 - noise(finest) / fine.max(1e-15)).clamp(0.0, 1.0);
    Texture {
        finest: finest.correlation(),
        fine: fine.correlation(),
        texture_share: Some(share(fine.aa, finest.aa).min(share(fine.bb, finest.bb))),
        places: patches.len(),
    }
}

/// Whether the frames of two scans are one: each corner of the first lies on
/// the same corner of the second, as after a change of format or size only.
#[allow(clippy::cast_precision_loss)]
pub fn one_frame(found: &ImageMatch, first: (usize, usize), second: (usize, usize)) -> bool {
    [(0, 0), (1, 0), (0, 1), (1, 1)].into_iter().all(|(i, j)| {
        let p = Point::new((i * first.0) as f64, (j * first.1) as f64);
        let q = Point::new((i * second.0) as f64, (j * second.1) as f64);
        // Not the polynomial, which is free beyond the drawing.
        found.affine.apply(p).distance(q) <= FRAME_PX * found.scale.max(1.0)
    })
}

/// What two matched scans are to each other; `one_frame` as [`one_frame`] has it.
pub fn relation(found: &ImageMatch, texture: &Texture, one_frame: bool) -> Relation {
    told(found.spread_px, texture, one_frame)
}

fn told(spread_px: f64, texture: &Texture, one_frame: bool) -> Relation {
    let moved = spread_px > MOVED_PX;
    let shows = texture.texture_share.is_some_and(|s| s >= TEXTURE_SHOWS);
    let fine = texture.fine.unwrap_or(0.0);
    // No two layings of a sheet agree to a pixel at all four corners. Two trimmed
    // pictures of two impressions may: their blocks do not lie alike.
    if one_frame && (fine >= SAME_FRAME || spread_px < STILL_PX) {
        return Relation::SameScan;
    }
    let laid_anew = match fine {
        f if f >= ONE_SHEET && shows => false,
        f if f >= MUCH_ALIKE && shows => spread_px > CLEARLY_MOVED_PX,
        _ => moved,
    };
    if fine >= SAME_IMPRESSION && !laid_anew {
        return if texture.finest.unwrap_or(0.0) >= SAME_SCAN {
            Relation::SameScan
        } else {
            Relation::SameImpression
        };
    }
    // A coarse JPEG has a texture of its own, and the sheet's is gone: then nothing moved.
    let apart = !one_frame && shows && spread_px > STILL_PX;
    if texture.fine.is_some() && fine <= TWO_IMPRESSIONS && (moved || apart) {
        return Relation::TwoImpressions;
    }
    Relation::OneDesign
}

#[derive(Default)]
struct Sums {
    aa: f64,
    ab: f64,
    bb: f64,
    n: usize,
}

impl Sums {
    fn add(&mut self, a: f64, b: f64) {
        if a.is_finite() && b.is_finite() {
            self.aa += a * a;
            self.ab += a * b;
            self.bb += b * b;
            self.n += 1;
        }
    }

    fn correlation(&self) -> Option<f64> {
        (self.aa > 0.0 && self.bb > 0.0).then(|| self.ab / (self.aa * self.bb).sqrt())
    }
}

/// Mean of the channels.
fn light(r: &Raster<f32>) -> Raster<f32> {
    let mut out = Raster::new(r.width(), r.height(), 1);
    for (o, p) in out.data_mut().iter_mut().zip(r.data().chunks_exact(3)) {
        *o = (p[0] + p[1] + p[2]) / 3.0;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn texture_and_motion_weigh_against_each_other() {
        let said = |fine: f64, share: f64, spread: f64| {
            let texture = Texture {
                finest: Some(0.1),
                fine: Some(fine),
                texture_share: Some(share),
                places: 400,
            };
            told(spread, &texture, false)
        };
        assert_eq!(said(0.4, 0.5, 0.1), Relation::SameImpression);
        assert_eq!(said(0.4, 0.5, 0.3), Relation::OneDesign);
        // Scanned again with other focus: features move, the fibres do not.
        assert_eq!(said(0.65, 0.9, 0.4), Relation::SameImpression);
        assert_eq!(said(0.65, 0.9, 0.6), Relation::OneDesign);
        assert_eq!(said(0.95, 0.9, 1.5), Relation::SameImpression);
        // Of smooth paper the scanner's noise is left, which tells nothing.
        assert_eq!(said(0.65, 0.1, 0.4), Relation::OneDesign);
        assert_eq!(said(0.02, 0.9, 0.4), Relation::TwoImpressions);
        assert_eq!(said(0.02, 0.1, 0.1), Relation::OneDesign);
        assert_eq!(said(0.06, 0.9, 0.06), Relation::OneDesign);
    }

    #[test]
    fn a_coarse_jpeg_of_a_scan_is_no_other_impression() {
        let said = |spread: f64| {
            let texture = Texture {
                finest: Some(0.0),
                fine: Some(0.06),
                texture_share: Some(0.9),
                places: 400,
            };
            told(spread, &texture, true)
        };
        assert_eq!(said(0.06), Relation::SameScan);
        assert_eq!(said(0.16), Relation::OneDesign);
        // Trimmed pictures of two impressions: their blocks do not lie alike.
        assert_eq!(said(0.6), Relation::TwoImpressions);
    }
}
