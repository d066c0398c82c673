//! Files made for the tests, and reckoning that shares no code with what is tested.

use std::path::{Path, PathBuf};

use restrike_engine::read::{DecodeLimits, Scan, decode};
use tiff::encoder::compression::{CompressionAlgorithm, Deflate, Lzw, Packbits};

/// sRGB to linear, IEC 61966-2-1 (constants from memory; checks/C_srgb_lab.json agrees).
pub(crate) fn srgb(v: f64) -> f64 {
    if v <= 0.040_45 {
        v / 12.92
    } else {
        libm::pow((v + 0.055) / 1.055, 2.4)
    }
}

/// Linear light in 0..=65535 of an sRGB sample.
pub(crate) fn lit(sample: u32, max: u32) -> f64 {
    65535.0 * srgb(f64::from(sample) / f64::from(max))
}

/// A folder that goes away with the test.
pub(crate) struct Folder(tempfile::TempDir);

impl Folder {
    pub(crate) fn new() -> Self {
        Self(tempfile::tempdir().unwrap())
    }

    pub(crate) fn put(&self, name: &str, bytes: &[u8]) -> PathBuf {
        let path = self.0.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        path
    }

    pub(crate) fn path(&self) -> &Path {
        self.0.path()
    }
}

/// Reads bytes as a scan.
pub(crate) fn scan(bytes: &[u8]) -> Scan {
    let folder = Folder::new();
    decode(&folder.put("scan", bytes), &DecodeLimits::default()).unwrap()
}

/// A picture with smooth parts, edges and the extremes in it: `samples` values a pixel in
/// 0..=`max`, interleaved.
pub(crate) fn picture(width: usize, height: usize, samples: usize, max: u32) -> Vec<u32> {
    let mut values = Vec::with_capacity(width * height * samples);
    for y in 0..height {
        for x in 0..width {
            for s in 0..samples {
                let ramp = (x * (s + 3) + y * (5 - s.min(4))) as u32;
                values.push(match (x + 2 * y + s) % 7 {
                    0 => max,
                    1 => 0,
                    _ => (u64::from(ramp) * u64::from(max / 61 + 1) % (u64::from(max) + 1)) as u32,
                });
            }
        }
    }
    values
}

/// How a test TIFF is written.
#[derive(Clone)]
pub(crate) struct Tiff {
    pub(crate) width: usize,
    pub(crate) height: usize,
    pub(crate) samples: usize,
    pub(crate) bits: u32,
    pub(crate) photometric: u32,
    pub(crate) compression: u32,
    pub(crate) predictor: u32,
    pub(crate) planar: bool,
    pub(crate) tile: Option<(usize, usize)>,
    pub(crate) rows_per_strip: usize,
    pub(crate) big_endian: bool,
    pub(crate) big: bool,
    pub(crate) low_bit_first: bool,
    /// More tags: number, TIFF type, values (rationals as numerator, denominator).
    pub(crate) tags: Vec<(u16, u16, Vec<u64>)>,
}

impl Default for Tiff {
    fn default() -> Self {
        Self {
            width: 37,
            height: 29,
            samples: 3,
            bits: 8,
            photometric: 2,
            compression: 1,
            predictor: 1,
            planar: false,
            tile: None,
            rows_per_strip: 8,
            big_endian: false,
            big: false,
            low_bit_first: false,
            tags: Vec::new(),
        }
    }
}

impl Tiff {
    /// Largest sample value.
    pub(crate) fn max(&self) -> u32 {
        ((1_u64 << self.bits) - 1) as u32
    }

    /// A picture that fits.
    pub(crate) fn picture(&self) -> Vec<u32> {
        picture(self.width, self.height, self.samples, self.max())
    }

    /// The file for interleaved samples.
    pub(crate) fn file(&self, values: &[u32]) -> Vec<u8> {
        let chunks = self.areas().into_iter().map(|[x, y, w, h, plane]| {
            let planes = if self.planar {
                plane..plane + 1
            } else {
                0..self.samples
            };
            let mut raw = Vec::new();
            for row in y..y + h {
                // Tiles are padded with a value that must never be seen.
                let line: Vec<u32> = (x..x + w)
                    .flat_map(|column| planes.clone().map(move |s| (column, s)))
                    .map(|(column, s)| {
                        let inside = column < self.width && row < self.height;
                        let at = (row * self.width + column) * self.samples + s;
                        if inside { values[at] } else { 1 }
                    })
                    .collect();
                raw.extend(self.pack(&line, planes.len()));
            }
            self.compress(&raw)
        });
        self.assemble(&chunks.collect::<Vec<_>>())
    }

