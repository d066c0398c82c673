//! The picture below the marks, against slow and plain resamplers.

#![allow(clippy::unwrap_used)]

use proptest::prelude::*;
use restrike_model::{Affine, Frame, ImageView, Picture, Point, Raster};
use restrike_report::picture::{Base, Options, render_pixels};

fn plain(frame: Option<Frame>) -> Picture {
    Picture {
        name: "test".into(),
        caption: String::new(),
        base: "scan".into(),
        frame,
        marks: Vec::new(),
    }
}

fn options(long_side_px: Option<usize>) -> Options {
    Options {
        long_side_px,
        strip: false,
        ..Options::default()
    }
}

/// IEC 61966-2-1.
fn to_srgb(v: f64) -> f64 {
    let v = v.clamp(0.0, 1.0);
    255.0
        * if v <= 0.003_130_8 {
            12.92 * v
        } else {
            1.055 * libm::pow(v, 1.0 / 2.4) - 0.055
        }
}

/// A smooth scan with edges a few pixels wide, as an optical one has.
fn scan(width: usize, height: usize, channels: usize, seed: u64) -> Raster<u16> {
    let mut scan = Raster::new(width, height, channels);
    let s = seed as f64;
    for y in 0..height {
        for x in 0..width {
            for c in 0..channels {
                let (u, v) = (x as f64, y as f64 + 3.0 * c as f64);
                let wave = libm::sin(0.11 * u + 0.07 * v + s) * libm::cos(0.05 * v - 0.3 * s);
                let line = libm::tanh((libm::sin(0.09 * u - 0.13 * v + 2.0 * s) - 0.6) * 6.0);
                let light = 0.5 + 0.2 * wave + 0.25 * line;
                scan.set(x, y, c, (light * 65535.0) as u16);
            }
        }
    }
    scan
}

/// Mean over each picture pixel from a dense grid of samples of the base, which
/// is constant over each of its pixels where it shrinks, bilinear where it grows.
fn reference(
    view: ImageView<'_, u16>,
    to_base: &Affine,
    (width, height): (usize, usize),
) -> Vec<Option<[f64; 3]>> {
    const GRID: usize = 24;
    let (w, h) = (view.width() as f64, view.height() as f64);
    let grows = to_base.determinant().abs() < 1.0;
    let sample = |p: Point, c: usize| {
        let at = |x: f64, y: f64| {
            let x = x.clamp(0.0, w - 1.0) as usize;
            let y = y.clamp(0.0, h - 1.0) as usize;
            f64::from(view.get(x, y, c.min(view.channels() - 1))) / 65535.0
        };
        if !grows {
            return at(p.x.floor(), p.y.floor());
        }
        let (x, y) = (p.x - 0.5, p.y - 0.5);
        let (i, j, s, t) = (x.floor(), y.floor(), x - x.floor(), y - y.floor());
        (at(i, j) * (1.0 - s) + at(i + 1.0, j) * s) * (1.0 - t)
            + (at(i, j + 1.0) * (1.0 - s) + at(i + 1.0, j + 1.0) * s) * t
    };
    let mut pixels = Vec::new();
    for y in 0..height {
        for x in 0..width {
            let mut sum = [0.0; 3];
            let mut inside = 0;
            for k in 0..GRID * GRID {
                let step = |k: usize| (k as f64 + 0.5) / GRID as f64;
                let p = Point::new(x as f64 + step(k % GRID), y as f64 + step(k / GRID));
                let p = to_base.apply(p);
                if p.x >= 0.0 && p.y >= 0.0 && p.x < w && p.y < h {
                    inside += 1;
                    for (c, s) in sum.iter_mut().enumerate() {
                        *s += sample(p, c);
                    }
                }
            }
            let whole = inside == GRID * GRID;
            pixels.push(whole.then(|| sum.map(|s| to_srgb(s / f64::from(inside as u32)))));
        }
    }
    pixels
}

