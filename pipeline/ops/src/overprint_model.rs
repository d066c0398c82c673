//! Colours of overprints from single inks: transparent layers, layers that
//! also scatter, or as measured, whichever the measurements ask for.
//!
//! Transparent inks add up in absorption whatever their order
//! ([`crate::layered_absorption`]). An ink that scatters hides what lies under
//! it: each ink gets a scattering power S, the same in all channels, and in each channel the
//! absorption K that gives its measured colour on the paper; layers then lie on
//! each other by Kubelka and Munk ([`crate::kubelka_munk`]). An ink is given
//! its S only if an overprint with it is visibly off and that lowers the Bayesian information criterion (Schwarz,
//! Annals of Statistics 6, 461 (1978)) by [`STRONG`]; an overprint that is still off
//! by more than its uncertainty is taken as measured.

use std::collections::BTreeMap;

use crate::bisect::bisect;
use crate::ciede2000::ciede2000;
use crate::cielab::{White, linear_srgb_to_lab};
use crate::kubelka_munk::Coat;
use crate::layered_absorption::under;
use crate::overprints::Subset;

/// Drop of the criterion that another parameter has to bring: "very strong"
/// evidence by Kass and Raftery, J. Am. Stat. Assoc. 90, 773 (1995).
pub const STRONG: f64 = 10.0;
/// Absorptions are trusted to so much at best, whatever their scatter says.
const FLOOR: f64 = 0.01;
/// An overprint is taken as measured if it is off by so many standard errors and by so much, CIEDE2000.
const CLEAR: f64 = 4.0;
const VISIBLE: f64 = 1.5;
/// Largest scattering power that is looked for; at 20 a layer hides all under it.
const MOST: f64 = 20.0;

/// An overprint as measured.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// Its inks.
    pub inks: Subset,
    /// Absorption beyond the sum of its inks', by channel, each ink at strength 1.
    pub beyond: [f64; 3],
    /// Standard error of the same.
    pub se: [f64; 3],
}

/// Which model an overprint's colour is by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Absorptions add up.
    Layered,
    /// Layers that scatter.
    KubelkaMunk,
    /// As measured.
    Measured,
}

impl Kind {
    /// Its name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Self::Layered => "layered absorption",
            Self::KubelkaMunk => "kubelka-munk",
            Self::Measured => "measured",
        }
    }
}

/// Colours of all overprints of a block set.
#[derive(Debug, Clone, PartialEq)]
pub struct OverprintModel {
    paper: [f64; 3],
    inks: Vec<[f64; 3]>,
    /// Inks from the first printed to the last.
    order: Vec<usize>,
    /// Scattering power of each ink; 0 is transparent.
    scattering: Vec<f64>,
    measured: BTreeMap<u32, [f64; 3]>,
}

impl OverprintModel {
    /// Transparent inks, given by their absorptions at strength 1 and the order
    /// they are printed in.
    pub fn transparent(paper: [f64; 3], inks: &[[f64; 3]], order: &[usize]) -> Self {
        Self {
            paper,
            inks: inks.to_vec(),
            order: order.to_vec(),
            scattering: vec![0.0; inks.len()],
            measured: BTreeMap::new(),
        }
    }

    /// A model with these scattering powers, and with these overprints as measured.
    #[must_use]
    pub fn with(mut self, scattering: &[f64], measured: &[(Subset, [f64; 3])]) -> Self {
        for (s, v) in self.scattering.iter_mut().zip(scattering) {
            *s = v.clamp(0.0, MOST);
        }
        self.measured = measured.iter().map(|(s, v)| (s.0, *v)).collect();
        self
    }

