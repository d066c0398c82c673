//! Tables of the damage over the run: what to mend on the block first.

use restrike_ops::atlas::Atlas;
use restrike_stage::{ColumnSpec as C, Level, Output, Project, Row, Scope, StageError, TableSpec};

use crate::blame::Shown;
use crate::damage::{Run, Site};
use crate::kinds::Kind;
use crate::map;
use crate::tables::on_block;

pub(crate) const DAMAGE: &str = "damage_sites";
pub(crate) const REPAIR: &str = "repair_map";
/// Name of the drawing.
pub(crate) const MAP: &str = "repair-map";
/// How much the wood's measures may differ from the paper's the record was made
/// from (common practice, no source).
const STRETCH: f64 = 0.0015;

/// Declarations.
#[allow(clippy::too_many_lines)]
pub(crate) fn specs() -> Vec<TableSpec> {
    let damage = vec![
        C::integer(
            "site",
            "",
            "Number of the place, from 1, from top to bottom of the print.",
        ),
        C::text("block", "Block."),
        C::text("image", "Image it is in."),
        C::text(
            "kind",
            "What most sheets show there: break, nick, hole, fill-in, pale or speck.",
        ),
        C::text("class", "block damage, inking, scan or undecided."),
        C::number(
            "p_block",
            "",
            3,
            "Probability that it is damage to the block.",
        ),
        C::number(
            "p_inking",
            "",
            3,
            "Probability that it is inking, which comes and goes.",
        ),
        C::number(
            "p_scan",
            "",
            3,
            "Probability that it is dust or the like on one scan.",
        ),
        C::number(
            "p_cut",
            "",
            3,
            "Of a gap that the record has too, or a place that all sheets print pale: probability that it was cut so, for no sheet shows it whole.",
        ),
        C::integer("line", "", "Number of the line in the record's key-lines."),
        C::number("arc_mm", "mm", 2, "Its middle along the line."),
        C::boolean("in_record", "Whether the record's line has this gap too."),
        C::number("x_mm", "mm", 3, "Its middle in print coordinates, right."),
        C::number("x_se_mm", "mm", 3, "Its standard error."),
        C::number("y_mm", "mm", 3, "Its middle in print coordinates, up."),
        C::number("y_se_mm", "mm", 3, "Its standard error."),
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
        C::number(
            "length_mm",
            "mm",
            3,
            "Its length now: median of the last three sheets that show it.",
        ),
        C::number("length_se_mm", "mm", 3, "Its standard error."),
        C::number(
            "growth_mm",
            "mm",
            3,
            "Growth from the first to the last sheet that shows it (Theil-Sen); from four sheets on.",
        ),
        C::number("growth_low_mm", "mm", 3, "Lower end of its 95 % interval."),
        C::number("growth_high_mm", "mm", 3, "Upper end of its 95 % interval."),
        C::integer(
            "first_sheet",
            "",
            "First sheet that shows it: place in the sheet list.",
        ),
        C::text("first_impression", "That impression."),
        C::text("first_edition", "Its edition."),
        C::integer("first_year", "", "Its year."),
        C::integer("first_position", "", "Its position in the stack."),
        C::integer(
            "not_yet_sheet",
            "",
            "The last sheet before it on which the place was seen whole.",
        ),
        C::integer("last_sheet", "", "Last sheet that shows it."),
        C::integer("present", "", "Sheets that show it."),
        C::integer("absent", "", "Sheets that show the place whole."),
        C::integer("unseen", "", "Sheets that do not tell."),
        C::boolean(
            "healed",
            "Whether it was mended: a plug, or the block was cut anew there.",
        ),
        C::integer(
            "healed_sheet",
            "",
            "First sheet, in the order of time, that shows it mended.",
        ),
        C::number(
            "p_healed",
            "",
            3,
            "Probability of that, if it is the block.",
        ),
        C::integer(
            "twin_site",
            "",
            "Number of the place at the same spot of the other image on the sheet.",
        ),
        C::text(
            "not_on_map",
            "Of a place that is held to be damage to the block: why it is not on the repair map.",
        ),
        C::text("words", "The finding in a sentence."),
    ];
    let repair = vec![
        C::integer("rank", "", "What the print misses most first."),
        C::integer("site", "", "Number of the place in damage_sites."),
        C::text("block", "Block."),
        C::text("image", "Image it is in."),
        C::text(
            "kind",
            "break, hole or fill-in; nicks are in damage_sites only.",
        ),
        C::number(
            "u_mm",
            "mm",
            2,
            "On the block as it lies face up, origin at the sheet's centre, right.",
        ),
        C::number(
            "u_se_mm",
            "mm",
            2,
            "Its standard error; the record's millimetres are those of paper, which stretches: 1.5 permille of the way from the centre are in it.",
        ),
        C::number(
            "v_mm",
            "mm",
            2,
            "On the block as it lies face up, away from you.",
        ),
        C::number("v_se_mm", "mm", 2, "Its standard error, likewise."),
        C::number("length_mm", "mm", 2, "Length along the line."),
        C::number("length_se_mm", "mm", 2, "Its standard error."),
        C::number("depth_mm", "mm", 2, "How far it reaches across the line."),
        C::integer("line", "", "Number of the line in the record's key-lines."),
        C::number(
            "missing_mm2",
            "mm2",
            3,
            "Ink that the print misses (of a fill-in: has too much).",
        ),
        C::number(
            "share_pct",
            "%",
            1,
            "Its share of all on this map, each weighted with p_block.",
        ),
        C::integer(
            "first_sheet",
            "",
            "First sheet, in the order of time, that shows it: place in the sheet list.",
        ),
        C::text("first_impression", "That impression."),
        C::text("first_edition", "Its edition."),
        C::integer("first_year", "", "Its year."),
        C::text(
            "last_whole_impression",
            "The last impression before it that shows the place whole; none where no earlier one does.",
        ),
        C::text("last_whole_edition", "Its edition."),
        C::number(
            "p_block",
            "",
            3,
            "Probability that it is damage to the block.",
        ),
        C::number(
            "p_cut",
            "",
            3,
            "Of a gap that no sheet shows whole: probability that it was cut so.",
        ),
        C::text("words", "What to look for."),
    ];
    let table = |name: &str, title: &str, columns| TableSpec {
        name: name.to_owned(),
        title: title.to_owned(),
        scope: Scope::Run,
        internal: false,
        columns,
    };
    vec![
        table(
            DAMAGE,
            "Places of damage over all sheets, and what each is",
            damage,
        ),
        table(
            REPAIR,
            "Repair map: what to mend on the block, in block coordinates",
            repair,
        ),
    ]
}

