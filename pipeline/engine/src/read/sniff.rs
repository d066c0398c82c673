//! What a file is, told by its first bytes and never by its name.

use super::error::ReadError;

/// File formats that are read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileFormat {
    /// TIFF 6.0.
    Tiff,
    /// TIFF with 64-bit offsets.
    BigTiff,
    /// PNG.
    Png,
    /// JPEG, with JFIF or EXIF header or none.
    Jpeg,
}

impl std::fmt::Display for FileFormat {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Tiff => "TIFF",
            Self::BigTiff => "BigTIFF",
            Self::Png => "PNG",
            Self::Jpeg => "JPEG",
        })
    }
}

/// Bytes that [`sniff`] looks at.
pub(super) const SNIFFED: usize = 16;

const PNG_SIGNATURE: [u8; 8] = *b"\x89PNG\r\n\x1a\n";

/// Other things that turn up in scan folders, so that the message can name them.
const OTHERS: [(&[u8], &str); 11] = [
    (b"%PDF", "this is a PDF document"),
    (b"8BPS", "this is a layered PSD document"),
    (b"GIF8", "this is a GIF image"),
    (b"BM", "this is a BMP image"),
    (b"RIFF", "this is a RIFF file (WebP or sound)"),
    (b"\0\0\0\x0cjP  ", "this is a JPEG 2000 image"),
    (b"\xff\x4f\xff\x51", "this is a JPEG 2000 code stream"),
    (b"PK", "this is a ZIP archive"),
    (b"\xff\x0a", "this is a JPEG XL image"),
    (b"\0\0\0\x0cJXL ", "this is a JPEG XL image"),
    (b"<", "this is a text file (XML or HTML)"),
];

/// Tells the format.
///
/// # Errors
/// When it is none that is read.
pub(super) fn sniff(head: &[u8]) -> Result<FileFormat, ReadError> {
    match head {
        [b'I', b'I', 42, 0, ..] | [b'M', b'M', 0, 42, ..] => return Ok(FileFormat::Tiff),
        [b'I', b'I', 43, 0, ..] | [b'M', b'M', 0, 43, ..] => return Ok(FileFormat::BigTiff),
        [0xff, 0xd8, 0xff, ..] => return Ok(FileFormat::Jpeg),
        _ if head.starts_with(&PNG_SIGNATURE) => return Ok(FileFormat::Png),
        _ => {}
    }
    if head.is_empty() {
        return Err(ReadError::Empty);
    }
    if head.get(1..4) == Some(b"PNG") || head.starts_with(b"\x89PN") {
        return Err(ReadError::damaged(
            "its PNG signature was altered, as a transfer in text mode does",
        ));
    }
    if head.get(4..8) == Some(b"ftyp") {
        return Err(unknown("this is an MP4-family file (HEIF, AVIF or video)"));
    }
    match OTHERS.iter().find(|(magic, _)| head.starts_with(magic)) {
        Some((_, what)) => Err(unknown(what)),
        None => Err(unknown("this is no image format known here")),
    }
}

fn unknown(what: &str) -> ReadError {
    ReadError::UnknownFormat {
        what: what.to_owned(),
    }
}
