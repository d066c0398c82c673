//! A block lying face up, its marks and arrows, to scale: what all drawings of marks share.

use restrike_stage::{Affine, Frame, Mark, Picture, Point, Project, Raster, Rect, Stroke, Tone};

use super::layout::{Face, corners, mirrored};

/// Name of the blank image the drawings stand on.
pub(crate) const BASE: &str = "marks-blank";
/// Width of a drawing at full size, px.
const WIDTH_PX: f64 = 1600.0;
/// Paper about the sheet, as a share of its longer side.
const MARGIN: f64 = 0.12;
/// Longer than this an arrow would make much of nothing.
const MOST_EXAGGERATED: f64 = 100.0;
/// Size of a letter in px at full size, about.
const LETTER_PX: f64 = 12.0;
/// What the faces are called in a drawing.
pub(crate) const LETTERS: [&str; 3] = ["A", "B", "C"];

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

    fn long(&self) -> f64 {
        self.sheet.width().max(self.sheet.height())
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

/// What is drawn at a face.
pub(crate) struct Told {
    /// By how much it is to be moved, mm along its normal; none where it is not.
    pub(crate) by: Option<f64>,
    /// What is said of it, after its letter.
    pub(crate) words: String,
    /// How it is drawn.
    pub(crate) tone: Tone,
}

/// A drawing of a block and its marks.
pub(crate) struct Drawing<'a> {
    /// The picture's name.
    pub(crate) name: String,
    /// The words below it.
    pub(crate) caption: String,
    /// The words on it.
    pub(crate) title: String,
    /// What to do at the three faces.
    pub(crate) told: [Told; 3],
    /// The images the block prints on.
    pub(crate) images: Vec<&'a str>,
    /// What to think of before anything is cut.
    pub(crate) warnings: Vec<String>,
    /// How many times too long arrows are.
    pub(crate) factor: f64,
}

impl Drawing<'_> {
    /// Draws it.
    pub(crate) fn draw(self, project: &Project, faces: &[Face; 3]) -> Picture {
        let canvas = Canvas::new(project, faces);
        let mut marks = vec![canvas.ring(&canvas.sheet, Tone::Guide, Stroke::Dashed)];
        for image in &self.images {
            for four in corners(project, image).chunks_exact(4) {
                let r = Rect::new(four[0].at, four[2].at);
                marks.push(canvas.ring(&r, Tone::Guide, Stroke::Solid));
            }
        }
        // On the block left and right have changed places: the names tell.
        for image in project.images.iter().filter(|_| project.images.len() > 1) {
            let r = image.rect();
            let foot = Point::new((r.min.x + r.max.x) / 2.0, r.min.y);
            marks.push(Mark::Text {
                at: canvas.place(foot) - Point::new(50.0, 16.0),
                text: format!("image {}", image.name),
                tone: Tone::Guide,
            });
        }
        marks.extend(outlines(&canvas, faces));
        let [k, _, c] = faces.map(|f| f.contact.at);
        for (i, beside) in [c, k, k].into_iter().enumerate() {
            let (told, letter) = (&self.told[i], LETTERS[i]);
            draw_face(
                &canvas,
                &faces[i],
                letter,
                beside,
                told,
                self.factor,
                &mut marks,
            );
        }
        marks.extend(list(&canvas, &self));
        scale(&canvas, self.factor, &mut marks);
        marks.extend(keys(&self));
        Picture {
            name: self.name,
            caption: self.caption,
            base: BASE.to_owned(),
            frame: Some(frame(&canvas)),
            marks,
        }
    }
}

/// What the strokes mean, as far as they are there.
fn keys(drawing: &Drawing<'_>) -> Vec<Mark> {
    let any = |f: fn(&Told) -> bool| drawing.told.iter().any(f);
    let moved = any(|t| t.by.is_some());
    let noted = any(|t| t.tone == Tone::Notice) || !drawing.warnings.is_empty();
    let said = [
        (moved, Tone::Measured, "face to be moved"),
        (moved, Tone::Expected, "where it should be"),
        (
            noted,
            Tone::Notice,
            "not decided, or to be thought of first",
        ),
    ];
    let there = said.into_iter().filter(|(there, ..)| *there);
    there
        .map(|(_, tone, text)| Mark::Key {
            text: text.to_owned(),
            tone,
        })
        .collect()
}

