//! What an outline that is a little off costs in overlap.
//!
//! A pixel is called printed where half of it is covered, so the cover of the
//! pixels about an edge says how far the edge lies from their half. An outline
//! off by a normal error turns each of them over with a probability that follows,
//! and with it goes the overlap: fine lines are mostly edge.

use restrike_ops::bisect::bisect;

/// Bins of a pixel's cover from half, in pixels.
const BINS: usize = 50;

/// Covers about half of a block, counted.
#[derive(Debug, Clone)]
pub(crate) struct Outline {
    /// Pixels by how far their cover is from half: printed ones, others.
    counts: [[f64; BINS + 1]; 2],
}

impl Default for Outline {
    fn default() -> Self {
        Self {
            counts: [[0.0; BINS + 1]; 2],
        }
    }
}

impl Outline {
    /// Counts a pixel.
    pub(crate) fn add(&mut self, cover: f32, printed: bool) {
        let off = (f64::from(cover) - 0.5).abs() * 2.0 * BINS as f64;
        self.counts[usize::from(!printed)][(off as usize).min(BINS)] += 1.0;
    }

    /// Overlap (intersection over union) expected of the true outline moved by a normal
    /// error of this standard deviation, pixels.
    pub(crate) fn overlap(&self, sd: f64) -> f64 {
        let turned = |of: &[f64; BINS + 1]| -> f64 {
            of.iter()
                .enumerate()
                .map(|(k, n)| {
                    let off = (k as f64 + 0.5) / (2.0 * BINS as f64);
                    n * 0.5 * libm::erfc(off / sd.max(1e-6) / std::f64::consts::SQRT_2)
                })
                .sum()
        };
        let printed: f64 = self.counts[0].iter().sum();
        (printed - turned(&self.counts[0])) / (printed + turned(&self.counts[1])).max(1.0)
    }

    /// How far off the outline is if that is all that costs this overlap, pixels;
    /// none where it takes more than half a pixel.
    pub(crate) fn off(&self, overlap: f64) -> Option<f64> {
        const MOST: f64 = 0.5;
        if self.overlap(MOST) > overlap {
            return None;
        }
        Some(bisect(0.0, MOST, 30, |off| self.overlap(off) > overlap))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_of_ten_pixels_loses_what_its_edges_do() {
        // Edges at all places within a pixel, ten printed pixels a line.
        let mut o = Outline::default();
        let lines = 10_000;
        for k in 0..lines {
            let c = (k as f32 + 0.5) / lines as f32;
            for _ in 0..9 {
                o.add(1.0, true);
            }
            for edge in [c, 1.0 - c] {
                o.add(edge, edge > 0.5);
            }
        }
        // Of a line, two edges each turn E|e| = sd sqrt(2 / pi) of a pixel, half of them inside.
        let sd = 0.1;
        let turned = 2.0 * sd * (2.0 / std::f64::consts::PI).sqrt();
        let want = (10.0 - turned / 2.0) / (10.0 + turned / 2.0);
        assert!(
            (o.overlap(sd) - want).abs() < 1e-3,
            "{} {want}",
            o.overlap(sd)
        );
        assert!((o.off(want).unwrap() - sd).abs() < 0.01);
        assert!(o.off(0.5).is_none());
    }
}
