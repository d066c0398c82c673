//! Drawings true to size, as SVG: what is drawn is given in millimetres.

use restrike_model::{Mark, Picture, Point, Stroke, Tone};
use svg::Document;
use svg::node::element::path::Data;
use svg::node::element::{Circle, Group, Line, Path, Rectangle, Text, Title};

use crate::picture::{Encoding, PictureError, Rendered, tone_colour};
use crate::print::pdf;

const FONT: &str = "DejaVu Sans, Verdana, sans-serif";
/// White border about the drawing, mm.
const BORDER: f64 = 6.0;
/// Strip below for the scale bar, mm; the words come below it.
const STRIP: f64 = 7.0;
/// Height of letters, mm.
const LETTERS: f64 = 2.6;
/// From line to line of words, mm.
const LINE: f64 = 1.3 * LETTERS;
/// Width of the white about words, both sides together, mm.
const HALO: f64 = 0.7;
/// Width of lines, mm.
const THIN: f64 = 0.12;
const THICK: f64 = 0.3;
/// Letters of a line of words are about this wide, of their height.
const LETTER_WIDTH: f64 = 0.56;
/// Most marks of a drawing, points and all.
const MOST_POINTS: usize = 2_000_000;

/// Renders a picture that is a drawing.
///
/// # Errors
/// When it is none, or has no size.
pub fn render(picture: &Picture) -> Result<Rendered, PictureError> {
    let refuse = |reason: &str| PictureError::Chart {
        picture: picture.name.clone(),
        reason: reason.to_owned(),
    };
    let [w, h] = picture
        .drawing()
        .ok_or_else(|| refuse("it is no drawing"))?;
    if !(w > 0.0 && h > 0.0 && w < 1e5 && h < 1e5) {
        return Err(refuse("it has no size"));
    }
    let points: usize = picture.marks.iter().map(count).sum();
    if points > MOST_POINTS {
        return Err(refuse("more than two million points"));
    }
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let letters = ((w / (LETTERS * LETTER_WIDTH)) as usize).max(20);
    let words = wrapped(&picture.caption, letters);
    #[allow(clippy::cast_precision_loss)]
    let below = STRIP + LINE * words.len() as f64;
    let (width, height) = (w + 2.0 * BORDER, h + 2.0 * BORDER + below);
    let mut body = Group::new()
        .set("transform", format!("translate({BORDER} {BORDER})"))
        .set("fill", "none")
        .set("stroke-linecap", "round");
    for mark in &picture.marks {
        body = add(body, mark);
    }
    let mut document = Document::new()
        .set("viewBox", format!("0 0 {} {}", mm(width), mm(height)))
        .set("width", format!("{}mm", mm(width)))
        .set("height", format!("{}mm", mm(height)))
        .set("font-family", FONT)
        .set("font-size", LETTERS)
        .set("role", "img")
        .add(Title::new(picture.caption.as_str()))
        .add(
            Rectangle::new()
                .set("width", mm(width))
                .set("height", mm(height))
                .set("fill", "#ffffff"),
        )
        .add(body)
        .add(scale_bar(w, h));
    let mut y = h + 2.0 * BORDER + STRIP;
    for line in words {
        document = document.add(
            Text::new(line)
                .set("x", BORDER)
                .set("y", mm(y))
                .set("fill", "#222222"),
        );
        y += LINE;
    }
    let svg = format!("{document}\n");
    let print = pdf(&svg).map_err(|reason| PictureError::Encode {
        picture: picture.name.clone(),
        reason,
    })?;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    Ok(Rendered {
        bytes: svg.into_bytes(),
        width: width.ceil() as usize,
        height: height.ceil() as usize,
        encoding: Encoding::Svg,
        print: Some(print),
    })
}

fn count(mark: &Mark) -> usize {
    match mark {
        Mark::Line { points, .. } => points.len(),
        _ => 1,
    }
}

/// A length as short as a micrometre allows.
fn mm(v: f64) -> f64 {
    (v * 1000.0).round() / 1000.0 + 0.0
}

