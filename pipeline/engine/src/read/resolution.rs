//! Resolution as files state it, in pixels per inch.

use std::io::{Read, Seek};

use restrike_model::{Dpi, MM_PER_INCH};

use super::ifd::{Directory, tag};
use super::orientation::Orientation;

/// Resolution stated in a file, and by which tag.
#[derive(Debug, Clone, PartialEq)]
pub struct Resolution {
    /// Pixels per inch along the image as looked at.
    pub dpi: Dpi,
    /// Where it is from, such as `TIFF XResolution`.
    pub source: String,
}

impl Resolution {
    /// From counts per unit as stored; `None` unless both are positive and finite.
    pub(super) fn new(x: f64, y: f64, unit_mm: f64, source: &str) -> Option<Self> {
        let dpi = Dpi {
            x: x * MM_PER_INCH / unit_mm,
            y: y * MM_PER_INCH / unit_mm,
        };
        let sound = |v: f64| v.is_finite() && v > 0.0;
        (sound(dpi.x) && sound(dpi.y)).then(|| Self {
            dpi,
            source: source.to_owned(),
        })
    }

    /// The same as seen after the image is turned.
    pub(super) fn turned(mut self, orientation: Orientation) -> Self {
        if orientation.swaps_axes() {
            std::mem::swap(&mut self.dpi.x, &mut self.dpi.y);
        }
        self
    }

    /// From XResolution, YResolution and ResolutionUnit (TIFF 6.0 section 8; EXIF uses the same).
    /// Unit 1 states an aspect only.
    pub(super) fn from_directory<R: Read + Seek>(
        dir: &Directory,
        r: &mut R,
        source: &str,
    ) -> Option<Self> {
        let unit_mm = match dir
            .uint(r, tag::RESOLUTION_UNIT)
            .ok()
            .flatten()
            .unwrap_or(2)
        {
            2 => MM_PER_INCH,
            3 => 10.0,
            _ => return None,
        };
        let x = dir.positive(r, tag::X_RESOLUTION);
        let y = dir.positive(r, tag::Y_RESOLUTION);
        let (x, y) = (x.or(y)?, y.or(x)?);
        Self::new(x, y, unit_mm, source)
    }
}

/// What an EXIF block says of the main image.
pub(super) struct Exif {
    pub(super) orientation: Orientation,
    pub(super) resolution: Option<Resolution>,
}

impl Exif {
    /// Reads a block that starts with a TIFF header; `None` when it is damaged, which costs no
    /// pixel.
    pub(super) fn parse(block: &[u8]) -> Option<Self> {
        let mut r = std::io::Cursor::new(block);
        let dir = Directory::read(&mut r).ok()?;
        let orientation = dir.uint(&mut r, tag::ORIENTATION).ok().flatten();
        Some(Self {
            orientation: Orientation::from_tag(orientation.unwrap_or(1)),
            resolution: Resolution::from_directory(&dir, &mut r, "EXIF XResolution"),
        })
    }
}
