//! Ten thousand damaged scans: none may panic through, hang, or take more memory than allowed.
//! More of them, from other seeds, with `RESTRIKE_MUTANTS=1000000` in the environment.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use rayon::prelude::*;
use restrike_engine::read::{DecodeLimits, decode, probe};

use crate::files::{Folder, Tiff, png_crc, png_file, png_interlaced};

/// How many, when the environment does not say.
const MUTANTS: u64 = 10_000;
const LIMITS: DecodeLimits = DecodeLimits {
    max_bytes: 48_000_000,
};

/// SplitMix64 (Steele et al. 2014), so that a seed names a mutant for good.
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, n: usize) -> usize {
        (self.next() % n.max(1) as u64) as usize
    }
}

fn tiffs() -> Vec<Vec<u8>> {
    let profile: Vec<u64> = moxcms::ColorProfile::new_display_p3()
        .encode()
        .unwrap()
        .iter()
        .map(|b| u64::from(*b))
        .collect();
    let palette: Vec<u64> = (0..48).map(|i| i * 1300).collect();
    let base = Tiff::default();
    let kinds = [
        base.clone(),
        Tiff {
            compression: 5,
            predictor: 2,
            ..base.clone()
        },
        Tiff {
            compression: 8,
            bits: 16,
            big_endian: true,
            ..base.clone()
        },
        Tiff {
            compression: 32773,
            tile: Some((16, 16)),
            ..base.clone()
        },
        Tiff {
            compression: 5,
            tile: Some((16, 32)),
            planar: true,
            big: true,
            ..base.clone()
        },
        Tiff {
            bits: 12,
            big: true,
            big_endian: true,
            compression: 5,
            ..base.clone()
        },
        Tiff {
            samples: 1,
            bits: 1,
            photometric: 0,
            low_bit_first: true,
            ..base.clone()
        },
        Tiff {
            samples: 1,
            bits: 4,
            photometric: 3,
            compression: 8,
            tags: vec![(320, 3, palette)],
            ..base.clone()
        },
        Tiff {
            samples: 4,
            photometric: 5,
            compression: 5,
            ..base.clone()
        },
        Tiff {
            samples: 4,
            rows_per_strip: 29,
            tags: vec![(338, 3, vec![2]), (274, 3, vec![6]), (34675, 7, profile)],
            ..base.clone()
        },
        Tiff {
            bits: 32,
            tags: vec![(339, 3, vec![3, 3, 3])],
            compression: 5,
            ..base.clone()
        },
    ];
    let mut files: Vec<_> = kinds.iter().map(|t| t.file(&t.picture())).collect();
    // JPEG and group 4 inside.
    let stream = jpeg(37, 29, jpeg_encoder::ColorType::Rgb, false);
    for photometric in [2, 6] {
        let tiff = Tiff {
            photometric,
            compression: 7,
            rows_per_strip: 29,
            ..base.clone()
        };
        files.push(tiff.assemble(std::slice::from_ref(&stream)));
    }
    let fax = Tiff {
        width: 16,
        height: 3,
        samples: 1,
        bits: 1,
        photometric: 0,
        compression: 4,
        ..base
    };
    files.push(fax.assemble(&[vec![0x37, 0x7f, 0xe0, 0x01, 0x00, 0x10]]));
    files
}

fn jpeg(width: u16, height: u16, colour: jpeg_encoder::ColorType, progressive: bool) -> Vec<u8> {
    let samples = match colour {
        jpeg_encoder::ColorType::Luma => 1,
        jpeg_encoder::ColorType::Rgb => 3,
        _ => 4,
    };
    let n = usize::from(width) * usize::from(height) * samples;
    let data: Vec<u8> = (0..n).map(|i| (i * i / 7 % 256) as u8).collect();
    let mut out = Vec::new();
    let mut encoder = jpeg_encoder::Encoder::new(&mut out, 80);
    encoder.set_progressive(progressive);
    encoder.set_restart_interval(if progressive { 0 } else { 2 });
    encoder.encode(&data, width, height, colour).unwrap();
    out
}

