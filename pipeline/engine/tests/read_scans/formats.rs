//! Every kind of file gives the pixels that were put in.

use jpeg_encoder::{ColorType as JpegColour, Encoder, SamplingFactor};
use png::{BitDepth, ColorType};

use crate::files::{Tiff, distance, lit, picture, png_file, png_interlaced, scan};

/// Rounding to 16 bits.
const HALF: f64 = 0.51;

/// Checks a file of grey or RGB samples against the sRGB formula.
fn holds(file: &[u8], values: &[u32], max: u32, what: &str) {
    let folder = crate::files::Folder::new();
    let path = folder.put("scan", file);
    let scan = match restrike_engine::read::decode(&path, &Default::default()) {
        Ok(scan) => scan,
        Err(e) => panic!("{what}: {e}"),
    };
    let expected: Vec<f64> = values.iter().map(|v| lit(*v, max)).collect();
    let (_, worst) = distance(scan.image.data(), &expected);
    assert!(worst < HALF, "{what}: off by {worst}");
    assert_eq!(scan.colour, "sRGB (untagged)", "{what}");
}

#[test]
fn tiff_of_every_arrangement() {
    let mut n = 0;
    for bits in [8, 16] {
        for (samples, photometric) in [(1, 1), (3, 2)] {
            for compression in [1, 5, 8, 32773] {
                for predictor in [1, 2] {
                    for planar in [false, true] {
                        for tile in [None, Some((16, 16)), Some((48, 32))] {
                            for rows_per_strip in [7, 29] {
                                for big_endian in [false, true] {
                                    let tiff = Tiff {
                                        samples,
                                        bits,
                                        photometric,
                                        compression,
                                        predictor,
                                        planar,
                                        tile,
                                        rows_per_strip,
                                        big_endian,
                                        big: n % 3 == 0,
                                        ..Tiff::default()
                                    };
                                    let values = tiff.picture();
                                    let what = format!(
                                        "{bits} bits, {samples} samples, compression \
                                         {compression}, predictor {predictor}, planar {planar}, \
                                         {tile:?}, {rows_per_strip} rows, big-endian {big_endian}"
                                    );
                                    holds(&tiff.file(&values), &values, tiff.max(), &what);
                                    n += 1;
                                }
                            }
                        }
                    }
                }
            }
        }
    }
    println!("{n} arrangements");
}

#[test]
fn tiff_of_odd_depths() {
    for bits in [1, 2, 4, 6, 10, 12, 14] {
        for (samples, photometric) in [(1, 1), (3, 2)] {
            for planar in [false, true] {
                for tile in [None, Some((16, 16))] {
                    for compression in [1, 5] {
                        let tiff = Tiff {
                            samples,
                            bits,
                            photometric,
                            planar,
                            tile,
                            compression,
                            big_endian: bits % 4 == 0,
                            big: planar,
                            ..Tiff::default()
                        };
                        let values = tiff.picture();
                        let what = format!(
                            "{bits} bits, {samples} samples, {planar}, {tile:?}, {compression}"
                        );
                        holds(&tiff.file(&values), &values, tiff.max(), &what);
                    }
                }
            }
        }
    }
}

#[test]
fn tiff_of_32_bits_and_of_floats() {
    let deep = Tiff {
        bits: 32,
        ..Tiff::default()
    };
    let values = picture(deep.width, deep.height, 3, 65535);
    let high: Vec<u32> = values.iter().map(|v| v << 16 | 0x1234).collect();
    holds(&deep.file(&high), &values, 65535, "32-bit integers");

    // Untagged floats are linear already.
    let float = Tiff {
        bits: 32,
        big_endian: true,
        tags: vec![(339, 3, vec![3, 3, 3])],
        ..Tiff::default()
    };
    let linear: Vec<f32> = values.iter().map(|v| *v as f32 / 65535.0).collect();
    let bits: Vec<u32> = linear.iter().map(|v| v.to_bits()).collect();
    let read = scan(&float.file(&bits));
    let expected: Vec<f64> = values.iter().map(|v| f64::from(*v)).collect();
    let (_, worst) = distance(read.image.data(), &expected);
    assert!(worst < HALF, "floats: {worst}");
    assert_eq!(read.colour, "linear sRGB (untagged float)");
    assert_eq!(read.clipped, 0);

    let mut over = bits;
    over[0] = 1.5_f32.to_bits();
    over[1] = (-0.5_f32).to_bits();
    over[2] = f32::NAN.to_bits();
    let read = scan(&float.file(&over));
    assert_eq!(&read.image.data()[..3], &[65535, 0, 0]);
    assert_eq!(read.clipped, 3);
}

