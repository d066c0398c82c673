//! The stage's tables.

use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{White, linear_srgb_to_lab};
use restrike_ops::layered_absorption::{density, under};
use restrike_ops::overprints::Subset;
use restrike_stage::{ColumnSpec as C, Row, Scope, TableSpec};

use crate::gradation::Profile;
use crate::separate::Separated;
use crate::sheet::Sheet;
use crate::tally::{BlockTally, Tally};

pub(crate) const BLOCKS: &str = "separation";
pub(crate) const SHEETS: &str = "separation_sheet";
pub(crate) const GRADATIONS: &str = "gradation";

/// Fewest pixels that tell a solid's colour.
const SOLID: f64 = 200.0;

/// Declarations.
#[allow(clippy::too_many_lines)]
pub(crate) fn specs() -> Vec<TableSpec> {
    let number = C::number;
    let image = || {
        C::text(
            "image",
            "Image it was measured on: whole for all of the sheet, or left, right, upper, lower.",
        )
    };
    vec![
        TableSpec {
            name: BLOCKS.to_owned(),
            title: "What each block printed".to_owned(),
            scope: Scope::Sheet,
            internal: false,
            columns: vec![
                image(),
                C::text("block", "The block."),
                C::text(
                    "basis",
                    "located: its shape lies where registration found it; roughly located: to within three standard errors, so that near its edges only the colour tells; not located: its shape's place is not known, so only the colour tells.",
                ),
                number(
                    "printed_mm2",
                    "mm2",
                    1,
                    "Printed area. Of a gradation: where a tenth of the solid's ink or more lies.",
                ),
                number(
                    "strength",
                    "",
                    4,
                    "Mean strength of its ink over all it prints, of a gradation its fade too (`most` of `gradation` is its full strength); at edges that of what covers the paper whole. 1 is the record's solid.",
                ),
                number(
                    "strength_se",
                    "",
                    4,
                    "Its standard error on this sheet: the paper under it, flare, contrasts within cells and the bodies of inks over it; the record's own solid not included. Empty where it is not known even roughly where the block lies.",
                ),
                number(
                    "mottle_pct",
                    "%",
                    2,
                    "Unevenness of the ink: standard deviation over tiles of 1 mm where it lies alone on the paper, of its smooth strength; the paper's own unevenness is in it.",
                ),
                number(
                    "density_proxy",
                    "",
                    3,
                    "-log10 of the solid's reflectance over the paper's, in the scan's channel it darkens most: from a scan, not a status density of ISO 5-3.",
                ),
                number(
                    "absorption_r",
                    "",
                    4,
                    "Absorption of the ink at strength 1 in the scan's red: -ln of the linear light it lets pass.",
                ),
                number("absorption_g", "", 4, "The same, green."),
                number("absorption_b", "", 4, "The same, blue."),
                number(
                    "lab_l",
                    "",
                    2,
                    "CIELAB L* (D50) of its ink on this sheet's paper.",
                ),
                number("lab_a", "", 2, "a* of the same."),
                number("lab_b", "", 2, "b* of the same."),
                C::text(
                    "lab_from",
                    "solids: measured where the block lies alone; model: its mean strength laid on the sheet's paper, as it hardly lies alone anywhere.",
                ),
                number(
                    "de00_to_record",
                    "",
                    2,
                    "CIEDE2000 between its ink as printed here and the record's solid, both laid on this sheet's paper.",
                ),
                number(
                    "shape_iou",
                    "",
                    4,
                    "Printed area in common with the record's shape as placed, over the area of either.",
                ),
                number(
                    "missing_mm2",
                    "mm2",
                    1,
                    "Area of the shape that did not print; of a gradation, where the record has a tenth of the solid's ink or more.",
                ),
                number("stray_mm2", "mm2", 1, "Area printed outside the shape."),
                number(
                    "confident_share",
                    "",
                    4,
                    "Share of its area where no other answer is nearly as good.",
                ),
                number(
                    "seen_share",
                    "",
                    4,
                    "Share of its area where the colour itself tells whether the block printed; elsewhere its shape says so.",
                ),
                C::text(
                    "confused",
                    "The pair of answers between which most of the undecided area lies, if any.",
                ),
                C::text("why", "What is doubtful about the block's figures."),
            ],
        },
        TableSpec {
            name: SHEETS.to_owned(),
            title: "How far a sheet could be taken apart".to_owned(),
            scope: Scope::Sheet,
            internal: false,
            columns: vec![
                image(),
                number("area_mm2", "mm2", 1, "Area looked at."),
                number(
                    "confident_share",
                    "",
                    4,
                    "Share of it where the printed blocks are told without doubt.",
                ),
                number(
                    "unexplained_share",
                    "",
                    5,
                    "Share that no blocks explain: dust, stains, damage.",
                ),
                number(
                    "residual_rms",
                    "",
                    4,
                    "What is left between the scan and the recomposed impression, absorption, root mean square.",
                ),
                number(
                    "paper_noise",
                    "",
                    4,
                    "Unevenness of the bare paper by pixel, relative.",
                ),
                number(
                    "paper_l",
                    "",
                    2,
                    "CIELAB L* (D50) of the paper under the print.",
                ),
                number("paper_a", "", 2, "a* of the same."),
                number("paper_b", "", 2, "b* of the same."),
            ],
        },
        TableSpec {
            name: GRADATIONS.to_owned(),
            title: "Profiles of gradations (bokashi)".to_owned(),
            scope: Scope::Sheet,
            internal: false,
            columns: vec![
                image(),
                C::text("block", "The block."),
                number(
                    "direction_deg",
                    "deg",
                    1,
                    "Direction in which it fades, counter-clockwise from the right.",
                ),
                number(
                    "most",
                    "",
                    4,
                    "Strength where it is full (median of the strongest bins, of 1 mm); 1 is the record's solid.",
                ),
                number(
                    "start_mm",
                    "mm",
                    2,
                    "Where it starts to fade (nine tenths of the most), along the direction from the image's centre.",
                ),
                number(
                    "start_se_mm",
                    "mm",
                    2,
                    "Its standard error, from strips along the fading; empty where one of them does not tell it.",
                ),
                number(
                    "end_mm",
                    "mm",
                    2,
                    "Where it has faded out (a tenth of the most), likewise; empty if the block ends before.",
                ),
                number("end_se_mm", "mm", 2, "Its standard error likewise."),
                number(
                    "steepness_pct_per_mm",
                    "%/mm",
                    3,
                    "Largest loss over 4 mm, of the most.",
                ),
                number(
                    "steepness_se_pct_per_mm",
                    "%/mm",
                    3,
                    "Its standard error likewise.",
                ),
            ],
        },
    ]
}

