//! The stage's tables about sheets.

use restrike_stage::{ColumnSpec as C, Row, Scope, TableSpec};

use crate::basis::Basis;
use crate::joint::Fitted;
use crate::located::{Located, NINETY, direction};
use crate::off::Worst;
use crate::record::Known;
use crate::state::MOST_VEIL;

pub(crate) const BLOCKS: &str = "registration";
pub(crate) const SHEETS: &str = "registration_sheet";

/// Declarations.
pub(crate) fn specs() -> Vec<TableSpec> {
    let number = C::number;
    let mut out = vec![
        TableSpec {
            name: BLOCKS.to_owned(),
            title: "Where each colour block landed against the key".to_owned(),
            scope: Scope::Sheet,
            internal: false,
            columns: vec![
                C::text(
                    "image",
                    "Image it was measured on: whole for all of the sheet, or left, right, upper, lower.",
                ),
                C::text("block", "The block."),
                C::text(
                    "basis",
                    "absolute: against the key, the zero found where the block's outline runs in the key's lines; relative to reference: against the first reference impression; relative to proof: against its proof as laid by the paper's edges.",
                ),
                C::boolean(
                    "identified",
                    "Whether the sheet tells closely where the block is. If not, see why: a number that stands here all the same is as good as its error says; without one take the intervals only.",
                ),
                C::text("why", "Why it is not identified."),
                number(
                    "shift_x_mm",
                    "mm",
                    4,
                    "Shift to the right at the middle of what the block prints on the image.",
                ),
                number(
                    "shift_x_se_mm",
                    "mm",
                    4,
                    "Its standard error from measuring.",
                ),
                number("shift_y_mm", "mm", 4, "Shift upwards at that middle."),
                number(
                    "shift_y_se_mm",
                    "mm",
                    4,
                    "Its standard error from measuring.",
                ),
                number(
                    "zero_se_mm",
                    "mm",
                    4,
                    "Standard error of the zero at that middle: the same on every sheet, it does not average out.",
                ),
                number(
                    "zero_theta_se_mrad",
                    "mrad",
                    4,
                    "The same for the turn: the block's and the paper's own bend is in it, which a narrow block shows as a turn.",
                ),
                number(
                    "zero_stretch_x_se_permille",
                    "permille",
                    3,
                    "The same for the stretch along x.",
                ),
                number(
                    "zero_stretch_y_se_permille",
                    "permille",
                    3,
                    "The same for the stretch along y.",
                ),
                number("zero_shear_se_mrad", "mrad", 4, "The same for the shear."),
                number(
                    "zero_at_x_mm",
                    "mm",
                    2,
                    "The middle of all that the block prints, where it should print, from the sheet's centre to the right: the zero's shift there, its turn and its stretch err independently.",
                ),
                number("zero_at_y_mm", "mm", 2, "The same upwards."),
                number(
                    "zero_at_se_mm",
                    "mm",
                    4,
                    "Standard error of the zero's shift there.",
                ),
                number(
                    "middle_x_mm",
                    "mm",
                    2,
                    "The middle of what the block prints on the image, where it should print, from the sheet's centre to the right.",
                ),
                number("middle_y_mm", "mm", 2, "The same upwards."),
                number(
                    "dx_mm",
                    "mm",
                    4,
                    "Shift to the right at the sheet's centre.",
                ),
                number("dy_mm", "mm", 4, "Shift upwards at the sheet's centre."),
                number("theta_mrad", "mrad", 4, "Turn, counter-clockwise."),
                number(
                    "stretch_x_permille",
                    "permille",
                    3,
                    "Stretch along x against the key.",
                ),
                number(
                    "stretch_y_permille",
                    "permille",
                    3,
                    "Stretch along y against the key.",
                ),
                number(
                    "shear_mrad",
                    "mrad",
                    4,
                    "Shear: half of what the right angle between x and y has lost.",
                ),
                number("dx_se_mm", "mm", 4, "Standard error of dx from measuring."),
                number("dy_se_mm", "mm", 4, "Standard error of dy from measuring."),
                number(
                    "theta_se_mrad",
                    "mrad",
                    4,
                    "Standard error of the turn from measuring.",
                ),
                number(
                    "stretch_x_se_permille",
                    "permille",
                    3,
                    "Standard error of the stretch along x.",
                ),
                number(
                    "stretch_y_se_permille",
                    "permille",
                    3,
                    "Standard error of the stretch along y.",
                ),
                number(
                    "shear_se_mrad",
                    "mrad",
                    4,
                    "Standard error of the shear from measuring.",
                ),
                number("cov_dx_dy_mm2", "mm2", 9, "Covariance of dx and dy."),
                number(
                    "cov_dx_theta",
                    "mm mrad",
                    9,
                    "Covariance of dx and the turn.",
                ),
                number(
                    "cov_dy_theta",
                    "mm mrad",
                    9,
                    "Covariance of dy and the turn.",
                ),
                number(
                    "dx_low_mm",
                    "mm",
                    4,
                    "Lower end of the 90 % interval of dx, zero included; where the place found is not believed, as far as was looked about it.",
                ),
                number("dx_high_mm", "mm", 4, "Upper end of it."),
                number(
                    "dy_low_mm",
                    "mm",
                    4,
                    "Lower end of the 90 % interval of dy, zero included.",
                ),
                number("dy_high_mm", "mm", 4, "Upper end of it."),
                number(
                    "retreat_mm",
                    "mm",
                    4,
                    "How far the block's edges stand back from those of its proof: wear, or less ink; negative if they have grown.",
                ),
                number("retreat_se_mm", "mm", 4, "Its standard error."),
                number(
                    "strength",
                    "",
                    3,
                    "How much ink there is, roughly: 1 is the proof's solid, whatever colour of ink was taken here. Colour-separation measures it, with an error.",
                ),
                number(
                    "veil",
                    "",
                    4,
                    "Body of its ink: about the share of the light that a solid of it gives back over black (Kubelka and Munk's S X over the paper's reflectance); it lightens the key and what was printed before. Under twice its standard error it is none, under 0.02 a scanner's flare looks the same; 0.3 stands for 0.3 and more.",
                ),
                number(
                    "veil_se",
                    "",
                    4,
                    "Its standard error; empty where the veil is 0.3 and more.",
                ),
                number(
                    "pieces",
                    "",
                    1,
                    "Pieces of the sheet (6 mm square) that show its edges, counted by what they tell.",
                ),
                number(
                    "fitting",
                    "",
                    3,
                    "Share of what the block's edges tell that fits the place found; the rest is set aside.",
                ),
                C::text("weakest", "The direction that is seen worst."),
                number(
                    "weakest_deg",
                    "degree",
                    1,
                    "That direction, counter-clockwise from left-right.",
                ),
                number("weakest_se_mm", "mm", 4, "Standard error along it."),
                number(
                    "area_se_mm",
                    "mm",
                    4,
                    "Standard error of the block's displacement, root mean square over what it prints: shift, turn, stretch and shear together.",
                ),
                number(
                    "off_mm",
                    "mm",
                    4,
                    "How far the block is off at worst over what it prints on the image: the length of its displacement where that is longest.",
                ),
                number("off_se_mm", "mm", 4, "Its standard error, zero included."),
                number(
                    "off_low_mm",
                    "mm",
                    4,
                    "Lower end of its 90 % interval, zero included.",
                ),
                number("off_high_mm", "mm", 4, "Upper end of it."),
                number("off_right_mm", "mm", 4, "That displacement to the right."),
                number("off_up_mm", "mm", 4, "The same upwards."),
                number(
                    "off_at_x_mm",
                    "mm",
                    1,
                    "Where it is that far off, from the sheet's centre to the right.",
                ),
                number("off_at_y_mm", "mm", 1, "The same upwards."),
                C::text(
                    "off_by",
                    "The image whose fit it is from: whole where a half's own tells no place; `nothing printed` where the block prints nothing on the image.",
                ),
            ],
        },
        TableSpec {
            name: SHEETS.to_owned(),
            title: "How the sheet as a whole was fitted".to_owned(),
            scope: Scope::Sheet,
            internal: false,
            columns: vec![
                number(
                    "key_shift_x_mm",
                    "mm",
                    4,
                    "Shift of the key's print against the frame that deskew gave, at the sheet's centre.",
                ),
                number("key_shift_y_mm", "mm", 4, "The same upwards."),
                number(
                    "key_turn_mrad",
                    "mrad",
                    4,
                    "Turn of the key's print against that frame.",
                ),
                number(
                    "key_stretch_x_permille",
                    "permille",
                    3,
                    "Stretch of the key's print along x against the record: paper, and the scanner's scale.",
                ),
                number("key_stretch_y_permille", "permille", 3, "The same along y."),
                number(
                    "key_bend_mm",
                    "mm",
                    4,
                    "Largest bending of the key's print at the sheet's edge.",
                ),
                number(
                    "key_retreat_mm",
                    "mm",
                    4,
                    "How far the key's edges stand back from its proof's; negative if its lines have grown.",
                ),
                number("blur_px", "px", 3, "Standard deviation of the scan's blur."),
                number(
                    "misfit",
                    "",
                    2,
                    "Root mean square residual over the expected: 1 where the layered model explains the sheet.",
                ),
                C::integer("edge_pixels", "", "Pixels the fit rests on."),
            ],
        },
    ];
    out.push(crate::placement::spec());
    out.extend(crate::marks::tables());
    out
}