#[test]
fn tiff_white_is_zero_and_reversed_bits() {
    for bits in [1, 4, 8, 16] {
        let tiff = Tiff {
            samples: 1,
            bits,
            photometric: 0,
            low_bit_first: true,
            compression: 5,
            ..Tiff::default()
        };
        let values = tiff.picture();
        let light: Vec<u32> = values.iter().map(|v| tiff.max() - v).collect();
        holds(&tiff.file(&values), &light, tiff.max(), "white is zero");
    }
}

#[test]
fn tiff_palette() {
    for bits in [1, 2, 4, 8] {
        let n = 1_usize << bits;
        let map: Vec<u64> = (0..3 * n).map(|i| (i * 40_503 % 65_536) as u64).collect();
        let tiff = Tiff {
            samples: 1,
            bits,
            photometric: 3,
            compression: 32773,
            tags: vec![(320, 3, map.clone())],
            ..Tiff::default()
        };
        let indices = tiff.picture();
        let colours: Vec<u32> = indices
            .iter()
            .flat_map(|i| [0, n, 2 * n].map(|plane| map[plane + *i as usize] as u32))
            .collect();
        holds(&tiff.file(&indices), &colours, 65535, "palette");
    }
}

/// Over white paper, in linear light.
fn over_white(light: f64, opacity: f64) -> f64 {
    light * opacity + 65535.0 * (1.0 - opacity)
}

#[test]
fn opacity_is_laid_over_white() {
    for (kind, bits) in [(0, 8), (2, 8), (2, 16), (1, 16)] {
        let tiff = Tiff {
            samples: 4,
            bits,
            compression: 8,
            planar: bits == 8,
            tags: vec![(338, 3, vec![kind])],
            ..Tiff::default()
        };
        let max = tiff.max();
        let mut values = tiff.picture();
        if kind == 1 {
            // Colours multiplied by opacity are no larger than it.
            for pixel in values.chunks_exact_mut(4) {
                let a = pixel[3];
                pixel[..3].iter_mut().for_each(|v| *v = (*v).min(a));
            }
        }
        let expected: Vec<f64> = values
            .chunks_exact(4)
            .flat_map(|p| {
                let a = f64::from(p[3]) / f64::from(max);
                [0, 1, 2].map(|c| match kind {
                    1 if p[3] > 0 => {
                        let straight = (u64::from(p[c]) * u64::from(max) + u64::from(p[3]) / 2)
                            / u64::from(p[3]);
                        over_white(lit(straight as u32, max), a)
                    }
                    // An extra sample of no stated meaning is ignored.
                    0 => lit(p[c], max),
                    _ => over_white(lit(p[c], max), a),
                })
            })
            .collect();
        let read = scan(&tiff.file(&values));
        let (_, worst) = distance(read.image.data(), &expected);
        assert!(worst < 1.01, "extra sample {kind}, {bits} bits: {worst}");
    }
}

/// Group 4 by hand (ITU-T T.6; the code words are from memory): 16 x 3 pixels, black from column 4
/// to 6 in every row. First row: horizontal mode (001), white run of 4 (1011), black run of 3 (10),
/// then vertical mode 0 (1) at the row's end; the others three times vertical mode 0.
#[test]
fn tiff_ccitt_group_4() {
    let bits = "0011011101".to_owned() + "111" + "111" + "000000000001000000000001";
    let bytes: Vec<u8> = bits
        .as_bytes()
        .chunks(8)
        .map(|c| {
            c.iter()
                .enumerate()
                .fold(0, |a, (i, b)| a | ((b - b'0') << (7 - i)))
        })
        .collect();
    let tiff = Tiff {
        width: 16,
        height: 3,
        samples: 1,
        bits: 1,
        photometric: 0,
        compression: 4,
        rows_per_strip: 3,
        ..Tiff::default()
    };
    let read = scan(&tiff.assemble(&[bytes]));
    for y in 0..3 {
        for x in 0..16 {
            let black = (4..7).contains(&x);
            assert_eq!(
                read.image.get(x, y, 0),
                if black { 0 } else { 65535 },
                "{x} {y}"
            );
        }
    }
}