/// Gives the tables and the drawing.
///
/// # Errors
/// When the host does not take them.
pub(crate) fn put(
    run: &Run<'_>,
    block: &str,
    atlas: &Atlas,
    project: &Project,
    least: f64,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let mut left_out = 0;
    for (n, site) in run.sites.iter().enumerate() {
        let damage = site.blame.block + site.blame.cut > 0.5;
        let why = not_on_map(site, least).filter(|_| damage);
        left_out += usize::from(why.is_some());
        let row = damage_row(run, block, n, site);
        out.row(DAMAGE, row.set("not_on_map", why))?;
    }
    let mut mend: Vec<(usize, &Site, f64)> = run
        .sites
        .iter()
        .enumerate()
        .filter(|(_, s)| not_on_map(s, least).is_none())
        .map(|(n, s)| (n, s, s.blame.block * s.missing_mm2()))
        .collect();
    mend.sort_by(|a, b| b.2.total_cmp(&a.2).then(a.0.cmp(&b.0)));
    let total: f64 = mend.iter().map(|m| m.2).sum();
    for (rank, (n, site, weight)) in mend.iter().enumerate() {
        let at = on_block(site.place);
        let stretched = |se: f64, at: f64| (se * se + STRETCH * STRETCH * at * at).sqrt();
        let since = site.first_and_last().0;
        let whole = site.last_whole();
        out.row(
            REPAIR,
            Row::new()
                .set("rank", rank + 1)
                .set("site", n + 1)
                .set("block", block)
                .set("image", site.seen[0].image.as_str())
                .set("kind", site.kind.name())
                .set("u_mm", at.x)
                .set("u_se_mm", stretched(site.place_se[0], at.x))
                .set("v_mm", at.y)
                .set("v_se_mm", stretched(site.place_se[1], at.y))
                .set("length_mm", site.length)
                .set("length_se_mm", site.length_se)
                .set("depth_mm", site.depth)
                .set("line", i64::from(site.seen[0].line))
                .set("missing_mm2", site.missing_mm2())
                .set("share_pct", 100.0 * weight / total.max(1e-12))
                .set("first_sheet", run.order[since].sheet)
                .set("first_impression", run.order[since].impression.as_str())
                .set("first_edition", run.order[since].edition.as_str())
                .set("first_year", run.order[since].year.map(i64::from))
                .set(
                    "last_whole_impression",
                    whole.map(|k| run.order[k].impression.as_str()),
                )
                .set(
                    "last_whole_edition",
                    whole.map(|k| run.order[k].edition.as_str()),
                )
                .set("p_block", site.blame.block)
                .set("p_cut", site.blame.cut)
                .set("words", to_mend(site)),
        )?;
    }
    if !run.order.is_empty() {
        let sites: Vec<&Site> = mend.iter().map(|m| m.1).collect();
        out.note(Level::Info, &summed_up(run, block, &sites));
        out.picture(&map::drawing(run, &sites, left_out, block, atlas, project))?;
    }
    Ok(())
}

