//! Files that nobody here made, where they have been fetched: the `tiff` crate's test images,
//! PngSuite (Willem van Schaik), libtiff's and Pillow's test and crash files; see
//! tests/outside/README.md for where each is from.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use restrike_engine::read::{DecodeLimits, ReadError, Scan, decode, probe};

use crate::files::{Tiff, distance, lit, srgb};

const LIMIT: DecodeLimits = DecodeLimits {
    max_bytes: 500_000_000,
};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/outside/data")
}

/// Files of a fetched folder, sorted; `None` when it is not there.
fn folder(name: &str) -> Option<Vec<PathBuf>> {
    let mut files: Vec<_> = std::fs::read_dir(root().join(name))
        .ok()?
        .filter_map(|e| Some(e.ok()?.path()))
        .filter(|p| p.is_file())
        .collect();
    files.sort();
    (!files.is_empty()).then_some(files)
}

fn not_run(name: &str) {
    println!("not run: {name} is not there; fetch with tests/outside/fetch");
}

fn name(path: &Path) -> String {
    path.file_name().unwrap().to_string_lossy().into_owned()
}

/// Reads a file, holds it to ten seconds, and asks that header and image agree.
fn read(path: &Path) -> Result<Scan, ReadError> {
    let start = Instant::now();
    let header = probe(path);
    let scan = decode(path, &LIMIT);
    assert!(
        start.elapsed() < Duration::from_secs(10),
        "{path:?} is slow"
    );
    if let Ok(scan) = &scan {
        let header = header.unwrap();
        assert_eq!(scan.image.width(), header.width, "{path:?}");
        assert_eq!(scan.image.height(), header.height, "{path:?}");
        assert_eq!(scan.image.channels(), header.decoded_channels, "{path:?}");
        assert!(scan.image.data().len() as u64 * 2 <= header.bytes_to_decode);
    }
    if let Err(e) = &scan {
        assert!(
            !e.to_string().contains("gave up"),
            "a panic on {path:?}: {e}"
        );
    }
    scan
}

/// Every file of a folder decodes, but for those of kinds that a scan is not.
fn valid(folder_name: &str, refused: &[(&str, &str)]) {
    let Some(files) = folder(folder_name) else {
        return not_run(folder_name);
    };
    let mut expected: BTreeMap<&str, &str> = refused.iter().copied().collect();
    let mut wrong = Vec::new();
    for path in &files {
        let file = name(path);
        match (read(path), expected.remove(file.as_str())) {
            (Ok(_), None) => {}
            (Err(e), Some(reason)) => {
                if !e.to_string().contains(reason) {
                    wrong.push(format!("{file}: refused, but with: {e}"));
                }
            }
            (Ok(_), Some(_)) => wrong.push(format!("{file}: is read after all")),
            (Err(e), None) => wrong.push(format!("{file}: {e}")),
        }
    }
    wrong.extend(expected.keys().map(|f| format!("{f}: not among the files")));
    assert!(wrong.is_empty(), "{folder_name}:\n{}", wrong.join("\n"));
    println!(
        "{folder_name}: {} files, {} refused as listed",
        files.len(),
        refused.len()
    );
}

/// Kinds that no scanner of prints writes, or damage that Pillow forgives.
#[test]
fn outside_files_that_must_be_read() {
    let log_luv = ("logluv-3c-16b.tiff", "photometric kind 32845");
    let old_lzw = ("quad-lzw-compat.tiff", "old-style LZW");
    valid("image-tiff/valid", &[log_luv, old_lzw]);
    valid("pngsuite/valid", &[]);
    valid(
        "libtiff/images",
        &[
            log_luv,
            old_lzw,
            // JPEG before TIFF Technical Note 2 (1995).
            ("ojpeg_chewey_subsamp21_multi_strip.tiff", "old-style JPEG"),
            ("ojpeg_single_strip_no_rowsperstrip.tiff", "old-style JPEG"),
            (
                "ojpeg_zackthecat_subsamp22_single_strip.tiff",
                "old-style JPEG",
            ),
        ],
    );
    valid(
        "pillow/tiff",
        &[
            // States no photometric kind, which TIFF 6.0 requires.
            ("10ct_32bit_128.tiff", "does not say what its samples are"),
            ("16bit.s.tif", "signed samples"),
            ("compression.tif", "CCITT group 3"),
            ("hopper.Lab.tif", "L*a*b*"),
            ("lab.tif", "L*a*b*"),
            ("lab-green.tif", "L*a*b*"),
            ("lab-red.tif", "L*a*b*"),
            ("hopper_lzma.tif", "unknown (34925) compression"),
            ("hopper_webp.tif", "WebP"),
            ("old-style-jpeg-compression.tif", "old-style JPEG"),
        ],
    );
    valid("pillow/png", &[]);
    valid("pillow/jpeg", &[]);
    valid("prints", &[]);
    valid("skimage", &[]);
}

