//! How sure a block's mean strength on a sheet is.
//!
//! Pixels are many, so nothing is left of their noise. What remains is what all of them share: the
//! paper under the ink, which is only known where it shows; flare in the dark; what contrasts
//! within cells leave open; and the light that bodies of inks laid over it give back.

use crate::fields::{FADE_SD, Fields, PAPER_SD, STRENGTH_SD};
use crate::pieces::Pieces;
use crate::sheet::Sheet;

/// Standard error of each block's mean strength, relative; none where nothing it printed tells it.
pub(crate) fn errors(sheet: &Sheet<'_>, pieces: &Pieces, fields: &Fields) -> Vec<Option<f64>> {
    (0..sheet.blocks.len())
        .map(|n| {
            sheet.blocks[n].place.se_mm?;
            let level = level(sheet, pieces, fields, n)?;
            Some(libm::hypot(level, veils(sheet, pieces, n)))
        })
        .collect()
}

/// Of paper, flare and contrasts.
fn level(sheet: &Sheet<'_>, pieces: &Pieces, fields: &Fields, n: usize) -> Option<f64> {
    let block = &sheet.blocks[n];
    let (mut known, mut count) = (0.0, 0.0);
    for p in pieces.map.values() {
        if !p.shapes.has(n) || p.label != p.shapes {
            continue;
        }
        for c in 0..3 {
            let dark = p.dark(c);
            let ink = p.strength[n] * block.absorption[c];
            known += p.count * ink * ink / (PAPER_SD * PAPER_SD + dark * dark);
        }
        count += p.count;
    }
    if count == 0.0 {
        return None;
    }
    let prior = if block.fade { FADE_SD } else { STRENGTH_SD };
    let others = fields.by_contrast(n).unwrap_or(prior);
    Some(1.0 / (known / count + 1.0 / (others * others)).sqrt())
}

/// Of the veils of inks laid over it. They are each ink's own, so they add up in squares.
fn veils(sheet: &Sheet<'_>, pieces: &Pieces, n: usize) -> f64 {
    let a = sheet.blocks[n].absorption;
    let at = |m: usize| sheet.printed.iter().position(|k| *k == m);
    let mut square = 0.0;
    for (over, block) in sheet.blocks.iter().enumerate() {
        let se = block.place.veil_se;
        if se == 0.0 || at(over) <= at(n) {
            continue;
        }
        let (mut off, mut all) = (0.0, 0.0);
        for p in pieces.map.values().filter(|p| p.label.has(n)) {
            all += p.count * p.strength[n];
            if !p.label.has(over) {
                continue;
            }
            // What lies under it, by the layers as they are taken to be.
            let mut light = [1.0; 3];
            for m in sheet.printed.iter().take_while(|m| **m != over) {
                if p.label.has(*m) {
                    light = sheet.blocks[*m].laid(p.strength[*m]).over(light, 1.0);
                }
            }
            let laid = block.laid(p.strength[over]);
            // d ln of what comes up, with the veil; a channel as dark as flare tells nothing.
            let (mut up, mut down) = (0.0, 0.0);
            for c in 0..3 {
                let seen = laid.shown(c, light[c]);
                let dark = p.dark(c);
                let weight = 1.0 / (PAPER_SD * PAPER_SD + dark * dark);
                up += weight * a[c] * laid.by_veil(c, light[c]) / seen;
                down += weight * a[c] * a[c];
            }
            off += p.count * p.strength[over] * up / down.max(1e-9);
        }
        if all > 0.0 {
            square += (se * off / all) * (se * off / all);
        }
    }
    square.sqrt()
}
