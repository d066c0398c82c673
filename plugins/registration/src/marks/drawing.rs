//! The block as it lies face up, its marks, and arrows for what to do there.

use restrike_model::{Affine, Frame, Mark, Picture, Point, Project, Raster, Rect, Stroke, Tone};

use super::decide::{Action, Advice};
use super::fit::BlockFit;
use super::layout::{Face, corners, mirrored};
use super::words::mm;

/// Name of the blank image the drawings stand on.
pub(crate) const BASE: &str = "marks-blank";
/// Most blocks that are drawn: each drawing's name is declared beforehand.
pub(crate) const MOST: usize = 24;
/// Width of a drawing at full size, px.
const WIDTH_PX: f64 = 1600.0;
/// Paper about the sheet, as a share of its longer side.
const MARGIN: f64 = 0.12;
/// Length of a letter in px at full size, about.
const LETTER_PX: f64 = 9.5;

/// Name of the drawing of the block at a place of the printing order, from 0.
pub(crate) fn name(at: usize) -> String {
    format!("marks-{:02}", at + 1)
}

/// The blank image: small, as only its colour counts.
pub(crate) fn blank() -> Raster<f32> {
    let mut white = Raster::new(64, 48, 3);
    white.data_mut().fill(1.0);
    white
}

/// Millimetres on the block to pixels of the drawing.
struct Canvas {
    sheet: Rect,
    area: Rect,
    px_per_mm: f64,
}

impl Canvas {
    fn new(project: &Project, faces: &[Face; 3]) -> Self {
        let sheet = project.sheet.map_or_else(
            || {
                let reach = |v: fn(Point) -> f64| {
                    2.0 * faces
                        .iter()
                        .map(|f| v(f.contact.at).abs())
                        .fold(1.0, f64::max)
                };
                Rect::centred(reach(|p| p.x), reach(|p| p.y))
            },
            |s| Rect::centred(s.width_mm, s.height_mm),
        );
        let area = sheet.grown(MARGIN * sheet.width().max(sheet.height()));
        Self {
            sheet,
            area,
            px_per_mm: WIDTH_PX / area.width().max(1e-6),
        }
    }

    /// A print point, drawn where it lies on the block.
    fn place(&self, print: Point) -> Point {
        let b = mirrored(print);
        Point::new(b.x - self.area.min.x, self.area.max.y - b.y) * self.px_per_mm
    }

    fn ring(&self, r: &Rect, tone: Tone, stroke: Stroke) -> Mark {
        Mark::Line {
            points: r.corners().iter().map(|p| self.place(*p)).collect(),
            closed: true,
            tone,
            stroke,
        }
    }
}

/// A round factor that keeps the longest arrow inside the margin.
fn exaggeration(faces: &BlockFit, room: f64) -> f64 {
    let longest = faces.correction.iter().map(|c| c.abs()).fold(0.0, f64::max);
    if longest <= 0.0 || !longest.is_finite() {
        return 100.0;
    }
    let wish = room / longest;
    let decade = libm::pow(10.0, libm::floor(libm::log10(wish)));
    let step = [5.0, 2.0]
        .into_iter()
        .find(|s| s * decade <= wish)
        .unwrap_or(1.0);
    (step * decade).clamp(1.0, 500.0)
}

