//! The sheet's placement for the stages that follow: where every block lies in the scan.

use nalgebra::Vector3;
use restrike_ops::placement::{BlockPlace, Placement};
use restrike_stage::{Affine, ColumnSpec as C, Scope, TableSpec};

use crate::align::Aligned;
use crate::joint::Fitted;
use crate::layers::BODY;
use crate::located::Located;
use crate::record::Known;

/// Standard error over what a block prints up to which other stages read the scan at its edges, mm.
const READ_MM: f64 = 0.02;

/// Name of the table.
pub(crate) const TABLE: &str = "placement";

/// Declaration.
pub(crate) fn spec() -> TableSpec {
    TableSpec {
        name: TABLE.to_owned(),
        title: "Where every block lies in the scan, for the stages that follow".to_owned(),
        scope: Scope::Sheet,
        internal: true,
        columns: vec![C::text(
            "placement",
            "The map from scan pixels to each block's own coordinates, local paper and strengths, as JSON.",
        )],
    }
}

/// A veil is of an ink with body from so many standard errors on.
const CLEARLY: f64 = 2.0;

/// A block's veil, 0 where it may be none, and how far it may be off.
fn shown_veil(fit: &Fitted, n: usize) -> (f64, f64) {
    match fit.veil(n) {
        Some((veil, se)) if veil > (CLEARLY * se).max(BODY) => (veil, se),
        // What is taken for none may be as much as was found.
        Some((veil, se)) => (0.0, libm::hypot(veil, se)),
        None => (0.0, 0.0),
    }
}

/// How much of the record's ink this ink is, whatever its colour: so strength 1 is the record's
/// solid on every sheet.
pub(crate) fn solids(ink: [f64; 3], block: &Known) -> f64 {
    let record = Vector3::from(block.layer.absorption).norm();
    let size = Vector3::from(ink).norm();
    if record > 0.0 && size > 0.0 {
        size / record
    } else {
        1.0
    }
}

/// The placement of a fitted sheet.
///
/// `found`: by block, where it lies on the whole sheet.
pub(crate) fn of(
    aligned: &Aligned,
    known: &[Known],
    found: &[Option<Located>],
    to_print: &Affine,
) -> Placement {
    let state = &aligned.whole.state;
    let blocks = known
        .iter()
        .enumerate()
        .map(|(n, block)| {
            let l = found[n].as_ref();
            let ink = aligned.layers[n].absorption;
            let solids = solids(ink, block);
            let (veil, veil_se) = l
                .filter(|l| l.given())
                .map_or((0.0, 0.0), |_| shown_veil(&aligned.whole, n));
            BlockPlace {
                name: block.part.name.clone(),
                key: n == state.key_at,
                why: l
                    .filter(|l| !l.given() || l.area_se > READ_MM)
                    .and_then(|l| l.reason.clone()),
                ride: state.rides[n],
                se_mm: l.map_or(Some(0.0), |l| l.given().then_some(l.area_se)),
                retreat_mm: state.retreat[n],
                strength: state.strength[n] * solids,
                veil,
                veil_se,
                absorption: ink.map(|a| a / solids),
                local_strength: aligned.local.strength_field(n),
            }
        })
        .collect();
    Placement {
        to_print: *to_print,
        key: state.key,
        half: state.half,
        blur_px: aligned.blur_px,
        paper: aligned.local.paper_fields(),
        blocks,
    }
}
