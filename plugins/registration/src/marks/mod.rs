//! Mark corrections: from where the blocks printed on the first sheets to what
//! to cut or pad at the registration marks, and what marks cannot mend.
//!
//! A block that prints off by e(p) = (dx - theta y, dy + theta x) comes right
//! when the sheet follows: each face has to move by n . e at its contact, n
//! being its normal towards the sheet; over 0 it is padded, under 0 cut back.

mod apart;
mod canvas;
mod common;
mod decide;
mod drawing;
mod evidence;
mod fit;
mod input;
mod layout;
mod options;
mod stretch;
mod tables;
mod words;

#[cfg(test)]
mod tests;

use restrike_ops::mark_contacts::RigidMotion;
use restrike_stage::{Impression, Level, Output, Project, Row, StageError, Summary};

use common::Common;
use decide::{Action, Advice, decide};
use evidence::{Evidence, More, weigh};
use fit::{BlockFit, JUDGED, Outline, fit};
use input::{Hidden, Readings};
use layout::{Face, faces, mirrored};
use words::Grounds;

pub(crate) use canvas::BASE;
pub(crate) use options::MarkOptions;
pub(crate) use tables::tables;

/// Tolerance at the worst place of what a block prints, where the config has no `register_mm`
/// (common practice, no source).
const TOLERANCE_MM: f64 = 0.1;

/// An interval as wide as this is no knowledge of a mark but the reach of a search.
const TELLS_NOTHING_MM: f64 = 2.0;

/// Names of the drawings, for the manifest.
pub(crate) fn pictures() -> Vec<String> {
    let blocks = (0..drawing::MOST).map(drawing::name);
    blocks.chain([drawing::KEY.to_owned()]).collect()
}

/// Sums the table `registration` up into advice about the marks.
///
/// # Errors
/// When the host does not take a row or a picture. Data that support no advice
/// are no error: the tables and notes say so.
pub(crate) fn summarise(
    project: &Project,
    options: &MarkOptions,
    summary: Summary<'_>,
    outline: &Outline<'_>,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let Some(table) = summary.table("registration") else {
        out.note(
            Level::Warning,
            "no registration was measured: no mark corrections",
        );
        return Ok(());
    };
    let sheets = input::chosen_sheets(summary.impressions, table, options);
    let readings = input::read(project, &summary, table, &sheets);
    if let Some(words) = readings.never_located() {
        out.note(Level::Warning, &words);
    }
    let names = block_names(project, &readings);
    for row in stretch::rows(project, &readings, &names, summary.impressions) {
        out.row(tables::STRETCH, row)?;
    }
    if project.marks.is_empty() {
        out.note(
            Level::Info,
            "the config names no registration marks: no mark corrections",
        );
        return Ok(());
    }
    let faces = match faces(project) {
        Ok(faces) => faces,
        Err(reason) => {
            out.note(Level::Warning, &format!("no mark corrections: {reason}"));
            return Ok(());
        }
    };
    advise(
        project,
        options,
        &faces,
        summary.impressions,
        &readings,
        (&names, outline),
        out,
    )
}

