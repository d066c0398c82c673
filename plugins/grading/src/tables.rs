//! The stage's tables.

use restrike_stage::{ColumnSpec as C, Impression, Row, Scope, TableSpec, Value};

use crate::cut::Cut;
use crate::grade::Standing;
use crate::order::{Counts, Forecast, Yield};
use crate::settings::{IntervalKind, Of, Order};
use crate::stage::{GradedImage, GradedSheet};
use crate::tolerance::Finding;
use crate::words;
use restrike_stage::figures::{figure, six_digits};

pub(crate) const GRADES: &str = "grading";
pub(crate) const REASONS: &str = "grading_reasons";
pub(crate) const CUTS: &str = "grading_cut";
pub(crate) const YIELDS: &str = "grading_yield";
pub(crate) const ORDERS: &str = "grading_order";

/// A number of six significant digits in the unit its row says.
fn number(name: &str, unit: &str, description: &str) -> C {
    C::any_size(name, unit, description)
}

fn leading() -> Vec<C> {
    vec![
        C::integer("sheet", "", "Place in the sheet list, from 1."),
        C::text("file", "The scan's file."),
        C::text("impression", "The impression's own name or number."),
        C::text("edition", "Edition it belongs to."),
        C::integer("position", "", "Place in the stack, from 1."),
    ]
}

