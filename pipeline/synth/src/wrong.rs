//! Sheets that do not belong in a stack, or not that way.

use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::design::{Design, DesignSpec, Family};
use crate::rng::{Rng, word};
use crate::sheet::{SheetKind, SheetSpec};

/// Kind of a wrong sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum WrongKind {
    /// No impression.
    Blank,
    /// The back.
    Verso,
    /// Turned by 180 degrees.
    UpsideDown,
    /// From another block set.
    OtherDesign,
    /// An impression scanned twice.
    Duplicate,
    /// A scan saved twice.
    Reencoded,
    /// A side outside the scan.
    Crop,
}

/// How many of a kind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Wrong {
    /// Kind.
    pub kind: WrongKind,
    /// Number.
    pub count: u32,
}

impl FromStr for Wrong {
    type Err = String;

    /// Reads `blank:2`; the number may be left out.
    fn from_str(s: &str) -> Result<Self, String> {
        let (name, count) = s.split_once(':').unwrap_or((s, "1"));
        Ok(Self {
            kind: <WrongKind as clap::ValueEnum>::from_str(name.trim(), true)
                .map_err(|_| format!("{name}: not a kind of wrong sheet"))?,
            count: count
                .trim()
                .parse()
                .map_err(|_| format!("{count}: not a number of sheets"))?,
        })
    }
}

/// Positions in the stack (after the first good sheet) and kinds.
pub(crate) fn places(wrong: &[Wrong], good: u32, seed: u64) -> Vec<(u32, WrongKind)> {
    let mut kinds: Vec<WrongKind> = wrong
        .iter()
        .flat_map(|w| std::iter::repeat_n(w.kind, w.count as usize))
        .collect();
    let mut rng = Rng::new(seed, "wrong");
    let n = kinds.len();
    for i in (1..n).rev() {
        kinds.swap(i, rng.below(i + 1));
    }
    let total = good as usize + n;
    let mut free: Vec<u32> = (2..=total.max(1) as u32).collect();
    for i in (1..free.len()).rev() {
        free.swap(i, rng.below(i + 1));
    }
    let mut out: Vec<(u32, WrongKind)> = free.into_iter().zip(kinds).collect();
    out.sort_by_key(|p| p.0);
    out
}

/// Turns the sheet at its position into a wrong one.
pub(crate) fn make(
    kind: WrongKind,
    s: &mut SheetSpec,
    before: &[SheetSpec],
    design: &Design,
    seed: u64,
) {
    let mut rng = Rng::new(word(seed, u64::from(s.position)), "wrong sheet");
    let earlier: Vec<&SheetSpec> = before
        .iter()
        .filter(|b| b.kind == SheetKind::Good && b.only_blocks.is_empty())
        .collect();
    match kind {
        WrongKind::Blank => s.kind = SheetKind::Blank,
        WrongKind::Verso => s.kind = SheetKind::Verso,
        WrongKind::UpsideDown => s.kind = SheetKind::UpsideDown,
        WrongKind::OtherDesign => {
            s.kind = SheetKind::OtherDesign;
            let families = [
                Family::Landscape,
                Family::Figure,
                Family::Pattern,
                Family::Lettering,
            ];
            let others: Vec<Family> = families
                .into_iter()
                .filter(|f| *f != design.spec.family)
                .collect();
            s.other_design = Some(DesignSpec {
                seed: rng.bits() >> 16,
                family: others[rng.below(others.len())],
                ..design.spec.clone()
            });
            // Damage belongs to the run's own blocks.
            s.damage.clear();
        }
        WrongKind::Duplicate | WrongKind::Reencoded => {
            if earlier.is_empty() {
                return;
            }
            let of = earlier[rng.below(earlier.len())];
            let (name, position, scan) = (s.name.clone(), s.position, s.scan.clone());
            *s = of.clone();
            s.name = name;
            s.position = position;
            "run".clone_into(&mut s.role);
            let of = of.name.clone();
            if kind == WrongKind::Duplicate {
                s.scan = scan;
                s.kind = SheetKind::Duplicate { of };
            } else {
                use crate::sheet::Format;
                s.scan.format = match s.scan.format {
                    Format::Png => Format::TiffDeflate,
                    _ => Format::Png,
                };
                s.kind = SheetKind::Reencoded { of };
            }
        }
        WrongKind::Crop => {
            s.kind = SheetKind::Crop;
            let side = rng.below(4);
            let length = design.sheet_mm[side % 2];
            s.scan.margin_mm[side] = -length * rng.range(0.12, 0.35);
        }
    }
}
