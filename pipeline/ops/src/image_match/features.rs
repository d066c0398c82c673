//! Places of a scan that can be known again at another scale and turn.
//!
//! Lowe, "Distinctive image features from scale-invariant keypoints",
//! International Journal of Computer Vision 60(2), 2004, as `kornia-imgproc`
//! has it; descriptors compared after the square root of their shares
//! (Arandjelović and Zisserman, "Three things everyone should know to improve
//! object retrieval", CVPR 2012).

use kornia_imgproc::features::{
    DESCR_LEN, FirstOctave, SiftConfig, SiftWorkspace, sift_detect_and_compute,
};
use restrike_model::Point;

use super::plane::Plane;

/// Cells each way over which features are spread, and most in each: a crop
/// shows few of the strongest features of the whole.
const CELLS: usize = 10;
const MOST_IN_CELL: usize = 60;
/// Below this long side the plane is doubled first, pixels.
const SMALL: usize = 1100;
/// A line is known again whatever its ink: faded prints have a tenth of the contrast.
const CONTRAST: f64 = 0.012;

/// A place with its size and turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Feature {
    /// Where, scan pixels.
    pub(crate) at: Point,
    /// Diameter, scan pixels.
    pub(crate) size: f64,
    /// Direction, radians, from +x towards +y (down).
    pub(crate) angle: f64,
}

/// The features of a scan.
#[derive(Debug, Clone, Default)]
pub(crate) struct Features {
    pub(crate) list: Vec<Feature>,
    /// `DESCR_LEN` numbers for each.
    descriptors: Vec<f32>,
}

/// A feature of the first scan and one of the second that looks like it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Match {
    pub(crate) first: usize,
    pub(crate) second: usize,
    /// Squared distance of the descriptors against the next unlike one's: small is good.
    pub(crate) ratio: f32,
}

impl Features {
    /// Looks for features.
    ///
    /// # Errors
    /// When the plane is too small to hold any.
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    pub(crate) fn of(plane: &Plane) -> Result<Self, String> {
        let (w, h) = (plane.values.width(), plane.values.height());
        if w < 32 || h < 32 {
            return Err(format!("{w} x {h} pixels are too few"));
        }
        let config = SiftConfig {
            contrast_threshold: CONTRAST,
            ..SiftConfig::default()
        };
        let first = if w.max(h) < SMALL {
            FirstOctave::Double
        } else {
            FirstOctave::Native
        };
        let found = sift_detect_and_compute(
            &mut SiftWorkspace::new(),
            plane.values.data(),
            w,
            h,
            &config,
            first,
            usize::MAX,
            false,
        )
        .map_err(|e| e.to_string())?;
        let mut order: Vec<usize> = (0..found.len()).collect();
        order.sort_by(|a, b| {
            let strength = |i: usize| found.keypoints[i].response.abs();
            strength(*b).total_cmp(&strength(*a)).then(a.cmp(b))
        });
        let mut in_cell = vec![0_usize; CELLS * CELLS];
        let mut out = Self::default();
        let k = plane.factor as f64;
        for i in order {
            let p = &found.keypoints[i];
            let cell = |v: f32, n: usize| ((v.max(0.0) as usize * CELLS) / n.max(1)).min(CELLS - 1);
            let count = &mut in_cell[cell(p.y, h) * CELLS + cell(p.x, w)];
            if *count >= MOST_IN_CELL {
                continue;
            }
            *count += 1;
            out.list.push(Feature {
                at: Point::new((f64::from(p.x) + 0.5) * k, (f64::from(p.y) + 0.5) * k),
                size: f64::from(p.size) * k,
                angle: f64::from(p.angle).to_radians(),
            });
            let d = &found.descriptors[i * DESCR_LEN..(i + 1) * DESCR_LEN];
            let sum: f32 = d.iter().sum::<f32>().max(1e-6);
            out.descriptors
                .extend(d.iter().map(|v| (v / sum).max(0.0).sqrt()));
        }
        Ok(out)
    }

    fn descriptor(&self, i: usize) -> &[f32] {
        &self.descriptors[i * DESCR_LEN..(i + 1) * DESCR_LEN]
    }

    /// For each feature of the second scan its `most` nearest of the first.
    ///
    /// More than one, because a print repeats itself: waves, tiles, letters.
    /// What is like many others is told apart by where it lies.
    pub(crate) fn nearest(first: &Self, second: &Self, most: usize) -> Vec<Match> {
        use rayon::prelude::*;
        let lists: Vec<Vec<Match>> = (0..second.list.len())
            .into_par_iter()
            .map(|j| {
                let d = second.descriptor(j);
                // One more than asked for: what the ratio is against.
                let mut best: Vec<(f32, usize)> = Vec::with_capacity(most + 2);
                for i in 0..first.list.len() {
                    // Both have length 1.
                    let distance = (2.0 - 2.0 * dot(first.descriptor(i), d)).max(0.0);
                    if best.len() <= most || distance < best[most].0 {
                        let at = best.partition_point(|b| b.0 <= distance);
                        best.insert(at, (distance, i));
                        best.truncate(most + 1);
                    }
                }
                let beyond = best.get(most).map_or(f32::INFINITY, |b| b.0).max(1e-9);
                best.iter()
                    .take(most)
                    .map(|&(distance, i)| Match {
                        first: i,
                        second: j,
                        ratio: distance / beyond,
                    })
                    .collect()
            })
            .collect();
        lists.into_iter().flatten().collect()
    }
}

/// Scalar product, eight sums side by side: one after the other they would wait
/// for each other, and any other order would not be the same on all machines.
pub(crate) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let mut sums = [0.0_f32; 8];
    dot_into(&mut sums, a, b);
    sums.iter().sum()
}

/// Adds to the eight sums of a scalar product. What is over a multiple of
/// eight is left out.
#[inline]
pub(crate) fn dot_into(sums: &mut [f32; 8], a: &[f32], b: &[f32]) {
    for (a, b) in a.chunks_exact(8).zip(b.chunks_exact(8)) {
        for k in 0..8 {
            sums[k] += a[k] * b[k];
        }
    }
}
