//! Pictures: the scan with what was found drawn on it, and each image straightened.

use restrike_stage::{Affine, Frame, Mark, Picture, Point, Rect, Stroke, Tone};

use crate::analysis::{Findings, Found, Sheet, stated_corners};
use crate::metric::Metric;
use crate::rectangle::Corner;

/// The scan with the sheet's edges, the border lines and the corners.
pub(crate) fn outline(sheet: &Sheet, findings: Option<&Findings>) -> Picture {
    let metric = &sheet.metric;
    let mut marks = Vec::new();
    for found in findings.iter().flat_map(|f| &f.images) {
        if let Some(r) = found.stated {
            marks.push(ring(
                metric,
                &stated_corners(&sheet.frame, &r),
                Tone::Expected,
                Stroke::Dashed,
            ));
        }
    }
    shape(metric, sheet.paper.corners(), &mut marks);
    if sheet.paper.corners().iter().any(Option::is_none) {
        // Edges that do not make a whole outline are drawn one by one.
        for line in sheet.paper.sides.iter().flatten() {
            let reach = metric.extent().iter().copied().fold(0.0, f64::max) * 0.45;
            let ends = [line.at(-reach), line.at(reach)].map(|p| metric.px_of(p));
            marks.push(Mark::Line {
                points: ends.to_vec(),
                closed: false,
                tone: Tone::Measured,
                stroke: Stroke::Solid,
            });
        }
    }
    for found in findings.iter().flat_map(|f| &f.images) {
        shape(metric, found.corners, &mut marks);
    }
    Picture {
        name: "outline".to_owned(),
        caption: "The scan with the sheet's edges and the printed borders as measured, and the stated place of each image (dashed).".to_owned(),
        base: "scan".to_owned(),
        frame: None,
        marks,
    }
}

fn ring(metric: &Metric, corners: &[Point], tone: Tone, stroke: Stroke) -> Mark {
    Mark::Line {
        points: corners.iter().map(|p| metric.px_of(*p)).collect(),
        closed: true,
        tone,
        stroke,
    }
}

fn shape(metric: &Metric, corners: [Option<Corner>; 4], marks: &mut Vec<Mark>) {
    let all: Option<Vec<Corner>> = corners.iter().copied().collect();
    if let Some(all) = all {
        let places: Vec<Point> = all.iter().map(|c| c.at).collect();
        marks.push(ring(metric, &places, Tone::Measured, Stroke::Solid));
    }
    for c in corners.iter().flatten() {
        marks.push(Mark::Cross {
            at: metric.px_of(c.at),
            tone: Tone::Measured,
        });
    }
}

/// One image straightened, with a margin about it.
pub(crate) fn straightened(found: &Found, sheet: &Sheet) -> Option<Picture> {
    let pitch = sheet.metric.pitch() / sheet.frame.scale;
    let area = match found.stated {
        Some(r) => r.grown(6.0_f64.min(r.width() * 0.1)),
        None => Rect::centred(sheet.frame.size[0], sheet.frame.size[1]),
    };
    let to_print = Affine([pitch, 0.0, area.min.x, 0.0, -pitch, area.max.y]);
    let to_base = to_print.then(&found.to_print.inverse()?);
    let from_print = to_print.inverse()?;
    let mut marks = Vec::new();
    if let Some(r) = found.stated {
        let [ll, lr, ur, ul] = r.corners();
        marks.push(Mark::Line {
            points: [ul, ur, lr, ll]
                .iter()
                .map(|p| from_print.apply(*p))
                .collect(),
            closed: true,
            tone: Tone::Expected,
            stroke: Stroke::Dashed,
        });
    }
    Some(Picture {
        name: if found.name == "whole" {
            "deskewed".to_owned()
        } else {
            format!("deskewed-{}", found.name)
        },
        caption: format!(
            "Image {} straightened, with its stated outline (dashed): the border line lies just inside it.",
            found.name
        ),
        base: "scan".to_owned(),
        frame: Some(Frame {
            width: (area.width() / pitch).ceil(),
            height: (area.height() / pitch).ceil(),
            to_base,
        }),
        marks,
    })
}