/// Declarations of all tables.
pub(crate) fn specs() -> Vec<TableSpec> {
    let mut grades = leading();
    grades.extend([
        C::text("image", "whole for the sheet as a whole (its worst image), or left, right, upper, lower."),
        C::text("grade", "pass, second, reject, look again (the numbers leave more than one grade open, or are missing), or not counted (a second scan of another sheet)."),
        C::text("at_best", "Best grade that the numbers leave open."),
        C::text("at_worst", "Worst grade that the numbers leave open."),
        C::integer("checked", "", "Tolerances looked at, block by block."),
        C::integer("outside", "", "Those not kept for certain."),
        C::integer("unsure", "", "Those whose value reaches over its limit with its uncertainty."),
        C::integer("not_measured", "", "Those without a value."),
        C::text(
            BY_REFERENCE,
            "Blocks whose register is known against the first reference impression only, not against the key.",
        ),
        C::text("reasons", "All reasons with their numbers, the gravest first."),
    ]);
    let mut reasons = leading();
    reasons.extend([
        C::text("image", "Image it is about."),
        C::text("finding", "outside, unsure (the value reaches over a limit with its uncertainty) or not measured."),
        C::text("leads_to", "second, reject or look again: what being outside leads to."),
        C::text("tolerance", "What the tolerance is called."),
        C::text("table", "Table the value is from."),
        C::text("column", "Its column; register_mm is how far the block is off, at worst over what it prints on the image or at its own middle; none where rows are counted."),
        C::text("block", "The block, where the table has that column."),
        C::text("unit", "Unit of the numbers in this row."),
        number("value", "", "The value; of several rows the worst."),
        number("value_se", "", "Its standard error, where one is known."),
        number("value_low", "", "Lower end of the interval in which it is taken to lie."),
        number("value_high", "", "Upper end of it."),
        number("limit_low", "", "Least value that is inside."),
        number("limit_high", "", "Largest value that is inside."),
        C::integer("rows", "", "Rows of the sheet it was chosen from."),
        C::integer("rows_outside", "", "How many of them are outside."),
        C::text("note", "What the cell says, where on the image, or why there is no value."),
        C::text("words", "The reason in a sentence."),
    ]);
    let mut cuts = leading();
    cuts.extend([
        C::text("keep", "Images that pass."),
        C::text("seconds", "Images of second quality."),
        C::text(
            "look_again",
            "Images to be looked at again before they are cut or thrown away.",
        ),
        C::text("discard", "Images that are rejected."),
        C::text("words", "The same in a few words."),
        C::text(
            "why",
            "The gravest reason of each image that is not kept, or why the sheet is not counted.",
        ),
    ]);
    let pct = |name: &str, description: &str| C::number(name, "%", 1, description);
    let yields = vec![
        C::text("edition", "The edition."),
        C::text(
            "of",
            "sheets (good all over), copies (images of all sheets), or an image's name.",
        ),
        C::integer("pass", "", "How many pass."),
        C::integer("second", "", "How many are of second quality."),
        C::integer("reject", "", "How many are rejected."),
        C::integer("look_again", "", "How many are to be looked at again."),
        C::integer(
            "not_measured",
            "",
            "Of those to be looked at again, how many lack a number that decides: blank or wrong sheets, blocks not identified.",
        ),
        C::integer(
            "not_counted",
            "",
            "Second scans of other sheets, which count nowhere.",
        ),
        pct(
            "yield_pct",
            "Share that passes. One to be looked at again counts by the chance that all that is in doubt lies inside its limits; where a number is missing it is left out.",
        ),
        pct(
            "yield_low_pct",
            "Lower end of its interval if none of those to be looked at again passes.",
        ),
        pct(
            "yield_high_pct",
            "Upper end of its interval if all of them do that may.",
        ),
        C::text("interval", "Kind and confidence of the interval."),
        pct(
            "yield_least_pct",
            "Share that passes of all if none of those to be looked at again does.",
        ),
        pct("yield_most_pct", "The same if all of them do that may."),
        C::text("reason", "Why there is no yield."),
        C::text("words", "The finding in a sentence."),
    ];
    let orders = vec![
        C::text("edition", "The edition that is being printed."),
        C::text("of", "What is counted: copies or sheets."),
        C::integer("wanted", "", "Good ones wanted."),
        C::integer(
            "good",
            "",
            "Good ones there are, those to be looked at again left out.",
        ),
        C::integer("still_wanted", "", "Good ones still wanted."),
        C::number(
            "pilot_good",
            "",
            1,
            "Good ones the forecast rests on, those to be looked at again by their chances.",
        ),
        C::integer(
            "pilot",
            "",
            "Those that were measured; of two-up sheets, where both halves were.",
        ),
        C::number(
            "good_per_sheet",
            "",
            3,
            "Good ones a sheet gives on average.",
        ),
        C::integer(
            "sheets_to_print",
            "",
            "More sheets to print to have them with that confidence.",
        ),
        C::integer(
            "sheets_to_print_least",
            "",
            "The same if all that are to be looked at again prove good.",
        ),
        C::integer("sheets_to_print_most", "", "The same if none of them does."),
        C::integer(
            "sheets_on_average",
            "",
            "More sheets that would do if all came out as on average: enough in about one case of two.",
        ),
        pct(
            "confidence_pct",
            "How sure it is that the number is reached.",
        ),
        C::text("reason", "Why there is no number."),
        C::text("words", "The finding in a sentence."),
    ];
    let table = |name: &str, title: &str, columns| TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope: Scope::Run,
        internal: false,
        columns,
    };
    vec![
        table(GRADES, "Grade of each sheet and image", grades),
        table(REASONS, "Why a sheet does not pass", reasons),
        table(CUTS, "Which images of a sheet to keep", cuts),
        table(YIELDS, "How many are good", yields),
        table(ORDERS, "How many more sheets to print", orders),
    ]
}

fn text(t: &str) -> Value {
    if t.is_empty() { Value::Null } else { t.into() }
}

fn leading_row(i: &Impression) -> Row {
    Row::new()
        .set("sheet", i.sheet)
        .set("file", i.file.as_str())
        .set("impression", i.impression.as_str())
        .set("edition", text(&i.edition))
        .set("position", i.position)
}

/// The row of a sheet that is not counted.
pub(crate) fn uncounted_row(i: &Impression, reason: &str) -> Row {
    leading_row(i)
        .set("image", crate::sheets::WHOLE)
        .set("grade", "not counted")
        .set("reasons", reason)
}

/// The row of an image, or of the sheet as a whole.
pub(crate) fn grade_row(
    i: &Impression,
    image: &str,
    standing: Standing,
    checked: usize,
    findings: &[(&str, &Finding)],
) -> Row {
    use crate::judge::Stand;
    let count = |s: Stand| findings.iter().filter(|f| f.1.stand == s).count();
    let reasons: Vec<String> = findings
        .iter()
        .map(|(image, f)| {
            let of = if image.is_empty() {
                String::new()
            } else {
                format!("{image}: ")
            };
            format!("{of}{}", words::finding(f))
        })
        .collect();
    leading_row(i)
        .set("image", image)
        .set("grade", standing.name())
        .set("at_best", standing.best.name())
        .set("at_worst", standing.worst.name())
        .set("checked", checked)
        .set("outside", count(Stand::Outside))
        .set("unsure", count(Stand::Unsure))
        .set("not_measured", count(Stand::Missing))
        .set("reasons", text(&reasons.join(" | ")))
}

