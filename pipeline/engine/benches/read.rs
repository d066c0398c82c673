//! What reading a scan costs beside unpacking it: 54 megapixels, 8-bit RGB, LZW with predictor,
//! content with a scanner's noise.
//!
//! `cargo bench -p restrike-engine --bench read` first prints, for each kind of file, the memory
//! that the header foretells, the peak of a decode where the system tells it, and the time as a
//! multiple of the bare `tiff` decode; then the times.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::fs::File;
use std::hint::black_box;
use std::io::{BufReader, BufWriter};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::time::Instant;

use restrike_engine::read::{DecodeLimits, decode, probe, sha256};
use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::encoder::{TiffEncoder, colortype::RGB8};
use tiff::tags::{Predictor, Tag};

const WIDTH: u32 = 9_000;
const HEIGHT: u32 = 6_000;

/// Paper with ink shapes and noise of about two levels.
fn row(y: u32) -> Vec<u8> {
    let mut state = u64::from(y) * 0x9e37_79b9_7f4a_7c15 + 1;
    (0..WIDTH)
        .flat_map(|x| {
            let ink = (x / 310 + y / 270).is_multiple_of(3) && (x % 310) * (y % 270) % 97 < 60;
            let base = if ink { [70, 92, 118] } else { [236, 228, 205] };
            base.map(|v: u8| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                // The sum of four small uniform numbers is near enough to Gaussian.
                let noise = (0..4).map(|i| (state >> (8 * i)) as u8 % 4).sum::<u8>();
                v + noise - 6
            })
        })
        .collect()
}

/// Kinds of file with the same pixels.
#[derive(Debug, Clone, Copy)]
enum Kind {
    Strips,
    OneStrip,
    Turned,
    DisplayP3,
    Png,
    Jpeg,
    ProgressiveJpeg,
}

/// The scan, written once into the target folder.
fn scan(kind: Kind) -> PathBuf {
    static WRITTEN: Mutex<BTreeSet<String>> = Mutex::new(BTreeSet::new());
    let name = format!("scan-{kind:?}");
    let path = Path::new(env!("CARGO_TARGET_TMPDIR")).join(&name);
    let mut written = WRITTEN.lock().unwrap();
    if written.insert(name) {
        let pixels: Vec<u8> = (0..HEIGHT).flat_map(row).collect();
        let file = BufWriter::new(std::fs::File::create(&path).unwrap());
        match kind {
            Kind::Png => write_png(file, &pixels),
            Kind::Jpeg | Kind::ProgressiveJpeg => {
                let mut encoder = jpeg_encoder::Encoder::new(file, 90);
                encoder.set_progressive(matches!(kind, Kind::ProgressiveJpeg));
                let rgb = jpeg_encoder::ColorType::Rgb;
                encoder
                    .encode(&pixels, WIDTH as u16, HEIGHT as u16, rgb)
                    .unwrap();
            }
            _ => write_tiff(file, &pixels, kind),
        }
    }
    path
}

fn write_tiff(file: BufWriter<File>, pixels: &[u8], kind: Kind) {
    let mut encoder = TiffEncoder::new(file)
        .unwrap()
        .with_compression(tiff::encoder::Compression::Lzw)
        .with_predictor(Predictor::Horizontal);
    let mut image = encoder.new_image::<RGB8>(WIDTH, HEIGHT).unwrap();
    let rows = if matches!(kind, Kind::OneStrip) {
        HEIGHT
    } else {
        16
    };
    image.rows_per_strip(rows).unwrap();
    let tags = image.encoder();
    match kind {
        Kind::Turned => tags.write_tag(Tag::Orientation, 6_u16).unwrap(),
        Kind::DisplayP3 => {
            let profile = moxcms::ColorProfile::new_display_p3().encode().unwrap();
            tags.write_tag(Tag::IccProfile, profile.as_slice()).unwrap();
        }
        _ => {}
    }
    // Strip by strip, the encoder does not compress.
    image.write_data(pixels).unwrap();
}

