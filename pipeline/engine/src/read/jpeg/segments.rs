//! A JPEG file's marker segments up to its first scan.

use std::io::{BufRead, Seek};

use super::super::colour::Inks;
use super::super::error::ReadError;
use super::super::resolution::{Exif, Resolution};
use restrike_model::MM_PER_INCH;

/// Segments before the first scan; a profile in pieces and previews make some dozens.
const MOST_SEGMENTS: usize = 4096;

/// Stray bytes that are skipped in search of a marker.
const MOST_STRAY: usize = 4096;

/// What the segments say.
#[derive(Default)]
pub(crate) struct Segments {
    pub(crate) width: u16,
    pub(crate) height: u16,
    pub(crate) progressive: bool,
    /// Sampling factors, across and down, a component.
    sampling: Vec<[u8; 2]>,
    /// Components in the first scan.
    first_scan: usize,
    pub(crate) jfif: Option<Resolution>,
    pub(crate) exif: Option<Exif>,
    pub(crate) icc: Option<Vec<u8>>,
    /// Adobe's colour transform.
    pub(crate) adobe: Option<u8>,
    /// Where the first scan's data begin.
    pub(crate) data_at: usize,
}

impl Segments {
    /// Reads from the start of the file to the first scan.
    pub(crate) fn read<R: BufRead + Seek>(r: &mut R) -> Result<Self, ReadError> {
        let mut s = Self::default();
        let mut icc: Vec<(u8, Vec<u8>)> = Vec::new();
        let mut start = [0; 2];
        r.read_exact(&mut start)?;
        if start != [0xff, 0xd8] {
            return Err(ReadError::damaged("no JPEG start mark"));
        }
        for _ in 0..MOST_SEGMENTS {
            let marker = next_marker(r)?;
            match marker {
                0x01 | 0xd0..=0xd8 => continue,
                0xd9 => return Err(ReadError::truncated("it ends before its image data")),
                _ => {}
            }
            let mut len = [0; 2];
            r.read_exact(&mut len)?;
            let len = usize::from(u16::from_be_bytes(len));
            let len = len
                .checked_sub(2)
                .ok_or_else(|| ReadError::damaged("a segment of no length"))?;
            let mut body = vec![0; len];
            r.read_exact(&mut body)?;
            match marker {
                0xc0..=0xc2 => s.frame(marker, &body)?,
                0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf => {
                    return Err(ReadError::unsupported(match marker {
                        0xc3 | 0xc7 | 0xcb | 0xcf => "lossless JPEG",
                        0xc5 | 0xc6 => "hierarchical JPEG",
                        _ => "JPEG with arithmetic coding",
                    }));
                }
                0xda => {
                    s.first_scan = body.first().copied().unwrap_or(0).into();
                    s.data_at = usize::try_from(r.stream_position()?).unwrap_or(usize::MAX);
                    s.icc = join(icc);
                    if s.sampling.is_empty() {
                        return Err(ReadError::damaged("image data before the image's size"));
                    }
                    return Ok(s);
                }
                0xe0 => {
                    if let Some(jfif) = jfif(&body) {
                        s.jfif = jfif;
                    }
                }
                0xe1 if s.exif.is_none() => {
                    s.exif = body.strip_prefix(b"Exif\0\0").and_then(Exif::parse);
                }
                0xe2 => {
                    if let Some([seq, _, part @ ..]) = body.strip_prefix(b"ICC_PROFILE\0") {
                        icc.push((*seq, part.to_vec()));
                    }
                }
                0xee if body.starts_with(b"Adobe") => s.adobe = body.get(11).copied(),
                _ => {}
            }
        }
        Err(ReadError::damaged(
            "too many segments before the image data",
        ))
    }

    fn frame(&mut self, marker: u8, body: &[u8]) -> Result<(), ReadError> {
        if !self.sampling.is_empty() {
            return Err(ReadError::damaged("it states its size twice"));
        }
        let short = || ReadError::damaged("a frame header too short");
        let [precision, h1, h0, w1, w0, n, rest @ ..] = body else {
            return Err(short());
        };
        if *precision != 8 {
            return Err(ReadError::unsupported(format!(
                "JPEG of {precision} bits a sample"
            )));
        }
        self.height = u16::from_be_bytes([*h1, *h0]);
        self.width = u16::from_be_bytes([*w1, *w0]);
        if self.width == 0 || self.height == 0 {
            return Err(ReadError::damaged("its size is zero"));
        }
        self.progressive = marker == 0xc2;
        let components = rest.as_chunks::<3>().0;
        self.sampling = components
            .get(..usize::from(*n))
            .ok_or_else(short)?
            .iter()
            .map(|c| [c[1] >> 4, c[1] & 15])
            .collect();
        if self.sampling.is_empty()
            || !self
                .sampling
                .as_flattened()
                .iter()
                .all(|f| (1..=4).contains(f))
        {
            return Err(ReadError::damaged("sampling factors out of range"));
        }
        Ok(())
    }

