//! Tables of what a sheet shows.

use restrike_stage::{ColumnSpec as C, Point, Row, Scope, TableSpec};

use crate::edges::{Mean, Metrics};
use crate::kinds::{Found, Kind};
use crate::solids::Edges;

pub(crate) const LINES: &str = "wear_lines";
pub(crate) const SITES: &str = "wear_sites";
pub(crate) const SHEETS: &str = "wear_sheet";
pub(crate) const SOLIDS: &str = "wear_solids";
pub(crate) const UNSEEN: &str = "wear_unseen";

/// Place on the block as it lies face up.
pub(crate) fn on_block(print: Point) -> Point {
    Point::new(-print.x, print.y)
}

fn with_se(out: &mut Vec<C>, name: &str, unit: &str, decimals: u8, description: &str) {
    let ending = if unit.is_empty() {
        String::new()
    } else {
        format!("_{unit}")
    };
    out.push(C::number(
        &format!("{name}{ending}"),
        unit,
        decimals,
        description,
    ));
    out.push(C::number(
        &format!("{name}_se{ending}"),
        unit,
        decimals,
        "Its standard error.",
    ));
}

fn metrics(out: &mut Vec<C>, of: &str) {
    with_se(
        out,
        "width_t50",
        "mm",
        4,
        &format!(
            "{of} width between the places half way from ground to solid. Read it beside the blur."
        ),
    );
    with_se(
        out,
        "width_t60",
        "mm",
        4,
        &format!("{of} width at 60 % of the way from ground to solid."),
    );
    with_se(
        out,
        "blur",
        "mm",
        4,
        &format!(
            "{of} distance from 10 % to 90 % of the way on an edge; the scanner's own blur is in it."
        ),
    );
    with_se(
        out,
        "raggedness",
        "mm",
        4,
        &format!(
            "{of} standard deviation of the half-way contours about their course (waves under 2.5 mm)."
        ),
    );
    with_se(
        out,
        "contrast",
        "",
        3,
        &format!(
            "{of} (ground - line) / ground in linear light, in the channel that shows the line best."
        ),
    );
}

fn solids() -> Vec<C> {
    let mut out = vec![
        C::text("image", "Image, or whole."),
        C::text("block", "Colour block."),
        C::number("length_mm", "mm", 1, "Length of its edges there."),
        C::number(
            "measured_mm",
            "mm",
            1,
            "Length that was measured: clear of the key's lines and other blocks' edges, on even ground.",
        ),
    ];
    let numbers = [
        (
            "retreat",
            "mm",
            4,
            "How far its edges stand back from those of the record, which has the wear of its proof; negative if they have grown.",
        ),
        (
            "blur",
            "mm",
            4,
            "Distance from 10 % to 90 % of the way from ground to solid; the scanner's own blur is in it.",
        ),
        (
            "raggedness",
            "mm",
            4,
            "Standard deviation of the half-way contour about its course (waves under 2.5 mm).",
        ),
        (
            "contrast",
            "",
            3,
            "(ground - solid) / ground in linear light, in the channel that shows the edge best.",
        ),
    ];
    for (name, unit, decimals, description) in numbers {
        with_se(&mut out, name, unit, decimals, description);
    }
    out.push(C::text("why", "Why numbers are missing."));
    out
}

/// A block's edges in an image.
pub(crate) fn solid_row(image: &str, block: &str, e: &Edges, why: Option<&str>) -> Row {
    let row = Row::new()
        .set("image", image)
        .set("block", block)
        .set("length_mm", e.length_mm)
        .set("measured_mm", e.measured_mm)
        .set("why", why);
    let row = put(row, "retreat", "mm", e.retreat);
    let row = put(row, "blur", "mm", e.blur);
    let row = put(row, "raggedness", "mm", e.ragged);
    put(row, "contrast", "", e.contrast)
}

