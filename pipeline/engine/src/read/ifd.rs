//! A TIFF directory's entries: what the image decoder does not tell, for TIFF files and for
//! EXIF blocks (TIFF 6.0 section 2; EXIF 2.32 section 4.6.2; BigTIFF).

use std::io::{Read, Seek, SeekFrom};

use super::error::ReadError;

pub(super) mod tag {
    pub(crate) const NEW_SUBFILE_TYPE: u16 = 254;
    pub(crate) const IMAGE_WIDTH: u16 = 256;
    pub(crate) const IMAGE_LENGTH: u16 = 257;
    pub(crate) const BITS_PER_SAMPLE: u16 = 258;
    pub(crate) const COMPRESSION: u16 = 259;
    pub(crate) const PHOTOMETRIC: u16 = 262;
    pub(crate) const FILL_ORDER: u16 = 266;
    pub(crate) const STRIP_OFFSETS: u16 = 273;
    pub(crate) const ORIENTATION: u16 = 274;
    pub(crate) const SAMPLES_PER_PIXEL: u16 = 277;
    pub(crate) const ROWS_PER_STRIP: u16 = 278;
    pub(crate) const STRIP_BYTE_COUNTS: u16 = 279;
    pub(crate) const X_RESOLUTION: u16 = 282;
    pub(crate) const Y_RESOLUTION: u16 = 283;
    pub(crate) const PLANAR_CONFIGURATION: u16 = 284;
    pub(crate) const RESOLUTION_UNIT: u16 = 296;
    pub(crate) const PREDICTOR: u16 = 317;
    pub(crate) const COLOR_MAP: u16 = 320;
    pub(crate) const TILE_WIDTH: u16 = 322;
    pub(crate) const TILE_LENGTH: u16 = 323;
    pub(crate) const TILE_OFFSETS: u16 = 324;
    pub(crate) const TILE_BYTE_COUNTS: u16 = 325;
    pub(crate) const EXTRA_SAMPLES: u16 = 338;
    pub(crate) const SAMPLE_FORMAT: u16 = 339;
    pub(crate) const JPEG_TABLES: u16 = 347;
    pub(crate) const YCBCR_SUB_SAMPLING: u16 = 530;
    pub(crate) const ICC_PROFILE: u16 = 34675;
}

/// More entries than any writer makes.
const MAX_ENTRIES: u64 = 4096;

/// One entry.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    pub(super) tag: u16,
    kind: u16,
    count: u64,
    /// Where the value lies.
    value_at: u64,
    /// Where the entry itself lies.
    pub(super) entry_at: u64,
}

impl Entry {
    fn item_bytes(&self) -> Option<u64> {
        match self.kind {
            1 | 2 | 6 | 7 => Some(1),
            3 | 8 => Some(2),
            4 | 9 | 11 | 13 => Some(4),
            5 | 10 | 12 | 16 | 17 | 18 => Some(8),
            _ => None,
        }
    }
}

/// The first directory of a TIFF file or EXIF block.
#[derive(Debug, Clone)]
pub(super) struct Directory {
    pub(super) big: bool,
    pub(super) little: bool,
    /// Whether another directory follows.
    pub(super) more: bool,
    /// Where the pointer to it lies.
    pub(super) next_at: u64,
    file_len: u64,
    entries: Vec<Entry>,
}

impl Directory {
    /// Reads the first directory.
    pub(super) fn read<R: Read + Seek>(r: &mut R) -> Result<Self, ReadError> {
        let file_len = r.seek(SeekFrom::End(0))?;
        r.seek(SeekFrom::Start(0))?;
        let head: [u8; 4] = array(r)?;
        let little = match &head[..2] {
            b"II" => true,
            b"MM" => false,
            _ => return Err(ReadError::damaged("no TIFF byte order")),
        };
        let mut dir = Self {
            big: u16_of(little, [head[2], head[3]]) == 43,
            little,
            more: false,
            next_at: 0,
            file_len,
            entries: Vec::new(),
        };
        let start = if dir.big {
            array::<4, R>(r)?;
            u64_of(little, array(r)?)
        } else {
            u64::from(u32_of(little, array(r)?))
        };
        if start >= file_len {
            return Err(ReadError::truncated(format!(
                "its directory is at byte {start} of {file_len}"
            )));
        }
        r.seek(SeekFrom::Start(start))?;
        let count = if dir.big {
            u64_of(little, array(r)?)
        } else {
            u64::from(u16_of(little, array(r)?))
        };
        if count > MAX_ENTRIES {
            return Err(ReadError::damaged(format!(
                "a directory of {count} entries"
            )));
        }
        let (entry_bytes, inline) = if dir.big { (20, 8) } else { (12, 4) };
        let first = start + if dir.big { 8 } else { 2 };
        for i in 0..count {
            let entry_at = first + i * entry_bytes;
            let tag = u16_of(little, array(r)?);
            let kind = u16_of(little, array(r)?);
            let count = if dir.big {
                u64_of(little, array(r)?)
            } else {
                u64::from(u32_of(little, array(r)?))
            };
            let value: [u8; 8] = if dir.big {
                array(r)?
            } else {
                let v: [u8; 4] = array(r)?;
                [v[0], v[1], v[2], v[3], 0, 0, 0, 0]
            };
            let mut entry = Entry {
                tag,
                kind,
                count,
                value_at: entry_at + entry_bytes - inline,
                entry_at,
            };
            let bytes = entry.item_bytes().and_then(|b| b.checked_mul(count));
            if bytes.is_some_and(|b| b > inline) {
                entry.value_at = if dir.big {
                    u64_of(little, value)
                } else {
                    u64::from(u32_of(little, [value[0], value[1], value[2], value[3]]))
                };
            }
            // As most readers do, the last of two entries of one tag counts.
            dir.entries.retain(|e| e.tag != tag);
            dir.entries.push(entry);
        }
        dir.next_at = first + count * entry_bytes;
        let next = if dir.big {
            array::<8, R>(r).map(|b| u64_of(little, b))
        } else {
            array::<4, R>(r).map(|b| u64::from(u32_of(little, b)))
        };
        dir.more = next.is_ok_and(|n| n != 0 && n != start);
        Ok(dir)
    }

