//! What a file says of itself: orientation, resolution, kind; and that the cost it states is kept.

use restrike_engine::read::{FileFormat, Header, SampleKind, probe, sha256};

use crate::files::{Folder, Tiff, lit, png_file, png_with_chunk, scan};

fn header(bytes: &[u8]) -> Header {
    let folder = Folder::new();
    probe(&folder.put("scan", bytes)).unwrap()
}

/// An EXIF block: byte order, then orientation, resolution in pixels per `unit`.
fn exif(orientation: u64, resolution: Option<(u64, u64, u64)>) -> Vec<u8> {
    let mut tags = vec![(274, 3, vec![orientation])];
    if let Some((x, y, unit)) = resolution {
        tags.extend([
            (282, 5, vec![x, 1]),
            (283, 5, vec![y, 1]),
            (296, 3, vec![unit]),
        ]);
    }
    let tiff = Tiff {
        big_endian: true,
        tags,
        ..Tiff::default()
    };
    tiff.assemble(&[vec![0]])
}

fn jpeg(set: impl FnOnce(&mut jpeg_encoder::Encoder<&mut Vec<u8>>)) -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, 95);
    set(&mut encoder);
    let data = vec![90; 24 * 16 * 3];
    encoder
        .encode(&data, 24, 16, jpeg_encoder::ColorType::Rgb)
        .unwrap();
    out
}