/// What the tables come to, in a sentence.
fn summed_up(run: &Run<'_>, block: &str, mend: &[&Site]) -> String {
    let held = run.sites.iter().filter(|s| s.blame.block > 0.5).count();
    let first = mend.first().map_or(String::new(), |s| {
        let at = on_block(s.place);
        format!(
            ", first a {} of {:.2} mm at u {:.1}, v {:.1} mm ({:.0} %)",
            s.kind.name(),
            s.length,
            at.x,
            at.y,
            100.0 * s.blame.block
        )
    });
    format!(
        "block {block}: of {} places that lack ink or have too much, {held} are held to be damage to the block (damage_sites); {} are to be mended (repair_map){first}",
        run.sites.len(),
        mend.len()
    )
}

/// Why a place is not on the map; none if it is.
fn not_on_map(s: &Site, least: f64) -> Option<String> {
    let why = match s.kind {
        _ if s.blame.healed_at.is_some() => "mended since",
        _ if s.blame.block < least && s.blame.cut > s.blame.block => {
            "rather cut so than broken, as no sheet shows it whole: compare with an older impression"
        }
        _ if s.blame.block < least => {
            return Some(format!(
                "less sure than the {:.0} % that the map asks for",
                100.0 * least
            ));
        }
        Kind::Pale => "pale: the line fades without ends between which to mend",
        Kind::Speck => {
            "speck: what lies over the line is lighter than the ground, so the wood is not what shows"
        }
        // On the sample those that were sure lay at no planted one.
        Kind::Nick => "nick: the line holds, and bites are near the limit of what lines show",
        Kind::Break | Kind::Hole | Kind::FillIn => return None,
    };
    Some(why.to_owned())
}

