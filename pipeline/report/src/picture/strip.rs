//! The strip below a picture: caption, scale bar, what the tones mean, and a
//! map's colour scale.

use restrike_model::{Mark, Picture, Point, Rect, Stroke, Tone};
use tiny_skia::{FillRule, Pixmap, Transform};

use super::colour::{Scale, tone_name};
use super::geometry::Window;
use super::lines::{halo, ink, paint, path_through};
use super::{Base, Options, text};

/// Least width of a strip, in thin lines: below it words would not fit.
const LEAST_WIDTH: f64 = 380.0;
const INK: [u8; 3] = [0x1a, 0x1a, 0x1a];

/// What stands in a row below the caption.
enum Item {
    Bar { px: f64, label: String },
    Tone(Tone),
    Colours { scale: Scale, label: String },
}

/// A strip that has been laid out.
pub(super) struct Strip {
    pub(super) width: usize,
    pub(super) height: usize,
    em: f64,
    unit: f64,
    caption: Vec<String>,
    /// Words with the tone of the stroke before them; without one they go on
    /// from the line above.
    keys: Vec<(Option<Tone>, String)>,
    rows: Vec<Vec<(f64, Item)>>,
}

impl Strip {
    pub(super) fn new(
        picture: &Picture,
        base: &Base<'_>,
        window: &Window,
        options: &Options,
    ) -> Self {
        let unit = window.unit;
        let em = 17.0 * unit;
        let width = (window.width as f64).max(LEAST_WIDTH * unit).ceil();
        let room = width - 2.0 * em;
        let mut strip = Self {
            width: width as usize,
            height: 0,
            em,
            unit,
            caption: text::wrap(&picture.caption, em, room),
            keys: keys(picture, em, room),
            rows: Vec::new(),
        };
        let mut used = f64::INFINITY;
        for item in items(picture, base, window, options, room.min(240.0 * unit)) {
            let wide = strip.item_width(&item);
            if used + wide > room || strip.rows.is_empty() {
                strip.rows.push(Vec::new());
                used = 0.0;
            }
            if let Some(row) = strip.rows.last_mut() {
                row.push((em + used, item));
            }
            used += wide + 2.0 * em;
        }
        let plain = strip.caption.len() + strip.keys.len();
        let lines = plain as f64 * 1.35 + strip.rows.len() as f64 * 1.7;
        if lines > 0.0 {
            strip.height = ((lines + 1.0) * em).ceil() as usize;
        }
        strip
    }

    fn item_width(&self, item: &Item) -> f64 {
        let em = self.em;
        match item {
            Item::Bar { px, label } => px + 0.6 * em + text::width(label, em),
            Item::Tone(tone) => STROKE_EM * em + text::width(tone_name(*tone), em),
            Item::Colours { scale, label } => {
                let [low, high] = ends(scale);
                COLOURS_EM * em
                    + 1.4 * em
                    + [&low, &high, label]
                        .map(|t| text::width(t, em))
                        .iter()
                        .sum::<f64>()
            }
        }
    }

    /// Draws the strip from row `top` of the canvas down.
    pub(super) fn draw(&self, canvas: &mut Pixmap, top: usize) {
        let em = self.em;
        // Marks at the image's rim reach over it; they must not run through the words.
        let below = tiny_skia::Rect::from_xywh(
            0.0,
            top as f32,
            canvas.width() as f32,
            (canvas.height() as f32 - top as f32).max(1.0),
        );
        if let Some(below) = below {
            let white = paint([255; 3], 255);
            canvas.fill_rect(below, &white, Transform::identity(), None);
        }
        let mut y = top as f64 + 0.5 * em;
        for line in &self.caption {
            y += 1.35 * em;
            self.words(canvas, line, em, y - 0.3 * em);
        }
        for (tone, line) in &self.keys {
            y += 1.35 * em;
            if let Some(tone) = tone {
                self.stroke(canvas, *tone, em, y - 0.66 * em);
            }
            self.words(canvas, line, (1.0 + STROKE_EM) * em, y - 0.3 * em);
        }
        for row in &self.rows {
            y += 1.7 * em;
            for (x, item) in row {
                self.item(canvas, item, *x, y - 0.45 * em);
            }
        }
    }

    fn words(&self, canvas: &mut Pixmap, words: &str, x: f64, y: f64) {
        if let Some(path) = text::outline(words, self.em, x, y) {
            let ink = paint(INK, 255);
            canvas.fill_path(&path, &ink, FillRule::Winding, Transform::identity(), None);
        }
    }

    /// A stroke that shows what a tone looks like.
    fn stroke(&self, canvas: &mut Pixmap, tone: Tone, x: f64, y: f64) {
        let points = [Point::new(x, y), Point::new(x + 2.5 * self.em, y)];
        let anywhere = Rect::centred(1e6, 1e6);
        if let Some(path) = path_through(&points, false, &anywhere) {
            halo(canvas, &path, tone, Stroke::Solid, self.unit);
            ink(canvas, &path, tone, Stroke::Solid, self.unit);
        }
    }

