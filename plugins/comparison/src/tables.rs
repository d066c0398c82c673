//! The stage's tables.

use restrike_stage::{ColumnSpec as C, Point, Row, Scope, TableSpec};

use crate::kinds::Finding;

pub(crate) const SHEETS: &str = "comparison_sheet";
pub(crate) const PAIRS: &str = "comparison_pairs";
pub(crate) const DIFFERENCES: &str = "comparison_differences";
pub(crate) const BLOCKS: &str = "comparison_blocks";
pub(crate) const PATCHES: &str = "comparison_patches";
pub(crate) const INKS: &str = "comparison_inks";

fn table(name: &str, title: &str, scope: Scope, columns: Vec<C>) -> TableSpec {
    TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope,
        internal: false,
        columns,
    }
}

fn pair() -> [C; 2] {
    [
        C::text("first", "The earlier edition."),
        C::text("second", "The later edition."),
    ]
}

/// Declarations of the tables.
pub(crate) fn specs() -> Vec<TableSpec> {
    let mut pairs = pair().to_vec();
    pairs.extend([
        C::text("status", "`compared`, or `not compared`: see `why`."),
        C::integer("first_impressions", "", "Impressions the first edition's consensus is of, at most, of a cell."),
        C::integer("second_impressions", "", "Impressions the second edition's consensus is of, at most, of a cell."),
        C::text("scatter", "Whose scatter from impression to impression the differences are tested against."),
        C::number("cell_mm", "mm", 3, "Side of a cell of the record's grid."),
        C::number("false_rate", "", 4, "Share of the listed differences that may be false (Benjamini and Hochberg)."),
        C::integer("regions", "", "Regions over the threshold before the rule."),
        C::integer("differences", "", "Differences listed."),
        C::number("compared_mm2", "mm2", 0, "Area that impressions of both editions tell of."),
        C::number("unseen_mm2", "mm2", 0, "Area that one of the editions does not tell of: blocks not located, beyond the scan."),
        C::number("least_de00", "CIEDE2000", 2, "Difference of tone over about 1.6 mm across, clear of edges, that is found nine times in ten, on a light ground."),
        C::number("least_fine_de00", "CIEDE2000", 2, "The same over one cell."),
        C::text("why", "Why they were not compared, or what to know of it."),
    ]);
    let mut differences = pair().to_vec();
    differences.extend([
        C::integer("number", "", "Number within the pair, the largest first; the pictures show it."),
        C::text("kind", "`line lost`, `line gained`, `area lost`, `area gained`, `edge moved`, `tone`, `colour`, `stain or paper`."),
        C::text("block", "The block whose printing changed; empty where no block's ink explains it."),
        C::text("image", "Image it lies in."),
        C::number("x_mm", "mm", 2, "Its centre on the record, print coordinates."),
        C::number("y_mm", "mm", 2, "Its centre on the record, print coordinates."),
        C::number("area_mm2", "mm2", 3, "Its area."),
        C::number("extent_mm", "mm", 2, "Longest side of its box."),
        C::number("size_de00", "CIEDE2000", 2, "Difference of its mean colours, each against its own paper."),
        C::number("lightness", "L*", 2, "Change of lightness, second less first."),
        C::number("moved_mm", "mm", 3, "Of an `edge moved`: how far, positive outwards. Empty for other kinds, beyond 0.3 mm, and where the nearest edge is not of the block whose ink changed."),
        C::number("peak_sd", "", 1, "Its highest cell, in standard deviations."),
        C::number("adjusted_p", "", 6, "Least false rate at which it would be listed."),
        C::number("cell_mm", "mm", 2, "Side of the cells it was found on."),
        C::text("note", "What cannot be told of it."),
    ]);
    let mut blocks = pair().to_vec();
    blocks.extend([
        C::text("block", "The block."),
        C::text("verdict", "`worn` (the same block, worn or not, with or without new wood let in), `re-cut` (another block cut after it) or `undecided`, with the reason."),
        C::number("likelihood_ratio", "", 3, "How many times likelier what is seen is of a re-cut block than of the old one; kept between 1/8000 and 8000. Decided from 20 (or 1/20) on. Empty where its place or its edges do not bear one."),
        C::number("deviation_mm", "mm", 4, "By how much its edges run otherwise from place to place, standard deviation by axis, a smooth warp taken away."),
        C::number("typical_move_mm", "mm", 4, "Typical move of a place along the direction it tells best, noise and all."),
        C::number("seen_from_mm", "mm", 4, "Deviation that the scans could tell in a typical place."),
        C::integer("tiles", "", "Places (2 mm) that tell of its edges' course."),
        C::number("moved_pct", "%", 1, "Share of them that moved."),
        C::integer("lost", "", "Lost lines and areas of it in the table of differences: damage the later edition has more."),
        C::integer("gained", "", "Gained ones: damage that healed, or printing the block did not have."),
        C::text("why", "Why it is not decided, or what to look at."),
    ]);
    let mut patches = pair().to_vec();
    patches.extend([
        C::text("block", "The block."),
        C::text("image", "Image it lies in."),
        C::number(
            "x_mm",
            "mm",
            1,
            "Its centre on the record, print coordinates.",
        ),
        C::number(
            "y_mm",
            "mm",
            1,
            "Its centre on the record, print coordinates.",
        ),
        C::number("extent_mm", "mm", 1, "Its size, to about 2 mm."),
        C::number("dx_mm", "mm", 3, "How far its lines moved to the right."),
        C::number("dy_mm", "mm", 3, "How far its lines moved up."),
        C::integer("tiles", "", "Places in it that moved."),
    ]);
    let mut inks = pair().to_vec();
    inks.extend([
        C::text("block", "The block; `paper` for the paper."),
        C::integer("first_impressions", "", "Impressions of the first edition that show it."),
        C::integer("second_impressions", "", "Impressions of the second edition that show it."),
        C::number("strength", "", 3, "Ink of the second over the first: ratio of their absorptions."),
        C::number("strength_se", "", 3, "Its standard error by the scatter within the editions; empty with one impression on both sides."),
        C::number("size_de00", "CIEDE2000", 2, "Difference of the solids, each on white; of the papers as scanned."),
        C::text("why", "Why there is no figure, or what to know of it."),
    ]);
    vec![
        table(
            SHEETS,
            "Each sheet against its edition's consensus",
            Scope::Sheet,
            vec![
                C::boolean(
                    "in_consensus",
                    "Whether the consensus was learned from it too (role `reference`): it then looks nearer than it is.",
                ),
                C::integer("impressions", "", "Impressions in the consensus."),
                C::number("seen_mm2", "mm2", 0, "Area compared."),
                C::number(
                    "median_de00",
                    "CIEDE2000",
                    2,
                    "Median difference from the consensus, inks and paper brought to the record's.",
                ),
                C::number(
                    "apart_mm2",
                    "mm2",
                    2,
                    "Area that differs by more than 10 CIEDE2000: voids, stains, dust, damage.",
                ),
                C::number("blur_mm", "mm", 4, "Blur of the scan, standard deviation."),
                C::text(
                    "unlocated",
                    "Blocks that are not located on this sheet; their edges are left out.",
                ),
                C::text("why", "Why there are no figures."),
            ],
        ),
        table(PAIRS, "Editions compared", Scope::Run, pairs),
        table(
            DIFFERENCES,
            "Differences between editions",
            Scope::Run,
            differences,
        ),
        table(BLOCKS, "Worn or re-cut, by block", Scope::Run, blocks),
        table(
            PATCHES,
            "Patches whose lines moved: plugs",
            Scope::Run,
            patches,
        ),
        table(INKS, "Inks and paper between editions", Scope::Run, inks),
    ]
}

/// Row of a difference.
pub(crate) fn difference_row(
    pair: [&str; 2],
    number: usize,
    f: &Finding,
    block: &str,
    image: &str,
    note: &str,
) -> Row {
    let Point { x, y } = f.centre;
    Row::new()
        .set("first", pair[0])
        .set("second", pair[1])
        .set("number", number)
        .set("kind", f.kind.words())
        .set("block", block)
        .set("image", image)
        .set("x_mm", x)
        .set("y_mm", y)
        .set("area_mm2", f.area_mm2)
        .set("extent_mm", f.extent_mm)
        .set("size_de00", f.de00)
        .set("lightness", f.lightness)
        .set("moved_mm", f.moved_mm)
        .set("peak_sd", f.z)
        .set("adjusted_p", f.p)
        .set("cell_mm", f.tested_mm)
        .set("note", note)
}
