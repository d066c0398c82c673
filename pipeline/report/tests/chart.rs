//! Charts as SVG.

#![allow(clippy::unwrap_used)]

use restrike_model::{Chart, Fill, Panel, Picture, Plot, Point, Stroke, Tone};
use restrike_report::chart::render;
use restrike_report::picture::{Encoding, tone_colour};

fn picture(plots: Vec<Plot>) -> Picture {
    let chart = Chart {
        title: "Widths <key> & \"red\"".into(),
        x_label: "position".into(),
        panels: vec![Panel {
            y_label: "width, mm".into(),
            plots,
        }],
    };
    Picture::of_chart("series-1", "Widths & more", chart)
}

fn dots(points: &[(f64, f64)]) -> Plot {
    Plot::Dots {
        name: "sheets".into(),
        points: points.iter().map(|p| Point::new(p.0, p.1)).collect(),
        tone: Tone::Measured,
    }
}

fn text(picture: &Picture) -> String {
    let r = render(picture).unwrap();
    assert_eq!(r.encoding, Encoding::Svg);
    assert_eq!(r.encoding.extension(), "svg");
    String::from_utf8(r.bytes).unwrap()
}

#[test]
fn words_are_escaped_and_points_are_drawn() {
    let svg = text(&picture(vec![dots(&[
        (1.0, 0.5),
        (2.0, 0.7),
        (3.0, f64::NAN),
    ])]));
    assert!(svg.contains("Widths &lt;key&gt; &amp; \"red\""), "{svg}");
    assert!(svg.contains("<title>") && svg.contains("Widths &amp; more"));
    // Two of three points, and the sample in the legend.
    assert_eq!(svg.matches("<circle").count(), 3);
    let [r, g, b] = tone_colour(Tone::Measured);
    assert!(svg.contains(&format!("#{r:02x}{g:02x}{b:02x}")));
}

#[test]
fn higher_values_stand_higher_and_later_ones_further_right() {
    let svg = text(&picture(vec![dots(&[(1.0, 0.0), (9.0, 5.0)])]));
    let places: Vec<(f64, f64)> = svg
        .lines()
        .filter(|l| l.starts_with("<circle"))
        .map(|l| {
            let of = |name: &str| -> f64 {
                let rest = l.split(&format!(" {name}=\"")).nth(1).unwrap();
                rest.split('"').next().unwrap().parse().unwrap()
            };
            (of("cx"), of("cy"))
        })
        .collect();
    assert!(
        places[1].0 > places[0].0 && places[1].1 < places[0].1,
        "{places:?}"
    );
}

#[test]
fn lines_levels_and_bands_are_drawn_and_named_once() {
    let line = |stroke| Plot::Line {
        name: "course".into(),
        points: vec![Point::new(0.0, 1.0), Point::new(4.0, 2.0)],
        tone: Tone::Expected,
        stroke,
    };
    let svg = text(&picture(vec![
        line(Stroke::Solid),
        line(Stroke::Dashed),
        Plot::Level {
            name: "limit".into(),
            y: 3.0,
            tone: Tone::Guide,
            stroke: Stroke::Dashed,
        },
        Plot::Band {
            name: String::new(),
            from: 1.0,
            to: 1.0,
            tone: Tone::Notice,
        },
    ]));
    assert_eq!(
        svg.matches(">\ncourse\n<").count() + svg.matches(">course<").count(),
        1,
        "{svg}"
    );
    assert!(svg.contains("stroke-dasharray"));
    assert!(svg.contains("fill-opacity"));
}

#[test]
fn the_same_chart_gives_the_same_bytes() {
    let p = picture(vec![dots(&[(1.0, 0.5), (2.0, 0.7)])]);
    assert_eq!(render(&p).unwrap().bytes, render(&p).unwrap().bytes);
}

#[test]
fn what_is_no_chart_is_refused() {
    let mut p = picture(vec![dots(&[(f64::NAN, 1.0)])]);
    assert!(
        render(&p)
            .unwrap_err()
            .to_string()
            .contains("nothing along its axis")
    );
    p.base = "scan".into();
    assert!(
        render(&p)
            .unwrap_err()
            .to_string()
            .contains("it is no chart")
    );
}

#[test]
fn cells_stand_in_their_rows_and_are_told_apart_without_colour() {
    let cells = |name: &str, row: &str, spans: &[[f64; 2]], tone, fill| Plot::Cells {
        name: name.into(),
        row: row.into(),
        spans: spans.to_vec(),
        tone,
        fill,
    };
    let svg = text(&picture(vec![
        cells("fits", "left", &[[0.5, 1.5]], Tone::Measured, Fill::Foot),
        cells("fails", "right", &[[0.5, 1.5]], Tone::Fault, Fill::Full),
        cells(
            "fails",
            "left",
            &[[1.5, 2.5], [f64::NAN, 3.5]],
            Tone::Fault,
            Fill::Full,
        ),
    ]));
    assert!(svg.contains("left") && svg.contains("right"));
    let of = |line: &str, name: &str| -> f64 {
        let rest = line.split(&format!(" {name}=\"")).nth(1).unwrap();
        rest.split('"').next().unwrap().parse().unwrap()
    };
    let drawn: Vec<(f64, f64, f64)> = svg
        .lines()
        .filter(|l| l.starts_with("<rect") && !l.contains("#ffffff"))
        .map(|l| (of(l, "x"), of(l, "y") + of(l, "height"), of(l, "height")))
        .collect();
    // Three cells, one of no place left out; two samples in the legend.
    let [fits, right, left, _, _] = drawn[..] else {
        panic!("{drawn:?}");
    };
    assert!(
        right.1 > fits.1 && left.1 == fits.1 && left.0 > fits.0,
        "{drawn:?}"
    );
    assert!(fits.2 < 0.3 * left.2);
}
