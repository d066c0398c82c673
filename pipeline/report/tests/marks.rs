//! Marks and strip, by single pixels.

#![allow(clippy::unwrap_used)]

use restrike_model::{Mark, Picture, Point, Raster, Stroke, Tone};
use restrike_report::picture::{Base, Encoding, Options, render, render_pixels, tone_colour};

fn picture(marks: Vec<Mark>) -> Picture {
    Picture {
        name: "overlay".into(),
        caption: "Sheet 3.".into(),
        base: "scan".into(),
        frame: None,
        marks,
    }
}

/// A base twice as large as the picture, of one reflectance.
fn base(light: u16) -> Raster<u16> {
    Raster::from_vec(3200, 800, 1, vec![light; 3200 * 800]).unwrap()
}

fn draw(light: u16, marks: Vec<Mark>) -> impl Fn(usize, usize) -> [u8; 3] {
    let base = base(light);
    let options = Options {
        strip: false,
        ..Options::default()
    };
    let canvas = render_pixels(&picture(marks), Base::Light(base.view()), &options).unwrap();
    assert_eq!((canvas.width(), canvas.height()), (1600, 400));
    move |x, y| {
        let at = (y * 1600 + x) * 4;
        [0, 1, 2].map(|c| canvas.data()[at + c])
    }
}

fn across(tone: Tone, stroke: Stroke) -> Mark {
    // On the middle of pixel row 200, as full-size pixels are half as large.
    Mark::Line {
        points: vec![Point::new(-1e7, 401.0), Point::new(1e7, 401.0)],
        closed: false,
        tone,
        stroke,
    }
}

#[test]
fn a_line_has_its_tone_where_it_should_and_a_pale_halo() {
    let at = draw(0, vec![across(Tone::Measured, Stroke::Solid)]);
    for x in [0, 800, 1599] {
        assert_eq!(at(x, 200), tone_colour(Tone::Measured));
        assert!(at(x, 202)[0] > 120, "halo {:?}", at(x, 202));
        assert_eq!(at(x, 210), [0, 0, 0]);
    }
}

#[test]
fn tones_differ_in_form_not_only_in_colour() {
    // How much of each row across the line is ink, in eighths.
    let mut forms = Vec::new();
    for tone in [
        Tone::Measured,
        Tone::Expected,
        Tone::Fault,
        Tone::Notice,
        Tone::Guide,
    ] {
        for stroke in [Stroke::Solid, Stroke::Dashed] {
            let at = draw(65535, vec![across(tone, stroke)]);
            let full = 400.0 * f64::from(255 - tone_colour(tone)[1]);
            let profile: Vec<u8> = (194..207)
                .map(|y| {
                    let ink: f64 = (600..1000).map(|x| f64::from(255 - at(x, y)[1])).sum();
                    (8.0 * ink / full).round() as u8
                })
                .collect();
            assert!(profile[6] + profile[8] > 0, "{tone:?} {stroke:?} is drawn");
            forms.push(profile);
        }
    }
    let mut distinct = forms.clone();
    distinct.sort();
    distinct.dedup();
    assert_eq!(distinct.len(), forms.len(), "{forms:#?}");
}

#[test]
fn words_stay_inside_and_apart() {
    let words = |x: f64, y: f64| Mark::Text {
        at: Point::new(x, y),
        text: "shift 0.12 mm".into(),
        tone: Tone::Fault,
    };
    // Beyond the right edge, and one on top of the other.
    let at = draw(30000, vec![words(3190.0, 402.0), words(3190.0, 404.0)]);
    let red = |x: usize, y: usize| at(x, y)[0] > 150 && at(x, y)[1] < 60;
    let rows: Vec<usize> = (0..400).filter(|y| (0..1600).any(|x| red(x, *y))).collect();
    let gaps = rows.windows(2).filter(|w| w[1] > w[0] + 2).count();
    assert_eq!(gaps, 1, "two lines of words: {rows:?}");
    assert!((1590..1600).all(|x| (0..400).all(|y| !red(x, y)) || x < 1598));
}

#[test]
fn odd_marks_draw_nothing_and_do_no_harm() {
    let tone = Tone::Fault;
    let nan = Point::new(f64::NAN, 3.0);
    let far = Point::new(1e15, -1e15);
    let at = draw(
        30000,
        vec![
            Mark::Line {
                points: vec![nan, far],
                closed: true,
                tone,
                stroke: Stroke::Dashed,
            },
            Mark::Line {
                points: Vec::new(),
                closed: true,
                tone,
                stroke: Stroke::Solid,
            },
            Mark::Arrow {
                from: nan,
                to: far,
                tone,
            },
            Mark::Cross { at: far, tone },
            Mark::Circle {
                at: far,
                radius: f64::INFINITY,
                tone,
            },
            Mark::Circle {
                at: nan,
                radius: f64::NAN,
                tone,
            },
            Mark::Text {
                at: nan,
                text: "no".into(),
                tone,
            },
        ],
    );
    let paper = at(0, 0);
    assert!((0..1600).all(|x| (0..400).all(|y| at(x, y) == paper)));
}

#[test]
fn the_scale_bar_is_as_long_as_it_says() {
    let base = base(30000);
    // 3200 px of 0.05 mm are 160 mm, so 1600 px of 0.1 mm: 20 mm are 200 px.
    let options = Options {
        base_mm_per_px: Some([0.05, 0.05]),
        ..Options::default()
    };
    let canvas = render_pixels(&picture(Vec::new()), Base::Light(base.view()), &options).unwrap();
    let dark = |x: u32, y: u32| canvas.pixel(x, y).unwrap().red() < 60;
    let longest = (400..canvas.height())
        .map(|y| {
            let row: String = (0..1600)
                .map(|x| if dark(x, y) { '#' } else { ' ' })
                .collect();
            row.split(' ').map(str::len).max().unwrap()
        })
        .max()
        .unwrap();
    assert!((199..=201).contains(&longest), "{longest}");
}

#[test]
fn files_decode_to_the_pixels() {
    let base = base(30000);
    let marks = vec![across(Tone::Measured, Stroke::Solid)];
    let canvas = render_pixels(
        &picture(marks.clone()),
        Base::Light(base.view()),
        &Options::default(),
    )
    .unwrap();
    for encoding in [Encoding::Png, Encoding::Jpeg(90)] {
        let options = Options {
            encoding,
            ..Options::default()
        };
        let file = render(&picture(marks.clone()), Base::Light(base.view()), &options).unwrap();
        let decoded = image::load_from_memory(&file.bytes).unwrap().to_rgb8();
        assert_eq!(decoded.dimensions(), (canvas.width(), canvas.height()));
        let worst = decoded
            .pixels()
            .zip(canvas.data().chunks_exact(4))
            .flat_map(|(p, q)| p.0.into_iter().zip(q).map(|(a, b)| a.abs_diff(*b)))
            .max();
        match encoding {
            Encoding::Png => assert_eq!(worst, Some(0)),
            Encoding::Svg => unreachable!(),
            Encoding::Jpeg(_) => assert!(worst < Some(90), "{worst:?}"),
        }
    }
}
