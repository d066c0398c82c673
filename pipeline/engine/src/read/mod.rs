//! Reading scans: header, resolution, colour, pixels.
//!
//! [`probe`] tells what a scan is and what decoding it will cost, without decoding a pixel;
//! [`decode`] gives the image upright, in linear light with sRGB's primaries. The format is told
//! from the content. Whatever a file holds, the answer is an image or a [`ReadError`]: sizes are
//! checked against the memory bound and against what the file's length can hold before anything is
//! allocated, and a panic in a decoder is caught and reported as damage.

mod canvas;
mod colour;
mod curve;
mod error;
mod header;
mod ifd;
mod jpeg;
mod model;
mod orientation;
mod png;
mod resolution;
mod rows;
mod sniff;
mod tiff;

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;

use restrike_model::Dpi;
use restrike_model::Raster;
use restrike_model::ScanInfo;
use sha2::{Digest, Sha256};

pub use error::ReadError;
pub use header::{Header, Icc, SampleKind};
pub use orientation::Orientation;
pub use resolution::Resolution;
pub use sniff::FileFormat;

/// Bounds on decoding.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DecodeLimits {
    /// Most bytes of memory a decode may take at its peak, the image included.
    pub max_bytes: u64,
}

impl Default for DecodeLimits {
    /// 4 GB: an A2 sheet at 1200 dpi in colour.
    fn default() -> Self {
        Self {
            max_bytes: 4_000_000_000,
        }
    }
}

/// A decoded scan.
#[derive(Debug, Clone)]
pub struct Scan {
    /// The image: linear light, sRGB primaries, 65535 = 1.0, 1 or 3 channels, upright.
    pub image: Raster<u16>,
    /// What the file said.
    pub header: Header,
    /// Where the colours are from, in words: `sRGB (untagged)`, a profile's name, or a rule.
    pub colour: String,
    /// Pixels that lay outside sRGB's gamut and were clipped to it.
    pub clipped: u64,
}

impl Scan {
    /// The scan's description for stages, with the resolution in force and where that is from.
    pub fn info(&self, dpi: Dpi, dpi_source: String, sha256: String) -> ScanInfo {
        ScanInfo {
            width: self.image.width(),
            height: self.image.height(),
            channels: self.image.channels(),
            bits: self.header.bits,
            dpi,
            dpi_source,
            colour: self.colour.clone(),
            format: self.header.describe(),
            colour_step: self.header.colour_step,
            sha256,
        }
    }
}

/// A file opened and its header read.
enum Opened {
    Tiff(tiff::Source),
    Png(Box<png::Source>),
    Jpeg(jpeg::Source),
}

/// What a decoder gives.
struct Pixels {
    image: Raster<u16>,
    colour: String,
    clipped: u64,
}

/// The reader that decoders work on.
type Input = BufReader<File>;

/// Reads a scan's header.
///
/// # Errors
/// See [`ReadError`]; a header that can be read does not promise that the pixels can.
pub fn probe(path: &Path) -> Result<Header, ReadError> {
    guarded(|| {
        Ok(match open(path)? {
            Opened::Tiff(s) => s.header,
            Opened::Png(s) => s.header,
            Opened::Jpeg(s) => s.header,
        })
    })
}

/// Reads a scan.
///
/// # Errors
/// See [`ReadError`].
pub fn decode(path: &Path, limits: &DecodeLimits) -> Result<Scan, ReadError> {
    guarded(|| {
        let opened = open(path)?;
        let header = match &opened {
            Opened::Tiff(s) => &s.header,
            Opened::Png(s) => &s.header,
            Opened::Jpeg(s) => &s.header,
        }
        .clone();
        if header.bytes_to_decode > limits.max_bytes {
            return Err(ReadError::TooLarge {
                width: header.width as u64,
                height: header.height as u64,
                needed: header.bytes_to_decode,
                limit: limits.max_bytes,
            });
        }
        let Pixels {
            image,
            colour,
            clipped,
        } = match opened {
            Opened::Tiff(s) => s.decode()?,
            Opened::Png(s) => s.decode()?,
            Opened::Jpeg(s) => s.decode()?,
        };
        Ok(Scan {
            image,
            header,
            colour,
            clipped,
        })
    })
}

/// SHA-256 of a file, hexadecimal.
///
/// # Errors
/// When the file cannot be read.
pub fn sha256(path: &Path) -> Result<String, ReadError> {
    let (mut file, _) = regular(path)?;
    let mut hash = Sha256::new();
    let mut buffer = vec![0; 1 << 18];
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => hash.update(&buffer[..n]),
        }
    }
    Ok(crate::hash::hex(&hash.finalize()))
}

fn regular(path: &Path) -> Result<(File, u64), ReadError> {
    // Asked before opening: opening a pipe waits for its other end.
    if !std::fs::metadata(path)?.is_file() {
        return Err(ReadError::NotAFile);
    }
    let file = File::open(path)?;
    let len = file.metadata()?.len();
    Ok((file, len))
}

fn open(path: &Path) -> Result<Opened, ReadError> {
    let (mut file, len) = regular(path)?;
    let mut head = Vec::with_capacity(sniff::SNIFFED);
    (&mut file)
        .take(sniff::SNIFFED as u64)
        .read_to_end(&mut head)?;
    let format = sniff::sniff(&head)?;
    file.seek(SeekFrom::Start(0))?;
    let input = BufReader::with_capacity(1 << 16, file);
    Ok(match format {
        FileFormat::Tiff | FileFormat::BigTiff => Opened::Tiff(tiff::Source::open(input, len)?),
        FileFormat::Png => Opened::Png(Box::new(png::Source::open(input, len)?)),
        FileFormat::Jpeg => Opened::Jpeg(jpeg::Source::open(input, len)?),
    })
}

/// Runs a decoder; a panic in it is the file's fault as far as the run is concerned.
fn guarded<T>(work: impl FnOnce() -> Result<T, ReadError>) -> Result<T, ReadError> {
    catch_unwind(AssertUnwindSafe(work)).unwrap_or_else(|panic| {
        let why = panic
            .downcast_ref::<String>()
            .map(String::as_str)
            .or_else(|| panic.downcast_ref::<&str>().copied())
            .unwrap_or("no reason given");
        let first_line = why.lines().next().unwrap_or_default();
        Err(ReadError::damaged(format!(
            "the decoder gave up: {first_line}"
        )))
    })
}
