//! What a TIFF directory says of its image.

use std::io::{Read, Seek, SeekFrom};

use super::super::colour::Inks;
use super::super::error::ReadError;
use super::super::ifd::{Directory, tag};
use super::super::orientation::Orientation;
use super::super::resolution::Resolution;
use super::super::rows::{Alpha, Packing, PixelLayout};

/// Profiles of CMYK devices are up to some megabytes.
const MOST_ICC_BYTES: u64 = 16 << 20;

/// What the samples are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Ink {
    WhiteIsZero,
    BlackIsZero,
    Rgb,
    Palette,
    Cmyk,
    /// Luminance and chrominance, in JPEG only.
    YCbCr,
}

impl Ink {
    pub(super) fn inks(self) -> Inks {
        match self {
            Self::WhiteIsZero | Self::BlackIsZero => Inks::Grey,
            Self::Rgb | Self::Palette | Self::YCbCr => Inks::Rgb,
            Self::Cmyk => Inks::Cmyk,
        }
    }

    /// Colour samples a pixel in the file.
    fn samples(self) -> usize {
        if self == Self::Palette {
            1
        } else {
            self.inks().count()
        }
    }

    pub(super) fn name(self) -> &'static str {
        match self {
            Self::WhiteIsZero => "grey, 0 = white",
            Self::BlackIsZero => "grey",
            Self::Rgb => "RGB",
            Self::Palette => "palette",
            Self::Cmyk => "CMYK",
            Self::YCbCr => "YCbCr",
        }
    }

    fn from_tag(value: u64) -> Result<Self, ReadError> {
        Ok(match value {
            0 => Self::WhiteIsZero,
            1 => Self::BlackIsZero,
            2 => Self::Rgb,
            3 => Self::Palette,
            5 => Self::Cmyk,
            6 => Self::YCbCr,
            4 => return Err(ReadError::unsupported("a TIFF transparency mask")),
            8..=10 => return Err(ReadError::unsupported("a TIFF in L*a*b*")),
            32803 => return Err(ReadError::unsupported("a TIFF of raw camera data")),
            n => return Err(ReadError::unsupported(format!("TIFF photometric kind {n}"))),
        })
    }
}

/// How chunks are compressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Compression {
    None,
    Fax4,
    Lzw,
    Jpeg,
    Deflate,
    PackBits,
}

impl std::fmt::Display for Compression {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::None => "uncompressed",
            Self::Fax4 => "CCITT group 4",
            Self::Lzw => "LZW",
            Self::Jpeg => "JPEG",
            Self::Deflate => "deflate",
            Self::PackBits => "PackBits",
        })
    }
}

impl Compression {
    fn from_tag(value: u64) -> Result<Self, ReadError> {
        let other = |what: &str| {
            Err(ReadError::unsupported(format!(
                "TIFF with {what} compression"
            )))
        };
        match value {
            1 => Ok(Self::None),
            4 => Ok(Self::Fax4),
            5 => Ok(Self::Lzw),
            7 => Ok(Self::Jpeg),
            8 | 32946 => Ok(Self::Deflate),
            32773 => Ok(Self::PackBits),
            2 | 3 => other("CCITT group 3"),
            6 => other("old-style JPEG"),
            33003..=33005 | 34712 => other("JPEG 2000"),
            50000 => other("Zstandard"),
            50001 => other("WebP"),
            n => other(&format!("unknown ({n})")),
        }
    }

    /// How many bytes one compressed byte can become; `None` when there is no bound to rely on.
    fn most_expansion(self) -> Option<u64> {
        match self {
            Self::None => Some(1),
            Self::PackBits => Some(128),
            Self::Lzw => Some(4096),
            Self::Deflate => Some(1100),
            Self::Jpeg => Some(4096),
            Self::Fax4 => None,
        }
    }
}

/// Where a chunk lies.
#[derive(Debug, Clone, Copy)]
pub(super) struct Area {
    pub(super) x: usize,
    pub(super) y: usize,
    pub(super) width: usize,
    pub(super) height: usize,
}

/// Strips or tiles of one plane.
#[derive(Debug, Clone, Copy)]
pub(super) struct Grid {
    pub(super) tiled: bool,
    pub(super) chunk_width: usize,
    pub(super) chunk_height: usize,
    pub(super) across: usize,
    pub(super) down: usize,
}

impl Grid {
    pub(super) fn count(&self) -> usize {
        self.across * self.down
    }