    /// Chooses the model for what was measured.
    pub fn fit(paper: [f64; 3], inks: &[[f64; 3]], order: &[usize], seen: &[Measured]) -> Self {
        let mut model = Self::transparent(paper, inks, order);
        let seen: Vec<&Measured> = seen.iter().filter(|m| m.inks.count() > 1).collect();
        #[allow(clippy::cast_precision_loss)]
        let price = libm::log((3 * seen.len()).max(2) as f64) + STRONG;
        let mut misfit = model.misfit(&seen);
        loop {
            let mut best = None;
            for ink in 0..inks.len() {
                if model.scattering[ink] > 0.0 || !model.visibly_off(ink, &seen) {
                    continue;
                }
                let (power, left) = model.best_power(ink, &seen);
                if best.is_none_or(|(_, _, l)| left < l) {
                    best = Some((ink, power, left));
                }
            }
            match best {
                Some((ink, power, left)) if misfit - left > price => {
                    model.scattering[ink] = power;
                    misfit = left;
                    // The others' powers once more beside it.
                    for other in 0..inks.len() {
                        if model.scattering[other] > 0.0 {
                            let (power, left) = model.best_power(other, &seen);
                            if left < misfit {
                                model.scattering[other] = power;
                                misfit = left;
                            }
                        }
                    }
                }
                _ => break,
            }
        }
        for m in &seen {
            let said = model.beyond(m.inks);
            let clear = (0..3).any(|c| (m.beyond[c] - said[c]).abs() > CLEAR * floored(m.se[c]));
            if clear && model.difference(m.inks, said, m.beyond) > VISIBLE {
                model.measured.insert(m.inks.0, m.beyond);
            }
        }
        model
    }

    /// The model an overprint's colour is by.
    pub fn kind(&self, set: Subset) -> Kind {
        if self.measured_in(set).is_some() {
            Kind::Measured
        } else if set.count() > 1 && self.hiding(set) {
            Kind::KubelkaMunk
        } else {
            Kind::Layered
        }
    }

    /// Absorption of an overprint beyond the sum of its inks', each at strength 1.
    /// One that was not measured has what the largest measured overprint within it has.
    pub fn beyond(&self, set: Subset) -> [f64; 3] {
        if let Some(m) = self.measured_in(set) {
            return m;
        }
        if set.count() < 2 || !self.hiding(set) {
            return [0.0; 3];
        }
        [0, 1, 2].map(|c| {
            let mut light = self.paper[c];
            let mut sum = 0.0;
            for ink in self.order.iter().filter(|i| set.has(**i)) {
                light = self.coat(*ink, c).over(light);
                sum += self.inks[*ink][c];
            }
            libm::log(self.paper[c] / light.max(1e-6)) - sum
        })
    }

    /// Scattering power of an ink.
    pub fn scattering(&self, ink: usize) -> f64 {
        self.scattering.get(ink).copied().unwrap_or(0.0)
    }