    /// Column, row, width, height and plane of each chunk, in the order of the file.
    fn areas(&self) -> Vec<[usize; 5]> {
        let (w, h) = self.tile.unwrap_or((self.width, self.rows_per_strip));
        let planes = if self.planar { self.samples } else { 1 };
        let mut areas = Vec::new();
        for plane in 0..planes {
            for y in (0..self.height).step_by(h) {
                for x in (0..self.width).step_by(w) {
                    let h = if self.tile.is_some() {
                        h
                    } else {
                        h.min(self.height - y)
                    };
                    areas.push([x, y, w, h, plane]);
                }
            }
        }
        areas
    }

    fn pack(&self, line: &[u32], stride: usize) -> Vec<u8> {
        let mut line = line.to_vec();
        if self.predictor == 2 {
            for i in (stride..line.len()).rev() {
                line[i] = line[i].wrapping_sub(line[i - stride]) & self.max();
            }
        }
        if self.bits >= 8 && self.bits.is_multiple_of(8) {
            let bytes = self.bits as usize / 8;
            return line
                .iter()
                .flat_map(|v| self.int(u64::from(*v), bytes))
                .collect();
        }
        let bits: Vec<bool> = line
            .iter()
            .flat_map(|v| (0..self.bits).rev().map(move |b| v >> b & 1 == 1))
            .collect();
        bits.chunks(8)
            .map(|byte| {
                byte.iter()
                    .enumerate()
                    .fold(0, |a, (i, b)| a | (u8::from(*b) << (7 - i)))
            })
            .collect()
    }

    fn compress(&self, raw: &[u8]) -> Vec<u8> {
        let mut out = Vec::new();
        match self.compression {
            1 => out = raw.to_vec(),
            5 => drop(Lzw.write_to(&mut out, raw).unwrap()),
            8 => drop(Deflate::default().write_to(&mut out, raw).unwrap()),
            32773 => drop(Packbits.write_to(&mut out, raw).unwrap()),
            n => panic!("no compression {n}"),
        }
        if self.low_bit_first {
            for byte in &mut out {
                *byte = byte.reverse_bits();
            }
        }
        out
    }

    fn int(&self, value: u64, bytes: usize) -> Vec<u8> {
        if self.big_endian {
            value.to_be_bytes()[8 - bytes..].to_vec()
        } else {
            value.to_le_bytes()[..bytes].to_vec()
        }
    }

    /// The file from finished chunks.
    pub(crate) fn assemble(&self, chunks: &[Vec<u8>]) -> Vec<u8> {
        let word = if self.big { 8 } else { 4 };
        let mut out = if self.big_endian { b"MM" } else { b"II" }.to_vec();
        if self.big {
            out.extend([43, 8, 0].iter().flat_map(|v| self.int(*v, 2)));
        } else {
            out.extend(self.int(42, 2));
        }
        let pointer = out.len();
        out.extend(vec![0; word]);
        let mut offsets = Vec::new();
        for chunk in chunks {
            offsets.push(out.len() as u64);
            out.extend(chunk);
        }
        let lengths = chunks.iter().map(|c| c.len() as u64).collect();
        let long = if self.big { 16 } else { 4 };
        let mut tags: Vec<(u16, u16, Vec<u64>)> = vec![
            (256, 4, vec![self.width as u64]),
            (257, 4, vec![self.height as u64]),
            (258, 3, vec![self.bits.into(); self.samples]),
            (259, 3, vec![self.compression.into()]),
            (262, 3, vec![self.photometric.into()]),
            (266, 3, vec![1 + u64::from(self.low_bit_first)]),
            (277, 3, vec![self.samples as u64]),
            (284, 3, vec![1 + u64::from(self.planar)]),
            (317, 3, vec![self.predictor.into()]),
        ];
        match self.tile {
            Some((w, h)) => tags.extend([
                (322, 3, vec![w as u64]),
                (323, 3, vec![h as u64]),
                (324, long, offsets),
                (325, long, lengths),
            ]),
            None => tags.extend([
                (273, long, offsets),
                (278, 3, vec![self.rows_per_strip as u64]),
                (279, long, lengths),
            ]),
        }
        tags.extend(self.tags.clone());
        tags.sort();
        let fields: Vec<_> = tags
            .iter()
            .map(|(tag, kind, values)| {
                let (bytes, per) = match kind {
                    1 | 2 | 7 => (1, 1),
                    3 => (2, 1),
                    5 => (4, 2),
                    16 => (8, 1),
                    _ => (4, 1),
                };
                let value: Vec<u8> = values.iter().flat_map(|v| self.int(*v, bytes)).collect();
                (*tag, *kind, values.len() / per, value)
            })
            .collect();
        let mut placed = Vec::new();
        for (tag, kind, count, value) in fields {
            let mut inline = value.clone();
            if value.len() > word {
                inline = self.int(out.len() as u64, word);
                out.extend(value);
            }
            inline.resize(word, 0);
            placed.push((tag, kind, count, inline));
        }
        let start = self.int(out.len() as u64, word);
        out[pointer..pointer + word].copy_from_slice(&start);
        out.extend(self.int(placed.len() as u64, if self.big { 8 } else { 2 }));
        for (tag, kind, count, inline) in placed {
            out.extend(self.int(tag.into(), 2));
            out.extend(self.int(kind.into(), 2));
            out.extend(self.int(count as u64, word));
            out.extend(inline);
        }
        out.extend(vec![0; word]);
        out
    }
}