fn pngs() -> Vec<Vec<u8>> {
    use png::{BitDepth, ColorType};
    let data: Vec<u8> = (0..32 * 24 * 8).map(|i| (i * i % 251) as u8).collect();
    let row = |colour: ColorType, bits: usize| 24 * (32 * colour.samples() * bits).div_ceil(8);
    let mut files = Vec::new();
    for (colour, depth, bits) in [
        (ColorType::Grayscale, BitDepth::One, 1),
        (ColorType::Grayscale, BitDepth::Sixteen, 16),
        (ColorType::Rgb, BitDepth::Eight, 8),
        (ColorType::Rgba, BitDepth::Sixteen, 16),
        (ColorType::Indexed, BitDepth::Four, 4),
        (ColorType::GrayscaleAlpha, BitDepth::Eight, 8),
    ] {
        files.push(png_file(
            32,
            24,
            colour,
            depth,
            &data[..row(colour, bits)],
            |info| {
                if colour == ColorType::Indexed {
                    info.palette = Some(data[..48].to_vec().into());
                    info.trns = Some(vec![0, 128, 255].into());
                }
                if colour == ColorType::Rgb {
                    let profile = moxcms::ColorProfile::new_display_p3().encode().unwrap();
                    info.icc_profile = Some(profile.into());
                }
            },
        ));
    }
    for (samples, bits) in [(1, 2), (1, 16), (3, 8)] {
        let layout = Tiff {
            samples,
            bits,
            big_endian: true,
            ..Tiff::default()
        };
        files.push(png_interlaced(&layout, &layout.picture()));
    }
    files
}

/// Makes a PNG's checksums right again, so that damage gets past them.
fn mend_png(file: &mut [u8]) {
    let mut at = 8;
    while let Some(len) = file.get(at..at + 4) {
        let len = u32::from_be_bytes([len[0], len[1], len[2], len[3]]) as usize;
        let end = at.saturating_add(8).saturating_add(len);
        if end + 4 > file.len() {
            break;
        }
        let crc = png_crc(&file[at + 4..end]);
        file[end..end + 4].copy_from_slice(&crc.to_be_bytes());
        at = end + 4;
    }
}

fn mutant(bases: &[Vec<u8>], dice: &mut Dice) -> Vec<u8> {
    let mut file = bases[dice.below(bases.len())].clone();
    for _ in 0..=dice.below(3) {
        let n = file.len();
        match dice.below(6) {
            0 => {
                for _ in 0..=dice.below(16) {
                    file[dice.below(n)] ^= 1 << dice.below(8);
                }
            }
            1 => file.truncate(1 + dice.below(n)),
            // A piece of another file of the same format.
            2 => {
                let other = &bases[dice.below(bases.len())];
                let from = dice.below(other.len());
                let piece = &other[from..(from + 1 + dice.below(64)).min(other.len())];
                let at = dice.below(n);
                if dice.below(2) == 0 {
                    let end = (at + piece.len()).min(n);
                    file.splice(at..end, piece.iter().copied());
                } else {
                    file.splice(at..at, piece.iter().copied());
                }
            }
            // A length, count, offset or size gone wild. Directories lie at a TIFF's end, other
            // headers at the start.
            3 | 4 => {
                let width = [2, 4, 8][dice.below(3)];
                let reach = n.min(260);
                let at = dice.below(reach);
                let at = if dice.below(2) == 0 { at } else { n - 1 - at };
                let wild = [0, 1, 2, 127, 255, 256, 65_535, 65_536, 1 << 31, u64::MAX];
                let value = match dice.below(3) {
                    0 => dice.next(),
                    1 => dice.below(n + 9) as u64,
                    _ => wild[dice.below(wild.len())],
                };
                let bytes = if dice.below(2) == 0 {
                    value.to_le_bytes()[..width].to_vec()
                } else {
                    value.to_be_bytes()[8 - width..].to_vec()
                };
                for (i, byte) in bytes.into_iter().enumerate() {
                    if let Some(b) = file.get_mut(at + i) {
                        *b = byte;
                    }
                }
            }
            _ => {
                let at = dice.below(n);
                let end = (at + 1 + dice.below(40)).min(n);
                file.drain(at..end);
                if file.is_empty() {
                    file.push(0);
                }
            }
        }
    }
    if file.starts_with(b"\x89PNG") && dice.below(4) > 0 {
        mend_png(&mut file);
    }
    file
}

