//! The tables of a pair.

use restrike_model::{ColumnSpec, Scope, TableSpec, Value};
use restrike_ops::image_match::NoMatch;

use super::{Found, Input, name, said};

/// One row: what the two are to each other, and why.
pub(super) fn pair_spec() -> TableSpec {
    let number = ColumnSpec::number;
    let integer = |n: &str, d: &str| ColumnSpec::integer(n, "", d);
    TableSpec {
        name: "pair".into(),
        title: "What two scans are to each other".into(),
        scope: Scope::Run,
        internal: false,
        columns: vec![
            ColumnSpec::text("first", "File of the first scan."),
            ColumnSpec::text("second", "File of the second scan."),
            ColumnSpec::text("relation", "What they are to each other, in words."),
            ColumnSpec::text("reason", "Why they were not aligned; empty if they were."),
            number(
                "scale",
                "",
                5,
                "Pixels of the second scan to one of the first.",
            ),
            number(
                "turn_deg",
                "degrees",
                3,
                "Turn of the second scan against the first, clockwise as seen.",
            ),
            integer(
                "map_degree",
                "Degree of the polynomial that maps one scan to the other: 1 is affine, 3 bends as \
                 a lens does.",
            ),
            number(
                "overlap_pct",
                "%",
                1,
                "Share of the first scan that the second shows.",
            ),
            integer("matches", "Features of both scans that agree on one map."),
            number(
                "log10_chance",
                "",
                1,
                "Decimal logarithm of the number of equally good agreements of features expected \
                 between unrelated scans.",
            ),
            integer("tiles", "Tiles of drawing that lie in both scans."),
            integer(
                "tiles_agreeing",
                "Of them, those that agree (correlation of 0.5 or more).",
            ),
            number(
                "agreeing_by_chance_pct",
                "%",
                1,
                "Share of tiles that would agree with an unrelated place of the other scan.",
            ),
            number("correlation", "", 3, "Median correlation of the tiles."),
            number(
                "spread_px",
                "px",
                3,
                "How far nine of ten agreeing tiles lie from the smooth map at most, pixels of the \
                 coarser scan.",
            ),
            number(
                "texture_correlation",
                "",
                3,
                "Correlation of the texture of bare paper, bands of 3 to 9 pixels.",
            ),
            number(
                "grain_correlation",
                "",
                3,
                "Correlation of the finest grain of bare paper, noise included.",
            ),
            number(
                "texture_share",
                "",
                3,
                "Share of that band's variance that white noise does not account for, lesser of both.",
            ),
            integer(
                "calm_patches",
                "Patches of bare paper the textures were compared on.",
            ),
            integer("differences", "Regions that differ."),
            number(
                "limit_delta_e",
                "",
                2,
                "CIEDE2000 from which a region differs in this pair: the median and six of its \
                 standard deviations, at least 5.",
            ),
            number(
                "median_delta_e",
                "",
                2,
                "Median CIEDE2000 over what both show of their sheets.",
            ),
            number(
                "scatter_delta_e",
                "",
                2,
                "Scatter about it, a standard deviation that outliers do not move.",
            ),
            ColumnSpec::text("limit_why", "Why the limit is what it is."),
        ],
    }
}

/// The row.
pub(super) fn pair_row(inputs: &[Input<'_>; 2], found: &Result<Found, NoMatch>) -> Vec<Value> {
    let [a, b] = [0, 1].map(|i| name(inputs[i].path));
    let reason = found.as_ref().err().map(ToString::to_string);
    let mut row: Vec<Value> = vec![
        a.into(),
        b.into(),
        said(inputs, found).into(),
        reason.into(),
    ];
    match found {
        Ok(f) => {
            let (m, e, t) = (&f.matched, &f.matched.evidence, &f.texture);
            row.extend([
                m.scale.into(),
                m.turn_deg.into(),
                i64::from(m.map.degree()).into(),
                (100.0 * m.overlap).into(),
                e.matches.into(),
                e.log10_chance.into(),
                e.tiles.into(),
                e.agreeing.into(),
                (100.0 * e.agreeing_by_chance).into(),
                e.correlation.into(),
                m.spread_px.into(),
                t.fine.into(),
                t.finest.into(),
                t.texture_share.into(),
                t.places.into(),
                f.list.len().into(),
                f.map.limit.into(),
                f.map.median.into(),
                f.map.scatter.into(),
                f.map.why().into(),
            ]);
        }
        Err(refused) => {
            let e = refused.evidence();
            row.extend([Value::Null, Value::Null, Value::Null, Value::Null]);
            row.extend([
                e.matches.into(),
                e.log10_chance.into(),
                e.tiles.into(),
                e.agreeing.into(),
                (100.0 * e.agreeing_by_chance).into(),
                e.correlation.into(),
            ]);
            row.extend(vec![Value::Null; 10]);
        }
    }
    row
}

/// A row for each region that differs.
pub(super) fn difference_spec() -> TableSpec {
    let number = ColumnSpec::number;
    TableSpec {
        name: "pair_differences".into(),
        title: "Regions that differ, the strongest first".into(),
        scope: Scope::Run,
        internal: false,
        columns: vec![
            ColumnSpec::integer(
                "number",
                "",
                "Number in the picture, the greatest size times area first.",
            ),
            ColumnSpec::text(
                "kind",
                "`darker` or `lighter` in the second scan; `colour` where the hue or chroma \
                 changed more than the lightness.",
            ),
            number(
                "x_px",
                "px",
                1,
                "Centre in the first scan, from its left edge.",
            ),
            number(
                "y_px",
                "px",
                1,
                "Centre in the first scan, from its top edge.",
            ),
            number(
                "width_px",
                "px",
                0,
                "Extent across, pixels of the first scan.",
            ),
            number(
                "height_px",
                "px",
                0,
                "Extent down, pixels of the first scan.",
            ),
            number(
                "area_mm2",
                "mm2",
                3,
                "Area; empty where no resolution of the first scan is known.",
            ),
            number(
                "delta_e",
                "",
                2,
                "Median CIEDE2000, after a local shift was allowed for.",
            ),
            number(
                "lightness",
                "",
                2,
                "Median change of L*, second less first.",
            ),
            number("colour", "", 2, "Median distance in a* and b*."),
        ],
    }
}

/// The rows.
#[allow(clippy::cast_precision_loss)]
pub(super) fn difference_rows(f: &Found, mm: Option<f64>) -> Vec<Vec<Value>> {
    let k = f.laid.factor as f64;
    f.list
        .iter()
        .zip(1_i64..)
        .map(|(d, number)| {
            let (x, y) = d.region.centre();
            let [l, t, r, b] = d.region.bounds();
            let area = mm.map(|mm| d.region.pixels.len() as f64 * (k * mm) * (k * mm));
            vec![
                number.into(),
                d.change.word().into(),
                (x * k).into(),
                (y * k).into(),
                ((r - l + 1) as f64 * k).into(),
                ((b - t + 1) as f64 * k).into(),
                area.into(),
                d.delta_e.into(),
                d.lightness.into(),
                d.colour.into(),
            ]
        })
        .collect()
}