fn colour(tone: Tone) -> String {
    let [r, g, b] = tone_colour(tone);
    format!("#{r:02x}{g:02x}{b:02x}")
}

fn thickness(tone: Tone) -> f64 {
    match tone {
        Tone::Guide => THIN,
        _ => THICK,
    }
}

fn add(group: Group, mark: &Mark) -> Group {
    let finite = |p: &Point| p.x.is_finite() && p.y.is_finite();
    match mark {
        Mark::Line {
            points,
            closed,
            tone,
            stroke,
        } => {
            let mut points = points.iter().filter(|p| finite(p));
            let Some(first) = points.next() else {
                return group;
            };
            let mut data = Data::new().move_to((mm(first.x), mm(first.y)));
            for p in points {
                data = data.line_to((mm(p.x), mm(p.y)));
            }
            if *closed {
                data = data.close();
            }
            let mut path = Path::new()
                .set("d", data)
                .set("stroke", colour(*tone))
                .set("stroke-width", thickness(*tone));
            if *stroke == Stroke::Dashed {
                path = path.set("stroke-dasharray", "1.5 1");
            }
            group.add(path)
        }
        Mark::Circle { at, radius, tone } if finite(at) && radius.is_finite() => group.add(
            Circle::new()
                .set("cx", mm(at.x))
                .set("cy", mm(at.y))
                .set("r", mm(radius.abs()))
                .set("stroke", colour(*tone))
                .set("stroke-width", thickness(*tone)),
        ),
        Mark::Cross { at, tone } if finite(at) => {
            let arm = 1.0;
            let line = |a: Point, b: Point| segment(a, b, *tone);
            group
                .add(line(*at - Point::new(arm, 0.0), *at + Point::new(arm, 0.0)))
                .add(line(*at - Point::new(0.0, arm), *at + Point::new(0.0, arm)))
        }
        Mark::Arrow { from, to, tone } if finite(from) && finite(to) => {
            let along = *to - *from;
            let length = along.norm();
            if length <= 0.0 {
                return group;
            }
            let unit = along * (1.0 / length);
            let side = Point::new(-unit.y, unit.x);
            let head = unit * 1.6;
            group
                .add(segment(*from, *to, *tone))
                .add(segment(*to, *to - head + side * 0.8, *tone))
                .add(segment(*to, *to - head - side * 0.8, *tone))
        }
        Mark::Text { at, text, tone } if finite(at) => {
            let words = || {
                Text::new(text.as_str())
                    .set("x", mm(at.x))
                    .set("y", mm(at.y))
                    .set("fill", colour(*tone))
            };
            // Words stand on white, whatever lines run below them: drawn twice,
            // for not every reader knows an order of painting.
            group
                .add(
                    words()
                        .set("stroke", "#ffffff")
                        .set("stroke-width", HALO)
                        .set("stroke-linejoin", "round"),
                )
                .add(words())
        }
        _ => group,
    }
}

fn segment(a: Point, b: Point, tone: Tone) -> Line {
    Line::new()
        .set("x1", mm(a.x))
        .set("y1", mm(a.y))
        .set("x2", mm(b.x))
        .set("y2", mm(b.y))
        .set("stroke", colour(tone))
        .set("stroke-width", thickness(tone))
}

/// A bar of a round length, at most a third of the drawing, with ticks every tenth.
fn scale_bar(w: f64, h: f64) -> Group {
    let length = [100.0, 50.0, 20.0, 10.0, 5.0, 1.0]
        .into_iter()
        .find(|l| *l <= w / 2.0)
        .unwrap_or(0.5);
    let y = h + 2.0 * BORDER + 1.5;
    let black = |l: Line| l.set("stroke", "#000000").set("stroke-width", 0.2);
    let line = |x1: f64, y1: f64, x2: f64, y2: f64| {
        black(
            Line::new()
                .set("x1", mm(x1))
                .set("y1", mm(y1))
                .set("x2", mm(x2))
                .set("y2", mm(y2)),
        )
    };
    let mut group = Group::new().add(line(BORDER, y, BORDER + length, y));
    for k in 0..=10 {
        let x = BORDER + length * f64::from(k) / 10.0;
        let tall = if k % 5 == 0 { 2.0 } else { 1.0 };
        group = group.add(line(x, y - tall, x, y));
    }
    group.add(
        Text::new(format!("{length} mm"))
            .set("x", mm(BORDER + length + 1.5))
            .set("y", mm(y))
            .set("fill", "#000000"),
    )
}