/// Draws a block.
pub(crate) fn drawing(
    project: &Project,
    at: usize,
    block: &BlockFit,
    faces: &[Face; 3],
    advice: &[Advice; 3],
) -> Picture {
    let canvas = Canvas::new(project, faces);
    let long = canvas.sheet.width().max(canvas.sheet.height());
    let factor = exaggeration(block, 0.8 * MARGIN * long);
    let mut marks = vec![canvas.ring(&canvas.sheet, Tone::Guide, Stroke::Dashed)];
    for part in &block.parts {
        for four in corners(project, &part.image).chunks_exact(4) {
            let r = Rect::new(four[0].at, four[2].at);
            marks.push(canvas.ring(&r, Tone::Guide, Stroke::Solid));
        }
    }
    for (i, face) in faces.iter().enumerate() {
        draw_face(
            &canvas,
            face,
            block.correction[i],
            &advice[i],
            factor,
            &mut marks,
        );
    }
    scale(&canvas, factor, &mut marks);
    let towards = if block.relative {
        "to match the reference impression"
    } else {
        "to meet the key"
    };
    Picture {
        name: name(at),
        caption: format!(
            "Block {} as it lies face up (the print's mirror image), with its registration marks and what to do there {towards}. The sheet's edge is dashed, images are outlined. An arrow starts at the contact and ends where the face should be; arrows are drawn {factor:.0} times too long.",
            block.block
        ),
        base: BASE.to_owned(),
        frame: Some(frame(&canvas)),
        marks,
    }
}

fn frame(canvas: &Canvas) -> Frame {
    let height = (canvas.area.height() * canvas.px_per_mm).round();
    Frame {
        width: WIDTH_PX,
        height,
        to_base: Affine::scale(64.0 / WIDTH_PX, 48.0 / height),
    }
}

fn draw_face(
    canvas: &Canvas,
    face: &Face,
    correction: f64,
    advice: &Advice,
    factor: f64,
    marks: &mut Vec<Mark>,
) {
    let long = canvas.sheet.width().max(canvas.sheet.height());
    let (at, n) = (face.contact.at, face.contact.normal);
    let along = Point::new(-n.y, n.x) * (0.03 * long);
    let line = |shift: f64, tone, stroke| Mark::Line {
        points: [at - along, at + along]
            .map(|p| canvas.place(p + n * shift))
            .to_vec(),
        closed: false,
        tone,
        stroke,
    };
    let acts = matches!(advice.action, Action::CutBack | Action::Pad);
    let tone = match advice.action {
        Action::CutBack | Action::Pad => Tone::Measured,
        Action::LeaveIt => Tone::Guide,
        Action::Undecided => Tone::Notice,
    };
    marks.push(line(0.0, tone, Stroke::Solid));
    if acts {
        marks.push(line(correction * factor, Tone::Expected, Stroke::Dashed));
    }
    let to = at + n * (correction * factor);
    marks.push(Mark::Arrow {
        from: canvas.place(at),
        to: canvas.place(to),
        tone,
    });
    let text = match advice.action {
        Action::CutBack | Action::Pad => {
            format!(
                "{}: {} {}",
                face.name(),
                advice.action.name(),
                mm(correction)
            )
        }
        Action::LeaveIt | Action::Undecided => {
            format!("{}: {}", face.name(), advice.action.name())
        }
    };
    // Inside the sheet, clear of arrows that go outwards, on the near side of
    // the middle.
    let inward = canvas.place(at + n * (0.03 * long).max(correction * factor + 0.03 * long));
    #[allow(clippy::cast_precision_loss)]
    let width = LETTER_PX * text.chars().count() as f64;
    let left = if n.x.abs() > 0.5 && mirrored(at).x > 0.0 {
        inward.x - width
    } else {
        inward.x - width / 2.0
    };
    marks.push(Mark::Text {
        at: Point::new(left, inward.y),
        text,
        tone,
    });
}

/// What 50 mm of block and 0.1 mm of correction look like.
fn scale(canvas: &Canvas, factor: f64, marks: &mut Vec<Mark>) {
    let k = canvas.px_per_mm;
    let mut row = |y: f64, length: f64, text: String| {
        let from = Point::new(40.0, y);
        let to = Point::new(40.0 + length * k, y);
        marks.push(Mark::Line {
            points: vec![from, to],
            closed: false,
            tone: Tone::Guide,
            stroke: Stroke::Solid,
        });
        marks.push(Mark::Text {
            at: Point::new(to.x + 14.0, y + 6.0),
            text,
            tone: Tone::Guide,
        });
    };
    row(36.0, 50.0, "50 mm on the block".to_owned());
    row(72.0, 0.1 * factor, "0.1 mm at a mark".to_owned());
}