#[test]
fn png_of_every_kind() {
    let depths = |colour| match colour {
        ColorType::Grayscale => vec![1, 2, 4, 8, 16],
        ColorType::Indexed => vec![1, 2, 4, 8],
        _ => vec![8, 16],
    };
    for colour in [
        ColorType::Grayscale,
        ColorType::Rgb,
        ColorType::Indexed,
        ColorType::GrayscaleAlpha,
        ColorType::Rgba,
    ] {
        for bits in depths(colour) {
            let tiff = Tiff {
                samples: colour.samples(),
                bits,
                big_endian: true,
                rows_per_strip: 29,
                ..Tiff::default()
            };
            let values = tiff.picture();
            let max = tiff.max();
            // A TIFF strip without compression packs samples as PNG does.
            let data = tiff.file(&values)[8..].to_vec();
            let row = (tiff.width * tiff.samples * bits as usize).div_ceil(8);
            let palette: Vec<u8> = (0..3_usize << bits).map(|i| (i * 37 % 256) as u8).collect();
            let depth = BitDepth::from_u8(bits as u8).unwrap();
            let file = png_file(37, 29, colour, depth, &data[..row * 29], |info| {
                if colour == ColorType::Indexed {
                    info.palette = Some(palette.clone().into());
                }
            });
            let read = scan(&file);
            let expected: Vec<f64> = match colour {
                ColorType::Indexed => values
                    .iter()
                    .flat_map(|i| [0, 1, 2].map(|c| lit(palette[*i as usize * 3 + c].into(), 255)))
                    .collect(),
                ColorType::GrayscaleAlpha | ColorType::Rgba => values
                    .chunks_exact(tiff.samples)
                    .flat_map(|p| {
                        let (alpha, colours) = p.split_last().unwrap();
                        let a = f64::from(*alpha) / f64::from(max);
                        colours
                            .iter()
                            .map(move |v| over_white(lit(*v, max), a))
                            .collect::<Vec<_>>()
                    })
                    .collect(),
                _ => values.iter().map(|v| lit(*v, max)).collect(),
            };
            let (_, worst) = distance(read.image.data(), &expected);
            assert!(worst < 1.01, "{colour:?} {bits}: {worst}");
        }
    }
}

#[test]
fn png_interlaced_in_every_size() {
    for (samples, bits) in [(1, 1), (1, 4), (1, 16), (3, 8), (3, 16)] {
        for (width, height) in [(37, 29), (8, 8), (1, 1), (3, 2), (5, 9), (2, 1)] {
            let layout = Tiff {
                width,
                height,
                samples,
                bits,
                big_endian: true,
                ..Tiff::default()
            };
            let values = layout.picture();
            let file = png_interlaced(&layout, &values);
            let what = format!("{width} x {height}, {samples} samples of {bits} bits");
            holds(&file, &values, layout.max(), &what);
        }
    }
}

/// A smooth picture that JPEG keeps well.
fn smooth(width: usize, height: usize, samples: usize) -> Vec<u8> {
    (0..height)
        .flat_map(|y| (0..width).map(move |x| (x, y)))
        .flat_map(|(x, y)| (0..samples).map(move |s| (40 + 2 * x + (2 + s) * y) as u8))
        .collect()
}

fn jpeg(
    data: &[u8],
    (width, height): (u16, u16),
    colour: JpegColour,
    set: impl FnOnce(&mut Encoder<&mut Vec<u8>>),
) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = Encoder::new(&mut out, 97);
    encoder.set_sampling_factor(SamplingFactor::F_1_1);
    set(&mut encoder);
    encoder.encode(data, width, height, colour).unwrap();
    out
}

/// Distance in 8-bit steps from what was encoded; JPEG loses a few.
fn near_in_8_bits(image: &[u16], values: &[u8], most: f64, what: &str) {
    assert_eq!(image.len(), values.len(), "{what}");
    let worst = image
        .iter()
        .zip(values)
        .map(|(a, v)| {
            let linear = f64::from(*a) / 65535.0;
            // Inverse of the sRGB formula, IEC 61966-2-1.
            let encoded = if linear <= 0.003_130_8 {
                12.92 * linear
            } else {
                1.055 * libm::pow(linear, 1.0 / 2.4) - 0.055
            };
            (encoded * 255.0 - f64::from(*v)).abs()
        })
        .fold(0.0, f64::max);
    assert!(worst < most, "{what}: off by {worst} of 255");
}

