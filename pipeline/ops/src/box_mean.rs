//! Means over boxes, by a summed-area table (Crow, "Summed-area tables for texture mapping",
//! SIGGRAPH 1984).

use restrike_model::Raster;

/// What a box with samples that are no number gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gaps {
    /// The mean of the others.
    LeftOut,
    /// No number.
    Spread,
}

/// Means of a plane over boxes of `2 reach + 1` pixels; at the borders over what is there.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
pub fn box_mean(plane: &Raster<f32>, reach: usize, gaps: Gaps) -> Raster<f32> {
    let (w, h) = (plane.width(), plane.height());
    let mut sums = vec![(0.0_f64, 0_u32); (w + 1) * (h + 1)];
    for y in 0..h {
        let (mut sum, mut seen) = (0.0, 0);
        for x in 0..w {
            let v = plane.get(x, y, 0);
            if v.is_finite() {
                sum += f64::from(v);
                seen += 1;
            }
            let above = sums[y * (w + 1) + x + 1];
            sums[(y + 1) * (w + 1) + x + 1] = (above.0 + sum, above.1 + seen);
        }
    }
    let mut out = Raster::new(w, h, 1);
    for y in 0..h {
        let (a, b) = (y.saturating_sub(reach), (y + reach + 1).min(h));
        for x in 0..w {
            let (l, r) = (x.saturating_sub(reach), (x + reach + 1).min(w));
            let at = |x: usize, y: usize| sums[y * (w + 1) + x];
            let (p, q, s, t) = (at(r, b), at(l, b), at(r, a), at(l, a));
            let seen = ((p.1 + t.1) - (q.1 + s.1)) as usize;
            let least = match gaps {
                Gaps::LeftOut => 1,
                Gaps::Spread => (r - l) * (b - a),
            };
            let mean = if seen >= least {
                ((p.0 - q.0 - s.0 + t.0) / seen as f64) as f32
            } else {
                f32::NAN
            };
            out.set(x, y, 0, mean);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn means_are_those_of_each_box() {
        let (w, h, reach) = (9, 7, 2);
        let mut plane = Raster::new(w, h, 1);
        for (i, v) in plane.data_mut().iter_mut().enumerate() {
            *v = (i * 37 % 23) as f32;
        }
        plane.set(4, 3, 0, f32::NAN);
        let [left_out, spread] = [Gaps::LeftOut, Gaps::Spread].map(|g| box_mean(&plane, reach, g));
        for y in 0..h {
            for x in 0..w {
                let rows = y.saturating_sub(reach)..(y + reach + 1).min(h);
                let columns = x.saturating_sub(reach)..(x + reach + 1).min(w);
                let all: Vec<f32> = rows
                    .flat_map(|y| columns.clone().map(move |x| (x, y)))
                    .map(|(x, y)| plane.get(x, y, 0))
                    .collect();
                let seen: Vec<f32> = all.iter().copied().filter(|v| v.is_finite()).collect();
                let mean = seen.iter().sum::<f32>() / seen.len() as f32;
                assert!((left_out.get(x, y, 0) - mean).abs() < 1e-4);
                let got = spread.get(x, y, 0);
                assert_eq!(got.is_nan(), seen.len() < all.len(), "{x} {y}");
                assert!(got.is_nan() || (got - mean).abs() < 1e-4);
            }
        }
        plane.data_mut().fill(f32::NAN);
        assert!(
            box_mean(&plane, 1, Gaps::LeftOut)
                .data()
                .iter()
                .all(|v| v.is_nan())
        );
    }
}
