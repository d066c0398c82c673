//! The stage's tables.

use restrike_stage::{Affine, ColumnSpec as C, Point, Row, Scope, TableSpec, Value};

use crate::analysis::{Findings, Found, Sheet};
use crate::metric::Side;
use crate::rectangle::{Angle, Corner};

pub(crate) const IMAGES: &str = "deskew";
pub(crate) const SHEETS: &str = "deskew_sheet";
pub(crate) const EDGES: &str = "deskew_edges";
pub(crate) const TEXTURE: &str = "deskew_signature";
pub(crate) const PAIRS: &str = "deskew_duplicates";

const CORNERS: [(&str, &str); 4] = [
    ("upper_left", "upper left"),
    ("upper_right", "upper right"),
    ("lower_right", "lower right"),
    ("lower_left", "lower left"),
];

fn corner_columns(prefix: &str, of: &str) -> Vec<C> {
    CORNERS
        .iter()
        .flat_map(|(name, words)| {
            [("x", "from the left"), ("y", "from the top")].map(|(axis, from)| {
                C::number(
                    &format!("{prefix}{name}_{axis}_px"),
                    "px",
                    3,
                    &format!("The {words} corner of {of}, scan pixels {from}."),
                )
            })
        })
        .collect()
}

/// Declarations of all tables.
pub(crate) fn specs() -> Vec<TableSpec> {
    let mut images = vec![
        C::text(
            "image",
            "Image on the sheet: whole, left, right, upper or lower.",
        ),
        C::number(
            "rotation_deg",
            "degree",
            5,
            "Turn of the print in the scan, counter-clockwise as seen; empty if it cannot be told.",
        ),
        C::number("rotation_se_deg", "degree", 5, "Its standard error."),
        C::text(
            "angle_source",
            "What the turn was measured on: border, paper or texture.",
        ),
        C::boolean("border_found", "Whether the printed border line was found."),
        C::integer(
            "border_sides",
            "",
            "Sides of the border that were followed, of 4.",
        ),
        C::text(
            "frame",
            "What print coordinates are tied to: the printed border, the paper's edges, or the middle of the scan.",
        ),
        C::number(
            "scale_x",
            "",
            6,
            "Measured over stated width of the border, by the resolution in force.",
        ),
        C::number("scale_x_se", "", 6, "Its standard error."),
        C::number(
            "scale_y",
            "",
            6,
            "Measured over stated height of the border, by the resolution in force.",
        ),
        C::number("scale_y_se", "", 6, "Its standard error."),
        C::number(
            "shear_deg",
            "degree",
            5,
            "Turn of the border's level sides less that of its upright sides: 0 for right angles.",
        ),
        C::number("shear_se_deg", "degree", 5, "Its standard error."),
        C::number(
            "taper_deg",
            "degree",
            5,
            "Largest difference in direction of two opposite sides of the border.",
        ),
        C::boolean(
            "distorted",
            "Whether shear or taper is more than 0.1 degree and three standard errors.",
        ),
    ];
    images.extend(corner_columns("", "the border's outer edge"));
    images.push(C::number(
        "corner_se_px",
        "px",
        3,
        "Largest standard error of these corners along one axis.",
    ));
    images.push(C::number(
        "line_width_mm",
        "mm",
        4,
        "Half-transition width of the border line, median over its sides.",
    ));
    for (k, (name, unit, words)) in [
        ("a", "mm/px", "x = a px + b py + c"),
        ("b", "mm/px", "x = a px + b py + c"),
        ("c", "mm", "x = a px + b py + c"),
        ("d", "mm/px", "y = d px + e py + f"),
        ("e", "mm/px", "y = d px + e py + f"),
        ("f", "mm", "y = d px + e py + f"),
    ]
    .into_iter()
    .enumerate()
    {
        let decimals = if k % 3 == 2 { 6 } else { 9 };
        images.push(C::number(
            &format!("to_print_{name}"),
            unit,
            decimals,
            &format!("From scan pixels (px, py) to print mm: {words}."),
        ));
    }
    images.push(C::text("remark", "What could not be told, and why."));

    let mut sheets = vec![
        C::integer(
            "paper_edges",
            "",
            "Edges of the sheet found on the bed, of 4.",
        ),
        C::text(
            "bed",
            "The bed against the paper: dark, light or none seen.",
        ),
        C::number(
            "sheet_rotation_deg",
            "degree",
            5,
            "Turn of the paper's edges, counter-clockwise as seen.",
        ),
        C::number("sheet_rotation_se_deg", "degree", 5, "Its standard error."),
        C::number(
            "sheet_width_mm",
            "mm",
            3,
            "Distance of the left and right edge, by the resolution in force.",
        ),
        C::number("sheet_width_se_mm", "mm", 3, "Its standard error."),
        C::number(
            "sheet_height_mm",
            "mm",
            3,
            "Distance of the lower and upper edge, by the resolution in force.",
        ),
        C::number("sheet_height_se_mm", "mm", 3, "Its standard error."),
        C::boolean(
            "size_agrees",
            "Whether the sheet's size is the stated one within the tolerance.",
        ),
        C::number(
            "sheet_shear_deg",
            "degree",
            5,
            "Turn of the sheet's level edges less that of its upright edges.",
        ),
    ];
    sheets.extend(corner_columns("sheet_", "the sheet"));
    sheets.push(C::number(
        "sheet_corner_se_px",
        "px",
        3,
        "Largest standard error of these corners along one axis.",
    ));
    sheets.push(C::number(
        "cut_off_mm",
        "mm",
        2,
        "How far the sheet reaches over the scan's border at most; 0 where all of it is shown.",
    ));
    sheets.push(C::number(
        "texture_rotation_deg",
        "degree",
        5,
        "Direction of lines of text or pattern, counter-clockwise.",
    ));
    sheets.push(C::number(
        "texture_rotation_se_deg",
        "degree",
        5,
        "Its standard error.",
    ));
    sheets.push(C::text("texture_remark", "Why there is no such direction."));
    sheets.push(C::number(
        "contrast",
        "",
        4,
        "Standard deviation of the absorption at scales of 1 to 15 mm.",
    ));
    sheets.push(C::text("identity", "same design, or not tested."));
    sheets.push(C::text("identity_remark", "Why it was not tested."));
    for (name, words) in RESPONSES {
        sheets.push(C::number(name, "", 3, &format!("Phase-correlation response to the learned design, {words} (1: the same, 0: unrelated).")));
    }

    vec![
        table(
            IMAGES,
            "Where each image lies, and the way from scan pixels to print millimetres",
            images,
            Scope::Sheet,
            false,
        ),
        table(SHEETS, "The sheet on the bed", sheets, Scope::Sheet, false),
        table(
            EDGES,
            "Every line that was followed",
            vec![
                C::text(
                    "image",
                    "Image whose border it is; sheet for an edge of the paper.",
                ),
                C::text("side", "left, top, right or bottom."),
                C::number(
                    "angle_deg",
                    "degree",
                    5,
                    "Turn of the line against its direction on a sheet that lies straight.",
                ),
                C::number("angle_se_deg", "degree", 5, "Its standard error."),
                C::number(
                    "place_se_px",
                    "px",
                    4,
                    "Standard error of its place across itself, at its middle.",
                ),
                C::number(
                    "residual_px",
                    "px",
                    4,
                    "Root mean square distance of the points from the line.",
                ),
                C::integer("points", "", "Places at which the edge was measured."),
                C::integer(
                    "points_kept",
                    "",
                    "Of these, the ones that lie on the line.",
                ),
                C::number(
                    "variance_factor",
                    "",
                    2,
                    "Factor by which the correlation of neighbouring points enlarges the variance.",
                ),
                C::number(
                    "width_mm",
                    "mm",
                    4,
                    "Half-transition width, of a border line.",
                ),
            ],
            Scope::Sheet,
            false,
        ),
        table(
            TEXTURE,
            "Fine texture, for finding an impression scanned twice",
            vec![C::text("texture", "2048 signed bytes, base64.")],
            Scope::Sheet,
            true,
        ),
        table(
            PAIRS,
            "Scans of one and the same impression",
            vec![
                C::integer("sheet", "", "The later scan's place in the sheet list."),
                C::text("file", "Its file."),
                C::integer(
                    "same_as_sheet",
                    "",
                    "The earlier scan's place in the sheet list.",
                ),
                C::text("same_as_file", "Its file."),
                C::number(
                    "texture_correlation",
                    "",
                    3,
                    "Correlation of their fine texture.",
                ),
            ],
            Scope::Run,
            false,
        ),
    ]
}

