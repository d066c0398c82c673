//! Drawings of a block record, true to size: each block's edges as it prints.

use std::path::{Path, PathBuf};

use restrike_engine::Record;
use restrike_model::{Mark, Picture, Point, Rect, Stroke, Tone};
use restrike_ops::atlas::Atlas;
use restrike_ops::block_record::{BlockShape, read_atlas, read_blocks};
use restrike_ops::contour::{Inside, contours};
use restrike_report::{drawing, files, names};

use crate::End;

/// Paper shown about a block's print, mm.
const ABOUT_MM: f64 = 4.0;
/// Distance of the points that outlines are drawn by, mm.
const PITCH_MM: f64 = 0.17;
/// Shorter outlines are specks, mm.
const LEAST_MM: f64 = 1.0;
/// Shorter key lines get no number: there would be no room, mm.
const NUMBERED_MM: f64 = 8.0;

/// Writes a drawing of each block into a folder; their paths, by order of printing.
pub(crate) fn write(record: &Record, folder: &Path) -> Result<Vec<PathBuf>, End> {
    let parts = record
        .parts
        .iter()
        .map(|(name, part)| (name.clone(), part.data.to_vec()))
        .collect();
    let blocks = read_blocks(&parts).map_err(End::refused)?.ok_or_else(|| {
        End::refused("the record holds no blocks: stage registration learned none")
    })?;
    let atlas = read_atlas(&parts).map_err(End::refused)?;
    std::fs::create_dir_all(folder)
        .map_err(|e| End::failed(format!("{}: {e}", folder.display())))?;
    let mut out = Vec::new();
    for (n, block) in blocks.iter().enumerate() {
        let lines = atlas.as_ref().filter(|_| block.part.key);
        let Some(picture) = picture(block, lines) else {
            continue;
        };
        let rendered = drawing::render(&picture).map_err(End::failed)?;
        let file = format!("block-{:02}-{}.svg", n + 1, names::safe(&block.part.name));
        let path = folder.join(file);
        files::write(&path, &rendered.bytes).map_err(End::failed)?;
        if let Some(print) = &rendered.print {
            files::write(&path.with_extension("pdf"), print).map_err(End::failed)?;
        }
        out.push(path);
    }
    Ok(out)
}

/// A block's edges as its print shows them; the key's with its lines' numbers.
fn picture(block: &BlockShape, lines: Option<&Atlas>) -> Option<Picture> {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let step = ((PITCH_MM / block.edges.pitch).round() as usize).max(1);
    let edges = block.edges.thinned(step);
    let outlines: Vec<(Vec<Point>, bool)> = contours(&edges.distance, 0.0, Inside::Below)
        .into_iter()
        .filter(|c| c.length() * edges.pitch >= LEAST_MM)
        .map(|c| {
            let points = c.points.into_iter().map(|p| edges.between(p));
            (points.collect(), c.closed)
        })
        .collect();
    let area = extent(outlines.iter().flat_map(|(p, _)| p))?.grown(ABOUT_MM);
    let at = |p: Point| Point::new(p.x - area.min.x, area.max.y - p.y);
    let mut marks: Vec<Mark> = outlines
        .into_iter()
        .map(|(points, closed)| Mark::Line {
            points: points.into_iter().map(at).collect(),
            closed,
            tone: Tone::Measured,
            stroke: Stroke::Solid,
        })
        .collect();
    if area.contains(Point::default()) {
        marks.push(Mark::Cross {
            at: at(Point::default()),
            tone: Tone::Guide,
        });
    }
    for line in lines.map_or(&[][..], |a| &a.lines) {
        if line.length_mm < NUMBERED_MM {
            continue;
        }
        if let Some(p) = line.place(line.length_mm / 2.0) {
            marks.push(Mark::Text {
                at: at(Point::new(p.x_mm, p.y_mm)),
                text: line.id.to_string(),
                tone: Tone::Notice,
            });
        }
    }
    Some(Picture::of_drawing(
        &block.part.name,
        &caption(block, lines.is_some()),
        [area.width(), area.height()],
        marks,
    ))
}

fn caption(block: &BlockShape, numbered: bool) -> String {
    let p = &block.part;
    let numbers = if numbered {
        format!(" Numbers: key lines of {NUMBERED_MM:.0} mm and more, as tables name them.")
    } else {
        String::new()
    };
    let zero = match (p.key, p.zero.words.as_str()) {
        (true, _) => "the key, which the others are measured against".to_owned(),
        (false, "") => p.zero.basis.clone(),
        (false, words) => format!("zero: {}: {words}", p.zero.basis),
    };
    format!(
        "Block {}, printed as number {}: its edges as the print shows them (the block itself is the mirror image). From the {} {}; {:.0} mm2; {zero}. Cross: the sheet's centre.{numbers}",
        p.name, p.order, p.source.kind, p.source.file, p.area_mm2
    )
}

fn extent<'p>(points: impl Iterator<Item = &'p Point>) -> Option<Rect> {
    points.fold(None, |all: Option<Rect>, p| {
        Some(match all {
            None => Rect::new(*p, *p),
            Some(r) => Rect::new(
                Point::new(r.min.x.min(p.x), r.min.y.min(p.y)),
                Point::new(r.max.x.max(p.x), r.max.y.max(p.y)),
            ),
        })
    })
}