fn write_png(file: BufWriter<File>, pixels: &[u8]) {
    let mut encoder = png::Encoder::new(file, WIDTH, HEIGHT);
    encoder.set_color(png::ColorType::Rgb);
    let mut writer = encoder.write_header().unwrap();
    writer.write_image_data(pixels).unwrap();
    writer.finish().unwrap();
}

/// The `tiff` crate alone, to 8-bit samples in memory.
fn bare_decode(path: &Path) -> DecodingResult {
    let file = BufReader::new(File::open(path).unwrap());
    let mut decoder = Decoder::new(file).unwrap().with_limits(Limits::unlimited());
    let mut out = DecodingResult::U8(Vec::new());
    decoder.read_image_to_buffer(&mut out).unwrap();
    out
}

#[divan::bench(args = [Kind::Strips, Kind::OneStrip], sample_count = 5)]
fn bare(kind: Kind) {
    black_box(bare_decode(&scan(kind)));
}

#[divan::bench(args = [
    Kind::Strips,
    Kind::OneStrip,
    Kind::Turned,
    Kind::DisplayP3,
    Kind::Png,
    Kind::Jpeg,
    Kind::ProgressiveJpeg,
], sample_count = 5)]
fn read(kind: Kind) {
    black_box(decode(&scan(kind), &DecodeLimits::default()).unwrap());
}

#[divan::bench(sample_count = 5)]
fn hash() {
    black_box(sha256(&scan(Kind::Strips)).unwrap());
}

/// Peak resident memory of `work` beyond what there was before, in bytes; `None` where the system
/// does not tell.
fn peak_bytes(work: impl FnOnce()) -> Option<u64> {
    let now = |key: &str| -> Option<u64> {
        let status = std::fs::read_to_string("/proc/self/status").ok()?;
        let line = status.lines().find(|l| l.starts_with(key))?;
        Some(line.split_whitespace().nth(1)?.parse::<u64>().ok()? * 1024)
    };
    // Starts the high-water mark afresh.
    std::fs::write("/proc/self/clear_refs", "5").ok()?;
    let before = now("VmRSS:")?;
    work();
    Some(now("VmHWM:")?.saturating_sub(before))
}

/// Median over five turns of the time to read over the time of the bare decode.
fn ratio(path: &Path) -> f64 {
    let mut ratios: Vec<f64> = (0..5)
        .map(|_| {
            let start = Instant::now();
            black_box(bare_decode(path));
            let bare = start.elapsed();
            let start = Instant::now();
            black_box(decode(path, &DecodeLimits::default()).unwrap());
            start.elapsed().as_secs_f64() / bare.as_secs_f64()
        })
        .collect();
    ratios.sort_by(f64::total_cmp);
    ratios[2]
}

fn main() {
    let raster = f64::from(WIDTH) * f64::from(HEIGHT) * 6.0;
    for kind in [
        Kind::Strips,
        Kind::OneStrip,
        Kind::Turned,
        Kind::DisplayP3,
        Kind::Png,
        Kind::Jpeg,
        Kind::ProgressiveJpeg,
    ] {
        let path = scan(kind);
        let told = probe(&path).unwrap().bytes_to_decode;
        let peak = peak_bytes(|| {
            black_box(decode(&path, &DecodeLimits::default()).unwrap());
        });
        let mut line = format!("{kind:?}: header says {} MB", told / 1_000_000);
        if let Some(peak) = peak {
            line += &format!(
                ", peak {} MB = {:.2} x the 16-bit image{}",
                peak / 1_000_000,
                peak as f64 / raster,
                if peak > told { ", MORE THAN TOLD" } else { "" }
            );
        }
        if matches!(kind, Kind::Strips | Kind::OneStrip | Kind::DisplayP3) {
            line += &format!(", {:.2} x bare decode", ratio(&path));
        }
        println!("{line}");
    }
    divan::main();
}