/// Peak signal to noise of the pixels the base covers, dB; none if it covers none.
fn psnr(scan: &Raster<u16>, frame: Frame, long_side: usize) -> Option<f64> {
    let picture = plain(Some(frame));
    let got = render_pixels(
        &picture,
        Base::Light(scan.view()),
        &options(Some(long_side)),
    )
    .unwrap();
    let (width, height) = (got.width() as usize, got.height() as usize);
    let scale = Affine::scale(frame.width / width as f64, frame.height / height as f64);
    let expected = reference(scan.view(), &scale.then(&frame.to_base), (width, height));
    let mut squares = 0.0;
    let mut count = 0.0;
    for (pixel, expected) in got.data().chunks_exact(4).zip(&expected) {
        if let Some(expected) = expected {
            for (a, b) in pixel.iter().zip(expected) {
                squares += (f64::from(*a) - b) * (f64::from(*a) - b);
                count += 1.0;
            }
        }
    }
    (count > 0.0).then(|| 10.0 * libm::log10(255.0 * 255.0 * count / squares))
}

fn about_centre(linear: Affine, frame: (f64, f64), base: (f64, f64)) -> Affine {
    Affine::translation(-frame.0 / 2.0, -frame.1 / 2.0)
        .then(&linear)
        .then(&Affine::translation(base.0 / 2.0, base.1 / 2.0))
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_frame_agrees_with_the_plain_resampler(
        seed in 0_u64..50,
        channels in prop_oneof![Just(1_usize), Just(3)],
        angle in -3.2_f64..3.2,
        stretch in 0.6_f64..1.6,
        shear in -0.3_f64..0.3,
        mirrored in any::<bool>(),
        long_side in 16_usize..150,
        side in 60.0_f64..220.0,
    ) {
        let scan = scan(230, 190, channels, seed);
        let sign = if mirrored { -1.0 } else { 1.0 };
        let linear = Affine::scale(sign * stretch, 1.0)
            .then(&Affine([1.0, shear, 0.0, 0.0, 1.0, 0.0]))
            .then(&Affine::rotation(angle));
        let to_base = about_centre(linear, (side, 0.7 * side), (230.0, 190.0));
        let frame = Frame { width: side, height: 0.7 * side, to_base };
        let psnr = psnr(&scan, frame, long_side).unwrap();
        prop_assert!(psnr > 44.0, "{psnr} dB");
    }

    #[test]
    fn frames_along_the_axes_are_exact(
        seed in 0_u64..50,
        quarters in 0_usize..4,
        mirrored in any::<bool>(),
        dx in -20.0_f64..20.0,
        long_side in 20_usize..110,
    ) {
        let scan = scan(230, 190, 3, seed);
        let sign = if mirrored { -1.0 } else { 1.0 };
        let turn = [
            [1.0, 0.0, 0.0, 1.0],
            [0.0, -1.0, 1.0, 0.0],
            [-1.0, 0.0, 0.0, -1.0],
            [0.0, 1.0, -1.0, 0.0],
        ][quarters];
        let linear = Affine::scale(sign, 1.0)
            .then(&Affine([turn[0], turn[1], 0.0, turn[2], turn[3], 0.0]));
        let to_base = about_centre(linear, (160.0, 140.0), (230.0 + dx, 190.0));
        let frame = Frame { width: 160.0, height: 140.0, to_base };
        // What is left is the rounding to bytes (58.9 dB for a uniform error)
        // and the grid of the reference, whose samples miss up to a 24th of a pixel.
        let psnr = psnr(&scan, frame, long_side).unwrap();
        prop_assert!(psnr > 48.0, "{psnr} dB");
    }
}