/// The row of a block on an image.
///
/// `ink`: its strength, and its veil with the standard error. `off`: how far off it is at worst, and by
/// which image's fit.
pub(crate) fn block_row(
    image: &str,
    block: &Known,
    l: &Located,
    ink: (f64, Option<(f64, f64)>),
    off: &Worst<'_>,
) -> Row {
    let (by, off) = match off {
        Worst::Unknown => (None, None),
        Worst::PrintsNothing => (Some("nothing printed"), None),
        Worst::Off(off, by) => (Some(*by), Some(off)),
    };
    let se = |i: usize| l.covariance[i][i].max(0.0).sqrt();
    let half = |i: usize| {
        let spread = l.covariance[i][i] + l.zero_se[i] * l.zero_se[i];
        (NINETY * spread.max(0.0).sqrt()).max(l.lost.unwrap_or(0.0))
    };
    let ok = l.reason.is_none();
    let told = l.given();
    // Where the edges that are seen tell nothing there are no bounds either.
    let measured = !block.layer.parted || l.lost.is_none();
    let bounded = |v: f64| measured.then_some(v);
    let given = |v: f64| told.then_some(v);
    let basis = Basis::of_zero(&block.part.zero).name();
    let words = if l.middle_se[0].max(l.middle_se[1]) > 2.0 * l.middle_se[0].min(l.middle_se[1]) {
        format!("sees {} worst", direction(l.weakest.0))
    } else {
        "sees all directions alike".to_owned()
    };
    Row::new()
        .set("image", image)
        .set("block", block.part.name.as_str())
        .set("basis", basis)
        .set("identified", ok)
        .set("why", l.reason.clone())
        .set("shift_x_mm", given(l.middle.x))
        .set("shift_x_se_mm", bounded(l.middle_se[0]))
        .set("shift_y_mm", given(l.middle.y))
        .set("shift_y_se_mm", bounded(l.middle_se[1]))
        .set("zero_se_mm", l.zero_middle_se)
        .set("zero_theta_se_mrad", 1000.0 * l.zero_se[2])
        .set("zero_stretch_x_se_permille", 1000.0 * l.zero_se[3])
        .set("zero_stretch_y_se_permille", 1000.0 * l.zero_se[4])
        .set("zero_shear_se_mrad", 1000.0 * l.zero_se[5])
        .set("zero_at_x_mm", l.zero_at.x)
        .set("zero_at_y_mm", l.zero_at.y)
        .set("zero_at_se_mm", l.zero_at_se)
        .set("middle_x_mm", l.at.x)
        .set("middle_y_mm", l.at.y)
        .set("dx_mm", given(l.motion[0]))
        .set("dy_mm", given(l.motion[1]))
        .set("theta_mrad", given(1000.0 * l.motion[2]))
        .set("stretch_x_permille", given(1000.0 * l.motion[3]))
        .set("stretch_y_permille", given(1000.0 * l.motion[4]))
        .set("shear_mrad", given(1000.0 * l.motion[5]))
        .set("dx_se_mm", bounded(se(0)))
        .set("dy_se_mm", bounded(se(1)))
        .set("theta_se_mrad", bounded(1000.0 * se(2)))
        .set("stretch_x_se_permille", bounded(1000.0 * se(3)))
        .set("stretch_y_se_permille", bounded(1000.0 * se(4)))
        .set("shear_se_mrad", bounded(1000.0 * se(5)))
        .set("cov_dx_dy_mm2", bounded(l.covariance[0][1]))
        .set("cov_dx_theta", bounded(1000.0 * l.covariance[0][2]))
        .set("cov_dy_theta", bounded(1000.0 * l.covariance[1][2]))
        .set("dx_low_mm", bounded(l.motion[0] - half(0)))
        .set("dx_high_mm", bounded(l.motion[0] + half(0)))
        .set("dy_low_mm", bounded(l.motion[1] - half(1)))
        .set("dy_high_mm", bounded(l.motion[1] + half(1)))
        .set("retreat_mm", given(l.retreat.0))
        .set("retreat_se_mm", bounded(l.retreat.1))
        .set("strength", given(ink.0))
        .set("veil", ink.1.and_then(|v| given(v.0)))
        .set(
            "veil_se",
            ink.1.filter(|v| v.0 < MOST_VEIL).and_then(|v| given(v.1)),
        )
        .set("pieces", bounded(l.pieces))
        .set("fitting", bounded(l.fitting))
        .set("weakest", measured.then_some(words))
        .set("weakest_deg", bounded(l.weakest.0))
        .set("weakest_se_mm", bounded(l.weakest.1))
        .set("area_se_mm", bounded(l.area_se))
        .set("off_mm", off.map(|o| o.length))
        .set("off_se_mm", off.map(|o| o.se))
        .set("off_low_mm", off.map(|o| o.interval[0]))
        .set("off_high_mm", off.map(|o| o.interval[1]))
        .set("off_right_mm", off.map(|o| o.by.x))
        .set("off_up_mm", off.map(|o| o.by.y))
        .set("off_at_x_mm", off.map(|o| o.at.x))
        .set("off_at_y_mm", off.map(|o| o.at.y))
        .set("off_by", by)
}

