//! Other answers for a pixel that the expected one does not explain: a block that did
//! not print there, printed weakly, printed where it has no shape; or dust.

use restrike_ops::overprints::Subset;

use super::{Answer, Item, Reader};
use crate::gaussian::{Covariance, dot};
use crate::pieces::DECIDED;
use crate::sheet::{Here, MOST};

/// Logarithms of the odds against: no ink within a shape; little ink; ink
/// outside a shape, near it and far; dust.
const ABSENT: f64 = 6.0;
const WEAK: f64 = 5.0;
const STRAY: f64 = 7.0;
const STRAY_FAR: f64 = 9.0;
const DUST: f64 = 7.0;
impl Reader<'_> {
    /// Looks for a better answer than the expected one, whose density is given:
    /// the block that is otherwise, and whether it printed weakly there.
    pub(super) fn other(
        &self,
        here: &Here,
        model: [f64; 3],
        items: &[Item],
        seen: [f64; 3],
        expected: f64,
        out: &mut Answer,
    ) -> Option<(usize, bool)> {
        let sheet = self.sheet;
        // Answers as (score, block and whether weak).
        let mut best = (expected, None);
        let mut second = f64::NEG_INFINITY;
        let mut second_of = None;
        let mut offer = |score: f64, of: Option<(usize, bool)>| {
            if score > best.0 {
                (second, second_of) = best;
                best = (score, of);
            } else if score > second {
                (second, second_of) = (score, of);
            }
        };
        let density = |value: [f64; 3], c: Covariance| {
            c.precision()
                .log_density([0, 1, 2].map(|k| seen[k] - value[k]))
        };
        for i in items {
            if i.strength < 0.05 {
                continue;
            }
            let mut bare = [0.0; 3];
            for c in 0..3 {
                bare[c] = model[c] / (1.0 - i.cover * (1.0 - i.laid.through()[c])).max(1e-6);
            }
            if i.cover > 0.3 {
                let other = self.with_changed(items, i.block);
                let bare = [0, 1, 2].map(|c| bare[c] * other[c]);
                let scaled = rescaled(items, model, bare);
                let c = self.covariance(bare, &scaled, Some(i.block), None);
                offer(density(bare, c) - ABSENT, Some((i.block, false)));
            }
            let thin = [0, 1, 2].map(|c| {
                let t = libm::exp(-0.6 * i.strength * sheet.blocks[i.block].absorption[c]);
                bare[c] * (1.0 - i.cover * (1.0 - t))
            });
            let scaled = rescaled(items, model, thin);
            let c = self.covariance(thin, &scaled, None, Some((i.block, 0.3 * i.strength)));
            offer(density(thin, c) - WEAK, Some((i.block, true)));
        }
        for (n, b) in sheet.blocks.iter().enumerate() {
            if items.iter().any(|i| i.block == n) {
                continue;
            }
            let usual = sheet.usual_strength(n);
            let other = self.with_changed(items, n);
            let inked =
                [0, 1, 2].map(|c| model[c] * libm::exp(-usual * b.absorption[c]) * other[c]);
            let scaled = rescaled(items, model, inked);
            let mut c = self.covariance(inked, &scaled, None, None);
            c.add(
                (0.3 * usual) * (0.3 * usual),
                [0, 1, 2].map(|k| inked[k] * b.absorption[k]),
            );
            let odds = if here.distance[n] < 0.6 {
                STRAY
            } else {
                STRAY_FAR
            };
            offer(density(inked, c) - odds, Some((n, false)));
        }
        // Dust may have any reflectance: a density of 1 over the cube of all colours.
        let dust = 1.5 * libm::log(2.0 * std::f64::consts::PI) - DUST;
        if dust > best.0 {
            out.strange = true;
            out.sure = false;
            return None;
        }
        if best.0 - second.max(dust) < DECIDED {
            let differs = match (best.1, second_of) {
                (Some((_, true)), None) | (None, Some((_, true))) => false,
                (Some((a, x)), Some((b, y))) => a != b || x != y,
                _ => true,
            };
            if differs || best.0 - dust < DECIDED {
                out.sure = false;
                if let Some((n, false)) = second_of.or(best.1) {
                    out.rival = Some(here.inside.flipped(n));
                }
            }
        }
        best.1
    }

    /// Strength of a block that printed weakly.
    pub(super) fn weak_strength(
        &self,
        item: &Item,
        model: [f64; 3],
        items: &[Item],
        seen: [f64; 3],
    ) -> f64 {
        let a = self.sheet.blocks[item.block].absorption;
        let thin = [0, 1, 2].map(|c| {
            let bare = model[c] / (1.0 - item.cover * (1.0 - item.laid.through()[c])).max(1e-6);
            let t = libm::exp(-0.6 * item.strength * a[c]);
            bare * (1.0 - item.cover * (1.0 - t))
        });
        let sd = 0.3 * item.strength;
        let scaled = rescaled(items, model, thin);
        let c = self.covariance(thin, &scaled, None, Some((item.block, sd)));
        let own = scaled
            .iter()
            .find(|i| i.block == item.block)
            .map_or([0.0; 3], |i| i.by_strength);
        let left = [0, 1, 2].map(|k| seen[k] - thin[k]);
        0.6 * item.strength + sd * sd * dot(own, c.precision().times(left))
    }

    /// Factor on the light when a block is put into what the items print, or taken out.
    fn with_changed(&self, items: &[Item], n: usize) -> [f64; 3] {
        if self.sheet.adds_up() {
            return [1.0; 3];
        }
        let mut set = Subset(0);
        let mut strength = [0.0; MOST];
        for i in items.iter().filter(|i| i.cover > 0.5) {
            set = set.flipped(i.block);
            strength[i.block] = i.strength;
        }
        let was = self.sheet.overprint(set, &strength);
        let is = self.sheet.overprint(set.flipped(n), &strength);
        [0, 1, 2].map(|c| libm::exp(was[c] - is[c]))
    }
}

/// The items' slopes at another reflectance.
fn rescaled(items: &[Item], from: [f64; 3], to: [f64; 3]) -> Vec<Item> {
    let k = [0, 1, 2].map(|c| to[c] / from[c].max(1e-6));
    items
        .iter()
        .map(|i| Item {
            by_strength: [0, 1, 2].map(|c| i.by_strength[c] * k[c]),
            by_edge: [0, 1, 2].map(|c| i.by_edge[c] * k[c]),
            ..*i
        })
        .collect()
}