/// A round factor that keeps the longest arrow of all drawings, so many mm, inside the margin,
/// so that drawings can be compared.
pub(crate) fn exaggeration(project: &Project, faces: &[Face; 3], longest: f64) -> f64 {
    let room = 0.8 * MARGIN * Canvas::new(project, faces).long();
    let wish = room / longest;
    if !wish.is_finite() || wish <= 0.0 {
        return MOST_EXAGGERATED;
    }
    let decade = libm::pow(10.0, libm::floor(libm::log10(wish)));
    let step = [5.0, 2.0]
        .into_iter()
        .find(|s| s * decade <= wish)
        .unwrap_or(1.0);
    (step * decade).clamp(1.0, MOST_EXAGGERATED)
}

fn frame(canvas: &Canvas) -> Frame {
    let height = (canvas.area.height() * canvas.px_per_mm).round();
    Frame {
        width: WIDTH_PX,
        height,
        to_base: Affine::scale(64.0 / WIDTH_PX, 48.0 / height),
    }
}

/// The corner mark's outline along both edges of the sheet, and the straight mark.
fn outlines(canvas: &Canvas, faces: &[Face; 3]) -> Vec<Mark> {
    let reach = 0.03 * canvas.long();
    let [k, h, c] = faces.map(|f| f.contact);
    // On the long edge, as far along it as the short edge is.
    let corner = k.at + c.normal * c.normal.dot(c.at - k.at);
    let beyond = |from: Point, to: Point| to + unit(to - from) * reach;
    let across = Point::new(-h.normal.y, h.normal.x) * reach;
    let lines = [
        vec![beyond(corner, k.at), corner, beyond(corner, c.at)],
        vec![h.at - across, h.at + across],
    ];
    lines
        .into_iter()
        .map(|points| Mark::Line {
            points: points.into_iter().map(|p| canvas.place(p)).collect(),
            closed: false,
            tone: Tone::Guide,
            stroke: Stroke::Solid,
        })
        .collect()
}

fn unit(v: Point) -> Point {
    let n = v.norm();
    if n > 0.0 { v * (1.0 / n) } else { v }
}

/// A face: where it is, where it should be, the arrow between, its letter.
/// `beside` is where the other contact of the mark lies: the letter stands on
/// the other side.
fn draw_face(
    canvas: &Canvas,
    face: &Face,
    letter: &str,
    beside: Point,
    told: &Told,
    factor: f64,
    marks: &mut Vec<Mark>,
) {
    let (at, n) = (face.contact.at, face.contact.normal);
    let along = Point::new(-n.y, n.x) * (0.015 * canvas.long());
    let line = |shift: f64, tone, stroke| Mark::Line {
        points: [at - along, at + along]
            .map(|p| canvas.place(p + n * shift))
            .to_vec(),
        closed: false,
        tone,
        stroke,
    };
    let tone = told.tone;
    marks.push(line(0.0, tone, Stroke::Solid));
    // A mark that is to be left gets no arrow: whoever stands at the block with
    // the drawing must not cut by it.
    if let Some(by) = told.by {
        marks.push(line(by * factor, Tone::Expected, Stroke::Dashed));
        marks.push(Mark::Arrow {
            from: canvas.place(at),
            to: canvas.place(at + n * (by * factor)),
            tone,
        });
    }
    let away = if along.dot(beside - at) > 0.0 {
        -3.0
    } else {
        3.0
    };
    let place = canvas.place(at + along * away - n * (0.02 * canvas.long()));
    marks.push(Mark::Text {
        at: place + Point::new(-LETTER_PX / 2.0, LETTER_PX / 2.0),
        text: letter.to_owned(),
        tone,
    });
}

/// What is said, by letter, inside the sheet where nothing else is drawn.
fn list(canvas: &Canvas, drawing: &Drawing<'_>) -> Vec<Mark> {
    let corner = Point::new(canvas.sheet.min.x, canvas.sheet.max.y);
    let start = canvas.place(mirrored(corner)) + Point::new(0.055, 0.2) * WIDTH_PX;
    let told = LETTERS.iter().zip(&drawing.told);
    let told = told.map(|(letter, t)| (format!("{letter}   {}", t.words), t.tone));
    let rows = (0..).map(|row: u32| match row {
        0 => 0.0,
        1..4 => 0.5 + f64::from(row),
        _ => 1.0 + f64::from(row),
    });
    std::iter::once((drawing.title.clone(), Tone::Guide))
        .chain(told)
        .chain(drawing.warnings.iter().map(|w| (w.clone(), Tone::Notice)))
        .zip(rows)
        .map(|((text, tone), row)| Mark::Text {
            at: start + Point::new(0.0, 28.0 * row),
            text,
            tone,
        })
        .collect()
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
