//! Proofs that look like another block's: listed under the wrong name, or twice.

use restrike_stage::{BlockInfo, Point};

use crate::parted;
use crate::record::Known;

/// By how much the colour of another block in the list has to be nearer (cosine
/// of the angle between absorptions) for a proof to be taken for that block's.
const NEARER: f64 = 0.05;
/// Cosine from which two inks are one, and share of the printed area from which
/// two shapes are.
const ONE_INK: f64 = 0.995;
const ONE_SHAPE: f64 = 0.95;
/// Distance of the places that shapes are compared at, mm.
const STEP_MM: f64 = 0.5;

/// Blocks whose proof cannot be used, with the reason, by index.
pub(crate) fn doubtful(blocks: &[Known], list: &[BlockInfo]) -> Vec<(usize, String)> {
    let mut out = Vec::new();
    for (n, block) in blocks.iter().enumerate() {
        // Each has the other's colour: a list's colour alone may be badly noted.
        let exchanged = wrong_colour(block, list).filter(|like| {
            let other = blocks.iter().find(|b| b.part.name == **like);
            other.and_then(|o| wrong_colour(o, list)) == Some(block.part.name.as_str())
        });
        if let Some(like) = exchanged {
            out.push((
                n,
                format!(
                    "{}: the proof listed for block {} has the colour that the block list gives block {like}, and the other way round: are the two proofs exchanged? Neither is used",
                    block.part.source.file, block.part.name
                ),
            ));
        } else if let Some(twin) = blocks[..n].iter().find(|b| same(b, block)) {
            out.push((
                n,
                format!(
                    "{}: the proof listed for block {} shows the same shape and ink as {}, listed for block {}: it is not used",
                    block.part.source.file,
                    block.part.name,
                    twin.part.source.file,
                    twin.part.name
                ),
            ));
        }
    }
    out
}

fn cosine(a: [f64; 3], b: [f64; 3]) -> f64 {
    let dot = |a: [f64; 3], b: [f64; 3]| (0..3).map(|c| a[c] * b[c]).sum::<f64>();
    dot(a, b) / (dot(a, a) * dot(b, b)).sqrt().max(1e-12)
}

/// The block of the list that this proof's colour is, if that is another one.
fn wrong_colour<'l>(block: &Known, list: &'l [BlockInfo]) -> Option<&'l str> {
    let seen = block.part.absorption;
    let said = |b: &BlockInfo| Some(cosine(seen, parted::absorption(b.colour.as_deref()?)?));
    let own = said(list.iter().find(|b| b.name == block.part.name)?)?;
    list.iter()
        .filter(|b| b.name != block.part.name)
        .filter_map(|b| Some((said(b)?, b.name.as_str())))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .filter(|(other, _)| *other > own + NEARER)
        .map(|(_, name)| name)
}

/// Whether two proofs show one block.
fn same(a: &Known, b: &Known) -> bool {
    if cosine(a.part.absorption, b.part.absorption) < ONE_INK {
        return false;
    }
    let area = a.layer.extent;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let steps = |length: f64| (length / STEP_MM).max(1.0) as usize;
    let (mut both, mut any) = (0.0, 0.0);
    for j in 0..=steps(area.height()) {
        for i in 0..=steps(area.width()) {
            #[allow(clippy::cast_precision_loss)]
            let p = area.min + Point::new(i as f64, j as f64) * STEP_MM;
            let inside = [a, b].map(|k| k.layer.rough.at(p) < 0.0);
            both += f64::from(u8::from(inside[0] && inside[1]));
            any += f64::from(u8::from(inside[0] || inside[1]));
        }
    }
    both > ONE_SHAPE * any && b.part.area_mm2 < a.part.area_mm2 / ONE_SHAPE
}