fn wrapped(text: &str, letters: usize) -> Vec<String> {
    let mut out = vec![String::new()];
    for word in text.split_whitespace() {
        let last = out.last().map_or(0, |l| l.chars().count());
        if last > 0 && last + 1 + word.chars().count() > letters {
            out.push(String::new());
        }
        if let Some(l) = out.last_mut() {
            if !l.is_empty() {
                l.push(' ');
            }
            l.push_str(word);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn drawing(size: [f64; 2]) -> Picture {
        let at = Point::new(10.0, 20.0);
        let marks = vec![
            Mark::Line {
                points: vec![at, Point::new(30.0, 20.5), Point::new(f64::NAN, 1.0)],
                closed: true,
                tone: Tone::Guide,
                stroke: Stroke::Dashed,
            },
            Mark::Circle {
                at,
                radius: 1.25,
                tone: Tone::Fault,
            },
            Mark::Text {
                at,
                text: "1 < 2".to_owned(),
                tone: Tone::Fault,
            },
        ];
        Picture::of_drawing("map", "A map of a block", size, marks)
    }

    #[test]
    fn a_millimetre_is_a_millimetre() {
        let r = render(&drawing([180.0, 120.0])).unwrap();
        let text = String::from_utf8(r.bytes).unwrap();
        assert!(text.contains("viewBox=\"0 0 192 142.38\""), "{text}");
        assert!(text.contains("width=\"192mm\"") && text.contains("height=\"142.38mm\""));
        assert!(
            text.contains("r=\"1.25\"") && text.contains("M10,20 L30,20.5 z"),
            "{text}"
        );
        // A bar of 50 mm from the border on.
        assert!(
            text.contains("50 mm") && text.contains("x2=\"56\""),
            "{text}"
        );
        assert!(text.contains("1 &lt; 2") && !text.contains("NaN"), "{text}");
    }

    #[test]
    fn the_print_is_as_large_and_the_same_each_time() {
        let print = || render(&drawing([180.0, 120.0])).unwrap().print.unwrap();
        let bytes = print();
        assert!(bytes.starts_with(b"%PDF-"));
        assert_eq!(bytes, print());
        // The page in points, 72 to the inch: 192 x 142.38 mm.
        let text = String::from_utf8_lossy(&bytes);
        let page = text.split("/MediaBox [").nth(1).unwrap();
        let sides: Vec<f64> = page
            .split(']')
            .next()
            .unwrap()
            .split_whitespace()
            .map(|n| n.parse().unwrap())
            .collect();
        for (side, mm) in sides[2..].iter().zip([192.0, 142.38]) {
            assert!((side - mm / 25.4 * 72.0).abs() < 0.01, "{sides:?}");
        }
    }

    #[test]
    fn all_words_stand_on_the_page() {
        let mut long = drawing([60.0, 40.0]);
        long.caption = "Print without scaling and check the scale bar. ".repeat(30);
        let text = String::from_utf8(render(&long).unwrap().bytes).unwrap();
        let number = |after: &str, end: char| -> Vec<f64> {
            let found = text.split(after).skip(1);
            found
                .filter_map(|t| t.split(end).next()?.parse().ok())
                .collect()
        };
        let height = number("height=\"", 'm')[0];
        let lowest = number(" y=\"", '"').into_iter().fold(0.0, f64::max);
        assert!(
            lowest > 100.0 && lowest + LETTERS < height,
            "{lowest} {height}"
        );
    }

    #[test]
    fn what_is_no_drawing_is_refused() {
        assert!(render(&drawing([0.0, 10.0])).is_err());
        let mut other = drawing([10.0, 10.0]);
        other.base = "scan".to_owned();
        assert!(render(&other).is_err());
    }
}