/// The names of a set of blocks.
pub(crate) fn names(sheet: &Sheet<'_>, set: Subset) -> String {
    let list: Vec<&str> = sheet
        .blocks
        .iter()
        .enumerate()
        .filter(|(n, _)| set.has(*n))
        .map(|(_, b)| b.name.as_str())
        .collect();
    if list.is_empty() {
        "paper".to_owned()
    } else {
        list.join(" + ")
    }
}

/// Mean reflectance of the paper under a tally's prints.
pub(crate) fn paper(sheet: &Sheet<'_>, tally: &Tally) -> [f64; 3] {
    let mut sum = [0.0; 3];
    let mut n = 0.0;
    for b in &tally.blocks {
        for (s, p) in sum.iter_mut().zip(b.paper) {
            *s += p;
        }
        n += b.printed;
    }
    if n > 0.0 {
        return sum.map(|s| s / n);
    }
    sheet.log_paper(sheet.area.centre()).map(libm::exp)
}

/// The row of a block.
pub(crate) fn block_row(
    image: &str,
    sheet: &Sheet<'_>,
    n: usize,
    tally: &BlockTally,
    paper: [f64; 3],
    (level_se, why): (Option<f64>, &str),
) -> Row {
    let block = &sheet.blocks[n];
    let mm2 = sheet.pixel * sheet.pixel;
    let share = |part: f64, of: f64| (of > 0.0).then(|| part / of);
    let strength = share(tally.strength, tally.whole);
    let solids = tally.alone >= SOLID;
    let printed_here = if tally.printed > 0.0 {
        tally.paper.map(|p| p / tally.printed)
    } else {
        paper
    };
    let lab = |rgb| linear_srgb_to_lab(rgb, White::D50);
    let colour = if solids {
        Some(tally.light.map(|l| l / tally.alone))
    } else {
        strength.map(|s| under(printed_here, [(s, block.absorption)]))
    };
    let laid = strength.map(|s| under(paper, [(s, block.absorption)]));
    let record = under(paper, [(1.0, block.shape.part.absorption)]);
    let confused = tally.pairs.iter().max_by(|a, b| a.1.total_cmp(b.1));
    let dense = laid.map(|l| {
        (0..3)
            .map(|c| density(l[c]) - density(paper[c]))
            .fold(f64::MIN, f64::max)
    });
    let mut row = Row::new()
        .set("image", image)
        .set("block", block.name.as_str())
        .set("basis", block.place.basis())
        .set("printed_mm2", tally.printed * mm2)
        .set("strength", strength)
        .set(
            "strength_se",
            strength.zip(level_se).map(|(strength, se)| strength * se),
        )
        .set("mottle_pct", tally.mottle().map(|m| 100.0 * m))
        .set("density_proxy", dense)
        .set("absorption_r", block.absorption[0])
        .set("absorption_g", block.absorption[1])
        .set("absorption_b", block.absorption[2])
        .set("shape_iou", share(tally.both, tally.either))
        .set("missing_mm2", (tally.shape - tally.both) * mm2)
        .set("stray_mm2", (tally.printed - tally.both) * mm2)
        .set("confident_share", share(tally.sure, tally.either))
        .set("seen_share", share(tally.seen, tally.either))
        .set("why", why);
    if let Some(((a, b), _)) = confused {
        row = row.set(
            "confused",
            format!("{} / {}", names(sheet, *a), names(sheet, *b)),
        );
    }
    // A gradation has no one colour.
    if let Some(colour) = colour.filter(|_| !block.fade) {
        let [l, a, b] = lab(colour);
        row = row
            .set("lab_l", l)
            .set("lab_a", a)
            .set("lab_b", b)
            .set("lab_from", if solids { "solids" } else { "model" });
    }
    if let Some(laid) = laid.filter(|_| !block.fade) {
        row = row.set("de00_to_record", ciede2000(lab(laid), lab(record)));
    }
    row
}