/// The row of a block of which the record holds no shape.
pub(crate) fn unknown_row(image: &str, block: &str) -> Row {
    Row::new()
        .set("image", image)
        .set("block", block)
        .set("basis", Basis::Reference.name())
        .set("identified", false)
        .set(
            "why",
            "the record holds no shape of it: list a scan of a proof of this block alone with the role `proof:BLOCK`",
        )
}

/// The row of the sheet.
pub(crate) fn sheet_row(fit: &Fitted, blur_px: f64, sites: usize) -> Row {
    let s = &fit.state;
    let k = &s.key;
    let bend = [&k[3..6], &k[9..12]]
        .iter()
        .map(|v| v.iter().map(|v| v.abs()).sum::<f64>())
        .fold(0.0, f64::max);
    Row::new()
        .set("key_shift_x_mm", k[0])
        .set("key_shift_y_mm", k[6])
        .set("key_turn_mrad", 500.0 * (k[7] - k[2]) / s.half)
        .set("key_stretch_x_permille", 1000.0 * k[1] / s.half)
        .set("key_stretch_y_permille", 1000.0 * k[8] / s.half)
        .set("key_bend_mm", bend)
        .set("key_retreat_mm", s.retreat[s.key_at])
        .set("blur_px", blur_px)
        .set("misfit", fit.chi)
        .set("edge_pixels", sites)
}