    /// Draws an item whose words have their baseline at `y`.
    fn item(&self, canvas: &mut Pixmap, item: &Item, x: f64, y: f64) {
        let em = self.em;
        let middle = y - 0.36 * em;
        match item {
            Item::Bar { px, label } => {
                block(canvas, x, middle - 0.14 * em, *px, 0.28 * em, INK);
                for end in [x, x + px - 2.0 * self.unit] {
                    block(
                        canvas,
                        end,
                        middle - 0.4 * em,
                        2.0 * self.unit,
                        0.8 * em,
                        INK,
                    );
                }
                self.words(canvas, label, x + px + 0.6 * em, y);
            }
            Item::Tone(tone) => {
                self.stroke(canvas, *tone, x, middle);
                self.words(canvas, tone_name(*tone), x + STROKE_EM * em, y);
            }
            Item::Colours { scale, label } => {
                let [low, high] = ends(scale);
                self.words(canvas, &low, x, y);
                let left = x + text::width(&low, em) + 0.4 * em;
                let wide = COLOURS_EM * em;
                let steps = wide.ceil() as usize;
                for k in 0..steps {
                    let t = (k as f64 + 0.5) / steps as f64;
                    let colour = scale.colour(scale.low + t * (scale.high - scale.low));
                    block(
                        canvas,
                        left + k as f64,
                        middle - 0.4 * em,
                        1.5,
                        0.8 * em,
                        colour,
                    );
                }
                let right = left + wide + 0.4 * em;
                self.words(canvas, &high, right, y);
                self.words(canvas, label, right + text::width(&high, em) + 0.6 * em, y);
            }
        }
    }
}

/// Room for a stroke before its words, ems.
const STROKE_EM: f64 = 3.1;

/// The picture's keys, broken into lines.
fn keys(picture: &Picture, em: f64, room: f64) -> Vec<(Option<Tone>, String)> {
    let mut out = Vec::new();
    for mark in &picture.marks {
        let Mark::Key { text, tone } = mark else {
            continue;
        };
        for (n, line) in text::wrap(text, em, room - STROKE_EM * em)
            .into_iter()
            .enumerate()
        {
            out.push(((n == 0).then_some(*tone), line));
        }
    }
    out
}

/// Length of a colour scale in ems.
const COLOURS_EM: f64 = 12.0;

fn block(canvas: &mut Pixmap, x: f64, y: f64, width: f64, height: f64, colour: [u8; 3]) {
    let rect = tiny_skia::Rect::from_xywh(x as f32, y as f32, width as f32, height as f32);
    if let Some(rect) = rect {
        canvas.fill_rect(rect, &paint(colour, 255), Transform::identity(), None);
    }
}

fn items(
    picture: &Picture,
    base: &Base<'_>,
    window: &Window,
    options: &Options,
    longest_bar: f64,
) -> Vec<Item> {
    let mut items = Vec::new();
    if let Some(mm) = options.base_mm_per_px {
        let mm_per_px = window.mm_per_px(mm);
        if let Some((px, label)) = bar(mm_per_px, longest_bar) {
            items.push(Item::Bar { px, label });
        }
    }
    if let Base::Map {
        values,
        label,
        range,
    } = base
    {
        items.push(Item::Colours {
            scale: Scale::of(values, *range),
            label: (*label).to_owned(),
        });
    }
    for tone in [Tone::Measured, Tone::Expected, Tone::Fault, Tone::Notice] {
        // A stage's own word for a tone goes before the usual one.
        let named = |m: &Mark| matches!(m, Mark::Key { tone: t, .. } if *t == tone);
        let there = picture.marks.iter().any(|m| has_tone(m, tone));
        if there && !picture.marks.iter().any(named) {
            items.push(Item::Tone(tone));
        }
    }
    items
}

fn has_tone(mark: &Mark, wanted: Tone) -> bool {
    match mark {
        Mark::Line { tone, .. }
        | Mark::Arrow { tone, .. }
        | Mark::Cross { tone, .. }
        | Mark::Circle { tone, .. }
        | Mark::Text { tone, .. } => *tone == wanted,
        Mark::Key { .. } | Mark::Chart { .. } | Mark::Samples { .. } => false,
    }
}

/// The longest bar of 1, 2 or 5 times a power of ten of millimetres.
fn bar(mm_per_px: f64, longest_px: f64) -> Option<(f64, String)> {
    if !mm_per_px.is_finite() || mm_per_px <= 0.0 {
        return None;
    }
    let most = longest_px * mm_per_px;
    let (mm, decimals) = (-4..=4)
        .flat_map(|power| [1.0, 2.0, 5.0].map(|k| (k * libm::pow(10.0, f64::from(power)), power)))
        .rfind(|(mm, _)| *mm <= most && *mm > most / 10.0)?;
    let places = usize::try_from(-decimals).unwrap_or(0);
    Some((mm / mm_per_px, format!("{mm:.places$} mm")))
}

/// Words at the ends of a colour scale; a sign tells where values go beyond it.
fn ends(scale: &Scale) -> [String; 2] {
    let span = scale.high - scale.low;
    let places = (2.0 - libm::floor(libm::log10(span))).clamp(0.0, 9.0) as usize;
    let number = |v: f64| format!("{v:.places$}").replace('-', "\u{2212}");
    let sign = |beyond, sign: &str| {
        if beyond {
            sign.to_owned()
        } else {
            String::new()
        }
    };
    [
        sign(scale.beyond[0], "\u{2264} ") + &number(scale.low),
        sign(scale.beyond[1], "\u{2265} ") + &number(scale.high),
    ]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bars_have_round_lengths() {
        assert_eq!(bar(0.1, 240.0), Some((200.0, "20 mm".into())));
        assert_eq!(bar(0.001, 240.0), Some((200.0, "0.2 mm".into())));
        assert_eq!(bar(f64::NAN, 240.0), None);
        assert_eq!(bar(1e9, 240.0), None);
    }
}
