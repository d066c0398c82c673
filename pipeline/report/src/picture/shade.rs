//! The base image of a picture, resampled and coloured into the canvas.

use tiny_skia::Pixmap;

use super::Base;
use super::colour::{NOTHING, Scale, to_srgb};
use super::geometry::Window;
use super::resample::{Full, Gappy, Source, Turn, along_axes, turn};
use super::warp::by_grid;

/// Fills the canvas's upper left part with the window's view of the base.
pub(super) fn shade(canvas: &mut Pixmap, base: &Base<'_>, window: &Window) {
    match base {
        Base::Light(view) => run(canvas, &Full(*view), window, light),
        Base::LightF32(view) => run(canvas, &Gappy(*view), window, light),
        Base::Map { values, range, .. } => {
            let scale = Scale::of(values, *range);
            run(canvas, &Gappy(*values), window, |v| {
                scale.colour(f64::from(v[0]))
            });
        }
    }
}

fn light(values: &[f32]) -> [u8; 3] {
    match values {
        [r, g, b] => [to_srgb(*r), to_srgb(*g), to_srgb(*b)],
        [v, ..] => [to_srgb(*v); 3],
        [] => NOTHING[0],
    }
}

fn run<S: Source>(
    canvas: &mut Pixmap,
    source: &S,
    window: &Window,
    colour: impl Fn(&[f32]) -> [u8; 3],
) {
    let planes = source.planes();
    let canvas_width = canvas.width() as usize;
    let data = canvas.data_mut();
    let size = (window.width, window.height);
    let turned = turn(&window.to_base, window.width, window.height);
    let by_column = turned == Some(Turn::Quarter);
    // Near the hatching's period the eye still sees it as a pattern at any size.
    let period = (10.0 * window.unit) as usize;
    let mut sink = |index: usize, values: &[f32], cover: &[f32]| {
        for (k, (value, cover)) in values.chunks_exact(planes).zip(cover).enumerate() {
            let (x, y) = if by_column { (index, k) } else { (k, index) };
            let at = (y * canvas_width + x) * 4;
            let pixel = if *cover >= 0.999 {
                colour(value)
            } else {
                let nothing = NOTHING[usize::from((x + y) % period.max(2) * 2 < period.max(2))];
                if *cover <= 0.0 {
                    nothing
                } else {
                    mix(nothing, colour(value), cover.min(1.0))
                }
            };
            data[at..at + 3].copy_from_slice(&pixel);
            data[at + 3] = 255;
        }
    };
    match turned {
        Some(turn) => along_axes(source, &window.to_base, turn, size, &mut sink),
        None => by_grid(source, &window.to_base, size, &mut sink),
    }
}

fn mix(a: [u8; 3], b: [u8; 3], part: f32) -> [u8; 3] {
    std::array::from_fn(|i| {
        let (a, b) = (f32::from(a[i]), f32::from(b[i]));
        (a + part * (b - a)).round() as u8
    })
}
