//! Tables of what was learned about the inks, for the whole run.

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{White, linear_srgb_to_lab};
use restrike_ops::layered_absorption::under;
use restrike_stage::{ColumnSpec as C, Row, Scope, TableSpec};

use crate::inks::{Ink, Inks, Overprint};

pub(crate) const INKS: &str = "inks";
pub(crate) const OVERPRINTS: &str = "overprints";

/// Declarations.
pub(crate) fn specs() -> Vec<TableSpec> {
    let number = C::number;
    vec![
        TableSpec {
            name: INKS.to_owned(),
            title: "What was learned of each ink".to_owned(),
            scope: Scope::Run,
            internal: false,
            columns: vec![
                C::text("block", "The block."),
                C::text(
                    "basis",
                    "proof: from its proof alone; reference: from the first reference impression, for want of a proof; ... and references: refined on reference impressions where it lies alone.",
                ),
                number(
                    "absorption_r",
                    "",
                    4,
                    "Absorption at strength 1 in the scan's red: -ln of the linear light it lets pass.",
                ),
                number("absorption_g", "", 4, "The same, green."),
                number("absorption_b", "", 4, "The same, blue."),
                number(
                    "se_r",
                    "",
                    4,
                    "Standard error of the absorption in red, as far as the colour goes: strength 1 is the record's solid by definition.",
                ),
                number("se_g", "", 4, "The same, green."),
                number("se_b", "", 4, "The same, blue."),
                C::integer(
                    "sheets",
                    "",
                    "Reference impressions on which it lies alone.",
                ),
                C::integer("cells", "", "Cells of 4 mm of these."),
                number(
                    "scattering",
                    "",
                    3,
                    "Scattering power of the ink by Kubelka and Munk; 0: it hides nothing under it, or nothing tells.",
                ),
                number(
                    "de00_to_proof",
                    "",
                    2,
                    "CIEDE2000 between the ink as learned and as its proof has it, on the references' paper.",
                ),
            ],
        },
        TableSpec {
            name: OVERPRINTS.to_owned(),
            title: "What was learned of each overprint".to_owned(),
            scope: Scope::Run,
            internal: false,
            columns: vec![
                C::text("blocks", "The blocks that lie over each other."),
                C::text(
                    "model",
                    "What gives its colour: layered absorption (inks add up), kubelka-munk (an ink on top hides part of what lies under it), measured (neither explains it).",
                ),
                number(
                    "beyond_r",
                    "",
                    4,
                    "Absorption measured beyond the sum of its inks', red; negative: paler than the sum.",
                ),
                number("beyond_g", "", 4, "The same, green."),
                number("beyond_b", "", 4, "The same, blue."),
                number("se_r", "", 4, "Standard error of the same, red."),
                number("se_g", "", 4, "The same, green."),
                number("se_b", "", 4, "The same, blue."),
                C::integer("sheets", "", "Reference impressions it was seen on."),
                C::integer("cells", "", "Cells of 4 mm of these."),
                number(
                    "layered_de00",
                    "",
                    2,
                    "CIEDE2000 between what was measured and inks that add up.",
                ),
                number(
                    "model_de00",
                    "",
                    2,
                    "CIEDE2000 between what was measured and the model.",
                ),
            ],
        },
    ]
}

#[allow(clippy::cast_possible_wrap)]
fn count(n: usize) -> i64 {
    n as i64
}

/// The row of an ink, and its proof's absorption if the record has one.
pub(crate) fn ink_row(inks: &Inks, ink: &Ink, proof: Option<[f64; 3]>, source: &str) -> Row {
    let lab = |a| linear_srgb_to_lab(under(inks.paper, [(1.0, a)]), White::D50);
    Row::new()
        .set("block", ink.block.as_str())
        .set(
            "basis",
            if ink.sheets > 0 {
                format!("{source} and references")
            } else {
                source.to_owned()
            },
        )
        .set("absorption_r", ink.absorption[0])
        .set("absorption_g", ink.absorption[1])
        .set("absorption_b", ink.absorption[2])
        .set("se_r", ink.se[0])
        .set("se_g", ink.se[1])
        .set("se_b", ink.se[2])
        .set("sheets", count(ink.sheets))
        .set("cells", count(ink.cells))
        .set("scattering", ink.scattering)
        .set(
            "de00_to_proof",
            proof.map(|p| ciede2000(lab(ink.absorption), lab(p))),
        )
}

/// The row of an overprint.
pub(crate) fn overprint_row(o: &Overprint) -> Row {
    Row::new()
        .set("blocks", o.blocks.join(" + "))
        .set("model", o.model.as_str())
        .set("beyond_r", o.beyond[0])
        .set("beyond_g", o.beyond[1])
        .set("beyond_b", o.beyond[2])
        .set("se_r", o.se[0])
        .set("se_g", o.se[1])
        .set("se_b", o.se[2])
        .set("sheets", count(o.sheets))
        .set("cells", count(o.cells))
        .set("layered_de00", o.layered_de00)
        .set("model_de00", o.model_de00)
}
