//! What a config and its lists must fulfil together.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use restrike_model::{MarkKind, Point, Project, Rect, Role};

use crate::config::{Config, line_of};
use crate::lists::SheetLine;
use crate::plan::StagePlan;
use crate::refusal::{Refusal, nearest};

/// Checks each stage's needs against what the stages before it give.
pub(crate) fn check_chain(
    path: &Path,
    text: &str,
    config: &Config,
    stages: &[StagePlan],
) -> Result<(), Refusal> {
    let mut tables: BTreeMap<&str, &str> = BTreeMap::new();
    let mut images: BTreeSet<&str> = BTreeSet::new();
    for (stage, spanned) in stages.iter().zip(&config.stages) {
        let m = stage.manifest();
        let line = Some(line_of(text, spanned.span().start));
        let missing = |what: &str, name: &str| {
            let giver = stages
                .iter()
                .map(StagePlan::manifest)
                .find(|g| {
                    g.gives.tables.iter().any(|t| t.name == name)
                        || g.gives.images.iter().any(|i| i == name)
                })
                .map(|g| format!("; stage `{}` gives it: put it before", g.name))
                .unwrap_or_else(|| {
                    "; no stage of this config gives it: add the stage that does".to_owned()
                });
            Refusal::new(
                path,
                line,
                format!("stage `{}` needs the {what} `{name}`{giver}", m.name),
            )
        };
        for t in &m.needs.tables {
            if !tables.contains_key(t.as_str()) {
                return Err(missing("table", t));
            }
        }
        for i in &m.needs.images {
            if !images.contains(i.as_str()) {
                return Err(missing("image", i));
            }
        }
        for t in &m.gives.tables {
            if let Some(other) = tables.insert(&t.name, &m.name) {
                return Err(Refusal::new(
                    path,
                    line,
                    format!(
                        "stages `{other}` and `{}` both give the table `{}`",
                        m.name, t.name
                    ),
                ));
            }
        }
        images.extend(m.gives.images.iter().map(String::as_str));
    }
    Ok(())
}

/// Images have one of the known names, lie on the sheet and not on each other.
pub(crate) fn check_images(path: &Path, text: &str, project: &Project) -> Result<(), Refusal> {
    const NAMES: [&str; 5] = ["whole", "left", "right", "upper", "lower"];
    /// How far a stated image may reach over the stated sheet, mm: sizes are rounded.
    const SLACK_MM: f64 = 1.0;
    for (n, image) in project.images.iter().enumerate() {
        let named = format!("\"{}\"", image.name);
        let line = text
            .lines()
            .position(|l| l.trim_start().starts_with("name") && l.contains(&named))
            .map(|l| l + 1);
        let refuse = |what: String| Err(Refusal::new(path, line, what));
        if !NAMES.contains(&image.name.as_str()) {
            return refuse(format!(
                "an image is named `{}`, expected one of {}",
                image.name,
                NAMES.join(", ")
            ));
        }
        let area = image.rect();
        if let Some(s) = project.sheet {
            let sheet = Rect::centred(s.width_mm, s.height_mm).grown(SLACK_MM);
            if !area.corners().iter().all(|c| sheet.contains(*c)) {
                let turned = Rect::centred(s.height_mm, s.width_mm).grown(SLACK_MM);
                let hint = if area.corners().iter().all(|c| turned.contains(*c)) {
                    "; are the sheet's width and height exchanged?"
                } else {
                    ": x_mm and y_mm are its centre, measured from the sheet's centre"
                };
                return refuse(format!(
                    "image `{}` reaches over the sheet of {} x {} mm{hint}",
                    image.name, s.width_mm, s.height_mm
                ));
            }
        }
        for other in &project.images[..n] {
            let b = other.rect();
            if other.name == image.name {
                return refuse(format!("image `{}` stands here twice", image.name));
            }
            let apart = area.min.x >= b.max.x - SLACK_MM
                || b.min.x >= area.max.x - SLACK_MM
                || area.min.y >= b.max.y - SLACK_MM
                || b.min.y >= area.max.y - SLACK_MM;
            if !apart {
                return refuse(format!(
                    "images `{}` and `{}` overlap",
                    other.name, image.name
                ));
            }
        }
    }
    Ok(())
}

/// The sheet touches its registration marks: there is one contact for each face, those of the corner mark
/// lie at one corner, and none is far off the sheet.
pub(crate) fn check_marks(path: &Path, text: &str, project: &Project) -> Result<(), Refusal> {
    /// How far a contact may lie over the stated sheet, mm: sheets are trimmed by hand.
    const SLACK_MM: f64 = 5.0;
    /// A corner mark's faces are no farther apart, mm (common practice, no source).
    const CORNER_MM: f64 = 60.0;
    let lines: Vec<usize> = (1..)
        .zip(text.lines())
        .filter(|(_, l)| l.trim_start().starts_with("[[mark]]"))
        .map(|(n, _)| n)
        .collect();
    let refuse =
        |mark: usize, what: String| Err(Refusal::new(path, lines.get(mark).copied(), what));
    let count = |face| project.marks.iter().filter(|m| m.face == face).count();
    let faces = [
        MarkKind::CornerLong,
        MarkKind::CornerShort,
        MarkKind::Straight,
    ];
    if !project.marks.is_empty() && faces.iter().any(|f| count(*f) != 1) {
        return refuse(
            0,
            "the marks need one contact each of `corner-long`, `corner-short` and `straight`"
                .to_owned(),
        );
    }
    let find = |face| project.marks.iter().find(|m| m.face == face);
    if let (Some(a), Some(b)) = (find(faces[0]), find(faces[1])) {
        let apart = Point::new(a.x_mm, a.y_mm).distance(Point::new(b.x_mm, b.y_mm));
        if apart > CORNER_MM {
            return refuse(
                0,
                format!(
                    "the contacts of the corner mark's two faces lie {apart:.0} mm apart: they are at one corner of the sheet"
                ),
            );
        }
    }
    let Some(sheet) = project.sheet else {
        return Ok(());
    };
    for (n, mark) in project.marks.iter().enumerate() {
        let beyond =
            (mark.x_mm.abs() - sheet.width_mm / 2.0).max(mark.y_mm.abs() - sheet.height_mm / 2.0);
        if beyond > SLACK_MM {
            return refuse(
                n,
                format!(
                    "the mark's contact at ({:.1}, {:.1}) mm lies {beyond:.1} mm outside the sheet of {} x {} mm: x_mm and y_mm are measured from the sheet's centre",
                    mark.x_mm, mark.y_mm, sheet.width_mm, sheet.height_mm
                ),
            );
        }
    }
    Ok(())
}

pub(crate) fn check_roles(
    list: &Path,
    lines: &[SheetLine],
    project: &Project,
) -> Result<(), Refusal> {
    if project.blocks.is_empty() {
        return Ok(());
    }
    let names: Vec<&str> = project.blocks.iter().map(|b| b.name.as_str()).collect();
    for l in lines {
        if let Role::Proof(block) = &l.impression.role
            && !names.contains(&block.as_str())
        {
            let hint = nearest(block, names.iter().copied())
                .map(|n| format!("; did you mean `{n}`?"))
                .unwrap_or_default();
            return Err(Refusal::new(
                list,
                Some(l.line),
                format!("a proof of block `{block}`, which is not in the block list{hint}"),
            ));
        }
    }
    Ok(())
}