/// The row of a reason.
pub(crate) fn reason_row(i: &Impression, image: &str, f: &Finding) -> Row {
    let q = f.quantity;
    let number = |v: Option<f64>| v.filter(|v| v.is_finite()).map(six_digits);
    leading_row(i)
        .set("image", image)
        .set("finding", f.stand.name())
        .set("leads_to", f.leads.name())
        .set("tolerance", f.name.as_str())
        .set("table", f.table.as_str())
        .set("column", f.column.clone())
        .set("block", f.block.clone())
        .set("unit", text(f.unit))
        .set("value", number(q.map(|q| q.value)))
        .set("value_se", number(q.and_then(|q| q.se)))
        .set("value_low", number(q.map(|q| q.low)))
        .set("value_high", number(q.map(|q| q.high)))
        .set("limit_low", number(f.limits.low))
        .set("limit_high", number(f.limits.high))
        .set("rows", f.rows)
        .set("rows_outside", f.outside)
        .set("note", text(&f.note))
        .set("words", words::finding(f))
}

/// The row of a sheet in the cut list.
pub(crate) fn cut_row(sheet: &GradedSheet<'_>) -> Row {
    let images = sheet.images.iter();
    let cut = Cut::of(images.map(|i: &GradedImage| (i.name.as_str(), i.judged.standing)));
    let why: Vec<String> = sheet
        .images
        .iter()
        .filter(|i| i.judged.standing.grade() != Some(crate::grade::Grade::Pass))
        .filter_map(|i| {
            // The gravest, and if that leaves it open the doubt that does.
            let first = i.findings.first()?;
            let doubt = i.findings.iter().find(|f| f.standing().grade().is_none());
            let doubt = doubt.filter(|d| i.judged.standing.grade().is_none() && *d != first);
            let words: Vec<String> = [Some(first), doubt]
                .into_iter()
                .flatten()
                .map(words::finding)
                .collect();
            Some(format!("{}: {}", i.name, words.join("; and ")))
        })
        .collect();
    let list = |names: &[&str]| text(&names.join(" "));
    leading_row(sheet.impression)
        .set("keep", list(&cut.keep))
        .set("seconds", list(&cut.seconds))
        .set("look_again", list(&cut.look_again))
        .set("discard", list(&cut.discard))
        .set("words", cut.words())
        .set("why", text(&why.join(" | ")))
}

/// The row of the cut list of a sheet that is not counted.
pub(crate) fn uncounted_cut_row(i: &Impression, reason: &str) -> Row {
    leading_row(i)
        .set("words", "not counted")
        .set("why", text(reason))
}