#[test]
fn jpeg_baseline_and_progressive() {
    for progressive in [false, true] {
        for (samples, colour) in [(1, JpegColour::Luma), (3, JpegColour::Rgb)] {
            for sampling in [SamplingFactor::F_1_1, SamplingFactor::F_2_2] {
                let data = smooth(43, 27, samples);
                let file = jpeg(&data, (43, 27), colour, |e| {
                    e.set_progressive(progressive);
                    e.set_sampling_factor(sampling);
                });
                let read = scan(&file);
                let what = format!("{colour:?} {sampling:?} progressive {progressive}");
                near_in_8_bits(read.image.data(), &data, 5.0, &what);
                let compression = if progressive {
                    "progressive"
                } else {
                    "baseline"
                };
                assert_eq!(read.header.compression, compression);
                let coarse = samples == 3 && sampling == SamplingFactor::F_2_2;
                assert_eq!(
                    read.header.colour_step,
                    if coarse { 2 } else { 1 },
                    "{what}"
                );
            }
        }
    }
}

/// Inks without a profile: R = (1 - C)(1 - K) in sRGB.
fn plain_inks(data: &[u8]) -> Vec<u8> {
    data.chunks_exact(4)
        .flat_map(|p| {
            let paper = |ink: u8| f64::from(255 - ink) / 255.0;
            [0, 1, 2].map(|c| (255.0 * paper(p[c]) * paper(p[3])).round() as u8)
        })
        .collect()
}

#[test]
fn cmyk_by_the_plain_rule() {
    let data = smooth(43, 27, 4);
    let expected = plain_inks(&data);
    let tiff = Tiff {
        width: 43,
        height: 27,
        samples: 4,
        photometric: 5,
        compression: 5,
        predictor: 2,
        ..Tiff::default()
    };
    let values: Vec<u32> = data.iter().map(|v| u32::from(*v)).collect();
    let read = scan(&tiff.file(&values));
    near_in_8_bits(read.image.data(), &expected, 0.52, "TIFF CMYK");
    assert!(
        read.colour.starts_with("CMYK by the rule"),
        "{}",
        read.colour
    );

    // This encoder inverts the inks as Adobe's writers do, and marks the file so.
    for colour in [JpegColour::Cmyk, JpegColour::CmykAsYcck] {
        let file = jpeg(&data, (43, 27), colour, |_| {});
        let read = scan(&file);
        near_in_8_bits(read.image.data(), &expected, 6.0, &format!("{colour:?}"));
    }
}

#[test]
fn tiff_with_jpeg_inside() {
    for tile in [None, Some((32, 16))] {
        for (samples, photometric, colour) in [
            (1, 1, JpegColour::Luma),
            (3, 6, JpegColour::Rgb),
            (3, 2, JpegColour::Ycbcr),
            (4, 5, JpegColour::Ycck),
        ] {
            let (width, height) = (43, 27);
            let data = smooth(width, height, samples);
            let (cw, ch) = tile.unwrap_or((width, 16));
            let mut chunks = Vec::new();
            for y in (0..height).step_by(ch) {
                for x in (0..width).step_by(cw) {
                    let rows = if tile.is_some() {
                        ch
                    } else {
                        ch.min(height - y)
                    };
                    let mut part = Vec::new();
                    for row in y..y + rows {
                        for column in x..x + cw {
                            let at = row.min(height - 1) * width + column.min(width - 1);
                            part.extend(&data[at * samples..(at + 1) * samples]);
                        }
                    }
                    // `Ycbcr` and `Ycck` store three or four samples untouched; what they mean is
                    // for the TIFF tags to say.
                    let size = (cw as u16, rows as u16);
                    let file = jpeg(&part, size, colour, |_| {});
                    chunks.push(without_app14(&file));
                }
            }
            let tiff = Tiff {
                width,
                height,
                samples,
                photometric,
                compression: 7,
                tile,
                rows_per_strip: ch,
                ..Tiff::default()
            };
            let read = scan(&tiff.assemble(&chunks));
            let what = format!("JPEG in TIFF, {samples} samples, {tile:?}");
            let expected = if samples == 4 {
                plain_inks(&data)
            } else {
                data
            };
            near_in_8_bits(read.image.data(), &expected, 6.0, &what);
        }
    }
}

fn without_app14(file: &[u8]) -> Vec<u8> {
    match file.windows(4).position(|w| w == [0xff, 0xee, 0, 14]) {
        Some(at) => [&file[..at], &file[at + 16..]].concat(),
        None => file.to_vec(),
    }
}
