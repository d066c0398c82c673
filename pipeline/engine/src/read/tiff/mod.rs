//! TIFF 6.0 and BigTIFF: strips and tiles, chunky and planar, either byte order.
//!
//! The `tiff` crate unpacks samples; what they mean (palette, inks, opacity, depth) is read here,
//! so that one path serves every kind. JPEG inside TIFF goes to the JPEG decoder directly, which
//! lets its size be checked before it allocates.

mod chunks;
mod jpeg_chunks;
mod layout;
mod overlay;

use super::canvas::Canvas;
use super::colour::{self, Tagged};
use super::curve::Sense;
use super::error::ReadError;
use super::header::{Header, Icc, SampleKind, WORKING_BYTES, raster_bytes};
use super::ifd::Directory;
use super::rows::{Packing, RowConverter};
use super::sniff::FileFormat;
use super::{Input, Pixels};
use chunks::ChunkReader;
use jpeg_chunks::BLOCKS;
use layout::{Compression, Ink, Layout};

pub(super) struct Source {
    pub(super) header: Header,
    directory: Directory,
    layout: Layout,
    input: Input,
}

impl Source {
    pub(super) fn open(mut input: Input, file_len: u64) -> Result<Self, ReadError> {
        let directory = Directory::read(&mut input)?;
        let layout = Layout::read(&directory, &mut input)?;
        layout.check_fits(file_len)?;
        layout.check_lzw(&mut input)?;
        let header = header(&directory, &layout);
        Ok(Self {
            header,
            directory,
            layout,
            input,
        })
    }

    pub(super) fn decode(self) -> Result<Pixels, ReadError> {
        let Self {
            directory,
            layout,
            input,
            ..
        } = self;
        let (model, words) = model(&layout);
        let mut rows = RowConverter::new(layout.packing, layout.pixel, model)?;
        let mut canvas = Canvas::new(
            layout.width,
            layout.height,
            layout.ink.inks().out_channels(),
            layout.orientation,
        )?;
        let mut reader = ChunkReader::open(input, &directory, &layout)?;
        if layout.planar {
            planes(&layout, &mut reader, &mut rows, &mut canvas)?;
        } else {
            chunky(&layout, &mut reader, &mut rows, &mut canvas)?;
        }
        Ok(Pixels {
            image: canvas.finish()?,
            colour: words,
            clipped: rows.clipped,
        })
    }
}

fn header(directory: &Directory, layout: &Layout) -> Header {
    let (width, height) = (layout.width as u64, layout.height as u64);
    let raster = raster_bytes(width, height, layout.ink.inks().out_channels());
    let (w, h) = layout.orientation.size(layout.width, layout.height);
    let icc = layout.icc.as_deref().map(Icc::new);
    let mut notes = Vec::new();
    if directory.more {
        notes.push("the file holds more than one image; the first is read".to_owned());
    }
    if layout.pixel.samples > layout.pixel.colours && layout.pixel.alpha.is_none() {
        notes.push("samples beyond the colours are ignored".to_owned());
    }
    Header {
        format: if directory.big {
            FileFormat::BigTiff
        } else {
            FileFormat::Tiff
        },
        compression: layout.compression.to_string(),
        width: w,
        height: h,
        channels: layout.pixel.samples,
        decoded_channels: layout.ink.inks().out_channels(),
        model: layout.ink.name(),
        bits: layout.bits,
        sample: match layout.packing {
            Packing::F16 | Packing::F32 | Packing::F64 => SampleKind::Float,
            _ => SampleKind::Uint,
        },
        colour_step: layout.colour_step,
        resolution: layout
            .resolution
            .clone()
            .map(|r| r.turned(layout.orientation)),
        orientation: layout.orientation,
        bytes_to_decode: layout
            .working_bytes()
            .saturating_add(raster)
            .saturating_add(4 * icc.as_ref().map_or(0, |i| i.bytes) + WORKING_BYTES),
        icc,
        notes,
    }
}

fn model(layout: &Layout) -> (super::model::Model, String) {
    let float = matches!(layout.packing, Packing::F16 | Packing::F32 | Packing::F64);
    let tagged = match &layout.icc {
        Some(icc) => Tagged::icc(icc),
        None if float => Tagged::NoFloat,
        None => Tagged::No,
    };
    if layout.ink == Ink::Palette {
        return colour::palette(&layout.colour_map, tagged);
    }
    let sense = if layout.ink == Ink::WhiteIsZero {
        Sense::Inverted
    } else {
        Sense::Direct
    };
    colour::model(layout.ink.inks(), layout.packing.levels(), sense, tagged)
}