/// Declarations.
pub(crate) fn specs() -> Vec<TableSpec> {
    let mut lines = vec![
        C::text("image", "Image the line is in."),
        C::integer("line", "", "Number of the line in the record's key-lines."),
        C::number("x_mm", "mm", 2, "Its middle in print coordinates, right."),
        C::number("y_mm", "mm", 2, "Its middle in print coordinates, up."),
        C::number("length_mm", "mm", 2, "Its length."),
        C::number(
            "measured_mm",
            "mm",
            2,
            "Length that its width was taken over: clear of joins, gaps and uneven ground.",
        ),
        C::text(
            "resolution",
            "resolved, unresolved (under three scan pixels wide) or unmeasured.",
        ),
    ];
    metrics(&mut lines, "Mean");
    lines.push(C::text("why", "Why numbers are missing."));
    let sites = vec![
        C::text("image", "Image the site is in."),
        C::text(
            "kind",
            "break (the line is interrupted), nick (a bite from an edge), hole (a round gap through lines), fill-in (ink beside the line), pale (fades and comes back softly) or speck (something lighter than the paper lies there).",
        ),
        C::integer("line", "", "Number of the line in the record's key-lines."),
        C::number(
            "from_mm",
            "mm",
            3,
            "Start along the line. In a gap that the record has too, lengths go on beyond the line's end (or are negative before its start).",
        ),
        C::number("to_mm", "mm", 3, "End along the line."),
        C::number(
            "length_mm",
            "mm",
            3,
            "Length along the line; a hole's diameter.",
        ),
        C::number("length_se_mm", "mm", 3, "Its standard error."),
        C::number("depth_mm", "mm", 3, "How far it reaches across the line."),
        C::number(
            "line_width_mm",
            "mm",
            3,
            "Width of the line there on this sheet.",
        ),
        C::integer("lines", "", "Lines it touches."),
        C::number(
            "ink_beside",
            "",
            2,
            "Ink of the line just beside it, on its paler side, as a share of the key's solid: well under 1 where the block took too little ink.",
        ),
        C::boolean(
            "in_record",
            "Whether the record's line has this gap too: the block had it when the record was made.",
        ),
        C::number("x_mm", "mm", 3, "Its middle in print coordinates, right."),
        C::number("y_mm", "mm", 3, "Its middle in print coordinates, up."),
        C::number(
            "u_mm",
            "mm",
            3,
            "On the block as it lies face up, right: -x.",
        ),
        C::number(
            "v_mm",
            "mm",
            3,
            "On the block as it lies face up, away from you: y.",
        ),
        C::number("scan_x_px", "px", 1, "Its middle in the scan, right."),
        C::number("scan_y_px", "px", 1, "Its middle in the scan, down."),
        C::number(
            "confidence",
            "",
            2,
            "How sure it is that this sheet shows what kind says, 0 to 1.",
        ),
    ];
    let mut sheet = vec![
        C::text("image", "Image, or whole."),
        C::integer("lines", "", "Lines of the record that were looked at."),
        C::integer("resolved", "", "Of these, wide enough and measured."),
        C::number(
            "seen_mm",
            "mm",
            1,
            "Length of lines on which a gap would have been seen.",
        ),
        C::number(
            "unseen_mm",
            "mm",
            1,
            "Length of lines the sheet does not show: under dark ink, joined by other lines, off the scan.",
        ),
        C::number(
            "sides_seen_mm",
            "mm",
            1,
            "Length of the lines' two sides on which a fill-in would have been seen: hollows of two and a half pixels and more, and of one and a half standard deviations of the blur, between two lines, and open ground.",
        ),
    ];
    metrics(
        &mut sheet,
        "Mean over the lines, as if all were seen, of the",
    );
    sheet.extend([
        C::integer("breaks", "", "Breaks."),
        C::number("broken_mm", "mm", 2, "Their length."),
        C::integer("nicks", "", "Nicks."),
        C::integer("holes", "", "Holes."),
        C::integer("fill_ins", "", "Fill-ins."),
        C::integer("pale", "", "Pale places."),
        C::integer("specks", "", "Specks."),
        C::number(
            "scan_blur_mm",
            "mm",
            4,
            "Standard deviation of the scan's blur, its pixels included.",
        ),
        C::number(
            "least_width_mm",
            "mm",
            4,
            "Detection limit: lines narrower than three pixels are unresolved.",
        ),
        C::number(
            "least_break_mm",
            "mm",
            3,
            "Detection limit: shortest break that leaves little enough ink, by the blur.",
        ),
    ]);
    let table = |name: &str, title: &str, columns| TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope: Scope::Sheet,
        internal: name == UNSEEN,
        columns,
    };
    vec![
        table(LINES, "Width, blur and raggedness of each key line", lines),
        table(
            SITES,
            "Breaks, nicks, holes, fill-ins and pale places of key lines",
            sites,
        ),
        table(SHEETS, "Wear of the key's lines by sheet and image", sheet),
        table(
            SOLIDS,
            "Retreat, blur and raggedness of each colour block's edges",
            solids(),
        ),
        table(
            UNSEEN,
            "Where a sheet does not tell, for summing up",
            vec![C::text(
                "unseen",
                "Stretches as JSON: line, from, to in mm.",
            )],
        ),
    ]
}