    /// Overprints that are taken as measured.
    pub fn measured(&self) -> impl Iterator<Item = (Subset, [f64; 3])> + '_ {
        self.measured.iter().map(|(s, v)| (Subset(*s), *v))
    }

    /// Whether all inks simply add up.
    pub fn is_transparent(&self) -> bool {
        self.measured.is_empty() && self.scattering.iter().all(|s| *s == 0.0)
    }

    /// CIEDE2000 (D50) between two colours of an overprint, given as absorptions
    /// beyond the sum of its inks'.
    pub fn difference(&self, set: Subset, a: [f64; 3], b: [f64; 3]) -> f64 {
        let lab = |beyond| {
            let inks = self.inks.iter().enumerate();
            let laid = inks.filter(|(i, _)| set.has(*i)).map(|(_, a)| (1.0, *a));
            let rgb = under(self.paper, laid.chain(std::iter::once((1.0, beyond))));
            linear_srgb_to_lab(rgb, White::D50)
        };
        ciede2000(lab(a), lab(b))
    }

    fn measured_in(&self, set: Subset) -> Option<[f64; 3]> {
        if let Some(m) = self.measured.get(&set.0) {
            return Some(*m);
        }
        self.measured
            .iter()
            .filter(|(m, _)| set.0 & **m == **m)
            .max_by_key(|(m, _)| Subset(**m).count())
            .map(|(_, v)| *v)
    }

    /// Whether an ink of the set, not the lowest of it, scatters; the lowest lies on the paper
    /// as it does alone.
    fn hiding(&self, set: Subset) -> bool {
        self.order
            .iter()
            .filter(|i| set.has(**i))
            .skip(1)
            .any(|i| self.scattering[*i] > 0.0)
    }

    /// An ink's layer in a channel: with its scattering power, so that it has
    /// its measured colour on the paper.
    fn coat(&self, ink: usize, channel: usize) -> Coat {
        let (a, s) = (self.inks[ink][channel], self.scattering[ink]);
        let paper = self.paper[channel];
        let coat = |k| Coat { k, s, x: 1.0 };
        if s <= 0.0 {
            // Light passes a layer twice on its way to the paper and back.
            return coat(a.max(0.0) / 2.0);
        }
        let wanted = paper * libm::exp(-a);
        let mut high = 1.0;
        while coat(high).over(paper) > wanted && high < 1e4 {
            high *= 2.0;
        }
        coat(bisect(0.0, high, 60, |k| coat(k).over(paper) > wanted))
    }

    /// Whether an overprint with this ink is off by what an eye can see.
    fn visibly_off(&self, ink: usize, seen: &[&Measured]) -> bool {
        seen.iter().any(|m| {
            m.inks.has(ink) && self.difference(m.inks, self.beyond(m.inks), m.beyond) > VISIBLE
        })
    }

    fn misfit(&self, seen: &[&Measured]) -> f64 {
        seen.iter()
            .map(|m| {
                let said = self.beyond(m.inks);
                (0..3)
                    .map(|c| {
                        let off = (m.beyond[c] - said[c]) / floored(m.se[c]);
                        off * off
                    })
                    .sum::<f64>()
            })
            .sum()
    }

    /// The scattering power of an ink that fits best, the others' as they are, and what is left.
    fn best_power(&self, ink: usize, seen: &[&Measured]) -> (f64, f64) {
        let mut trial = self.clone();
        let mut left = |log_power: f64| {
            trial.scattering[ink] = libm::exp(log_power);
            trial.misfit(seen)
        };
        let (from, to) = (libm::log(0.005), libm::log(MOST));
        let steps = 16_u32;
        let step = (to - from) / f64::from(steps);
        let mut best = (from, f64::INFINITY);
        for i in 0..=steps {
            let at = from + step * f64::from(i);
            let l = left(at);
            if l < best.1 {
                best = (at, l);
            }
        }
        // Ever smaller steps about the best.
        let mut reach = step;
        for _ in 0..24 {
            reach *= 0.6;
            for at in [best.0 - reach, (best.0 + reach).min(to)] {
                let l = left(at);
                if l < best.1 {
                    best = (at, l);
                }
            }
        }
        (libm::exp(best.0), best.1)
    }
}

