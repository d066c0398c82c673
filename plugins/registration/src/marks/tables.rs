//! The tables of the advice.

use restrike_stage::{ColumnSpec, Scope, TableSpec};

/// Name of the table of corrections.
pub(crate) const CORRECTIONS: &str = "mark_corrections";
/// Name of the table of what to do at the key instead.
pub(crate) const KEY: &str = "key_marks";
/// Name of the table of what is left.
pub(crate) const RESIDUALS: &str = "mark_residuals";
/// Name of the table of stretch.
pub(crate) const STRETCH: &str = "stretch_shares";

/// Declarations of the four tables.
pub(crate) fn tables() -> Vec<TableSpec> {
    vec![corrections(), key(), residuals(), stretch()]
}

fn mm(name: &str, description: &str) -> ColumnSpec {
    ColumnSpec::number(name, "mm", 3, description)
}

fn permille(name: &str, description: &str) -> ColumnSpec {
    ColumnSpec::number(name, "permille", 3, description)
}

fn block_columns() -> [ColumnSpec; 3] {
    [
        ColumnSpec::text("block", "The block."),
        ColumnSpec::text(
            "basis",
            "absolute: against the key; relative to reference: against where the block stood on the reference impression.",
        ),
        ColumnSpec::integer("sheets", "", "Sheets the row rests on."),
    ]
}

fn corrections() -> TableSpec {
    let mut columns: Vec<ColumnSpec> = block_columns().into();
    columns.insert(
        1,
        ColumnSpec::text("face", "The face of the registration mark."),
    );
    columns.extend([
        ColumnSpec::text("action", "cut back, pad, leave it or undecided."),
        mm(
            "by_mm",
            "How much to cut back or pad; empty where nothing is to be done. Where a face by itself is not told and the block as a whole is, that of the whole.",
        ),
        mm(
            "by_low_mm",
            "Lower end of its 95 % interval, which holds for the three faces together.",
        ),
        mm("by_high_mm", "Upper end of that interval."),
        mm(
            "correction_mm",
            "How far the face would have to move: over 0 towards the sheet (pad), under 0 away from it (cut back).",
        ),
        mm(
            "correction_se_mm",
            "Its standard error: placing, measuring and the zero of the block's shape.",
        ),
        mm(
            "correction_low_mm",
            "Lower end of the interval that holds the corrections of all three faces with 95 %.",
        ),
        mm("correction_high_mm", "Upper end of that interval."),
        mm(
            "scatter_mm",
            "Scatter of placing at this face from sheet to sheet, the key's own with it: standard deviation without the measuring error, pooled over the blocks where theirs is no smaller.",
        ),
        mm(
            "scatter_low_mm",
            "Lower end of the 95 % interval of the scatter.",
        ),
        mm(
            "scatter_high_mm",
            "Upper end of the 95 % interval of the scatter.",
        ),
        mm(
            "measuring_se_mm",
            "Standard error of measuring this shift on one sheet.",
        ),
        ColumnSpec::integer(
            "more_proofs",
            "",
            "More sheets that would decide, four times in five; empty where it is decided or none would.",
        ),
        mm("contact_x_mm", "Contact in the print, from the sheet's centre to the right."),
        mm("contact_y_mm", "Contact in the print, from the sheet's centre upwards."),
        mm("move_x_mm", "Move of the face in the print, to the right."),
        mm("move_y_mm", "Move of the face in the print, upwards."),
        mm("contact_u_mm", "Contact on the block lying face up, to the right."),
        mm("contact_v_mm", "Contact on the block lying face up, upwards."),
        mm("move_u_mm", "Move of the face on the block lying face up, to the right."),
        mm("move_v_mm", "Move of the face on the block lying face up, upwards."),
        ColumnSpec::text("advice", "What to do and why, in words."),
    ]);
    TableSpec {
        name: CORRECTIONS.to_owned(),
        title: "What to cut or pad at the registration marks".to_owned(),
        scope: Scope::Run,
        internal: false,
        columns,
    }
}