fn put(row: Row, name: &str, unit: &str, mean: Option<Mean>) -> Row {
    let ending = if unit.is_empty() {
        String::new()
    } else {
        format!("_{unit}")
    };
    row.set(&format!("{name}{ending}"), mean.map(|m| m.value))
        .set(&format!("{name}_se{ending}"), mean.map(|m| m.se))
}

/// The numbers of a line or of a sheet.
pub(crate) fn put_metrics(row: Row, m: &Metrics) -> Row {
    let row = put(row, "width_t50", "mm", m.t50);
    let row = put(row, "width_t60", "mm", m.t60);
    let row = put(row, "blur", "mm", m.blur);
    let row = put(row, "raggedness", "mm", m.ragged);
    put(row, "contrast", "", m.contrast)
}

/// A site's row. `pixel` in mm.
pub(crate) fn site_row(image: &str, f: &Found, pixel: f64) -> Row {
    let block = on_block(f.at);
    // Ends are oblique and blurred: about a third of a pixel each, and a share of the length.
    let se = (2.0 * (0.35 * pixel) * (0.35 * pixel) + (0.04 * f.length) * (0.04 * f.length)).sqrt();
    Row::new()
        .set("image", image)
        .set("kind", f.kind.name())
        .set("line", i64::from(f.line))
        .set("from_mm", f.from)
        .set("to_mm", f.to)
        .set("length_mm", f.length)
        .set("length_se_mm", se)
        .set("depth_mm", f.depth)
        .set("line_width_mm", f.width)
        .set("lines", f.lines)
        .set("ink_beside", f.ink)
        .set("in_record", f.recorded)
        .set("x_mm", f.at.x)
        .set("y_mm", f.at.y)
        .set("u_mm", block.x)
        .set("v_mm", block.y)
        .set("scan_x_px", f.px.x)
        .set("scan_y_px", f.px.y)
        .set("confidence", f.confidence)
}

/// Counts of the kinds into a sheet's row.
pub(crate) fn put_counts<'a>(row: Row, found: &(impl Iterator<Item = &'a Found> + Clone)) -> Row {
    let count = |kind: Kind| found.clone().filter(|f| f.kind == kind).count();
    let broken: f64 = found
        .clone()
        .filter(|f| f.kind == Kind::Break)
        .map(|f| f.length)
        .sum();
    row.set("breaks", count(Kind::Break))
        .set("broken_mm", broken)
        .set("nicks", count(Kind::Nick))
        .set("holes", count(Kind::Hole))
        .set("fill_ins", count(Kind::FillIn))
        .set("pale", count(Kind::Pale))
        .set("specks", count(Kind::Speck))
}