pub(crate) const RESPONSES: [(&str, &str); 4] = [
    ("response_as_is", "as it lies"),
    ("response_turned", "turned by 180 degrees"),
    ("response_mirrored", "mirrored left to right"),
    ("response_mirrored_turned", "mirrored and turned"),
];

fn table(name: &str, title: &str, columns: Vec<C>, scope: Scope, internal: bool) -> TableSpec {
    TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope,
        internal,
        columns,
    }
}

fn angle(row: Row, name: &str, se: &str, value: Option<Angle>) -> Row {
    row.set(name, value.map(|a| a.value.to_degrees()))
        .set(se, value.map(|a| a.se.to_degrees()))
}

fn pair(row: Row, name: &str, se: &str, value: Option<(f64, f64)>) -> Row {
    row.set(name, value.map(|a| a.0))
        .set(se, value.map(|a| a.1))
}

fn corners(mut row: Row, prefix: &str, places: [Option<Corner>; 4], sheet: &Sheet) -> Row {
    for ((name, _), corner) in CORNERS.iter().zip(places) {
        let p = corner.map(|c| sheet.metric.px_of(c.at));
        row = row
            .set(&format!("{prefix}{name}_x_px"), p.map(|p: Point| p.x))
            .set(&format!("{prefix}{name}_y_px"), p.map(|p| p.y));
    }
    let worst = places.iter().flatten().map(|c| c.se).fold(0.0, f64::max);
    let worst = places
        .iter()
        .any(Option::is_some)
        .then(|| worst / sheet.metric.pitch());
    row.set(&format!("{prefix}corner_se_px"), worst)
}

