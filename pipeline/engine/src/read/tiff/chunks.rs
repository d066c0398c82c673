//! Strips and tiles, unpacked one at a time.

use tiff::decoder::{Decoder, Limits};

use super::super::Input;
use super::super::error::ReadError;
use super::super::ifd::Directory;
use super::jpeg_chunks::JpegChunks;
use super::layout::{Compression, Layout};
use super::overlay::Overlay;

/// Reads chunks.
pub(super) enum ChunkReader {
    Samples(Box<Decoder<Overlay<Input>>>),
    Jpeg(JpegChunks),
}

impl ChunkReader {
    pub(super) fn open(
        input: Input,
        directory: &Directory,
        layout: &Layout,
    ) -> Result<Self, ReadError> {
        if layout.compression == Compression::Jpeg {
            return Ok(Self::Jpeg(JpegChunks::new(input)));
        }
        let decoder = Decoder::new(Overlay::new(input, directory, layout)?)?;
        // Buffers are ours, and their size is checked beforehand.
        let mut limits = Limits::default();
        limits.intermediate_buffer_size = usize::MAX;
        let mut decoder = decoder.with_limits(limits);
        if layout.low_bit_first {
            decoder.inner().mirror_bits();
        }
        Ok(Self::Samples(Box::new(decoder)))
    }

    /// Unpacks a chunk: whole tiles, strips without their padding (see [`Layout::stored`]).
    pub(super) fn read(
        &mut self,
        layout: &Layout,
        index: usize,
        out: &mut [u8],
    ) -> Result<(), ReadError> {
        match self {
            Self::Samples(decoder) => {
                let number = u32::try_from(index)
                    .map_err(|_| ReadError::damaged("too many strips or tiles"))?;
                Ok(decoder.read_chunk_bytes(number, out)?)
            }
            Self::Jpeg(chunks) => chunks.read(layout, index, out),
        }
    }
}
