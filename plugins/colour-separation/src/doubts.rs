//! What makes a sheet's figures doubtful, in words: scans without colour or
//! with clipped ends, blocks of one colour, blocks whose ink is not there.

use restrike_ops::block_record::BlockShape;
use restrike_ops::overprints::Subset;
use restrike_stage::{Measure, Project, Verdict};

use crate::gaussian::dot;
use crate::sheet::Sheet;
use crate::tally::BlockTally;

/// Channels differ by less than this on a grey scan, linear.
const GREY: f64 = 0.004;
/// Absorptions that point the same way within this angle (cosine) are one colour.
const ALIKE: f64 = 0.997;
/// Share of a block's solids at an end of the scale from which on it is said.
const CLIPPED: f64 = 0.02;

/// Whether the scan shows no colour anywhere: one channel, or three alike.
pub(crate) fn grey(input: &Measure<'_>) -> bool {
    let scan = input.scan;
    if scan.channels() < 3 {
        return true;
    }
    let limit = (GREY * 65535.0) as i32;
    let mut coloured = 0_usize;
    let mut looked = 0_usize;
    for y in (0..scan.height()).step_by(7) {
        for v in scan.row(y).chunks_exact(3).step_by(7) {
            let [r, g, b] = [0, 1, 2].map(|c| i32::from(v[c]));
            looked += 1;
            coloured += usize::from((r - g).abs() > limit || (g - b).abs() > limit);
        }
    }
    coloured * 1000 < looked
}

/// Why a scan without colour cannot be taken apart; none if the inks have no colour either.
pub(crate) fn colours_lost(grey: bool, shapes: &[BlockShape]) -> Option<String> {
    let colours: Vec<&str> = shapes
        .iter()
        .filter(|s| {
            let a = s.part.absorption;
            let most = a.iter().copied().fold(0.0, f64::max);
            let least = a.iter().copied().fold(f64::MAX, f64::min);
            most > 0.05 && most - least > 0.2 * most
        })
        .map(|s| s.part.name.as_str())
        .collect();
    (grey && shapes.len() > 1 && !colours.is_empty()).then(|| {
        format!(
            "the scan shows no colour, but the record has coloured inks ({}): scan it in colour",
            colours.join(", ")
        )
    })
}

/// A verdict on a sheet.
pub(crate) fn verdict(sheet: usize, status: &str, reason: &str) -> Verdict {
    Verdict {
        sheet,
        status: status.to_owned(),
        reason: reason.to_owned(),
    }
}

/// Remarks on the set as a whole.
pub(crate) fn notes(project: &Project, sheet: &Sheet<'_>) -> Vec<String> {
    let mut out = Vec::new();
    for (a, b) in alike(sheet) {
        out.push(format!(
            "blocks {} and {} have inks of one colour: where both could have printed only their shapes tell them apart",
            sheet.blocks[a].name, sheet.blocks[b].name
        ));
    }
    if sheet.blocks.len() == 1 {
        out.push(format!(
            "the record holds one block, {}: whatever else is on the sheet is left as residual",
            sheet.blocks[0].name
        ));
    }
    let borrowed: Vec<&str> = sheet
        .blocks
        .iter()
        .filter(|b| b.shape.part.from_reference())
        .map(|b| b.name.as_str())
        .collect();
    if !borrowed.is_empty() {
        out.push(format!(
            "without proofs these shapes are the visible parts of a reference impression, and labels that pass for sure are wrong over about a fifth of the area: {}",
            borrowed.join(", ")
        ));
    }
    let without: Vec<&str> = project
        .blocks
        .iter()
        .filter(|b| !sheet.blocks.iter().any(|s| s.name == b.name))
        .map(|b| b.name.as_str())
        .collect();
    if !without.is_empty() {
        out.push(format!(
            "of these blocks the record has no shape, so they have no plane: {}",
            without.join(", ")
        ));
    }
    out
}

/// Pairs of blocks whose inks are of one colour.
fn alike(sheet: &Sheet<'_>) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    for (i, a) in sheet.blocks.iter().enumerate() {
        for (j, b) in sheet.blocks.iter().enumerate().skip(i + 1) {
            if same_colour(a.absorption, b.absorption) {
                out.push((i, j));
            }
        }
    }
    out
}

/// Whether two inks differ in nothing but strength, and little in that.
pub(crate) fn same_colour(a: [f64; 3], b: [f64; 3]) -> bool {
    let (aa, bb) = (dot(a, a).sqrt(), dot(b, b).sqrt());
    let cosine = dot(a, b) / (aa * bb).max(1e-12);
    cosine > ALIKE && aa < 1.5 * bb && bb < 1.5 * aa
}

/// Share of each block's solids that lie at the dark or the light end of the scale.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Ends {
    dark: f64,
    light: f64,
    looked: f64,
}

/// Looks for clipped pixels under each block.
pub(crate) fn clipped(sheet: &Sheet<'_>) -> Vec<Ends> {
    let mut out = vec![Ends::default(); sheet.blocks.len()];
    let mut here = crate::sheet::Here::new();
    let step = ((0.3 / sheet.pixel) as usize).max(1);
    for y in (0..sheet.scan.height()).step_by(step) {
        for x in (0..sheet.scan.width()).step_by(step) {
            if !sheet.look(x, y, &mut here) || here.near != Subset(0) {
                continue;
            }
            let v = sheet.scan.pixel(x, y);
            let dark = v.iter().all(|v| *v == 0);
            let light = v.contains(&u16::MAX);
            for (n, e) in out.iter_mut().enumerate() {
                if here.inside.has(n) {
                    e.looked += 1.0;
                    e.dark += f64::from(u8::from(dark));
                    e.light += f64::from(u8::from(light));
                }
            }
        }
    }
    out
}

/// Whether nearly nothing of a block's shape was printed.
pub(crate) fn absent(tally: &BlockTally) -> bool {
    tally.shape > 0.0 && tally.both < 0.05 * tally.shape
}

/// Says of a sheet that a block is not where it should be.
pub(crate) fn skipped(block: &str) -> String {
    format!(
        "block {block} is not where it should lie: not printed on this sheet, or printed elsewhere"
    )
}

/// What is doubtful of a block's figures; empty if nothing.
pub(crate) fn of_block(sheet: &Sheet<'_>, n: usize, tally: &BlockTally, ends: &[Ends]) -> String {
    let block = &sheet.blocks[n];
    let mut out = Vec::new();
    if let Some(why) = &block.place.why {
        out.push(format!("{}: {why}", block.place.basis()));
    }
    if absent(tally) {
        out.push("its ink is not on the sheet".to_owned());
    }
    let e = ends[n];
    if e.looked > 0.0 && e.dark > CLIPPED * e.looked {
        out.push(format!(
            "{:.0} % of it is black without detail in the scan: its strength is a lower limit",
            100.0 * e.dark / e.looked
        ));
    }
    if e.looked > 0.0 && e.light > CLIPPED * e.looked {
        out.push(format!(
            "{:.0} % of it is at full scale in the scan: its strength is an upper limit",
            100.0 * e.light / e.looked
        ));
    }
    let others: Vec<&str> = alike(sheet)
        .into_iter()
        .filter_map(|(a, b)| match n {
            _ if a == n => Some(b),
            _ if b == n => Some(a),
            _ => None,
        })
        .map(|m| sheet.blocks[m].name.as_str())
        .collect();
    if !others.is_empty() {
        out.push(format!("its ink has the colour of {}", others.join(", ")));
    }
    out.join("; ")
}