/// Samples of a pixel side by side.
fn chunky(
    layout: &Layout,
    reader: &mut ChunkReader,
    rows: &mut RowConverter,
    canvas: &mut Canvas,
) -> Result<(), ReadError> {
    let whole = layout.row_bytes(layout.width);
    if layout.grid.count() == 1
        && layout.stored(0) == (layout.width, layout.height)
        && let Some(tail) = canvas.tail(whole)
    {
        reader.read(layout, 0, tail)?;
        return canvas.expand_tail(whole, |row, dst| rows.bytes(row, layout.width, dst));
    }
    let mut buffer = vec![0; layout.chunk_bytes()];
    for index in 0..layout.grid.count() {
        let area = layout.grid.area(index, layout.width, layout.height);
        let (width, height) = layout.stored(index);
        let row_bytes = layout.row_bytes(width);
        let data = &mut buffer[..row_bytes * height];
        reader.read(layout, index, data)?;
        for (i, row) in data.chunks_exact(row_bytes).take(area.height).enumerate() {
            let mut done = Ok(());
            canvas.span(area.x, area.y + i, area.width, |dst| {
                done = rows.bytes(row, area.width, dst);
            });
            done?;
        }
    }
    Ok(())
}

/// Each sample in a plane of its own.
fn planes(
    layout: &Layout,
    reader: &mut ChunkReader,
    rows: &mut RowConverter,
    canvas: &mut Canvas,
) -> Result<(), ReadError> {
    let n = layout.pixel.samples;
    let mut buffers = vec![vec![0; layout.chunk_bytes()]; n];
    let mut plane_row = Vec::new();
    let mut row = Vec::new();
    for index in 0..layout.grid.count() {
        let area = layout.grid.area(index, layout.width, layout.height);
        let (width, height) = layout.stored(index);
        let row_bytes = layout.row_bytes(width);
        for (plane, buffer) in buffers.iter_mut().enumerate() {
            let chunk = index + plane * layout.grid.count();
            reader.read(layout, chunk, &mut buffer[..row_bytes * height])?;
        }
        row.resize(area.width * n, 0);
        for i in 0..area.height {
            for (plane, buffer) in buffers.iter().enumerate() {
                plane_row.clear();
                let bytes = &buffer[i * row_bytes..(i + 1) * row_bytes];
                rows.clipped += layout.packing.unpack(bytes, area.width, &mut plane_row);
                for (pixel, &v) in row.chunks_exact_mut(n).zip(&plane_row) {
                    pixel[plane] = v;
                }
            }
            let mut done = Ok(());
            canvas.span(area.x, area.y + i, area.width, |dst| {
                done = rows.samples(&row, dst);
            });
            done?;
        }
    }
    Ok(())
}

impl Layout {
    /// Bytes that decoding takes beside the image.
    fn working_bytes(&self) -> u64 {
        let planes = if self.planar { self.pixel.samples } else { 1 } as u64;
        let row = self.row_bytes(self.width) as u64;
        let widened = self.width as u64 * self.ink.inks().out_channels() as u64 * 2;
        let in_place = self.grid.count() == 1
            && self.stored(0) == (self.width, self.height)
            && !self.planar
            && self.orientation.is_normal()
            && row <= widened;
        let chunk = self.chunk_bytes() as u64;
        let buffers = if in_place {
            row
        } else {
            chunk.saturating_mul(planes)
        };
        let compressed = match self.compression {
            // The stream, and its pixels when they do not fit the buffer.
            Compression::Jpeg => {
                let side = |n: usize| n.next_multiple_of(BLOCKS);
                let padded = (self.row_bytes(side(self.grid.chunk_width)) as u64)
                    .saturating_mul(side(self.grid.chunk_height) as u64);
                self.longest_chunk()
                    .saturating_add(padded.saturating_mul(4))
            }
            _ => 0,
        };
        // Offsets and lengths, here and in the decoder.
        let table = self.offsets.len() as u64 * 96;
        buffers
            .saturating_add(table + 8 * (row + widened))
            .saturating_add(compressed)
    }
}