fn advise(
    project: &Project,
    options: &MarkOptions,
    faces: &[Face; 3],
    files: &[Impression],
    readings: &Readings,
    (names, outline): (&[String], &Outline<'_>),
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let tolerance = tolerance(project, out);
    let fits: Vec<Option<BlockFit>> = names
        .iter()
        .map(|n| fit(project, faces, readings, n, outline))
        .collect();
    let known: Vec<BlockFit> = fits.iter().flatten().cloned().collect();
    let weighed = weigh(&known);
    let bench = common::Bench {
        faces,
        tolerance,
        options,
    };
    let in_common = common::common(&bench, &known, &weighed);
    let corrections = known.iter().flat_map(|b| b.correction);
    let longest = corrections.map(f64::abs).fold(0.0, f64::max);
    let factor = canvas::exaggeration(project, faces, longest);
    if !known.is_empty() {
        out.image(BASE, canvas::blank().view())?;
    }
    if let Some(c) = &in_common {
        out.note(Level::Warning, &c.words);
        for row in key_rows(c, faces) {
            out.row(tables::KEY, row)?;
        }
        out.picture(&drawing::key_drawing(project, c, faces, factor))?;
    }
    let mut evidence = weighed.into_iter();
    let usual = apart::usual(&known);
    for (at, (name, fit)) in names.iter().zip(&fits).enumerate() {
        let Some((block, evidence)) = fit.as_ref().zip(evidence_of(fit.as_ref(), &mut evidence))
        else {
            hidden_rows(faces, name, readings, out)?;
            continue;
        };
        let apart = apart::apart(block, faces, (tolerance, usual), files);
        for a in &apart {
            out.note(Level::Warning, &a.words);
        }
        let apart = [0, 1, 2].map(|f| apart.iter().filter(|a| a.at[f]).count());
        let (advice, moved) = decide(block, faces, &evidence, tolerance, options);
        let grounds = Grounds {
            faces,
            evidence: &evidence,
            tolerance,
            apart,
            basis: block.basis,
            moved: advice.map(|a| a.by),
            in_common: in_common.as_ref().map_or([false; 3], Common::at),
        };
        for i in 0..3 {
            let (e, a) = (&evidence[i], &advice[i]);
            let words = words::advice(i, a, &grounds);
            let row = correction_row(block, &faces[i], (e, &evidence), a, words);
            out.row(tables::CORRECTIONS, row)?;
        }
        // Against a reference nothing tells what the key's move does to the block.
        let by_key = in_common.as_ref().filter(|_| block.basis.decides(options));
        let by_key = by_key.map(|c| c.moved(block, &evidence, &bench));
        for part in &block.parts {
            let moves = (&moved, by_key.as_ref());
            if let Some(row) = residual_row(block, part, moves, tolerance) {
                out.row(tables::RESIDUALS, row)?;
            }
        }
        if at < drawing::MOST {
            out.picture(&drawing::drawing(
                project,
                at,
                block,
                faces,
                (&advice, &evidence),
                (factor, &doubts(apart, grounds.in_common, &advice)),
            ))?;
        }
    }
    Ok(())
}

/// What to think of before a block is cut by its drawing.
fn doubts(apart: [usize; 3], in_common: [bool; 3], advice: &[Advice; 3]) -> Vec<String> {
    let apart = match apart.into_iter().max() {
        None | Some(0) => None,
        Some(1) => Some("1 sheet stands apart".to_owned()),
        Some(n) => Some(format!("{n} sheets stand apart")),
    };
    let alike = advice.iter().zip(in_common).any(|(a, c)| a.acts() && c);
    let alike =
        alike.then(|| "Off as the other blocks are, perhaps by the key's own mark".to_owned());
    apart.into_iter().chain(alike).collect()
}

fn evidence_of(
    fit: Option<&BlockFit>,
    all: &mut impl Iterator<Item = [Evidence; JUDGED]>,
) -> Option<[Evidence; JUDGED]> {
    fit.and_then(|_| all.next())
}

/// The blocks in printing order, then those the config does not name.
fn block_names(project: &Project, readings: &Readings) -> Vec<String> {
    let found = readings.found.iter().map(|r| &r.block);
    let seen: Vec<&String> = found
        .chain(readings.hidden.iter().map(|h| &h.block))
        .collect();
    let mut order: Vec<(u32, &String)> = project
        .blocks
        .iter()
        .filter(|b| seen.contains(&&b.name))
        .map(|b| (b.order, &b.name))
        .collect();
    order.sort_by_key(|b| b.0);
    let mut names: Vec<String> = order.into_iter().map(|b| b.1.clone()).collect();
    for block in seen {
        if !names.contains(block) {
            names.push(block.clone());
        }
    }
    names
}

fn tolerance(project: &Project, out: &mut dyn Output) -> f64 {
    match project.tolerances.get("register_mm") {
        Some(t) if t.is_finite() && *t > 0.0 => *t,
        Some(t) => {
            out.note(
                Level::Warning,
                &format!("the tolerance `register_mm` = {t} is no length over 0: {TOLERANCE_MM} mm is used"),
            );
            TOLERANCE_MM
        }
        None => {
            out.note(
                Level::Info,
                &format!("no tolerance `register_mm` in the config: mark corrections use {TOLERANCE_MM} mm at the worst place of what a block prints"),
            );
            TOLERANCE_MM
        }
    }
}

fn correction_row(
    block: &BlockFit,
    face: &Face,
    (e, all): (&Evidence, &[Evidence; JUDGED]),
    a: &Advice,
    words: String,
) -> Row {
    // A number to an impression that may itself be out would be cut by.
    let aimed = |v: f64| (!a.without_zero()).then_some(v);
    let by = if a.acts() { a.by } else { e.correction };
    let (at, move_) = (face.contact.at, face.contact.normal * by);
    let (block_at, block_move) = (mirrored(at), mirrored(move_));
    let more = match a.more {
        Some(More::Proofs(n)) => Some(n),
        _ => None,
    };
    let scatter = e.scatter_interval;
    let sizes = a.acts().then(|| a.sizes(all));
    Row::new()
        .set("block", block.block.as_str())
        .set("face", face.name())
        .set("basis", block.basis.name())
        .set("sheets", e.sheets)
        .set("action", a.action.name())
        .set("by_mm", a.acts().then(|| a.by.abs()))
        .set("by_low_mm", sizes.map(|s| s.0))
        .set("by_high_mm", sizes.map(|s| s.1))
        .set("correction_mm", aimed(e.correction))
        .set("correction_se_mm", aimed(e.se).filter(|_| e.dof > 0.0))
        .set("correction_low_mm", aimed(e.correction - e.half))
        .set("correction_high_mm", aimed(e.correction + e.half))
        .set("scatter_mm", e.scatter)
        .set("scatter_low_mm", scatter.map(|s| s.0))
        .set("scatter_high_mm", scatter.map(|s| s.1))
        .set("measuring_se_mm", e.measuring)
        .set("more_proofs", more)
        .set("contact_x_mm", at.x)
        .set("contact_y_mm", at.y)
        .set("move_x_mm", aimed(move_.x))
        .set("move_y_mm", aimed(move_.y))
        .set("contact_u_mm", block_at.x)
        .set("contact_v_mm", block_at.y)
        .set("move_u_mm", aimed(block_move.x))
        .set("move_v_mm", aimed(block_move.y))
        .set("advice", words)
}

/// What to do at the key's own marks instead of at the blocks'.
fn key_rows(common: &Common, faces: &[Face; 3]) -> Vec<Row> {
    let row = |i: usize| {
        let face = &faces[i];
        let by = common.at_key(i);
        let action = by.map_or(Action::LeaveIt, Action::moving);
        let sizes = by.map(|_| common.sizes(i));
        let at = face.contact.at;
        let move_ = by.map(|by| mirrored(face.contact.normal * by));
        Row::new()
            .set("face", face.name())
            .set("action", action.name())
            .set("by_mm", by.map(f64::abs))
            .set("by_low_mm", sizes.map(|s| s.0))
            .set("by_high_mm", sizes.map(|s| s.1))
            .set("instead_of", common.now)
            .set("cuts_left", common.left.len())
            .set("contact_u_mm", mirrored(at).x)
            .set("contact_v_mm", mirrored(at).y)
            .set("move_u_mm", move_.map(|m| m.x))
            .set("move_v_mm", move_.map(|m| m.y))
            .set("left", common.left.join("; "))
    };
    (0..3).map(row).collect()
}

fn residual_row(
    block: &BlockFit,
    part: &fit::Part,
    (moved, by_key): (&RigidMotion, Option<&RigidMotion>),
    tolerance: f64,
) -> Option<Row> {
    let still = RigidMotion::default();
    let (at, by) = words::worst_of(block, part, &still)?;
    let (now, now_se) = (by.norm(), part.se_at(at.at, by));
    let as_advised = words::worst_of(block, part, moved)?;
    let advised = as_advised.1.norm();
    let advised_se = part.se_at(as_advised.0.at, as_advised.1);
    let by_key = by_key.and_then(|m| words::worst_of(block, part, m));
    // The best move is the best for all images together; one of them may do better.
    let (corner, left) = Some(words::worst_of(block, part, &block.best)?)
        .filter(|(_, left)| left.norm() <= advised)
        .unwrap_or(as_advised);
    let stretch = |i: usize| part.stretched.then(|| part.mean[3 + i] * 1000.0);
    let stretch_se = |i: usize| part.stretch_se.map(|s| s[i] * 1000.0);
    let words = words::residual(
        block,
        part,
        (now, now_se),
        (advised, *moved != still),
        (corner, left.norm()),
        tolerance,
    );
    let row = Row::new()
        .set("block", block.block.as_str())
        .set("image", part.image.as_str())
        .set("basis", block.basis.name())
        .set("sheets", block.sheets.len())
        .set("now_mm", now)
        .set("now_se_mm", now_se)
        .set("as_advised_mm", advised)
        .set("as_advised_se_mm", advised_se)
        .set("by_key_mm", by_key.map(|(_, e)| e.norm()))
        .set(
            "by_key_se_mm",
            by_key.and_then(|(c, e)| part.se_at(c.at, e)),
        )
        .set("at_best_mm", left.norm())
        .set("corner", corner.name)
        .set("left_x_mm", left.x)
        .set("left_y_mm", left.y)
        .set("stretch_x_permille", stretch(0))
        .set("stretch_x_se_permille", stretch_se(0))
        .set("stretch_y_permille", stretch(1))
        .set("stretch_y_se_permille", stretch_se(1))
        .set("words", words);
    Some(row)
}

/// Rows of a block that no sheet shows: what its hidden edges still allow.
fn hidden_rows(
    faces: &[Face; 3],
    name: &str,
    readings: &Readings,
    out: &mut dyn Output,
) -> Result<(), StageError> {
    let hidden: Vec<&Hidden> = readings.hidden.iter().filter(|h| h.block == name).collect();
    let reason = hidden
        .iter()
        .map(|h| h.reason.as_str())
        .find(|r| !r.is_empty());
    for face in faces {
        let n = face.contact.normal;
        let across: Option<Vec<(f64, f64)>> = hidden
            .iter()
            .map(|h| {
                let (low, high) = if n.x.abs() > 0.5 { h.dx } else { h.dy }?;
                let sign = n.x + n.y;
                Some(((sign * low).min(sign * high), (sign * low).max(sign * high)))
            })
            .collect();
        let interval = across
            .filter(|a| !a.is_empty())
            .map(|a| {
                let low = fit::mean(a.iter().map(|v| v.0));
                (low, fit::mean(a.iter().map(|v| v.1)))
            })
            .filter(|(low, high)| high - low < TELLS_NOTHING_MM);
        let sheets: std::collections::BTreeSet<usize> = hidden.iter().map(|h| h.sheet).collect();
        let at = face.contact.at;
        let row = Row::new()
            .set("block", name)
            .set("face", face.name())
            .set("sheets", 0_usize)
            .set("action", Action::Undecided.name())
            .set("correction_low_mm", interval.map(|i| i.0))
            .set("correction_high_mm", interval.map(|i| i.1))
            .set("contact_x_mm", at.x)
            .set("contact_y_mm", at.y)
            .set("contact_u_mm", mirrored(at).x)
            .set("contact_v_mm", at.y)
            .set(
                "advice",
                words::hidden(face, reason.unwrap_or(""), interval, sheets.len()),
            );
        out.row(tables::CORRECTIONS, row)?;
    }
    Ok(())
}
