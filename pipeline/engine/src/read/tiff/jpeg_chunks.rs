//! JPEG inside TIFF (TIFF Technical Note 2): each strip or tile is a JPEG stream, with tables
//! shared by all of them in the directory.

use std::io::{Read, Seek, SeekFrom};

use super::super::Input;
use super::super::error::ReadError;
use super::super::jpeg::{Stream, ycck_to_cmyk};
use super::layout::{Ink, Layout};

/// Chunks may be padded to blocks of this many pixels.
pub(super) const BLOCKS: usize = 32;

/// Reads JPEG chunks.
pub(super) struct JpegChunks {
    input: Input,
    stream: Vec<u8>,
    pixels: Vec<u8>,
}

impl JpegChunks {
    pub(super) fn new(input: Input) -> Self {
        Self {
            input,
            stream: Vec::new(),
            pixels: Vec::new(),
        }
    }

    pub(super) fn read(
        &mut self,
        layout: &Layout,
        index: usize,
        out: &mut [u8],
    ) -> Result<(), ReadError> {
        self.fetch(layout, index)?;
        let keep = layout.ink != Ink::YCbCr;
        let mut stream = Stream::open(&self.stream, Some(keep))?;
        let samples = if layout.planar {
            1
        } else {
            layout.pixel.samples
        };
        if stream.samples() != samples {
            return Err(ReadError::damaged(format!(
                "strip or tile {index} has {} components where the image has {samples}",
                stream.samples()
            )));
        }
        let area = layout.grid.area(index, layout.width, layout.height);
        let (width, height) = stream.size();
        if width < area.width || height < area.height {
            return Err(ReadError::damaged(format!(
                "strip or tile {index} is {width} x {height} pixels, smaller than its place"
            )));
        }
        // Padding to whole blocks is usual; more is a bomb.
        let most_height = layout.grid.chunk_height.next_multiple_of(BLOCKS);
        if width > layout.grid.chunk_width.next_multiple_of(BLOCKS) || height > most_height {
            return Err(ReadError::damaged(format!(
                "strip or tile {index} is {width} x {height} pixels, larger than its place"
            )));
        }
        let ycck = stream.is_ycck();
        let stored = layout.stored(index);
        if (width, height) == stored {
            stream.decode_into(out)?;
        } else {
            self.pixels.resize(width * height * samples, 0);
            stream.decode_into(&mut self.pixels)?;
            let rows = self.pixels.chunks_exact(width * samples);
            let shared = width.min(stored.0) * samples;
            for (to, from) in out.chunks_exact_mut(stored.0 * samples).zip(rows) {
                to[..shared].copy_from_slice(&from[..shared]);
            }
        }
        if ycck {
            for row in out.chunks_exact_mut(stored.0 * samples) {
                let inks = ycck_to_cmyk(row);
                row.copy_from_slice(&inks);
            }
        }
        Ok(())
    }

    /// Reads a chunk's stream, with the shared tables put in after its start mark.
    fn fetch(&mut self, layout: &Layout, index: usize) -> Result<(), ReadError> {
        self.stream.clear();
        let (at, len) = match (layout.offsets.get(index), layout.lengths.get(index)) {
            (Some(at), Some(len)) => (*at, *len),
            _ => return Err(ReadError::damaged(format!("no strip or tile {index}"))),
        };
        let mut skip = 0;
        if let Some(tables) = &layout.jpeg_tables {
            // Without their end mark; the stream's own start mark goes.
            let tables = tables.strip_suffix(&[0xff, 0xd9]).unwrap_or(tables);
            self.stream.extend_from_slice(tables);
            skip = if tables.is_empty() { 0 } else { 2 };
        }
        self.input.seek(SeekFrom::Start(at.saturating_add(skip)))?;
        let wanted = len.saturating_sub(skip);
        let got = (&mut self.input)
            .take(wanted)
            .read_to_end(&mut self.stream)?;
        if (got as u64) < wanted {
            return Err(ReadError::truncated(format!(
                "inside strip or tile {index}"
            )));
        }
        Ok(())
    }
}