/// The row of a yield.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn yield_row(
    edition: &str,
    of: &str,
    counts: &Counts,
    not_counted: usize,
    found: Option<Yield>,
    (kind, level): (IntervalKind, f64),
) -> Row {
    let whole = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    let bound = |good: u64| {
        let all = counts.all();
        (all > 0).then(|| 100.0 * good as f64 / all as f64)
    };
    let confidence = format!("{} %", figure(100.0 * level));
    let kind = if of == COPIES {
        // Halves are pairs, for which there is no exact interval.
        "beta, from sheets with no, one and two good halves".to_owned()
    } else {
        kind.name().to_owned()
    };
    let say = match &found {
        Some(y) => {
            let doubtful = counts.look_again - counts.not_measured;
            let mut say = format!(
                "{} of {} ({of}) pass, {} do not",
                counts.pass,
                counts.all(),
                counts.second + counts.reject,
            );
            if doubtful > 0 {
                say.push_str(&format!(", {doubtful} are in doubt"));
            }
            if counts.not_measured > 0 {
                say.push_str(&format!(", {} were not measured", counts.not_measured));
            }
            if counts.look_again == 0 {
                say.push_str(": yield ");
            } else {
                let those = match counts.not_measured {
                    0 => "",
                    _ => " of those that lack no number",
                };
                say.push_str(&format!(
                    "; with each doubtful one by its chance, as near its limits as it was measured, the yield{those} is "
                ));
            }
            say.push_str(&format!(
                "{} % ({confidence} interval {} to {} %",
                figure(100.0 * y.share),
                figure(100.0 * y.interval.low),
                figure(100.0 * y.interval.high),
            ));
            say.push_str(if counts.look_again == 0 {
                ")."
            } else {
                ", from none that is to be looked at again passing to all)."
            });
            say
        }
        None => format!(
            "No yield: of {} ({of}) none has all numbers that decide.",
            counts.all()
        ),
    };
    Row::new()
        .set("edition", text(edition))
        .set("of", of)
        .set("pass", whole(counts.pass))
        .set("second", whole(counts.second))
        .set("reject", whole(counts.reject))
        .set("look_again", whole(counts.look_again))
        .set("not_measured", whole(counts.not_measured))
        .set("not_counted", not_counted)
        .set("yield_pct", found.map(|y| 100.0 * y.share))
        .set("yield_low_pct", found.map(|y| 100.0 * y.interval.low))
        .set("yield_high_pct", found.map(|y| 100.0 * y.interval.high))
        .set("interval", found.map(|_| format!("{kind}, {confidence}")))
        .set("yield_least_pct", bound(counts.pass))
        .set("yield_most_pct", bound(counts.may_pass()))
        .set(
            "reason",
            found
                .is_none()
                .then_some("none has all numbers that decide"),
        )
        .set("words", say)
}

/// Column of the blocks that are not held against the key.
pub(crate) const BY_REFERENCE: &str = "by_reference";

/// What images of all sheets together are called.
pub(crate) const COPIES: &str = "copies";

/// The row of an order, and its words.
pub(crate) fn order_row(edition: &str, order: &Order, f: &Forecast) -> (Row, String) {
    let of = match order.of {
        Of::Copies => COPIES,
        Of::Sheets => "sheets",
    };
    let whole = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
    let d = &f.likely;
    let still = u64::from(order.good).saturating_sub(d.good);
    let reason = match (d.sheets, d.pilot.1) {
        (Some(_), _) => None,
        (None, 0) => Some("no sheet has all numbers that decide"),
        (None, _) => Some("more sheets than anybody prints: too few are good"),
    };
    let confidence = figure(100.0 * order.confidence);
    let say = match (d.sheets, &reason) {
        (Some(0), _) => format!("{} good {of} wanted, {} are there.", order.good, d.good),
        (Some(n), _) => {
            let range = match (f.least.sheets, f.most.sheets) {
                (Some(a), Some(b)) if a != b => {
                    format!(" ({a} to {b}, as those to be looked at again turn out)")
                }
                _ => String::new(),
            };
            let average = d.average.map_or(String::new(), |a| {
                format!("; {a} would do if all came out as on average")
            });
            format!(
                "{} good {of} wanted, {} are there: print {n} more sheets{range} to have the other {still} with {confidence} % confidence{average}.",
                order.good, d.good
            )
        }
        (None, why) => format!(
            "{} good {of} wanted, {} are there; how many more sheets to print is not to be said: {}.",
            order.good,
            d.good,
            why.unwrap_or_default()
        ),
    };
    let row = Row::new()
        .set("edition", text(edition))
        .set("of", of)
        .set("wanted", i64::from(order.good))
        .set("good", whole(d.good))
        .set("still_wanted", whole(still))
        .set("pilot_good", d.pilot.0)
        .set("pilot", whole(d.pilot.1))
        .set("good_per_sheet", (d.pilot.1 > 0).then_some(d.per_sheet))
        .set("sheets_to_print", d.sheets)
        .set("sheets_to_print_least", f.least.sheets)
        .set("sheets_to_print_most", f.most.sheets)
        .set("sheets_on_average", d.average)
        .set("confidence_pct", 100.0 * order.confidence)
        .set("reason", reason)
        .set("words", say.as_str());
    (row, say)
}