    /// The part of the image that a chunk covers.
    pub(super) fn area(&self, index: usize, width: usize, height: usize) -> Area {
        let index = index % self.count();
        let x = index % self.across * self.chunk_width;
        let y = index / self.across * self.chunk_height;
        Area {
            x,
            y,
            width: self.chunk_width.min(width - x),
            height: self.chunk_height.min(height - y),
        }
    }
}

/// The image of a directory.
#[derive(Debug)]
pub(super) struct Layout {
    pub(super) width: usize,
    pub(super) height: usize,
    pub(super) ink: Ink,
    pub(super) compression: Compression,
    pub(super) bits: u8,
    pub(super) packing: Packing,
    pub(super) pixel: PixelLayout,
    pub(super) planar: bool,
    /// Whether bytes hold their first bit lowest.
    pub(super) low_bit_first: bool,
    pub(super) grid: Grid,
    pub(super) offsets: Vec<u64>,
    pub(super) lengths: Vec<u64>,
    pub(super) colour_map: Vec<[u16; 3]>,
    pub(super) jpeg_tables: Option<Vec<u8>>,
    pub(super) icc: Option<Vec<u8>>,
    pub(super) orientation: Orientation,
    pub(super) resolution: Option<Resolution>,
    /// Pixels to a side that share one colour.
    pub(super) colour_step: usize,
}

impl Layout {
    /// Reads and checks the tags.
    pub(super) fn read<R: Read + Seek>(d: &Directory, r: &mut R) -> Result<Self, ReadError> {
        let uint = |r: &mut R, t: u16| d.uint(r, t);
        let size = |r: &mut R, t: u16| -> Result<usize, ReadError> {
            let v = uint(r, t)?.ok_or_else(|| ReadError::damaged(format!("tag {t} is missing")))?;
            usize::try_from(v)
                .ok()
                .filter(|&v| v > 0 && u32::try_from(v).is_ok())
                .ok_or_else(|| ReadError::damaged(format!("tag {t} is {v}")))
        };
        if uint(r, tag::NEW_SUBFILE_TYPE)?.unwrap_or(0) & 1 == 1 {
            return Err(ReadError::unsupported(
                "a TIFF whose first image is a preview",
            ));
        }
        let width = size(r, tag::IMAGE_WIDTH)?;
        let height = size(r, tag::IMAGE_LENGTH)?;
        let ink = Ink::from_tag(
            uint(r, tag::PHOTOMETRIC)?
                .ok_or_else(|| ReadError::damaged("it does not say what its samples are"))?,
        )?;
        let compression = Compression::from_tag(uint(r, tag::COMPRESSION)?.unwrap_or(1))?;
        let low_bit_first = uint(r, tag::FILL_ORDER)?.unwrap_or(1) == 2;
        if ink == Ink::YCbCr && compression != Compression::Jpeg {
            return Err(ReadError::unsupported(
                "TIFF in YCbCr without JPEG compression",
            ));
        }
        let samples = usize::try_from(uint(r, tag::SAMPLES_PER_PIXEL)?.unwrap_or(1))
            .ok()
            .filter(|n| (1..=64).contains(n))
            .ok_or_else(|| ReadError::damaged("samples a pixel out of range"))?;
        let colours = ink.samples();
        if samples < colours {
            return Err(ReadError::damaged(format!(
                "{samples} samples a pixel where {} takes {colours}",
                ink.name()
            )));
        }
        let extra = d.uints(r, tag::EXTRA_SAMPLES)?.unwrap_or_default();
        let alpha = match extra.first() {
            // Opacity cannot be multiplied into a palette's index.
            Some(1) if samples > colours && ink != Ink::Palette => Some(Alpha::Premultiplied),
            Some(1 | 2) if samples > colours => Some(Alpha::Straight),
            _ => None,
        };
        let (bits, packing) = packing(d, r, compression)?;
        if ink == Ink::Palette
            && !matches!(packing, Packing::Bits(1..=7) | Packing::U8 | Packing::U16)
        {
            return Err(ReadError::unsupported("a TIFF palette of this depth"));
        }
        let planar = samples > 1 && uint(r, tag::PLANAR_CONFIGURATION)?.unwrap_or(1) == 2;
        let grid = grid(d, r, width, height)?;
        let (at, len) = if grid.tiled {
            (tag::TILE_OFFSETS, tag::TILE_BYTE_COUNTS)
        } else {
            (tag::STRIP_OFFSETS, tag::STRIP_BYTE_COUNTS)
        };
        let planes = if planar { samples } else { 1 };
        let wanted = (grid.count() as u64).saturating_mul(planes as u64);
        let mut table = |t: u16| -> Result<Vec<u64>, ReadError> {
            let values = d
                .uints(r, t)?
                .ok_or_else(|| ReadError::damaged(format!("tag {t} is missing")))?;
            if values.len() as u64 == wanted {
                Ok(values)
            } else {
                Err(ReadError::damaged(format!(
                    "{} strips or tiles listed where the image has {wanted}",
                    values.len()
                )))
            }
        };
        let (offsets, lengths) = (table(at)?, table(len)?);
        let icc = d.bytes(r, tag::ICC_PROFILE, MOST_ICC_BYTES);
        let orientation = Orientation::from_tag(uint(r, tag::ORIENTATION)?.unwrap_or(1));
        let colour_step = if ink == Ink::YCbCr {
            // Two by two is what the standard takes where the tag is missing.
            let sides = d.uints(r, tag::YCBCR_SUB_SAMPLING)?;
            let most = sides.map_or(2, |s| s.into_iter().max().unwrap_or(2));
            usize::try_from(most).unwrap_or(4).clamp(1, 4)
        } else {
            1
        };
        Ok(Self {
            width,
            height,
            ink,
            compression,
            bits,
            packing,
            pixel: PixelLayout {
                samples,
                colours,
                alpha,
            },
            planar,
            low_bit_first,
            grid,
            offsets,
            lengths,
            colour_map: if ink == Ink::Palette {
                colour_map(d, r, bits)?
            } else {
                Vec::new()
            },
            jpeg_tables: d.bytes(r, tag::JPEG_TABLES, 1 << 20)?,
            icc: icc?,
            orientation,
            resolution: Resolution::from_directory(d, r, "TIFF XResolution"),
            colour_step,
        })
    }