/// How each orientation shows a stored picture, from the table in EXIF 2.32 section 4.6.2 (tag
/// 274): where the stored first row and first column lie.
fn shown(orientation: u64, stored: &[u32], width: usize, height: usize) -> Vec<u32> {
    let rows: Vec<Vec<u32>> = stored.chunks(width).map(<[u32]>::to_vec).collect();
    let flip_rows = |rows: Vec<Vec<u32>>| rows.into_iter().rev().collect::<Vec<_>>();
    let flip_columns = |rows: Vec<Vec<u32>>| {
        rows.into_iter()
            .map(|r| r.into_iter().rev().collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    let transpose = |rows: Vec<Vec<u32>>| {
        (0..width)
            .map(|x| (0..height).map(|y| rows[y][x]).collect::<Vec<_>>())
            .collect::<Vec<_>>()
    };
    match orientation {
        1 => rows,                                     // row 0 top, column 0 left
        2 => flip_columns(rows),                       // top, right
        3 => flip_rows(flip_columns(rows)),            // bottom, right
        4 => flip_rows(rows),                          // bottom, left
        5 => transpose(rows),                          // row 0 left, column 0 top
        6 => flip_columns(transpose(rows)),            // right, top
        7 => flip_rows(flip_columns(transpose(rows))), // right, bottom
        _ => flip_rows(transpose(rows)),               // left, bottom
    }
    .concat()
}

#[test]
fn every_orientation_of_every_format() {
    for orientation in 1..=8 {
        let swapped = orientation >= 5;
        for (tile, planar) in [(None, false), (Some((16, 16)), false), (None, true)] {
            let tiff = Tiff {
                samples: if planar { 3 } else { 1 },
                photometric: if planar { 2 } else { 1 },
                tile,
                planar,
                tags: vec![
                    (274, 3, vec![orientation]),
                    (282, 5, vec![600, 1]),
                    (283, 5, vec![300, 1]),
                ],
                ..Tiff::default()
            };
            let values = tiff.picture();
            let read = scan(&tiff.file(&values));
            let first: Vec<u32> = values.chunks(tiff.samples).map(|p| p[0]).collect();
            let expected = shown(orientation, &first, tiff.width, tiff.height);
            let size = (read.image.width(), read.image.height());
            assert_eq!(size, if swapped { (29, 37) } else { (37, 29) });
            for (pixel, value) in read.image.data().chunks(tiff.samples).zip(expected) {
                let off = (f64::from(pixel[0]) - lit(value, 255)).abs();
                assert!(off < 0.51, "{orientation} {tile:?}");
            }
            let dpi = read.header.resolution.unwrap().dpi;
            assert_eq!(
                (dpi.x, dpi.y),
                if swapped {
                    (300.0, 600.0)
                } else {
                    (600.0, 300.0)
                }
            );
        }

        let grey: Vec<u8> = (0..37 * 29).map(|i| (i * 7 % 256) as u8).collect();
        for depth in [png::BitDepth::Eight] {
            let file = png_file(37, 29, png::ColorType::Grayscale, depth, &grey, |info| {
                info.exif_metadata = Some(exif(orientation, None).into());
            });
            let read = scan(&file);
            let stored: Vec<u32> = grey.iter().map(|v| u32::from(*v)).collect();
            let expected = shown(orientation, &stored, 37, 29);
            for (pixel, value) in read.image.data().iter().zip(expected) {
                assert!((f64::from(*pixel) - lit(value, 255)).abs() < 0.51);
            }
        }

        let turned = scan(&jpeg(|e| {
            e.add_exif_metadata(&exif(orientation, None)).unwrap();
        }));
        assert_eq!(u64::from(turned.header.orientation.tag()), orientation);
        assert_eq!(turned.image.width(), if swapped { 16 } else { 24 });
    }
}

#[test]
fn resolution_in_every_unit() {
    let dpi = |bytes: &[u8]| {
        header(bytes)
            .resolution
            .map(|r| (r.dpi.x, r.dpi.y, r.source))
    };
    let near = |found: Option<(f64, f64, String)>, x: f64, y: f64, source: &str| {
        let (fx, fy, from) = found.unwrap();
        assert!(
            (fx - x).abs() < 1e-9 * x && (fy - y).abs() < 1e-9 * y,
            "{fx} {fy}"
        );
        assert_eq!(from, source);
    };
    let tiff = |tags: Vec<(u16, u16, Vec<u64>)>| {
        let tiff = Tiff {
            tags,
            big: true,
            ..Tiff::default()
        };
        tiff.file(&tiff.picture())
    };
    let xy = |x: Vec<u64>, y: Vec<u64>| vec![(282, 5, x), (283, 5, y)];
    let with_unit = |unit, mut tags: Vec<(u16, u16, Vec<u64>)>| {
        tags.push((296, 3, vec![unit]));
        tags
    };
    // TIFF: inches, by default too; centimetres; a ratio only.
    let inches = xy(vec![6000, 10], vec![601, 1]);
    near(dpi(&tiff(inches.clone())), 600.0, 601.0, "TIFF XResolution");
    near(
        dpi(&tiff(with_unit(2, inches.clone()))),
        600.0,
        601.0,
        "TIFF XResolution",
    );
    let cm = xy(vec![200, 1], vec![100, 1]);
    near(
        dpi(&tiff(with_unit(3, cm))),
        508.0,
        254.0,
        "TIFF XResolution",
    );
    assert_eq!(dpi(&tiff(with_unit(1, inches))), None);
    // No sense: nothing over nothing, zero, a single axis.
    assert_eq!(dpi(&tiff(xy(vec![0, 0], vec![0, 0]))), None);
    assert_eq!(
        dpi(&tiff(xy(vec![0, 1], vec![300, 1]))).map(|d| d.0),
        Some(300.0)
    );
    assert_eq!(dpi(&tiff(Vec::new())), None);

    let png = |unit, x, y| {
        let set = |info: &mut png::Info<'_>| {
            info.pixel_dims = Some(png::PixelDimensions {
                xppu: x,
                yppu: y,
                unit,
            });
        };
        let data = [0; 16];
        png_file(
            4,
            4,
            png::ColorType::Grayscale,
            png::BitDepth::Eight,
            &data,
            set,
        )
    };
    near(
        dpi(&png(png::Unit::Meter, 10_000, 20_000)),
        254.0,
        508.0,
        "PNG pHYs",
    );
    assert_eq!(dpi(&png(png::Unit::Unspecified, 1, 1)), None);
    assert_eq!(dpi(&png(png::Unit::Meter, 0, 0)), None);

    use jpeg_encoder::PixelDensity;
    let jfif = |d: PixelDensity| jpeg(|e| e.set_density(d));
    near(
        dpi(&jfif(PixelDensity::dpi(400))),
        400.0,
        400.0,
        "JFIF density",
    );
    let cm = PixelDensity {
        density: (100, 200),
        unit: jpeg_encoder::PixelDensityUnit::Centimeters,
    };
    near(dpi(&jfif(cm)), 254.0, 508.0, "JFIF density");
    let with_exif = |density: Option<PixelDensity>| {
        jpeg(|e| {
            if let Some(density) = density {
                e.set_density(density);
            }
            e.add_exif_metadata(&exif(6, Some((300, 150, 2)))).unwrap();
        })
    };
    // Turned: what is stored across is seen down.
    near(dpi(&with_exif(None)), 150.0, 300.0, "EXIF XResolution");
    let both = with_exif(Some(PixelDensity::dpi(72)));
    near(dpi(&both), 72.0, 72.0, "JFIF density");
    assert_eq!(
        header(&both).notes,
        ["JFIF states 72 dpi, EXIF 300 dpi; JFIF's is taken"]
    );
}

#[test]
fn a_header_names_what_the_file_is() {
    let tiff = Tiff {
        bits: 16,
        compression: 5,
        big: true,
        samples: 4,
        tags: vec![(338, 3, vec![0])],
        ..Tiff::default()
    };
    let h = header(&tiff.file(&tiff.picture()));
    assert_eq!(h.format, FileFormat::BigTiff);
    assert_eq!(h.describe(), "BigTIFF, LZW, 16-bit RGB");
    assert_eq!(
        (h.width, h.height, h.channels, h.decoded_channels),
        (37, 29, 4, 3)
    );
    assert_eq!(h.sample, SampleKind::Uint);
    assert_eq!(h.notes, ["samples beyond the colours are ignored"]);

    let grey = vec![0; 64];
    let eight = png::BitDepth::Eight;
    let file = png_file(8, 8, png::ColorType::Grayscale, eight, &grey, |_| {});
    assert_eq!(header(&file).describe(), "PNG, deflate, 8-bit grey");
    let cicp = png_with_chunk(&file, b"cICP", &[1, 13, 0, 1]);
    assert_eq!(header(&cicp).notes, ["its cICP chunk is not used"]);
    assert_eq!(
        header(&jpeg(|_| {})).describe(),
        "JPEG, baseline, 8-bit RGB"
    );
}

/// The digest of "abc" is in FIPS 180-2 appendix B.1.
#[test]
fn sha_256_of_a_file() {
    let folder = Folder::new();
    let path = folder.put("abc", b"abc");
    assert_eq!(
        sha256(&path).unwrap(),
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    );
}