fn damage_row(run: &Run<'_>, block: &str, n: usize, s: &Site) -> Row {
    let (first, last) = s.first_and_last();
    let not_yet = s.last_whole();
    let sheet = |k: usize| run.order[k].sheet;
    let at = on_block(s.place);
    let one = &s.seen[0];
    Row::new()
        .set("site", n + 1)
        .set("block", block)
        .set("image", one.image.as_str())
        .set("kind", s.kind.name())
        .set("class", s.blame.name())
        .set("p_block", s.blame.block)
        .set("p_inking", s.blame.inking)
        .set("p_scan", s.blame.scan)
        .set("p_cut", s.blame.cut)
        .set("line", i64::from(one.line))
        .set("arc_mm", 0.5 * (one.from + one.to))
        .set("in_record", s.seen.iter().any(|o| o.recorded))
        .set("x_mm", s.place.x)
        .set("x_se_mm", s.place_se[0])
        .set("y_mm", s.place.y)
        .set("y_se_mm", s.place_se[1])
        .set("u_mm", at.x)
        .set("v_mm", at.y)
        .set("length_mm", s.length)
        .set("length_se_mm", s.length_se)
        .set("growth_mm", s.growth.map(|g| g[0]))
        .set("growth_low_mm", s.growth.map(|g| g[1]))
        .set("growth_high_mm", s.growth.map(|g| g[2]))
        .set("first_sheet", sheet(first))
        .set("first_impression", run.order[first].impression.as_str())
        .set("first_edition", run.order[first].edition.as_str())
        .set("first_year", run.order[first].year.map(i64::from))
        .set("first_position", run.order[first].position)
        .set("not_yet_sheet", not_yet.map(sheet))
        .set("last_sheet", sheet(last))
        .set("present", s.count(Shown::Present))
        .set("absent", s.count(Shown::Absent))
        .set("unseen", s.count(Shown::Unseen))
        .set("healed", s.blame.healed_at.is_some())
        .set("healed_sheet", s.blame.healed_at.map(sheet))
        .set("p_healed", s.blame.healed)
        .set("twin_site", s.twin.map(|t| t + 1))
        .set("words", words(run, s, not_yet))
}

fn words(run: &Run<'_>, s: &Site, not_yet: Option<usize>) -> String {
    let name = |k: usize| {
        let i = run.order[k];
        match (i.edition.is_empty(), i.position) {
            (false, Some(p)) => format!("position {p} of {}", i.edition),
            (false, None) => format!("impression {} of {}", i.impression, i.edition),
            (true, Some(p)) => format!("position {p}"),
            (true, None) => format!("impression {}", i.impression),
        }
    };
    let (first, last) = s.first_and_last();
    let told = s.count(Shown::Present) + s.count(Shown::Absent);
    let mut out = if s.lost {
        "not in the record's lines, "
    } else {
        ""
    }
    .to_owned();
    out.push_str(&format!(
        "{} of {:.2} mm on {} of {told} sheets that tell, from {}",
        s.kind.name(),
        s.length,
        s.count(Shown::Present),
        name(first)
    ));
    if first != last {
        out.push_str(&format!(" to {}", name(last)));
    }
    match s.whole_between() {
        0 => {}
        1 => out.push_str(", whole on one sheet between"),
        n => out.push_str(&format!(", whole on {n} sheets between")),
    }
    if let Some(n) = not_yet {
        out.push_str(&format!("; whole on {}", name(n)));
    }
    if let Some(h) = s.blame.healed_at {
        out.push_str(&match s.kind {
            Kind::FillIn => format!("; gone by {}: cleared", name(h)),
            _ => format!("; mended by {}: a plug or a re-cut", name(h)),
        });
    }
    if s.lost {
        out.push_str(
            "; printed by all sheets before: gone, or a hollow that was clogged and cleared",
        );
    }
    if s.blame.cut > 0.05 {
        out.push_str(&format!(
            "; no sheet shows it whole, it may have been cut so ({:.0} %)",
            100.0 * s.blame.cut
        ));
    }
    let sure = 100.0 * s.blame.block.max(s.blame.inking).max(s.blame.scan);
    out.push_str(&format!(": {} ({sure:.0} %)", s.blame.name()));
    out
}

fn to_mend(s: &Site) -> String {
    let mut out = match s.kind {
        _ if s.lost => format!(
            "{:.2} mm that older sheets print are bare: wood that is gone, or a hollow that was clogged and cleared",
            s.length
        ),
        Kind::Break => format!("the line is open for {:.2} mm", s.length),
        Kind::Nick => format!("a bite of {:.2} mm, {:.2} mm deep", s.length, s.depth),
        Kind::Hole => format!("a round hole of {:.1} mm through the lines", s.length),
        _ => format!(
            "what should stand back beside the line prints over {:.2} mm",
            s.length
        ),
    };
    if s.blame.cut > 0.05 {
        out.push_str(&format!(
            "; no sheet shows it whole: it may have been cut so ({:.0} %), compare with an older impression",
            100.0 * s.blame.cut
        ));
    }
    out
}