fn affine(mut row: Row, map: &Affine) -> Row {
    for (name, v) in ["a", "b", "c", "d", "e", "f"].iter().zip(map.0) {
        row = row.set(&format!("to_print_{name}"), v);
    }
    row
}

/// The row of one image.
pub(crate) fn image_row(found: &Found, sheet: &Sheet) -> Row {
    let shear = found.sides.shear().filter(|_| found.border.is_some());
    let taper = found.sides.taper().filter(|_| found.border.is_some());
    let far = |a: Option<Angle>| {
        a.is_some_and(|a| a.value.abs() > 0.1_f64.to_radians() && a.value.abs() > 3.0 * a.se)
    };
    let widths: Vec<f64> = found
        .border
        .iter()
        .flat_map(|b| b.lines.iter().flatten())
        .filter_map(|l| l.width)
        .collect();
    let mut row = Row::new()
        .set("image", found.name.as_str())
        .set("angle_source", text(found.angle_source))
        .set("border_found", found.border.is_some())
        .set(
            "border_sides",
            found.border.as_ref().map_or(0, |b| b.count()),
        )
        .set("frame", found.tied_to)
        .set("taper_deg", taper.map(|a| a.value.to_degrees()))
        // Measured by the scan's resolution, which the sheet's size contradicts.
        .set(
            "line_width_mm",
            restrike_ops::stats::median(&widths).filter(|_| !sheet.frame.rescaled()),
        )
        .set("remark", text(&found.remarks.join("; ")));
    if found.border.is_some() {
        row = row.set("distorted", far(shear) || far(taper));
    }
    row = angle(row, "rotation_deg", "rotation_se_deg", found.rotation);
    row = pair(row, "scale_x", "scale_x_se", found.scale[0]);
    row = pair(row, "scale_y", "scale_y_se", found.scale[1]);
    row = angle(row, "shear_deg", "shear_se_deg", shear);
    row = corners(row, "", found.corners, sheet);
    affine(row, &found.to_print)
}

