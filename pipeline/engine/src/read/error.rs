//! Why a scan could not be read, in words a person can act on.

use std::io;

use thiserror::Error;

/// Why a scan could not be read. The file's name is the caller's to add.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
pub enum ReadError {
    /// No file of that name.
    #[error("the file is not there; check the name in the sheet list")]
    NotFound,
    /// A folder, a pipe or a device.
    #[error("this is not a file but a folder or a device; name one image file a line")]
    NotAFile,
    /// Zero bytes.
    #[error("the file is empty (0 bytes); copy or scan it again")]
    Empty,
    /// Neither TIFF nor PNG nor JPEG.
    #[error("{what}; save the scan as TIFF, PNG or JPEG")]
    UnknownFormat {
        /// What the content looks like.
        what: String,
    },
    /// The file ends before the image does.
    #[error("the file ends before the image does ({what}); copy or scan it again")]
    Truncated {
        /// Where it ends.
        what: String,
    },
    /// The file contradicts its own format.
    #[error("the file is damaged ({what}); copy or scan it again")]
    Damaged {
        /// What is wrong.
        what: String,
    },
    /// A kind of image that is not read.
    #[error("{what} is not supported; save the scan as TIFF of 8 or 16 bits a sample")]
    Unsupported {
        /// What kind.
        what: String,
    },
    /// Decoding would take more memory than allowed.
    #[error(
        "an image of {width} x {height} pixels takes {needed_mb} MB to decode, \
         more than the {limit_mb} MB allowed; raise the memory limit or scan at a lower resolution",
        needed_mb = .needed.div_ceil(1_000_000),
        limit_mb = .limit / 1_000_000
    )]
    TooLarge {
        /// Pixels across.
        width: u64,
        /// Pixels down.
        height: u64,
        /// Bytes it would take.
        needed: u64,
        /// Bytes allowed.
        limit: u64,
    },
    /// The operating system refused.
    #[error("the file cannot be read: {0}")]
    Io(String),
}

impl ReadError {
    /// The kind in a word, for tables.
    pub fn kind(&self) -> &'static str {
        match self {
            Self::NotFound => "not found",
            Self::NotAFile => "not a file",
            Self::Empty => "empty",
            Self::UnknownFormat { .. } => "unknown format",
            Self::Truncated { .. } => "truncated",
            Self::Damaged { .. } => "damaged",
            Self::Unsupported { .. } => "unsupported",
            Self::TooLarge { .. } => "too large",
            Self::Io(_) => "unreadable",
        }
    }

    pub(super) fn damaged(what: impl Into<String>) -> Self {
        Self::Damaged { what: what.into() }
    }

    pub(super) fn truncated(what: impl Into<String>) -> Self {
        Self::Truncated { what: what.into() }
    }

    pub(super) fn unsupported(what: impl Into<String>) -> Self {
        Self::Unsupported { what: what.into() }
    }
}

impl From<io::Error> for ReadError {
    fn from(error: io::Error) -> Self {
        match error.kind() {
            io::ErrorKind::NotFound => Self::NotFound,
            io::ErrorKind::UnexpectedEof => Self::truncated("data missing"),
            io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput | io::ErrorKind::Other => {
                Self::damaged(error.to_string())
            }
            _ => Self::Io(error.to_string()),
        }
    }
}

impl From<tiff::TiffError> for ReadError {
    fn from(error: tiff::TiffError) -> Self {
        match error {
            tiff::TiffError::IoError(error) => Self::from(error),
            tiff::TiffError::UnsupportedError(what) => Self::unsupported(format!("TIFF: {what}")),
            tiff::TiffError::LimitsExceeded => {
                Self::damaged("a field is larger than a scan's can be")
            }
            other => Self::damaged(other.to_string()),
        }
    }
}

impl From<png::DecodingError> for ReadError {
    fn from(error: png::DecodingError) -> Self {
        match error {
            png::DecodingError::IoError(error) => Self::from(error),
            png::DecodingError::LimitsExceeded => {
                Self::damaged("a chunk is larger than a scan's can be")
            }
            other => Self::damaged(other.to_string()),
        }
    }
}

impl From<zune_jpeg::errors::DecodeErrors> for ReadError {
    fn from(error: zune_jpeg::errors::DecodeErrors) -> Self {
        use zune_jpeg::errors::DecodeErrors as E;
        match error {
            E::ExhaustedData => Self::truncated("the last bytes are inside the image"),
            E::Unsupported(what) => Self::unsupported(format!("JPEG: {what:?}")),
            other => Self::damaged(format!("JPEG: {other:?}")),
        }
    }
}
