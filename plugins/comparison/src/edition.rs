//! Editions in the block record: what was learned of each.
//!
//! `editions.json` lists them. `edition-NN-light-S` and `edition-NN-scatter-S`
//! (NN: place in the list, from 01; S: cells a side, 1, 4 or 16) are 16-bit RGBA
//! pictures: light and standard deviation by channel in steps of 1/32000 of the
//! paper's light, and in the last channel the number of impressions that tell.
//! `edition-NN-register-1` holds in the same way what was added to the light to
//! take out the blocks' register, plus 1.

use std::collections::BTreeMap;

use restrike_ops::png16::{self, Samples};
use restrike_stage::serde_json;
use serde::{Deserialize, Serialize};

use crate::consensus::{Level, SIDES, coded, decoded};

/// Name of the list.
pub(crate) const INDEX: &str = "editions";
/// Most editions.
pub(crate) const MOST: usize = 12;
const REGISTER: &str = "register";
const FORMAT: &str = "restrike editions";
const VERSION: u32 = 1;

/// A block's ink over an edition's impressions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Ink {
    pub(crate) block: String,
    /// Impressions on which the block was located.
    pub(crate) located: usize,
    /// Mean absorption of the solid, red, green and blue.
    pub(crate) absorption: [f64; 3],
    /// Standard deviation of the absorption over the impressions.
    pub(crate) scatter: [f64; 3],
    /// Why it was not located where it was not, the first reason.
    pub(crate) why: String,
}

/// What the list says of an edition.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct About {
    pub(crate) name: String,
    pub(crate) year: Option<i32>,
    /// Scans it was learned from.
    pub(crate) files: Vec<String>,
    /// Mean reflectance of the paper, linear.
    pub(crate) paper: [f64; 3],
    /// Standard deviation of that over the impressions.
    pub(crate) paper_scatter: [f64; 3],
    /// Greatest blur of its scans, mm.
    pub(crate) blur_mm: f64,
    pub(crate) inks: Vec<Ink>,
}

#[derive(Serialize, Deserialize)]
struct Index {
    format: String,
    version: u32,
    /// x and y of the first cell, side of a cell, mm.
    grid_mm: [f64; 3],
    editions: Vec<About>,
}

/// An edition.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Edition {
    pub(crate) about: About,
    pub(crate) levels: Vec<Level>,
    /// Mean of what was added to the cells of the finest level to take out how
    /// the blocks lie against each other; nothing in records from before this was done.
    pub(crate) register: Vec<[f32; 3]>,
}

/// By block: whether one of two editions has no impression that it is located on.
pub(crate) fn unlocated(a: &Edition, b: &Edition) -> Vec<bool> {
    let inks = a.about.inks.iter().zip(&b.about.inks);
    inks.map(|(a, b)| a.located == 0 || b.located == 0)
        .collect()
}

fn part(n: usize, what: &str, side: usize) -> String {
    format!("edition-{:02}-{what}-{side}", n + 1)
}

/// Names of all parts.
pub(crate) fn names() -> Vec<String> {
    let mut out = vec![INDEX.to_owned()];
    for n in 0..MOST {
        for side in SIDES {
            out.push(part(n, "light", side));
            out.push(part(n, "scatter", side));
        }
        out.push(part(n, REGISTER, 1));
    }
    out
}

fn encode(level: &Level, values: &[[f32; 3]]) -> Result<Vec<u8>, String> {
    let of = values
        .iter()
        .zip(&level.count)
        .flat_map(|(v, n)| [coded(v[0]), coded(v[1]), coded(v[2]), *n]);
    png16::encode(level.width, level.height, Samples::Rgba, of).map_err(|e| e.to_string())
}

type Decoded = (usize, usize, Vec<[f32; 3]>, Vec<u16>);

fn decode(bytes: &[u8]) -> Result<Decoded, String> {
    let (w, h, samples) = png16::decode(bytes, Samples::Rgba)?;
    let (mut values, mut count) = (Vec::new(), Vec::new());
    for p in samples.chunks_exact(4) {
        values.push([0, 1, 2].map(|c| decoded(p[c])));
        count.push(p[3]);
    }
    Ok((w, h, values, count))
}