#[test]
fn averages_are_of_light_not_of_code_values() {
    // A fine black and white grating reflects half the light: sRGB 188, not 128.
    let data = (0..64 * 64).map(|i| if i % 2 == 0 { 0 } else { 65535 });
    let grating = Raster::from_vec(64, 64, 1, data.collect()).unwrap();
    let got = render_pixels(
        &plain(None),
        Base::Light(grating.view()),
        &options(Some(16)),
    )
    .unwrap();
    assert!(
        got.data()
            .chunks_exact(4)
            .all(|p| p == [188, 188, 188, 255])
    );
}

#[test]
fn full_size_without_a_frame_is_the_scan_itself() {
    let scan = scan(40, 30, 3, 1);
    let got = render_pixels(&plain(None), Base::Light(scan.view()), &options(None)).unwrap();
    assert_eq!((got.width(), got.height()), (40, 30));
    for (pixel, light) in got.data().chunks_exact(4).zip(scan.data().chunks_exact(3)) {
        for (a, b) in pixel.iter().zip(light) {
            let exact = to_srgb(f64::from(*b) / 65535.0);
            assert!((f64::from(*a) - exact).abs() <= 0.51, "{a} {exact}");
        }
    }
}

#[test]
fn the_outside_and_missing_values_are_hatched_not_black() {
    let scan = Raster::from_vec(10, 10, 1, vec![0_u16; 100]).unwrap();
    let frame = Frame {
        width: 20.0,
        height: 10.0,
        to_base: Affine::IDENTITY,
    };
    let got = render_pixels(
        &plain(Some(frame)),
        Base::Light(scan.view()),
        &options(Some(200)),
    )
    .unwrap();
    let at = |x: usize| got.data()[(50 * 200 + x) * 4];
    assert_eq!(at(50), 0);
    assert!((150..180).all(|x| at(x) > 200));
    assert!((150..180).any(|x| at(x) != at(150)), "two greys");

    let map = Raster::from_vec(2, 1, 1, vec![1.0, f32::NAN]).unwrap();
    let base = Base::Map {
        values: map.view(),
        label: "",
        range: None,
    };
    let got = render_pixels(&plain(None), base, &options(Some(200))).unwrap();
    let pixel = |x: usize| &got.data()[x * 4..x * 4 + 3];
    assert_ne!(pixel(20)[0], pixel(20)[2], "coloured");
    assert_eq!(pixel(180)[0], pixel(180)[2], "grey");
}

#[test]
fn senseless_frames_are_refused_with_the_pictures_name() {
    let scan = scan(10, 10, 1, 0);
    for (width, height, to_base) in [
        (0.0, 10.0, Affine::IDENTITY),
        (f64::NAN, 10.0, Affine::IDENTITY),
        (10.0, 10.0, Affine::scale(0.0, 1.0)),
        (10.0, 10.0, Affine::translation(f64::INFINITY, 0.0)),
    ] {
        let frame = Frame {
            width,
            height,
            to_base,
        };
        let error = render_pixels(
            &plain(Some(frame)),
            Base::Light(scan.view()),
            &options(Some(100)),
        );
        assert!(error.unwrap_err().to_string().contains("`test`"));
    }
    let frame = Frame {
        width: 1e6,
        height: 1e6,
        to_base: Affine::IDENTITY,
    };
    let error = render_pixels(
        &plain(Some(frame)),
        Base::Light(scan.view()),
        &options(None),
    );
    assert!(error.unwrap_err().to_string().contains("1000000"));
    let two = Raster::from_vec(1, 1, 2, vec![0_u16; 2]).unwrap();
    assert!(render_pixels(&plain(None), Base::Light(two.view()), &options(None)).is_err());
    let none = Raster::<u16>::new(0, 5, 1);
    assert!(render_pixels(&plain(None), Base::Light(none.view()), &options(None)).is_err());
    // A sliver that shrinks to nothing still has a pixel.
    let sliver = Raster::from_vec(5000, 1, 1, vec![9_u16; 5000]).unwrap();
    let got = render_pixels(&plain(None), Base::Light(sliver.view()), &options(Some(50))).unwrap();
    assert_eq!((got.width(), got.height()), (50, 1));
}