/// Largest resident size so far, in bytes.
fn peak_memory() -> Option<u64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM:"))?;
    let kb: u64 = line.split_whitespace().nth(1)?.parse().ok()?;
    Some(kb * 1024)
}

#[test]
fn mutated_scans() {
    let mut jpegs: Vec<_> = [false, true]
        .into_iter()
        .flat_map(|progressive| {
            [
                jpeg_encoder::ColorType::Luma,
                jpeg_encoder::ColorType::Rgb,
                jpeg_encoder::ColorType::CmykAsYcck,
            ]
            .map(|colour| jpeg(40, 24, colour, progressive))
        })
        .collect();
    jpegs.push(jpeg(9, 300, jpeg_encoder::ColorType::Rgb, false));
    let formats = [tiffs(), pngs(), jpegs];
    let folder = Folder::new();
    for base in formats.iter().flatten() {
        decode(&folder.put("base", base), &LIMITS).unwrap();
    }
    let mutants = std::env::var("RESTRIKE_MUTANTS")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(MUTANTS);

    // A panic that the reader catches is still printed; these threads keep quiet about theirs.
    const NAME: &str = "mutants";
    let usual = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |info| {
        if std::thread::current().name() != Some(NAME) {
            usual(info);
        }
    }));
    let pool = rayon::ThreadPoolBuilder::new()
        .thread_name(|_| NAME.to_owned())
        .build()
        .unwrap();
    let before = peak_memory();
    let [read, caught, slowest] = [0, 0, 0].map(|_| AtomicUsize::new(0));
    let escaped: Vec<u64> = pool.install(|| {
        (0..mutants)
            .into_par_iter()
            .filter(|&seed| {
                let mut dice = Dice(seed);
                // TIFF has the most ways to be wrong.
                let bases = &formats[[0, 0, 1, 2][(seed % 4) as usize]];
                let bytes = mutant(bases, &mut dice);
                let path = folder.put(&seed.to_string(), &bytes);
                let start = Instant::now();
                let result = std::panic::catch_unwind(|| (probe(&path), decode(&path, &LIMITS)));
                let took = start.elapsed();
                std::fs::remove_file(&path).unwrap();
                assert!(
                    took < Duration::from_secs(10),
                    "mutant {seed} took {took:?}"
                );
                slowest.fetch_max(took.as_millis() as usize, Ordering::Relaxed);
                let Ok((header, scan)) = result else {
                    return true;
                };
                match scan {
                    Ok(scan) => {
                        read.fetch_add(1, Ordering::Relaxed);
                        let needed = header.unwrap().bytes_to_decode;
                        assert!(needed <= LIMITS.max_bytes, "mutant {seed}: {needed}");
                        assert!(scan.image.data().len() as u64 * 2 <= needed);
                    }
                    Err(e) => {
                        let gave_up = e.to_string().contains("the decoder gave up");
                        if gave_up && caught.fetch_add(1, Ordering::Relaxed) < 5 {
                            println!("mutant {seed}: {e}");
                        }
                    }
                }
                false
            })
            .collect()
    });
    let after = peak_memory();
    println!(
        "{mutants} mutants: {} read, {} panics caught, slowest {} ms",
        read.load(Ordering::Relaxed),
        caught.load(Ordering::Relaxed),
        slowest.load(Ordering::Relaxed)
    );
    assert!(
        escaped.is_empty(),
        "panics let through by mutants {escaped:?}"
    );
    // Not all are refused, or this would prove nothing.
    assert!(read.load(Ordering::Relaxed) as u64 > mutants / 50);
    if let (Some(before), Some(after)) = (before, after) {
        let allowed = LIMITS.max_bytes * pool.current_num_threads() as u64 + 40_000_000;
        println!("peak memory rose by {} MB", (after - before) / 1_000_000);
        assert!(after - before < allowed, "{} bytes", after - before);
    } else {
        println!("not run: peak memory, which only Linux tells");
    }
}