fn floored(se: f64) -> f64 {
    (se * se + FLOOR * FLOOR).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::kubelka_munk::printed;

    const PAPER: [f64; 3] = [0.8, 0.77, 0.7];

    /// Inks as coats by channel: a deep red, a body colour, a thin blue.
    const RED: [f64; 3] = [0.05, 0.9, 0.8];
    const BODY: [f64; 3] = [0.5, 0.45, 0.6];
    const BLUE: [f64; 3] = [0.7, 0.3, 0.1];

    fn coats(k: [f64; 3], s: f64) -> [Coat; 3] {
        k.map(|k| Coat { k, s, x: 1.0 })
    }

    fn absorbed(layers: &[[Coat; 3]]) -> [f64; 3] {
        [0, 1, 2].map(|c| {
            let light = printed(PAPER[c], layers.iter().map(|l| l[c]));
            libm::log(PAPER[c] / light)
        })
    }

    fn measured(set: u32, all: &[[Coat; 3]], order: &[usize]) -> Measured {
        let laid: Vec<[Coat; 3]> = order
            .iter()
            .filter(|i| Subset(set).has(**i))
            .map(|i| all[*i])
            .collect();
        let mut beyond = absorbed(&laid);
        for l in &laid {
            let alone = absorbed(&[*l]);
            for c in 0..3 {
                beyond[c] -= alone[c];
            }
        }
        Measured {
            inks: Subset(set),
            beyond,
            se: [0.01; 3],
        }
    }

    #[test]
    fn transparent_inks_ask_for_no_other_model() {
        let all = [coats(RED, 0.0), coats(BODY, 0.0), coats(BLUE, 0.0)];
        let inks: Vec<[f64; 3]> = all.iter().map(|c| absorbed(&[*c])).collect();
        let order = [0, 1, 2];
        let seen: Vec<Measured> = [3, 5, 6, 7].map(|s| measured(s, &all, &order)).to_vec();
        let m = OverprintModel::fit(PAPER, &inks, &order, &seen);
        assert!(m.is_transparent());
        assert_eq!(m.kind(Subset(7)), Kind::Layered);
        assert_eq!(m.beyond(Subset(7)), [0.0; 3]);
    }

    #[test]
    fn a_body_colour_is_found_and_predicts_an_overprint_that_was_not_measured() {
        let all = [coats(RED, 0.0), coats(BODY, 1.2), coats(BLUE, 0.0)];
        let inks: Vec<[f64; 3]> = all.iter().map(|c| absorbed(&[*c])).collect();
        let order = [0, 1, 2];
        let seen: Vec<Measured> = [3, 5, 6].map(|s| measured(s, &all, &order)).to_vec();
        let m = OverprintModel::fit(PAPER, &inks, &order, &seen);
        assert!(
            (m.scattering(1) / 1.2 - 1.0).abs() < 0.02,
            "{}",
            m.scattering(1)
        );
        assert_eq!(m.scattering(0), 0.0);
        assert_eq!(m.scattering(2), 0.0);
        assert_eq!(m.kind(Subset(3)), Kind::KubelkaMunk);
        assert_eq!(
            m.kind(Subset(5)),
            Kind::Layered,
            "no body colour over another"
        );
        let all_three = measured(7, &all, &order);
        for c in 0..3 {
            assert!((m.beyond(Subset(7))[c] - all_three.beyond[c]).abs() < 0.01);
        }
    }

    #[test]
    fn the_order_of_printing_decides_what_is_hidden() {
        let all = [coats(RED, 0.0), coats(BODY, 1.2)];
        let inks: Vec<[f64; 3]> = all.iter().map(|c| absorbed(&[*c])).collect();
        let seen = [measured(3, &all, &[0, 1])];
        let under = OverprintModel::fit(PAPER, &inks, &[0, 1], &seen);
        // Said to lie under the red, the body colour cannot hide it: the overprint is as measured.
        let over = OverprintModel::fit(PAPER, &inks, &[1, 0], &seen);
        assert_eq!(under.kind(Subset(3)), Kind::KubelkaMunk);
        assert_eq!(over.kind(Subset(3)), Kind::Measured);
        assert_eq!(over.beyond(Subset(3)), seen[0].beyond);
        assert_eq!(
            over.beyond(Subset(7)),
            seen[0].beyond,
            "within a larger one"
        );
    }

    #[test]
    fn what_is_within_its_uncertainty_changes_nothing() {
        let seen = [Measured {
            inks: Subset(3),
            beyond: [0.1, -0.1, 0.05],
            se: [0.2; 3],
        }];
        let m = OverprintModel::fit(PAPER, &[RED, BLUE], &[0, 1], &seen);
        assert!(m.is_transparent());
    }
}
