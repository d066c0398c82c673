//! Words, as outlines of DejaVu Sans (see `NOTICE` for its licence).

use std::sync::OnceLock;

use tiny_skia::{Path, PathBuilder};
use ttf_parser::{Face, GlyphId, OutlineBuilder};

fn face() -> Option<&'static Face<'static>> {
    static FACE: OnceLock<Option<Face<'static>>> = OnceLock::new();
    FACE.get_or_init(|| Face::parse(dejavu::sans::regular(), 0).ok())
        .as_ref()
}

fn glyph(face: &Face<'_>, c: char) -> GlyphId {
    // A line break or tab within a caption is a space; what the font does not have is its empty box.
    let c = if c.is_control() { ' ' } else { c };
    face.glyph_index(c).unwrap_or_default()
}

/// How far words reach to the right, pixels; `size` is the font's em in pixels.
pub(super) fn width(text: &str, size: f64) -> f64 {
    let Some(face) = face() else { return 0.0 };
    let units: f64 = text
        .chars()
        .map(|c| f64::from(face.glyph_hor_advance(glyph(face, c)).unwrap_or(0)))
        .sum();
    units * size / f64::from(face.units_per_em())
}

/// The outline of words whose baseline starts at (x, y).
pub(super) fn outline(text: &str, size: f64, x: f64, y: f64) -> Option<Path> {
    let face = face()?;
    let scale = size / f64::from(face.units_per_em());
    let mut pen = Pen {
        path: PathBuilder::new(),
        x,
        y,
        scale,
    };
    for c in text.chars() {
        let glyph = glyph(face, c);
        face.outline_glyph(glyph, &mut pen);
        pen.x += f64::from(face.glyph_hor_advance(glyph).unwrap_or(0)) * scale;
    }
    pen.path.finish()
}

/// Words broken into lines no wider than `most` pixels; a word that is wider has a line of its own.
pub(super) fn wrap(text: &str, size: f64, most: f64) -> Vec<String> {
    let mut lines: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        match lines.last_mut() {
            Some(line) if width(&format!("{line} {word}"), size) <= most => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    lines
}

struct Pen {
    path: PathBuilder,
    x: f64,
    y: f64,
    scale: f64,
}

impl Pen {
    fn at(&self, x: f32, y: f32) -> (f32, f32) {
        let x = self.x + f64::from(x) * self.scale;
        let y = self.y - f64::from(y) * self.scale;
        (x as f32, y as f32)
    }
}

impl OutlineBuilder for Pen {
    fn move_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.move_to(x, y);
    }

    fn line_to(&mut self, x: f32, y: f32) {
        let (x, y) = self.at(x, y);
        self.path.line_to(x, y);
    }

    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        let ((x1, y1), (x, y)) = (self.at(x1, y1), self.at(x, y));
        self.path.quad_to(x1, y1, x, y);
    }

    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        let ((x1, y1), (x2, y2), (x, y)) = (self.at(x1, y1), self.at(x2, y2), self.at(x, y));
        self.path.cubic_to(x1, y1, x2, y2, x, y);
    }

    fn close(&mut self) {
        self.path.close();
    }
}
