//! Renders every kind of mark on invented bases into a folder, to look at:
//! `cargo run -p restrike-report --example gallery -- FOLDER`.

use std::path::PathBuf;

use restrike_model::{Affine, Dpi, Frame, Mark, Picture, Point, Raster, Stroke, Tone};
use restrike_report::files;
use restrike_report::picture::{Base, Encoding, Options, render};

const TONES: [Tone; 5] = [
    Tone::Measured,
    Tone::Expected,
    Tone::Fault,
    Tone::Notice,
    Tone::Guide,
];

/// A sheet: toned paper on a dark bed, black lines, colour areas, a gradation.
fn sheet(width: usize, height: usize) -> Raster<u16> {
    let mut sheet = Raster::new(width, height, 3);
    for y in 0..height {
        for x in 0..width {
            let (u, v) = (x as f64 / width as f64, y as f64 / height as f64);
            let off = !(0.04..0.96).contains(&u) || !(0.05..0.95).contains(&v);
            let line = (x / 23) % 9 == 0 && (y / 300) % 2 == 0 || (x + y) % 211 < 5;
            let light = if off {
                [0.02, 0.02, 0.025]
            } else if line {
                [0.015, 0.015, 0.02]
            } else if u > 0.6 && v > 0.55 {
                [0.45 * (1.0 - v) + 0.05, 0.15, 0.35 * v]
            } else if v < 0.4 {
                let k = v / 0.4;
                [0.1 + 0.65 * k, 0.25 + 0.45 * k, 0.55 + 0.05 * k]
            } else {
                [0.78, 0.71, 0.58]
            };
            for (c, l) in light.into_iter().enumerate() {
                sheet.set(x, y, c, (l * 65535.0) as u16);
            }
        }
    }
    sheet
}

fn marks(width: f64, height: f64) -> Vec<Mark> {
    let mut marks = Vec::new();
    let p = |u: f64, v: f64| Point::new(u * width, v * height);
    for (k, tone) in TONES.into_iter().enumerate() {
        let v = 0.1 + 0.17 * k as f64;
        for (row, stroke) in [Stroke::Solid, Stroke::Dashed].into_iter().enumerate() {
            let v = v + 0.035 * row as f64;
            marks.push(Mark::Line {
                points: vec![p(0.01, v), p(0.3, v + 0.02), p(0.45, v)],
                closed: false,
                tone,
                stroke,
            });
        }
        marks.push(Mark::Arrow {
            from: p(0.5, v),
            to: p(0.56, v + 0.06),
            tone,
        });
        marks.push(Mark::Arrow {
            from: p(0.58, v),
            to: p(0.582, v + 0.002),
            tone,
        });
        marks.push(Mark::Cross {
            at: p(0.64, v + 0.02),
            tone,
        });
        marks.push(Mark::Circle {
            at: p(0.72, v + 0.02),
            radius: 0.02 * width,
            tone,
        });
        marks.push(Mark::Text {
            at: p(0.78, v + 0.03),
            text: format!("{tone:?} \u{0394}x = \u{2212}0.12 \u{00b1} 0.03 mm"),
            tone,
        });
    }
    marks.push(Mark::Line {
        points: vec![p(0.04, 0.05), p(0.96, 0.05), p(0.96, 0.95), p(0.04, 0.95)],
        closed: true,
        tone: Tone::Measured,
        stroke: Stroke::Solid,
    });
    for k in 0..3 {
        marks.push(Mark::Text {
            at: p(0.2, 0.5 + 0.004 * f64::from(k)),
            text: format!("crowded label {k}"),
            tone: Tone::Guide,
        });
    }
    marks
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = PathBuf::from(std::env::args().nth(1).ok_or("name a folder")?);
    let (width, height) = (2400, 1650);
    let sheet = sheet(width, height);
    let options = Options {
        base_mm_per_px: Some(Dpi::square(300.0).mm_per_px()),
        ..Options::default()
    };
    let mut picture = Picture {
        name: "overlay".into(),
        caption: "Heron at the salt pans, sheet 12: every kind of mark in every tone, on paper, \
                  bed, key lines and a gradation. The caption is long enough to need a second \
                  line, so that its breaking can be looked at as well."
            .into(),
        base: "scan".into(),
        frame: None,
        marks: marks(width as f64, height as f64),
    };
    let save = |name: &str, bytes: &[u8]| files::write(&folder.join(name), bytes);
    let all = render(&picture, Base::Light(sheet.view()), &options)?;
    save("marks.png", &all.bytes)?;
    let jpeg = Options {
        encoding: Encoding::Jpeg(88),
        ..options
    };
    save(
        "marks.jpg",
        &render(&picture, Base::Light(sheet.view()), &jpeg)?.bytes,
    )?;
    let small = Options {
        long_side_px: Some(500),
        ..options
    };
    save(
        "small.png",
        &render(&picture, Base::Light(sheet.view()), &small)?.bytes,
    )?;

    picture.frame = Some(Frame {
        width: 2200.0,
        height: 1500.0,
        to_base: Affine::rotation(0.06).then(&Affine::translation(150.0, -20.0)),
    });
    picture.marks.truncate(12);
    picture.caption = "Turned by its frame; what lies beyond the scan is hatched.".into();
    save(
        "frame.png",
        &render(&picture, Base::Light(sheet.view()), &options)?.bytes,
    )?;

    picture.frame = Some(Frame {
        width: 60.0,
        height: 40.0,
        to_base: Affine::translation(1215.0, 640.0),
    });
    picture.marks = vec![Mark::Cross {
        at: Point::new(30.0, 20.0),
        tone: Tone::Expected,
    }];
    picture.caption = "A detail, enlarged.".into();
    save(
        "detail.png",
        &render(&picture, Base::Light(sheet.view()), &options)?.bytes,
    )?;

    let field = |x: usize, y: usize| {
        let (u, v) = (x as f64 / 120.0 - 0.5, y as f64 / 80.0 - 0.5);
        if u * u + v * v < 0.01 {
            f32::NAN
        } else {
            (0.3 * libm::sin(9.0 * u) * v + 0.05 * u) as f32
        }
    };
    let numbers = (0..80).flat_map(|y| (0..120).map(move |x| field(x, y)));
    let map = Raster::from_vec(120, 80, 1, numbers.collect())?;
    let positive: Vec<f32> = map.data().iter().map(|v| v.abs()).collect();
    let positive = Raster::from_vec(120, 80, 1, positive)?;
    picture.frame = None;
    picture.marks = vec![Mark::Arrow {
        from: Point::new(20.0, 20.0),
        to: Point::new(35.0, 30.0),
        tone: Tone::Measured,
    }];
    for (name, map, caption) in [
        ("map-signed.png", &map, "Residual along x after the fit."),
        ("map-positive.png", &positive, "Scatter of the residual."),
    ] {
        picture.caption = caption.into();
        let base = Base::of_stage(map.view(), "residual, mm");
        save(name, &render(&picture, base, &options)?.bytes)?;
    }
    Ok(())
}