    /// What the components are.
    pub(crate) fn inks(&self) -> Result<Inks, ReadError> {
        match self.sampling.len() {
            1 => Ok(Inks::Grey),
            3 => Ok(Inks::Rgb),
            4 => Ok(Inks::Cmyk),
            n => Err(ReadError::unsupported(format!("JPEG of {n} components"))),
        }
    }

    /// Pixels to a side that share one colour.
    pub(crate) fn colour_step(&self) -> usize {
        let most = |side: usize| self.sampling.iter().map(|f| f[side]).max().unwrap_or(1);
        let step = |f: &[u8; 2]| (most(0) / f[0].max(1)).max(most(1) / f[1].max(1));
        self.sampling.iter().map(step).max().unwrap_or(1).into()
    }

    /// A block of 64 pixels takes one bit at least.
    pub(crate) fn check_fits(&self, file_len: u64) -> Result<(), ReadError> {
        let (width, height) = (u64::from(self.width), u64::from(self.height));
        if width.div_ceil(8) * height.div_ceil(8) / 8 > file_len {
            return Err(ReadError::truncated(format!(
                "{file_len} bytes cannot hold {width} x {height} pixels"
            )));
        }
        Ok(())
    }

    /// Bytes the decoder keeps: all coefficients when components come in turns, else a row of
    /// blocks.
    pub(crate) fn working_bytes(&self) -> u64 {
        let most = |i: usize| {
            self.sampling
                .iter()
                .map(|s| u64::from(s[i]))
                .max()
                .unwrap_or(1)
        };
        let (h, v) = (most(0), most(1));
        let units = |size: u16, factor: u64| u64::from(size).div_ceil(8 * factor);
        let (across, down) = (units(self.width, h), units(self.height, v));
        let blocks: u64 = self
            .sampling
            .iter()
            .map(|s| u64::from(s[0]) * u64::from(s[1]))
            .sum();
        let row = across * blocks * 64 * 2;
        let whole = self.progressive || self.first_scan < self.sampling.len();
        6 * row + if whole { row * down } else { 0 }
    }
}

fn next_marker<R: BufRead>(r: &mut R) -> Result<u8, ReadError> {
    let mut byte = [0; 1];
    for _ in 0..=MOST_STRAY {
        r.read_exact(&mut byte)?;
        if byte[0] != 0xff {
            continue;
        }
        while byte[0] == 0xff {
            r.read_exact(&mut byte)?;
        }
        if byte[0] != 0 {
            return Ok(byte[0]);
        }
    }
    Err(ReadError::damaged("no JPEG marker where one belongs"))
}

/// Density of a JFIF segment; `Some(None)` when it states an aspect only.
fn jfif(body: &[u8]) -> Option<Option<Resolution>> {
    let [_, _, unit, x1, x0, y1, y0, ..] = body.strip_prefix(b"JFIF\0")? else {
        return None;
    };
    let unit_mm = match unit {
        1 => MM_PER_INCH,
        2 => 10.0,
        _ => return Some(None),
    };
    let x = u16::from_be_bytes([*x1, *x0]);
    let y = u16::from_be_bytes([*y1, *y0]);
    Some(Resolution::new(x.into(), y.into(), unit_mm, "JFIF density"))
}

fn join(mut parts: Vec<(u8, Vec<u8>)>) -> Option<Vec<u8>> {
    parts.sort_by_key(|(seq, _)| *seq);
    let profile: Vec<u8> = parts.into_iter().flat_map(|(_, part)| part).collect();
    (!profile.is_empty()).then_some(profile)
}

/// Looks for the end mark: without it the file was cut, and a decoder would paint the rest grey.
///
/// # Errors
/// When there is none.
pub(crate) fn check_complete(file: &[u8], data_at: usize) -> Result<(), ReadError> {
    let mut rest = file.get(data_at..).unwrap_or_default();
    while let Some(i) = rest.iter().position(|&b| b == 0xff) {
        match rest.get(i + 1) {
            Some(0xd9) => return Ok(()),
            Some(0xff) => rest = &rest[i + 1..],
            // Stuffing and restarts belong to the data; tables and scans carry their length.
            Some(0x00 | 0x01 | 0xd0..=0xd8) => rest = &rest[i + 2..],
            Some(_) => {
                let len = match rest.get(i + 2..i + 4) {
                    Some([a, b]) => usize::from(u16::from_be_bytes([*a, *b])),
                    _ => break,
                };
                rest = rest.get(i + 2 + len..).unwrap_or_default();
            }
            None => break,
        }
    }
    Err(ReadError::truncated("no JPEG end mark"))
}
