//! `restrike palette`: proposes a block list from one coloured sheet, to be edited.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use clap::Args;
use restrike_engine::read::{self, DecodeLimits};
use restrike_ops::cielab::linear_srgb_to_bytes;
use restrike_ops::palette::{Palette, palette};

use crate::{End, print};

/// A scan, and where the list goes.
#[derive(Debug, Args)]
pub(crate) struct PaletteArgs {
    /// Scan of a good impression of all blocks, in colour.
    scan: PathBuf,
    /// Block list to write; without it the list is only printed.
    #[arg(long, value_name = "CSV")]
    out: Option<PathBuf>,
    /// Share of each side of the scan that is left out, %: scanner bed, edges of the sheet.
    #[arg(long, value_name = "PCT", default_value_t = 8.0)]
    margin: f64,
    /// Write the list even though there is one.
    #[arg(long)]
    replace: bool,
}

/// Proposes a block list.
pub(crate) fn run(args: &PaletteArgs) -> Result<u8, End> {
    if !(0.0..=40.0).contains(&args.margin) {
        return Err(End::refused("--margin: a share of 0 to 40 %"));
    }
    if let Some(out) = &args.out
        && out.exists()
        && !args.replace
    {
        return Err(End::refused(format!(
            "{}: there is such a file; name another, or say --replace",
            out.display()
        )));
    }
    let refused = |e: &dyn std::fmt::Display| End::refused(format!("{}: {e}", args.scan.display()));
    let scan = read::decode(&args.scan, &DecodeLimits::default()).map_err(|e| refused(&e))?;
    let found = palette(scan.image.view(), args.margin / 100.0).map_err(|e| refused(&e))?;
    let list = list(&args.scan, &found);
    if let Some(out) = &args.out {
        write(out, &list).map_err(|e| End::failed(format!("{}: {e}", out.display())))?;
    }
    print(&list)
}

/// Whole or not at all.
fn write(out: &Path, list: &str) -> std::io::Result<()> {
    let part = out.with_extension("csv.part");
    std::fs::write(&part, list)?;
    std::fs::rename(&part, out)
}

/// The block list with what is known of each line.
fn list(scan: &Path, found: &Palette) -> String {
    let file = scan
        .file_name()
        .map(|n| n.to_string_lossy().replace(['\n', '\r'], " "))
        .unwrap_or_default();
    let inks = found.inks.len();
    let mut out = format!(
        "# Proposed from {file}: {inks} colours that may be inks, {} more taken for overprints of them, paper {}. A guess from the colours of one sheet:\n\
         # an ink that never lies alone is not seen, one that only lies over another looks like a third.\n\
         # Hold each line against the blocks, name it, put the lines in the order of printing, take out\n\
         # what is none; then delete the column `proposed`: until then the list is refused.\n",
        found.overprints,
        hex(found.paper)
    );
    if found.left_out > 0 {
        let _ = writeln!(out, "# {} rarer colours are left out.", found.left_out);
    }
    out.push_str("name,order,key,bokashi,colour,proposed\n");
    let word = |b: bool| if b { "yes" } else { "no" };
    let name = |n: usize| format!("block-{}", n + 1);
    for (n, ink) in found.inks.iter().enumerate() {
        let mut said = format!(
            "# {}: {:.1} % of what was looked at",
            name(n),
            100.0 * ink.share
        );
        if ink.key {
            said.push_str("; the darkest, taken for the key");
        }
        if ink.graded {
            said.push_str("; of different strength from place to place");
        }
        if !ink.may_hold.is_empty() {
            let others: Vec<String> = ink.may_hold.iter().map(|m| name(*m)).collect();
            let _ = write!(
                said,
                "; may be an ink over or under {}",
                others.join(" or ")
            );
        }
        let _ = writeln!(
            out,
            "{said}\n{},{},{},{},{},yes",
            name(n),
            n + 1,
            word(ink.key),
            word(ink.graded),
            hex(ink.colour)
        );
    }
    out
}

/// sRGB of linear light (IEC 61966-2-1), as `#rrggbb`.
fn hex(linear: [f64; 3]) -> String {
    let [r, g, b] = linear_srgb_to_bytes(linear);
    format!("#{r:02x}{g:02x}{b:02x}")
}