fn key() -> TableSpec {
    TableSpec {
        name: KEY.to_owned(),
        title: "What to do at the key's own marks instead; never both".to_owned(),
        scope: Scope::Run,
        internal: false,
        columns: vec![
            ColumnSpec::text(
                "face",
                "The face of the registration mark on the key's block.",
            ),
            ColumnSpec::text("action", "cut back, pad or leave it."),
            mm("by_mm", "How much; empty where nothing is to be done."),
            mm("by_low_mm", "Lower end of the 95 % interval."),
            mm("by_high_mm", "Upper end of the 95 % interval."),
            ColumnSpec::integer(
                "instead_of",
                "",
                "Cuts and pads at the other blocks (mark_corrections) that this stands for.",
            ),
            ColumnSpec::integer(
                "cuts_left",
                "",
                "Those of them that would be called for all the same.",
            ),
            mm(
                "contact_u_mm",
                "Contact on the key's block lying face up, to the right.",
            ),
            mm(
                "contact_v_mm",
                "Contact on the key's block lying face up, upwards.",
            ),
            mm(
                "move_u_mm",
                "Move of the face on the block lying face up, to the right.",
            ),
            mm(
                "move_v_mm",
                "Move of the face on the block lying face up, upwards.",
            ),
            ColumnSpec::text(
                "left",
                "What would be called for at the blocks all the same, in words.",
            ),
        ],
    }
}

fn residuals() -> TableSpec {
    let mut columns: Vec<ColumnSpec> = block_columns().into();
    columns.insert(1, ColumnSpec::text("image", "The image on the sheet."));
    columns.extend([
        mm(
            "now_mm",
            "Largest mean error over what the block prints on the image as the marks are.",
        ),
        mm(
            "now_se_mm",
            "Its standard error: placing from sheet to sheet, and the zero. The largest of several is too large by about as much.",
        ),
        mm(
            "as_advised_mm",
            "The same when the marks are corrected as advised.",
        ),
        mm("as_advised_se_mm", "Its standard error, without the cuts' own."),
        mm(
            "by_key_mm",
            "The same when, instead, the key's own marks are corrected (key_marks) and what is then still called for at the block; empty where nothing is to be done at the key, and of blocks of which these sheets do not tell.",
        ),
        mm("by_key_se_mm", "Its standard error, without the cuts' own."),
        mm(
            "at_best_mm",
            "The same with the best three faces there can be: what no mark mends.",
        ),
        ColumnSpec::text("corner", "Where the largest error is that no mark mends: the image's corner nearest to it."),
        mm("left_x_mm", "That error, to the right."),
        mm("left_y_mm", "That error, upwards."),
        permille(
            "stretch_x_permille",
            "Mean stretch of the block's print along x; empty where not fitted.",
        ),
        permille(
            "stretch_x_se_permille",
            "Its standard error, from sheet to sheet and of the zero.",
        ),
        permille(
            "stretch_y_permille",
            "Mean stretch along y; empty where not fitted.",
        ),
        permille("stretch_y_se_permille", "Its standard error likewise."),
        ColumnSpec::text("words", "The same in words."),
    ]);
    TableSpec {
        name: RESIDUALS.to_owned(),
        title: "What the blocks are off by: as the marks are, as advised, at best".to_owned(),
        scope: Scope::Run,
        internal: false,
        columns,
    }
}

fn stretch() -> TableSpec {
    TableSpec {
        name: STRETCH.to_owned(),
        title: "Stretch shared out between blocks and damp paper".to_owned(),
        scope: Scope::Run,
        internal: false,
        columns: vec![
            ColumnSpec::text(
                "of",
                "all: common to all blocks and sheets; block: constant over the run; sheet: common to all blocks.",
            ),
            ColumnSpec::text("name", "The block's name or the sheet's place in the list."),
            ColumnSpec::text("file", "For a sheet: its scan."),
            ColumnSpec::integer("cells", "", "Measured stretches the share rests on."),
            permille(
                "x_permille",
                "Share of the stretch along x, by median polish.",
            ),
            permille(
                "x_se_permille",
                "Its standard error, from what the polish leaves over and, for a block and for all, the blocks' zeros.",
            ),
            permille("y_permille", "Share of the stretch along y."),
            permille("y_se_permille", "Its standard error."),
            permille(
                "later_x_permille",
                "For a sheet: how much more the later half of the blocks is stretched along x than the earlier half.",
            ),
            permille("later_x_se_permille", "Its standard error."),
            permille("later_y_permille", "The same along y."),
            permille("later_y_se_permille", "Its standard error."),
            ColumnSpec::text("words", "What it means, or why it cannot be told."),
        ],
    }
}
