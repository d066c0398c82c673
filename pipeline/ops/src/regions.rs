//! Connected regions of a mask (8-neighbours), by union-find in one pass.
//!
//! Rosenfeld and Pfaltz, "Sequential operations in digital picture
//! processing", Journal of the ACM 13(4), 1966.

/// A connected region.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Region {
    /// Its pixels as (x, y), row by row.
    pub pixels: Vec<(usize, usize)>,
}

impl Region {
    /// Least and greatest x and y, both inside.
    pub fn bounds(&self) -> [usize; 4] {
        let mut b = [usize::MAX, usize::MAX, 0, 0];
        for &(x, y) in &self.pixels {
            b = [b[0].min(x), b[1].min(y), b[2].max(x), b[3].max(y)];
        }
        b
    }

    /// Centre of gravity, in pixel units with a pixel's centre at half a pixel.
    #[allow(clippy::cast_precision_loss)]
    pub fn centre(&self) -> (f64, f64) {
        let n = self.pixels.len().max(1) as f64;
        let sum = self
            .pixels
            .iter()
            .fold((0.0, 0.0), |s, p| (s.0 + p.0 as f64, s.1 + p.1 as f64));
        (sum.0 / n + 0.5, sum.1 / n + 0.5)
    }
}

/// The regions of a mask given row by row, in order of their first pixel.
pub fn regions(mask: &[bool], width: usize) -> Vec<Region> {
    if width == 0 {
        return Vec::new();
    }
    let mut parent: Vec<usize> = (0..mask.len()).collect();
    for at in 0..mask.len() {
        if !mask[at] {
            continue;
        }
        let (x, y) = (at % width, at / width);
        let mut join = |other: usize| {
            if mask[other] {
                let (a, b) = (root(&mut parent, at), root(&mut parent, other));
                // The earlier pixel is the root: order does not depend on joins.
                let (low, high) = (a.min(b), a.max(b));
                parent[high] = low;
            }
        };
        if x > 0 {
            join(at - 1);
        }
        if y > 0 {
            join(at - width);
            if x > 0 {
                join(at - width - 1);
            }
            if x + 1 < width {
                join(at - width + 1);
            }
        }
    }
    let mut place = vec![usize::MAX; mask.len()];
    let mut out: Vec<Region> = Vec::new();
    for (at, &inside) in mask.iter().enumerate() {
        if inside {
            let r = root(&mut parent, at);
            if place[r] == usize::MAX {
                place[r] = out.len();
                out.push(Region { pixels: Vec::new() });
            }
            out[place[r]].pixels.push((at % width, at / width));
        }
    }
    out
}

fn root(parent: &mut [usize], mut at: usize) -> usize {
    while parent[at] != at {
        parent[at] = parent[parent[at]];
        at = parent[at];
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn touching_corners_are_one_region() {
        // A ring open at one corner, and a lone pixel.
        let rows = ["##..#", "#.#..", ".#...", "....#"];
        let mask: Vec<bool> = rows
            .iter()
            .flat_map(|r| r.chars().map(|c| c == '#'))
            .collect();
        let found = regions(&mask, 5);
        let sizes: Vec<usize> = found.iter().map(|r| r.pixels.len()).collect();
        assert_eq!(sizes, [5, 1, 1]);
        assert_eq!(found[0].bounds(), [0, 0, 2, 2]);
        assert_eq!(found[2].centre(), (4.5, 3.5));
        assert!(regions(&[], 0).is_empty());
    }

    #[test]
    fn regions_are_those_of_a_flood_fill() {
        let (w, h) = (40, 30);
        let mut state = 9_u64;
        let mask: Vec<bool> = (0..w * h)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                state >> 62 == 0 || state >> 62 == 1 && (state >> 40) & 1 == 0
            })
            .collect();
        let mut seen = vec![false; w * h];
        let mut sizes = Vec::new();
        for start in 0..w * h {
            if !mask[start] || seen[start] {
                continue;
            }
            let (mut stack, mut n) = (vec![start], 0);
            seen[start] = true;
            while let Some(at) = stack.pop() {
                n += 1;
                let (x, y) = ((at % w) as i64, (at / w) as i64);
                for (dx, dy) in (-1..=1).flat_map(|a| (-1..=1).map(move |b| (a, b))) {
                    let (u, v) = (x + dx, y + dy);
                    if u >= 0 && v >= 0 && u < w as i64 && v < h as i64 {
                        let next = v as usize * w + u as usize;
                        if mask[next] && !seen[next] {
                            seen[next] = true;
                            stack.push(next);
                        }
                    }
                }
            }
            sizes.push(n);
        }
        let found: Vec<usize> = regions(&mask, w).iter().map(|r| r.pixels.len()).collect();
        assert_eq!(found, sizes);
    }
}
