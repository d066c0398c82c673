//! A scan of 54 megapixels to a picture of 1600 pixels.

use restrike_model::{Affine, Frame, Picture, Raster};
use restrike_report::picture::{Base, Encoding, Options, render, render_pixels};

fn main() {
    divan::main();
}

/// 600 dpi of a sheet of 375 x 254 mm; values vary so that a PNG has work to do.
fn scan() -> Raster<u16> {
    let (width, height) = (9000, 6000);
    let mut scan = Raster::new(width, height, 3);
    let mut state = 1_u32;
    for (i, v) in scan.data_mut().iter_mut().enumerate() {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        let base = 20_000 + (i / 3 % width) as u32 * 4;
        *v = (base + (state >> 20)) as u16;
    }
    scan
}

fn picture(angle: f64) -> Picture {
    Picture {
        name: "overlay".into(),
        caption: "The sheet.".into(),
        base: "scan".into(),
        frame: (angle != 0.0).then(|| Frame {
            width: 8600.0,
            height: 5600.0,
            to_base: Affine::rotation(angle).then(&Affine::translation(210.0, 180.0)),
        }),
        marks: Vec::new(),
    }
}

#[divan::bench(args = [0.0, 0.01], sample_count = 5, sample_size = 1)]
fn shrink(bencher: divan::Bencher<'_, '_>, angle: f64) {
    let (scan, picture) = (scan(), picture(angle));
    bencher.bench_local(|| render_pixels(&picture, Base::Light(scan.view()), &Options::default()));
}

#[divan::bench(args = [0, 90], sample_count = 5, sample_size = 1)]
fn shrink_and_encode(bencher: divan::Bencher<'_, '_>, jpeg: u8) {
    let (scan, picture) = (scan(), picture(0.0));
    let options = Options {
        encoding: if jpeg == 0 {
            Encoding::Png
        } else {
            Encoding::Jpeg(jpeg)
        },
        ..Options::default()
    };
    bencher.bench_local(|| render(&picture, Base::Light(scan.view()), &options));
}