/// Some of these may be read; none may crash, hang or pass for more than it is.
#[test]
fn outside_files_that_may_be_refused() {
    // Most of what is in a folder must be refused.
    for (set, at_least) in [
        ("image-tiff/odd", 2),
        ("pngsuite/broken", 14),
        ("pngsuite/crashers", 24),
        ("libtiff/odd", 0),
        ("pillow/odd", 8),
        ("pillow/crash", 43),
    ] {
        let Some(files) = folder(set) else {
            not_run(set);
            continue;
        };
        let refused = files.iter().filter(|f| read(f).is_err()).count();
        println!("{set}: {refused} of {} refused", files.len());
        assert!(refused >= at_least, "{set}: only {refused} refused");
    }
}

/// The gAMA chunk of a PNG.
fn gama(path: &Path) -> Option<f64> {
    let bytes = std::fs::read(path).unwrap();
    let at = bytes.windows(4).position(|w| w == b"gAMA")? + 4;
    let value = bytes.get(at..at + 4)?.try_into().ok()?;
    Some(f64::from(u32::from_be_bytes(value)) / 100_000.0)
}

/// PngSuite against the `image` crate: depth, palette, interlacing, opacity; gAMA reckoned here.
#[test]
fn outside_pngsuite_pixels() {
    let Some(files) = folder("pngsuite/valid") else {
        return not_run("pngsuite/valid");
    };
    for path in &files {
        let scan = read(path).unwrap();
        let other = image::open(path).unwrap();
        let size = (other.width() as usize, other.height() as usize);
        assert_eq!((scan.image.width(), scan.image.height()), size, "{path:?}");
        let gamma = gama(path).filter(|g| (g - 1.0 / 2.2).abs() > 0.002);
        let light = |v: u16| {
            let v = f64::from(v) / 65535.0;
            gamma.map_or_else(|| srgb(v), |g| libm::pow(v, 1.0 / g))
        };
        let channels = scan.image.channels();
        let expected: Vec<f64> = other
            .to_rgba16()
            .pixels()
            .flat_map(|p| {
                let a = f64::from(p[3]) / 65535.0;
                (0..channels).map(move |c| (p[c], a))
            })
            .map(|(v, a)| 65535.0 * (light(v) * a + 1.0 - a))
            .collect();
        let (_, worst) = distance(scan.image.data(), &expected);
        assert!(worst < 2.0, "{path:?}, {}: off by {worst}", scan.colour);
    }
    println!("pngsuite: {} files compared", files.len());
}

/// The same picture in several files.
fn alike(set: &str, names: &[&str], most: u16) {
    let path = |name: &str| root().join(set).join(name);
    if !path(names[0]).exists() {
        return not_run(set);
    }
    let first = read(&path(names[0])).unwrap();
    for name in &names[1..] {
        let other = read(&path(name)).unwrap();
        assert_eq!(first.image.width(), other.image.width(), "{name}");
        let worst = first
            .image
            .data()
            .iter()
            .zip(other.image.data())
            .map(|(a, b)| a.abs_diff(*b))
            .max();
        assert!(worst <= Some(most), "{set}/{name}: off by {worst:?}");
    }
}

