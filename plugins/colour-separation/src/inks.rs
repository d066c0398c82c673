//! What is learned about the inks, as a part of the block record: JSON.
//!
//! `inks.json` holds each block's absorption with its standard error, its
//! scattering power, and what was measured of every overprint.

use std::collections::BTreeMap;

use restrike_ops::block_record::BlockShape;
use restrike_ops::overprint_model::OverprintModel;
use restrike_ops::overprints::{Subset, allowed};
use restrike_stage::{StageError, serde_json};
use serde::{Deserialize, Serialize};

use crate::gaussian::dot;

/// Name of the part.
pub(crate) const PART: &str = "inks";
const FORMAT: &str = "restrike inks record";
const VERSION: u32 = 1;
/// Most inks over each other whose colour is worked out beforehand.
pub(crate) const DEEPEST: u32 = 5;
/// How far one edition's ink may be off another's in direction, relative.
const EDITION: f64 = 0.02;
/// How well one sheet tells an ink's absorption, in logarithm of light.
const SHEET: f64 = 0.01;
/// From so many standard deviations on a sheet is printed in another ink.
const OTHER: f64 = 4.0;

/// A block's ink.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Ink {
    /// The block.
    pub(crate) block: String,
    /// Absorption at strength 1 (the record's solid), red, green, blue.
    pub(crate) absorption: [f64; 3],
    /// Standard error of the same; of its direction, as strength 1 is what the record says it is.
    pub(crate) se: [f64; 3],
    /// Reference impressions and cells of 4 mm on which it lies alone.
    pub(crate) sheets: usize,
    pub(crate) cells: usize,
    /// Scattering power; 0 is transparent.
    pub(crate) scattering: f64,
}

/// An overprint as measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Overprint {
    /// Its blocks, in the order of the record.
    pub(crate) blocks: Vec<String>,
    /// Absorption beyond the sum of its inks', and the standard error.
    pub(crate) beyond: [f64; 3],
    pub(crate) se: [f64; 3],
    /// Reference impressions and cells of 4 mm it was seen on.
    pub(crate) sheets: usize,
    pub(crate) cells: usize,
    /// Which model gives its colour.
    pub(crate) model: String,
    /// Absorption beyond the sum by that model.
    pub(crate) taken: [f64; 3],
    /// CIEDE2000 between what was measured and layered absorption, and the model.
    pub(crate) layered_de00: f64,
    pub(crate) model_de00: f64,
}

/// The part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Inks {
    format: String,
    version: u32,
    /// Paper the inks lie on, linear.
    pub(crate) paper: [f64; 3],
    /// The inks, in the order of the record.
    pub(crate) inks: Vec<Ink>,
    /// Overprints that were seen.
    pub(crate) overprints: Vec<Overprint>,
}

impl Inks {
    /// A part.
    pub(crate) fn new(paper: [f64; 3], inks: Vec<Ink>, overprints: Vec<Overprint>) -> Self {
        Self {
            format: FORMAT.to_owned(),
            version: VERSION,
            paper,
            inks,
            overprints,
        }
    }

    /// Reads it from a record; none when it is not there.
    ///
    /// # Errors
    /// When it is not what it should be.
    pub(crate) fn read(records: &BTreeMap<String, Vec<u8>>) -> Result<Option<Self>, StageError> {
        let Some(bytes) = records.get(PART) else {
            return Ok(None);
        };
        let refuse = |what: String| StageError::new(format!("record part `{PART}` {what}"));
        let inks: Self =
            serde_json::from_slice(bytes).map_err(|e| refuse(format!("cannot be read: {e}")))?;
        if inks.format != FORMAT {
            return Err(refuse(format!("is a `{}`", inks.format)));
        }
        if inks.version > VERSION {
            return Err(refuse(format!(
                "is of version {}; this version of restrike reads up to {VERSION}",
                inks.version
            )));
        }
        Ok(Some(inks))
    }

    /// The learned ink of a block.
    pub(crate) fn of(&self, block: &str) -> Option<&Ink> {
        self.inks.iter().find(|i| i.block == block)
    }

    /// Absorption of each overprint beyond the sum of its inks', for blocks in
    /// this order; those where inks simply add up are left out.
    pub(crate) fn beyond(&self, names: &[&str], orders: &[u32]) -> BTreeMap<u32, [f64; 3]> {
        let at = |name: &str| names.iter().position(|n| *n == name);
        let measured: Vec<(Subset, [f64; 3])> = self
            .overprints
            .iter()
            .filter(|o| o.model == restrike_ops::overprint_model::Kind::Measured.name())
            .filter_map(|o| Some((set(o.blocks.iter().map(|b| at(b)))?, o.beyond)))
            .collect();
        let scattering: Vec<f64> = names
            .iter()
            .map(|n| self.of(n).map_or(0.0, |i| i.scattering))
            .collect();
        let inks: Vec<[f64; 3]> = names
            .iter()
            .map(|n| self.of(n).map_or([0.0; 3], |i| i.absorption))
            .collect();
        let model = OverprintModel::transparent(self.paper, &inks, &printed_in(orders))
            .with(&scattering, &measured);
        if model.is_transparent() {
            return BTreeMap::new();
        }
        allowed(names.len(), None, DEEPEST)
            .into_iter()
            .filter(|s| s.count() > 1)
            .map(|s| (s.0, model.beyond(s)))
            .filter(|(_, v)| v.iter().any(|v| v.abs() > 1e-6))
            .collect()
    }

    /// Absorption of an overprint beyond the sum of its inks' as the reference impressions show
    /// it, if they do, for blocks in this order.
    pub(crate) fn seen(&self, names: &[&str], inks: Subset) -> Option<[f64; 3]> {
        let at = |block: &String| names.iter().position(|n| n == block);
        self.overprints
            .iter()
            .find(|o| set(o.blocks.iter().map(at)) == Some(inks))
            .map(|o| o.beyond)
    }
}

fn set(places: impl Iterator<Item = Option<usize>>) -> Option<Subset> {
    let mut out = Subset(0);
    for p in places {
        out = Subset(out.0 | 1 << p?);
    }
    Some(out)
}

/// Blocks from the first printed to the last.
pub(crate) fn printed_in(orders: &[u32]) -> Vec<usize> {
    let mut out: Vec<usize> = (0..orders.len()).collect();
    out.sort_by_key(|n| (orders[*n], *n));
    out
}

/// Absorption of a block's ink on a sheet: as strong as the sheet itself says,
/// of the colour that record and sheet tell together. A sheet clearly printed in another ink
/// keeps its own.
pub(crate) fn on_sheet(own: [f64; 3], shape: &BlockShape, inks: Option<&Inks>) -> [f64; 3] {
    let Some(ink) = inks.and_then(|i| i.of(&shape.part.name)) else {
        return own;
    };
    let size = dot(own, own).sqrt();
    let learned = dot(ink.absorption, ink.absorption).sqrt();
    if size <= 0.0 || learned <= 0.0 {
        return own;
    }
    let mut out = [0.0; 3];
    let mut off = 0.0;
    for c in 0..3 {
        let (a, b) = (own[c] / size, ink.absorption[c] / learned);
        let (sheet, se) = (SHEET / size, ink.se[c] / learned);
        let known = se * se + EDITION * EDITION;
        off += (a - b) * (a - b) / (sheet * sheet + known);
        let w = sheet * sheet / (sheet * sheet + known);
        out[c] = w * b + (1.0 - w) * a;
    }
    if off > OTHER * OTHER {
        return own;
    }
    let k = size / dot(out, out).sqrt().max(1e-9);
    out.map(|v| v * k)
}