/// The parts of the record.
///
/// # Errors
/// When a picture cannot be encoded.
pub(crate) fn write(
    editions: &[Edition],
    grid_mm: [f64; 3],
) -> Result<Vec<(String, Vec<u8>)>, String> {
    let index = Index {
        format: FORMAT.to_owned(),
        version: VERSION,
        grid_mm,
        editions: editions.iter().map(|e| e.about.clone()).collect(),
    };
    let text = serde_json::to_vec_pretty(&index).map_err(|e| e.to_string())?;
    let mut out = vec![(INDEX.to_owned(), text)];
    for (n, e) in editions.iter().enumerate() {
        for level in &e.levels {
            for (what, values) in [("light", &level.light), ("scatter", &level.scatter)] {
                let png = encode(level, values)?;
                out.push((part(n, what, level.side), png));
            }
        }
        if let (Some(level), false) = (e.levels.first(), e.register.is_empty()) {
            let above: Vec<[f32; 3]> = e.register.iter().map(|v| v.map(|v| v + 1.0)).collect();
            out.push((part(n, REGISTER, level.side), encode(level, &above)?));
        }
    }
    Ok(out)
}

/// The list of editions; empty when there is none.
///
/// # Errors
/// When the list is not what it should be, or lies on another grid.
pub(crate) fn list(
    parts: &BTreeMap<String, Vec<u8>>,
    grid_mm: [f64; 3],
) -> Result<Vec<About>, String> {
    let Some(bytes) = parts.get(INDEX) else {
        return Ok(Vec::new());
    };
    let refuse = |what: String| format!("record part `{INDEX}` {what}");
    let mut index: Index =
        serde_json::from_slice(bytes).map_err(|e| refuse(format!("cannot be read: {e}")))?;
    if index.format != FORMAT || index.version > VERSION {
        return Err(refuse(format!(
            "is a `{}` of version {}",
            index.format, index.version
        )));
    }
    let pairs = index.grid_mm.iter().zip(grid_mm);
    if pairs.into_iter().any(|(a, b)| (a - b).abs() > 1e-9) {
        return Err(refuse(
            "lies on another grid: the sheet's size or `cell_mm` is not what it was learned with"
                .to_owned(),
        ));
    }
    index.editions.truncate(MOST);
    Ok(index.editions)
}

/// An edition by its place in the list.
///
/// # Errors
/// When a part is missing or is not what it should be.
pub(crate) fn load(
    parts: &BTreeMap<String, Vec<u8>>,
    n: usize,
    about: &About,
) -> Result<Edition, String> {
    let mut levels = Vec::new();
    for side in SIDES {
        let of = |what: &str| {
            let name = part(n, what, side);
            let bytes = parts
                .get(&name)
                .ok_or_else(|| format!("record part `{name}` is missing"))?;
            decode(bytes).map_err(|e| format!("record part `{name}` {e}"))
        };
        let (width, height, light, count) = of("light")?;
        let (w, h, scatter, _) = of("scatter")?;
        if (w, h) != (width, height) {
            return Err(format!(
                "the record's pictures of edition {} differ in size",
                about.name
            ));
        }
        levels.push(Level {
            side,
            width,
            height,
            count,
            light,
            scatter,
        });
    }
    let name = part(n, REGISTER, 1);
    let mut register = Vec::new();
    if let Some(bytes) = parts.get(&name) {
        let (w, h, above, _) = decode(bytes).map_err(|e| format!("record part `{name}` {e}"))?;
        if levels.first().is_none_or(|l| (l.width, l.height) != (w, h)) {
            return Err(format!(
                "record part `{name}` differs in size from the others"
            ));
        }
        register = above.into_iter().map(|v| v.map(|v| v - 1.0)).collect();
    }
    Ok(Edition {
        about: about.clone(),
        levels,
        register,
    })
}
