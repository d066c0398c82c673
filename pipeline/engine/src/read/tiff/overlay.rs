//! A reader that shows a few directory entries other than they are.
//!
//! The `tiff` crate ties the unpacking of samples to their meaning: it hands out no palette
//! indices and no 12-bit samples. Shown as plain grey samples or bytes, it unpacks them all.

use std::io::{self, Read, Seek, SeekFrom};

use super::super::ifd::{Directory, tag};
use super::super::rows::Packing;
use super::layout::Layout;

/// Bytes that replace those of the file at a place.
#[derive(Debug)]
struct Patch {
    at: u64,
    bytes: Vec<u8>,
}

/// The reader.
#[derive(Debug)]
pub(super) struct Overlay<R> {
    inner: R,
    position: u64,
    patches: Vec<Patch>,
    mirror: bool,
}

impl<R: Read + Seek> Overlay<R> {
    pub(super) fn new(mut inner: R, directory: &Directory, layout: &Layout) -> io::Result<Self> {
        inner.seek(SeekFrom::Start(0))?;
        let grid = &layout.grid;
        let mut shown = vec![(tag::PHOTOMETRIC, tag::PHOTOMETRIC, 1)];
        let mut width = layout.width as u64;
        if grid.tiled {
            // Shown as an image of whole tiles: at the edges the decoder would stop short of a
            // tile's end, which upsets its LZW reader, and it forgets the edge in all planes but
            // the first.
            width = (grid.across * grid.chunk_width) as u64;
            let height = (grid.down * grid.chunk_height) as u64;
            shown.push((tag::IMAGE_LENGTH, tag::IMAGE_LENGTH, height));
        }
        if let Packing::Bits(9..) = layout.packing {
            let (across, chunk) = if grid.tiled {
                (grid.across as u64, grid.chunk_width)
            } else {
                (1, layout.width)
            };
            let bytes = layout.row_bytes(chunk) as u64;
            width = across * bytes;
            shown.push((tag::TILE_WIDTH, tag::TILE_WIDTH, bytes));
            shown.push((tag::BITS_PER_SAMPLE, tag::BITS_PER_SAMPLE, 8));
            if !layout.planar {
                shown.push((tag::SAMPLES_PER_PIXEL, tag::SAMPLES_PER_PIXEL, 1));
                // A private tag that nobody reads takes its place.
                shown.push((tag::EXTRA_SAMPLES, 65000, 0));
            }
        }
        shown.push((tag::IMAGE_WIDTH, tag::IMAGE_WIDTH, width));
        // The images that follow are not read, and may lead back in a circle.
        let end = Patch {
            at: directory.next_at,
            bytes: vec![0; if directory.big { 8 } else { 4 }],
        };
        let patches = shown
            .into_iter()
            .filter_map(|(tag, as_tag, value)| {
                Some(Patch {
                    at: directory.find(tag)?.entry_at,
                    bytes: long_entry(directory, as_tag, value),
                })
            })
            .chain([end])
            .collect();
        Ok(Self {
            inner,
            position: 0,
            patches,
            mirror: false,
        })
    }

    /// From here on gives bytes with their bits in reverse: for image data with fill order 2,
    /// after the directory is read.
    pub(super) fn mirror_bits(&mut self) {
        self.mirror = true;
    }
}

/// An entry of one LONG.
fn long_entry(directory: &Directory, tag: u16, value: u64) -> Vec<u8> {
    const LONG: u16 = 4;
    let value = u32::try_from(value).unwrap_or(u32::MAX);
    let (t, k, v) = if directory.little {
        (tag.to_le_bytes(), LONG.to_le_bytes(), value.to_le_bytes())
    } else {
        (tag.to_be_bytes(), LONG.to_be_bytes(), value.to_be_bytes())
    };
    let one = |len: usize| {
        let mut count = vec![0; len];
        let at = if directory.little { 0 } else { len - 1 };
        count[at] = 1;
        count
    };
    let wide = if directory.big { 8 } else { 4 };
    let mut entry = [t, k].concat();
    entry.extend(one(wide));
    entry.extend(v);
    entry.resize(4 + 2 * wide, 0);
    entry
}

impl<R: Read> Read for Overlay<R> {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buf)?;
        let (start, end) = (self.position, self.position + n as u64);
        for patch in &self.patches {
            let last = patch.at + patch.bytes.len() as u64;
            let (from, to) = (patch.at.max(start), last.min(end));
            if from < to {
                let target = (from - start) as usize..(to - start) as usize;
                let source = (from - patch.at) as usize..(to - patch.at) as usize;
                buf[target].copy_from_slice(&patch.bytes[source]);
            }
        }
        if self.mirror {
            for byte in &mut buf[..n] {
                *byte = byte.reverse_bits();
            }
        }
        self.position = end;
        Ok(n)
    }
}

impl<R: Seek> Seek for Overlay<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.inner.seek(to)?;
        Ok(self.position)
    }
}