/// Pillow keeps sets of files that must come out the same.
#[test]
fn outside_files_that_show_the_same_picture() {
    alike(
        "pillow/tiff",
        &[
            "tiff_strip_raw.tif",
            "tiff_strip_planar_raw.tif",
            "tiff_strip_planar_lzw.tiff",
            "tiff_strip_planar_raw_with_overviews.tif",
            "tiff_tiled_raw.tif",
            "tiff_tiled_planar_raw.tif",
            "tiff_tiled_planar_lzw.tiff",
            "tiff_adobe_deflate.tif",
        ],
        0,
    );
    alike(
        "pillow/tiff",
        &[
            "tiff_16bit_RGB.tiff",
            "tiff_strip_planar_16bit_RGB.tiff",
            "tiff_tiled_planar_16bit_RGB.tiff",
        ],
        0,
    );
    alike(
        "pillow/tiff",
        &["hopper.tif", "hopper_lzw.tif", "hopper_bigtiff.tif"],
        0,
    );
    alike(
        "pillow/tiff",
        &["16bit.cropped.tif", "16bit.MM.cropped.tif"],
        0,
    );
    alike(
        "pillow/tiff",
        &["16bit.deflate.tif", "16bit.MM.deflate.tif"],
        0,
    );
    alike(
        "pillow/tiff",
        &[
            "tiff_strip_ycbcr_jpeg_1x1_sampling.tif",
            "tiff_tiled_ycbcr_jpeg_1x1_sampling.tif",
        ],
        2000,
    );
    alike(
        "pillow/tiff",
        &["tiff_strip_cmyk_jpeg.tif", "tiff_tiled_cmyk_jpeg.tif"],
        2000,
    );
}

/// Orientations 1 to 8 of one picture. The bilevel ones differ in a few dots, as Pillow's own test
/// allows (0.7 of 255); the JPEGs in what compression lost.
#[test]
fn outside_orientations_of_one_picture() {
    for (set, from, most) in [
        ("pillow/tiff/g4_orientation_#.tif", 1, 0.7 / 255.0 * 65535.0),
        ("pillow/jpeg/hopper_orientation_#.jpg", 2, 900.0),
    ] {
        let at = |i: u32| root().join(set.replace('#', &i.to_string()));
        if !at(from).exists() {
            not_run(set);
            continue;
        }
        let first = read(&at(from)).unwrap();
        for i in from..=8 {
            let other = read(&at(i)).unwrap();
            assert_eq!(u32::from(other.header.orientation.tag()), i);
            assert_eq!(first.image.width(), other.image.width());
            let values: Vec<f64> = other.image.data().iter().map(|v| f64::from(*v)).collect();
            let (mean, _) = distance(first.image.data(), &values);
            assert!(mean <= most, "{set}, orientation {i}: mean distance {mean}");
        }
    }
}

/// Profiles that others made, from Debian's icc-profiles-free: the one for sRGB is known as such,
/// the others are used.
#[test]
fn outside_profiles() {
    let Some(files) = folder("icc") else {
        return not_run("icc");
    };
    for path in files
        .iter()
        .filter(|p| p.extension().is_some_and(|e| e == "icc"))
    {
        let bytes = std::fs::read(path).unwrap();
        let tag = bytes.iter().map(|b| u64::from(*b)).collect();
        let tiff = Tiff {
            tags: vec![(34675, 7, tag)],
            ..Tiff::default()
        };
        let values = tiff.picture();
        let scan = crate::files::scan(&tiff.file(&values));
        let as_srgb: Vec<f64> = values.iter().map(|v| lit(*v, 255)).collect();
        let (_, worst) = distance(scan.image.data(), &as_srgb);
        println!("{}: {} ({worst:.0})", name(path), scan.colour);
        match name(path).as_str() {
            "sRGB.icc" => assert!(worst < 0.51, "{worst}"),
            "compatibleWithAdobeRGB1998.icc" | "LStar-RGB.icc" => {
                assert!(worst > 500.0 && !scan.colour.contains("not used"));
            }
            _ => {}
        }
    }
}
