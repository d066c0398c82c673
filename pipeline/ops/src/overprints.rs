//! Which overprints a block set allows, their colours, and how near they come
//! to each other: what a single colour can tell of the blocks under it.
//!
//! Colours follow [`crate::layered_absorption`]. An opaque key hides what lies
//! under it, so it stands alone.

use crate::ciede2000::ciede2000;
use crate::cielab::{LabOfRgb, White};
use crate::layered_absorption::under;

/// A set of blocks printed over each other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Subset(pub u32);

impl Subset {
    /// Whether a block is among them.
    pub fn has(self, block: usize) -> bool {
        self.0 >> block & 1 == 1
    }

    /// The set with a block put in or taken out.
    #[must_use]
    pub fn flipped(self, block: usize) -> Self {
        Self(self.0 ^ (1 << block))
    }

    /// How many blocks.
    pub fn count(self) -> u32 {
        self.0.count_ones()
    }
}

/// All subsets of up to `most` blocks; an opaque block only by itself. In the
/// order of their size, then of their bits. At most 24 blocks are looked at.
pub fn allowed(blocks: usize, opaque: Option<usize>, most: u32) -> Vec<Subset> {
    let blocks = blocks.min(24);
    let mut out = vec![Subset(0)];
    let mut last = vec![Subset(0)];
    for _ in 0..most {
        let mut next = Vec::new();
        for s in &last {
            let from = (32 - s.0.leading_zeros()) as usize;
            for b in from..blocks {
                let held = opaque.is_some_and(|o| s.has(o) || (o == b && s.count() > 0));
                if !held {
                    next.push(s.flipped(b));
                }
            }
        }
        if next.is_empty() {
            break;
        }
        out.extend_from_slice(&next);
        last = next;
    }
    out
}

/// CIEDE2000 from each colour to the nearest other one, from linear sRGB.
pub fn nearest(colours: &[[f64; 3]], white: White) -> Vec<f64> {
    let to_lab = LabOfRgb::new(white);
    let labs: Vec<[f64; 3]> = colours.iter().map(|c| to_lab.lab(*c)).collect();
    labs.iter()
        .enumerate()
        .map(|(i, a)| {
            labs.iter()
                .enumerate()
                .filter(|(j, _)| *j != i)
                .map(|(_, b)| ciede2000(*a, *b))
                .fold(f64::INFINITY, f64::min)
        })
        .collect()
}

/// Colour of each subset on a paper, linear, from the inks' absorptions at strength 1.
pub fn colours(paper: [f64; 3], absorptions: &[[f64; 3]], subsets: &[Subset]) -> Vec<[f64; 3]> {
    subsets
        .iter()
        .map(|s| {
            under(
                paper,
                absorptions
                    .iter()
                    .enumerate()
                    .filter(|(b, _)| s.has(*b))
                    .map(|(_, a)| (1.0, *a)),
            )
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::layered_absorption::absorption;

    fn linear(v: f64) -> f64 {
        let v = v / 255.0;
        if v <= 0.040_45 {
            v / 12.92
        } else {
            libm::pow((v + 0.055) / 1.055, 2.4)
        }
    }

    // Source: tests/data/identifiability.json (twelve plausible colours, simulated apart from this
    // code; the key is the first and opaque). The table does not say which colours the smaller
    // sets hold: the first six are those of its sister simulation, and agree; of the sets of eight
    // and ten only the number of overprints is held against it.
    #[test]
    fn how_near_overprints_come_agrees_with_the_simulation() {
        let path = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/data/identifiability.json"
        );
        let data: serde_json::Value =
            serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap();
        let colour = |name: &str| {
            let v = data["colours_sRGB"][name].as_array().unwrap();
            [0, 1, 2].map(|i| linear(v[i].as_f64().unwrap()))
        };
        let paper = colour("paper");
        let inks: Vec<[f64; 3]> = [
            "key_sumi",
            "prussian",
            "beni_red",
            "yellow",
            "lt_blue",
            "grey",
            "pink",
            "green",
            "vermilion",
            "ochre",
            "violet",
            "brown",
        ]
        .into_iter()
        .map(|n| absorption(colour(n), paper, 1e-4))
        .collect();
        let mut seen = 0;
        for row in data["result"].as_array().unwrap() {
            let blocks = row["blocks"].as_u64().unwrap() as usize;
            let most = row["max_overprint"].as_u64().unwrap() as u32;
            let subsets = allowed(blocks, Some(0), most);
            assert_eq!(
                subsets.len() as u64,
                row["n_combinations"].as_u64().unwrap(),
                "{row}"
            );
            if blocks == 8 || blocks == 10 {
                continue;
            }
            let mut d = nearest(&colours(paper, &inks[..blocks], &subsets), White::D65);
            d.sort_by(f64::total_cmp);
            let n = d.len();
            let median = (d[(n - 1) / 2] + d[n / 2]) / 2.0;
            let want = row["median_nearest_dE00"].as_f64().unwrap();
            assert!((median - want).abs() < 0.02, "{row} {median}");
            seen += 1;
        }
        assert!(seen >= 12);
    }
}