/// The row of a sheet or an image.
pub(crate) fn sheet_row(
    image: &str,
    sheet: &Sheet<'_>,
    tally: &Tally,
    separated: &Separated,
    paper: [f64; 3],
) -> Row {
    let share = |part: f64| (tally.pixels > 0.0).then(|| part / tally.pixels);
    let [l, a, b] = linear_srgb_to_lab(paper, White::D50);
    Row::new()
        .set("image", image)
        .set("area_mm2", tally.pixels * sheet.pixel * sheet.pixel)
        .set("confident_share", share(tally.sure))
        .set("unexplained_share", share(tally.strange))
        .set("residual_rms", share(tally.square).map(f64::sqrt))
        .set("paper_noise", separated.noise.paper)
        .set("paper_l", l)
        .set("paper_a", a)
        .set("paper_b", b)
}

/// The row of a gradation.
pub(crate) fn gradation_row(image: &str, block: &str, p: &Profile) -> Row {
    Row::new()
        .set("image", image)
        .set("block", block)
        .set("direction_deg", p.degrees)
        .set("most", p.most)
        .set("start_mm", p.start)
        .set("start_se_mm", p.start.and(p.se[0]))
        .set("end_mm", p.end)
        .set("end_se_mm", p.end.and(p.se[1]))
        .set("steepness_pct_per_mm", 100.0 * p.steepness)
        .set("steepness_se_pct_per_mm", p.se[2].map(|se| 100.0 * se))
}
