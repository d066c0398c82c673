//! What a file says of itself.

use super::orientation::Orientation;
use super::resolution::Resolution;
use super::sniff::FileFormat;

/// How samples are encoded in the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SampleKind {
    /// Unsigned integers.
    Uint,
    /// Floating point, 1.0 = full scale.
    Float,
}

/// An embedded colour profile.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Icc {
    /// The name in it; `None` when the profile cannot be read.
    pub description: Option<String>,
    /// Its size in bytes.
    pub bytes: u64,
}

impl Icc {
    pub(super) fn new(profile: &[u8]) -> Self {
        Self {
            description: moxcms::ColorProfile::new_from_slice(profile)
                .ok()
                .map(|p| super::colour::description(&p)),
            bytes: profile.len() as u64,
        }
    }
}

/// A scan's header.
#[derive(Debug, Clone, PartialEq)]
pub struct Header {
    /// File format.
    pub format: FileFormat,
    /// Compression, in words.
    pub compression: String,
    /// Pixels across as looked at.
    pub width: usize,
    /// Pixels down as looked at.
    pub height: usize,
    /// Samples a pixel in the file, opacity and other extras included.
    pub channels: usize,
    /// Channels of the decoded image: 1 or 3.
    pub decoded_channels: usize,
    /// Colour model of the samples, such as `RGB` or `grey, 0 = white`.
    pub model: &'static str,
    /// Bits a sample in the file.
    pub bits: u8,
    /// Sample encoding.
    pub sample: SampleKind,
    /// Pixels to a side that share one colour (ISO/IEC 10918-1, sampling factors).
    pub colour_step: usize,
    /// Resolution, if the file states one.
    pub resolution: Option<Resolution>,
    /// Orientation tag; already reckoned with in width, height and resolution.
    pub orientation: Orientation,
    /// Embedded profile.
    pub icc: Option<Icc>,
    /// Most bytes of memory [`decode`](super::decode) takes at its peak.
    pub bytes_to_decode: u64,
    /// What a person should know, such as a second image in the file.
    pub notes: Vec<String>,
}

impl Header {
    /// Format, compression, depth and colour model in one line.
    pub fn describe(&self) -> String {
        let float = match self.sample {
            SampleKind::Uint => "",
            SampleKind::Float => " float",
        };
        format!(
            "{}, {}, {}-bit{float} {}",
            self.format, self.compression, self.bits, self.model
        )
    }
}

/// Bytes that every decode takes beside its image: file buffers, tables, code books.
pub(super) const WORKING_BYTES: u64 = 3_000_000;

/// Bytes of the decoded image.
pub(super) fn raster_bytes(width: u64, height: u64, channels: usize) -> u64 {
    width
        .saturating_mul(height)
        .saturating_mul(channels as u64 * 2)
}