    /// The entry of a tag.
    pub(super) fn find(&self, tag: u16) -> Option<&Entry> {
        self.entries.iter().find(|e| e.tag == tag)
    }

    /// A value's raw bytes, at most `max` of them.
    pub(super) fn bytes<R: Read + Seek>(
        &self,
        r: &mut R,
        tag: u16,
        max: u64,
    ) -> Result<Option<Vec<u8>>, ReadError> {
        let Some(entry) = self.find(tag) else {
            return Ok(None);
        };
        let len = entry
            .item_bytes()
            .and_then(|b| b.checked_mul(entry.count))
            .ok_or_else(|| ReadError::damaged(format!("tag {tag} has no readable type")))?;
        if len > max {
            return Err(ReadError::damaged(format!("tag {tag} holds {len} bytes")));
        }
        if entry
            .value_at
            .checked_add(len)
            .is_none_or(|end| end > self.file_len)
        {
            return Err(ReadError::truncated(format!(
                "tag {tag} points past the end, {} bytes",
                self.file_len
            )));
        }
        r.seek(SeekFrom::Start(entry.value_at))?;
        let mut bytes = vec![0; usize::try_from(len).unwrap_or(0)];
        r.read_exact(&mut bytes)?;
        Ok(Some(bytes))
    }

    /// A tag's values as unsigned integers; `None` when the tag is absent. No more than the file
    /// holds are ever allocated.
    pub(super) fn uints<R: Read + Seek>(
        &self,
        r: &mut R,
        tag: u16,
    ) -> Result<Option<Vec<u64>>, ReadError> {
        let Some(entry) = self.find(tag).copied() else {
            return Ok(None);
        };
        let Some(bytes) = self.bytes(r, tag, u64::MAX)? else {
            return Ok(None);
        };
        let little = self.little;
        let values = match entry.kind {
            1 | 7 => bytes.iter().map(|&b| u64::from(b)).collect(),
            3 => items(&bytes, |b| u64::from(u16_of(little, b))),
            4 | 13 => items(&bytes, |b| u64::from(u32_of(little, b))),
            16 | 18 => items(&bytes, |b| u64_of(little, b)),
            kind => {
                return Err(ReadError::damaged(format!("tag {tag} is of type {kind}")));
            }
        };
        Ok(Some(values))
    }

    /// A tag's first value as unsigned integer.
    pub(super) fn uint<R: Read + Seek>(
        &self,
        r: &mut R,
        tag: u16,
    ) -> Result<Option<u64>, ReadError> {
        Ok(self.uints(r, tag)?.and_then(|v| v.first().copied()))
    }

    /// A tag's first value as a positive finite number, if it is one.
    pub(super) fn positive<R: Read + Seek>(&self, r: &mut R, tag: u16) -> Option<f64> {
        let entry = *self.find(tag)?;
        let bytes = self.bytes(r, tag, 64).ok()??;
        let little = self.little;
        let value = match entry.kind {
            3 => f64::from(u16_of(little, first(&bytes)?)),
            4 => f64::from(u32_of(little, first(&bytes)?)),
            5 => {
                let n = u32_of(little, first(&bytes)?);
                let d = u32_of(little, first(bytes.get(4..)?)?);
                f64::from(n) / f64::from(d)
            }
            11 => f64::from(f32::from_bits(u32_of(little, first(&bytes)?))),
            12 => f64::from_bits(u64_of(little, first(&bytes)?)),
            _ => return None,
        };
        (value.is_finite() && value > 0.0).then_some(value)
    }
}

fn array<const N: usize, R: Read>(r: &mut R) -> Result<[u8; N], ReadError> {
    let mut bytes = [0; N];
    r.read_exact(&mut bytes)?;
    Ok(bytes)
}

fn first<const N: usize>(bytes: &[u8]) -> Option<[u8; N]> {
    bytes.first_chunk().copied()
}

fn items<const N: usize>(bytes: &[u8], value: impl Fn([u8; N]) -> u64) -> Vec<u64> {
    bytes.as_chunks::<N>().0.iter().map(|b| value(*b)).collect()
}

fn u16_of(little: bool, b: [u8; 2]) -> u16 {
    if little {
        u16::from_le_bytes(b)
    } else {
        u16::from_be_bytes(b)
    }
}

fn u32_of(little: bool, b: [u8; 4]) -> u32 {
    if little {
        u32::from_le_bytes(b)
    } else {
        u32::from_be_bytes(b)
    }
}

fn u64_of(little: bool, b: [u8; 8]) -> u64 {
    if little {
        u64::from_le_bytes(b)
    } else {
        u64::from_be_bytes(b)
    }
}