/// A PNG of samples packed as the format wants them.
pub(crate) fn png_file(
    width: usize,
    height: usize,
    colour: png::ColorType,
    depth: png::BitDepth,
    data: &[u8],
    set: impl FnOnce(&mut png::Info<'_>),
) -> Vec<u8> {
    let mut info = png::Info::with_size(width as u32, height as u32);
    info.color_type = colour;
    info.bit_depth = depth;
    set(&mut info);
    let mut out = Vec::new();
    let mut writer = png::Encoder::with_info(&mut out, info)
        .unwrap()
        .write_header()
        .unwrap();
    writer.write_image_data(data).unwrap();
    writer.finish().unwrap();
    out
}

/// Which pass of Adam7 brings each pixel (PNG third edition, section 8.2).
const ADAM7: [[u8; 8]; 8] = [
    [1, 6, 4, 6, 2, 6, 4, 6],
    [7; 8],
    [5, 6, 5, 6, 5, 6, 5, 6],
    [7; 8],
    [3, 6, 4, 6, 3, 6, 4, 6],
    [7; 8],
    [5, 6, 5, 6, 5, 6, 5, 6],
    [7; 8],
];

/// An interlaced PNG of interleaved samples: grey (one a pixel) or RGB (three), put together by
/// hand, since no encoder at hand writes them.
pub(crate) fn png_interlaced(layout: &Tiff, values: &[u32]) -> Vec<u8> {
    let mut raw = Vec::new();
    for pass in 1..=7 {
        for y in 0..layout.height {
            let line: Vec<u32> = (0..layout.width)
                .filter(|x| ADAM7[y % 8][x % 8] == pass)
                .flat_map(|x| {
                    let at = (y * layout.width + x) * layout.samples;
                    values[at..at + layout.samples].to_vec()
                })
                .collect();
            if !line.is_empty() {
                // Filter 0.
                raw.push(0);
                raw.extend(layout.pack(&line, layout.samples));
            }
        }
    }
    let mut data = Vec::new();
    Deflate::default().write_to(&mut data, &raw).unwrap();
    let size = [layout.width as u32, layout.height as u32].map(u32::to_be_bytes);
    let colour = if layout.samples == 1 { 0 } else { 2 };
    let rest = [layout.bits as u8, colour, 0, 0, 1];
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, body) in [
        (b"IHDR", [size.as_flattened(), &rest].concat()),
        (b"IDAT", data),
        (b"IEND", Vec::new()),
    ] {
        out.extend(png_chunk(kind, &body));
    }
    out
}

fn png_chunk(kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let length = (body.len() as u32).to_be_bytes();
    let crc = png_crc(&[kind, body].concat()).to_be_bytes();
    [&length, kind, body, &crc].concat()
}

/// Puts a chunk into a PNG before its image data.
pub(crate) fn png_with_chunk(file: &[u8], kind: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let at = file.windows(4).position(|w| w == b"IDAT").unwrap() - 4;
    [&file[..at], &png_chunk(kind, body), &file[at..]].concat()
}

/// CRC-32 as PNG annex D gives it.
pub(crate) fn png_crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |crc, byte| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| {
            if c & 1 == 1 {
                0xedb8_8320 ^ (c >> 1)
            } else {
                c >> 1
            }
        })
    })
}

/// Mean and largest distance of an image from what is expected.
pub(crate) fn distance(image: &[u16], expected: &[f64]) -> (f64, f64) {
    assert_eq!(image.len(), expected.len());
    let each = || {
        image
            .iter()
            .zip(expected)
            .map(|(a, b)| (f64::from(*a) - b).abs())
    };
    (
        each().sum::<f64>() / image.len() as f64,
        each().fold(0.0, f64::max),
    )
}