fn text(words: &str) -> Value {
    if words.is_empty() {
        Value::Null
    } else {
        Value::from(words)
    }
}

/// What is known of the sheet's identity.
pub(crate) struct Identity {
    pub(crate) words: &'static str,
    /// Why it was not tested.
    pub(crate) why: Option<&'static str>,
    pub(crate) responses: Option<[f64; 4]>,
    pub(crate) contrast: Option<f64>,
}

/// The row of the sheet.
pub(crate) fn sheet_row(sheet: &Sheet, findings: &Findings, identity: &Identity) -> Row {
    let light = sheet
        .outline
        .edges
        .iter()
        .flatten()
        .filter(|e| e.step < 0.0)
        .count();
    let bed = match (sheet.paper.count(), light) {
        (0, _) => "none seen",
        (n, l) if 2 * l > n => "light",
        _ => "dark",
    };
    let cut = sheet.cut.map(|c| c.iter().copied().fold(0.0, f64::max));
    let mut row = Row::new()
        .set("paper_edges", sheet.paper.count())
        .set("bed", bed)
        .set("size_agrees", sheet.size_agrees)
        .set(
            "sheet_shear_deg",
            sheet.paper.shear().map(|a| a.value.to_degrees()),
        )
        .set("cut_off_mm", cut)
        .set("contrast", identity.contrast)
        .set("identity", identity.words)
        .set("identity_remark", identity.why);
    row = angle(
        row,
        "sheet_rotation_deg",
        "sheet_rotation_se_deg",
        sheet.paper.rotation(),
    );
    row = pair(
        row,
        "sheet_width_mm",
        "sheet_width_se_mm",
        sheet.paper.extent(true),
    );
    row = pair(
        row,
        "sheet_height_mm",
        "sheet_height_se_mm",
        sheet.paper.extent(false),
    );
    row = corners(row, "sheet_", sheet.paper.corners(), sheet);
    row = angle(
        row,
        "texture_rotation_deg",
        "texture_rotation_se_deg",
        findings.texture.as_ref().ok().copied(),
    );
    if let Err(why) = &findings.texture {
        row = row.set("texture_remark", why.as_str());
    }
    for (k, (name, _)) in RESPONSES.iter().enumerate() {
        row = row.set(name, identity.responses.map(|r| r[k]));
    }
    row
}

/// Rows of all lines that were followed.
pub(crate) fn edge_rows(sheet: &Sheet, findings: &Findings) -> Vec<Row> {
    let pitch = sheet.metric.pitch();
    let mut rows = Vec::new();
    let mut push =
        |image: &str, rect: &crate::rectangle::Rectangle, side: Side, width: Option<f64>| {
            let Some(line) = rect.side(side) else { return };
            let row = Row::new()
                .set("image", image)
                .set("side", side.name())
                .set("place_se_px", line.offset_se / pitch)
                .set("residual_px", line.rms / pitch)
                .set("points", line.given)
                .set("points_kept", line.kept)
                .set("variance_factor", line.correlation)
                .set("width_mm", width);
            rows.push(angle(row, "angle_deg", "angle_se_deg", rect.turn_of(side)));
        };
    for side in Side::ALL {
        push("sheet", &sheet.paper, side, None);
    }
    for found in &findings.images {
        let Some(border) = &found.border else {
            continue;
        };
        let rect = border.rectangle(pitch);
        for side in Side::ALL {
            let width = border.lines[side as usize].and_then(|l| l.width);
            push(&found.name, &rect, side, width);
        }
    }
    rows
}