    /// Bytes of a row of a chunk `width` pixels wide, as the decoder gives it.
    pub(super) fn row_bytes(&self, width: usize) -> usize {
        let samples = if self.planar { 1 } else { self.pixel.samples };
        (width * samples * usize::from(self.bits)).div_ceil(8)
    }

    /// Width and height of a chunk as it is stored: tiles are whole, strips end with the image.
    pub(super) fn stored(&self, index: usize) -> (usize, usize) {
        if self.grid.tiled {
            (self.grid.chunk_width, self.grid.chunk_height)
        } else {
            let area = self.grid.area(index, self.width, self.height);
            (area.width, area.height)
        }
    }

    /// Bytes of the largest chunk.
    pub(super) fn chunk_bytes(&self) -> usize {
        let (width, height) = self.stored(0);
        self.row_bytes(width).saturating_mul(height)
    }

    pub(super) fn longest_chunk(&self) -> u64 {
        self.lengths.iter().copied().max().unwrap_or(0)
    }

    /// Compares the size stated with what the file can hold.
    pub(super) fn check_fits(&self, file_len: u64) -> Result<(), ReadError> {
        for (i, (&at, &len)) in self.offsets.iter().zip(&self.lengths).enumerate() {
            let (width, height) = self.stored(i);
            let raw = (self.row_bytes(width) as u64).saturating_mul(height as u64);
            let there = file_len.saturating_sub(at);
            let packed = match self.compression {
                Compression::None => there,
                _ => there.min(len),
            };
            let fits = match self.compression.most_expansion() {
                Some(most) => raw <= packed.saturating_mul(most),
                None => packed > 0,
            };
            if !fits {
                let what = if at >= file_len || len > there {
                    format!("strip or tile {i} lies at byte {at}, the file ends at byte {file_len}")
                } else {
                    format!("strip or tile {i} of {packed} bytes cannot hold {raw} bytes")
                };
                return Err(ReadError::truncated(what));
            }
        }
        Ok(())
    }

    /// Writers before TIFF 6.0 packed LZW codes from the low bit up; their streams start with the
    /// clear code that way round.
    pub(super) fn check_lzw<R: Read + Seek>(&self, r: &mut R) -> Result<(), ReadError> {
        let (Compression::Lzw, Some(&at)) = (self.compression, self.offsets.first()) else {
            return Ok(());
        };
        let mut start = [0; 2];
        r.seek(SeekFrom::Start(at))?;
        r.read_exact(&mut start)?;
        if start[0] == 0 && start[1] & 1 == 1 {
            return Err(ReadError::unsupported(
                "TIFF with old-style LZW compression",
            ));
        }
        Ok(())
    }
}

fn packing<R: Read + Seek>(
    d: &Directory,
    r: &mut R,
    compression: Compression,
) -> Result<(u8, Packing), ReadError> {
    let same = |values: Option<Vec<u64>>, default: u64, what: &str| match values.as_deref() {
        None | Some([]) => Ok(default),
        Some([first, rest @ ..]) if rest.iter().all(|v| v == first) => Ok(*first),
        Some(_) => Err(ReadError::unsupported(format!("a TIFF of mixed {what}"))),
    };
    let bits = same(d.uints(r, tag::BITS_PER_SAMPLE)?, 1, "depths")?;
    let format = same(d.uints(r, tag::SAMPLE_FORMAT)?, 1, "sample formats")?;
    let packing = match (format, bits) {
        // 4 is "undefined", which writers use for plain integers.
        (1 | 4, 8) => Packing::U8,
        (1 | 4, 16) => Packing::U16,
        (1 | 4, 32) => Packing::U32,
        (1 | 4, 1..=15) => Packing::Bits(bits as u8),
        (3, 16) => Packing::F16,
        (3, 32) => Packing::F32,
        (3, 64) => Packing::F64,
        (2, _) => return Err(ReadError::unsupported("a TIFF of signed samples")),
        (5 | 6, _) => return Err(ReadError::unsupported("a TIFF of complex samples")),
        (_, 0) => return Err(ReadError::damaged("samples of 0 bits")),
        (_, n) => {
            return Err(ReadError::unsupported(format!(
                "a TIFF of {n} bits a sample"
            )));
        }
    };
    let fits = match compression {
        Compression::Jpeg => packing == Packing::U8,
        Compression::Fax4 => packing == Packing::Bits(1),
        _ => true,
    };
    if !fits {
        return Err(ReadError::unsupported(format!(
            "TIFF, {compression}, of {bits} bits a sample"
        )));
    }
    let predictor = d.uint(r, tag::PREDICTOR)?.unwrap_or(1);
    if predictor != 1 && matches!(packing, Packing::Bits(_)) {
        return Err(ReadError::unsupported(format!(
            "a TIFF predictor on {bits}-bit samples"
        )));
    }
    Ok((bits as u8, packing))
}

fn grid<R: Read + Seek>(
    d: &Directory,
    r: &mut R,
    width: usize,
    height: usize,
) -> Result<Grid, ReadError> {
    let tiled = d.find(tag::TILE_OFFSETS).is_some();
    let (w, h) = if tiled {
        (d.uint(r, tag::TILE_WIDTH)?, d.uint(r, tag::TILE_LENGTH)?)
    } else {
        (
            Some(width as u64),
            Some(d.uint(r, tag::ROWS_PER_STRIP)?.unwrap_or(u64::MAX)),
        )
    };
    let side = |v: Option<u64>, most: u64| -> Result<usize, ReadError> {
        let v = v.unwrap_or(0).min(most);
        usize::try_from(v)
            .ok()
            .filter(|&v| v > 0)
            .ok_or_else(|| ReadError::damaged("strips or tiles of no size"))
    };
    let chunk_width = side(w, 1 << 24)?;
    let chunk_height = side(h, if tiled { 1 << 24 } else { height as u64 })?;
    Ok(Grid {
        tiled,
        chunk_width,
        chunk_height,
        across: width.div_ceil(chunk_width),
        down: height.div_ceil(chunk_height),
    })
}

fn colour_map<R: Read + Seek>(
    d: &Directory,
    r: &mut R,
    bits: u8,
) -> Result<Vec<[u16; 3]>, ReadError> {
    let n = 1_usize << bits;
    let map = d.uints(r, tag::COLOR_MAP)?.unwrap_or_default();
    if map.len() != 3 * n {
        return Err(ReadError::damaged(format!(
            "a palette of {} values where {} belong",
            map.len(),
            3 * n
        )));
    }
    // Some writers fill it with 8-bit values.
    let scale = if map.iter().all(|&v| v < 256) { 257 } else { 1 };
    let at = |i: usize| u16::try_from(map[i] * scale).unwrap_or(u16::MAX);
    Ok((0..n).map(|i| [at(i), at(n + i), at(2 * n + i)]).collect())
}
