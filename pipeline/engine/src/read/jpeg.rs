//! JPEG files: baseline and progressive, grey, YCbCr, RGB and CMYK (ISO/IEC 10918-1; JFIF 1.02;
//! EXIF 2.32; Adobe's APP14 as described in Adobe Technical Note 5116).

use std::io::Read;

use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::canvas::Canvas;
use super::colour::{self, Inks, Tagged};
use super::curve::Sense;
use super::error::ReadError;
use super::header::{Header, Icc, SampleKind, WORKING_BYTES, raster_bytes};
use super::orientation::Orientation;
use super::rows::{Packing, PixelLayout, RowConverter};
use super::sniff::FileFormat;
use super::{Input, Pixels};

mod segments;
pub(super) use segments::Segments;

/// Progressive scans a writer may make; ten are usual.
const MOST_SCANS: usize = 64;

pub(super) struct Source {
    pub(super) header: Header,
    segments: Segments,
    input: Input,
}

impl Source {
    pub(super) fn open(mut input: Input, file_len: u64) -> Result<Self, ReadError> {
        let segments = Segments::read(&mut input)?;
        segments.check_fits(file_len)?;
        let (width, height) = (u64::from(segments.width), u64::from(segments.height));
        let inks = segments.inks()?;
        let orientation = segments
            .exif
            .as_ref()
            .map_or(Orientation::NORMAL, |e| e.orientation);
        let exif = segments.exif.as_ref().and_then(|e| e.resolution.clone());
        let mut notes = Vec::new();
        let resolution = match (segments.jfif.clone(), exif) {
            (Some(jfif), Some(exif)) => {
                if (jfif.dpi.x / exif.dpi.x - 1.0).abs() > 0.01 {
                    notes.push(format!(
                        "JFIF states {:.0} dpi, EXIF {:.0} dpi; JFIF's is taken",
                        jfif.dpi.x, exif.dpi.x
                    ));
                }
                Some(jfif)
            }
            (jfif, exif) => jfif.or(exif),
        }
        .map(|r| r.turned(orientation));
        let out = raster_bytes(width, height, inks.out_channels());
        let turned = if orientation.is_normal() {
            0
        } else {
            width * height * inks.count() as u64
        };
        let (w, h) = orientation.size(segments.width.into(), segments.height.into());
        let icc = segments.icc.as_deref().map(Icc::new);
        let header = Header {
            format: FileFormat::Jpeg,
            compression: if segments.progressive {
                "progressive".to_owned()
            } else {
                "baseline".to_owned()
            },
            width: w,
            height: h,
            channels: inks.count(),
            decoded_channels: inks.out_channels(),
            model: match inks {
                Inks::Grey => "grey",
                Inks::Rgb => "RGB",
                Inks::Cmyk => "CMYK",
            },
            bits: 8,
            sample: SampleKind::Uint,
            colour_step: segments.colour_step(),
            resolution,
            orientation,
            bytes_to_decode: out
                + turned
                + file_len
                + segments.working_bytes()
                + 4 * icc.as_ref().map_or(0, |i| i.bytes)
                + WORKING_BYTES,
            icc,
            notes,
        };
        Ok(Self {
            header,
            segments,
            input,
        })
    }

    pub(super) fn decode(mut self) -> Result<Pixels, ReadError> {
        use std::io::Seek;
        self.input.rewind()?;
        let mut file = Vec::new();
        self.input.read_to_end(&mut file)?;
        segments::check_complete(&file, self.segments.data_at)?;

        let inks = self.segments.inks()?;
        // Adobe's writers store inks inverted.
        let sense = if inks == Inks::Cmyk && self.segments.adobe.is_some() {
            Sense::Inverted
        } else {
            Sense::Direct
        };
        let tagged = self.segments.icc.as_deref().map_or(Tagged::No, Tagged::icc);
        let (model, words) = colour::model(inks, 256, sense, tagged);
        let colours = inks.count();
        let pixel = PixelLayout {
            samples: colours,
            colours,
            alpha: None,
        };
        let mut rows = RowConverter::new(Packing::U8, pixel, model)?;
        let mut canvas = Canvas::new(
            self.segments.width.into(),
            self.segments.height.into(),
            inks.out_channels(),
            self.header.orientation,
        )?;
        let mut stream = Stream::open(&file, None)?;
        let (width, height) = (canvas.width(), canvas.height());
        if stream.size() != (width, height) || stream.samples() != colours {
            return Err(ReadError::damaged("it states its size twice, differently"));
        }
        let row_bytes = width * colours;
        let ycck = stream.is_ycck();
        let mut convert = |row: &[u8], dst: &mut [u16]| {
            if ycck {
                rows.bytes(&ycck_to_cmyk(row), width, dst)
            } else {
                rows.bytes(row, width, dst)
            }
        };
        if let Some(tail) = canvas.tail(row_bytes) {
            stream.decode_into(tail)?;
            drop(file);
            canvas.expand_tail(row_bytes, convert)?;
        } else {
            let mut whole = vec![0; row_bytes * height];
            stream.decode_into(&mut whole)?;
            for (y, row) in whole.chunks_exact(row_bytes).enumerate() {
                let mut done = Ok(());
                canvas.span(0, y, width, |dst| done = convert(row, dst));
                done?;
            }
        }
        Ok(Pixels {
            image: canvas.finish()?,
            colour: words,
            clipped: rows.clipped,
        })
    }
}

/// A JPEG stream whose headers are read.
pub(super) struct Stream<'a> {
    decoder: JpegDecoder<ZCursor<&'a [u8]>>,
    space: ColorSpace,
}

impl<'a> Stream<'a> {
    /// Opens a stream. Three components come out as RGB unless `keep` says that they are to stay
    /// as they are; four stay CMYK or YCCK.
    pub(super) fn open(bytes: &'a [u8], keep: Option<bool>) -> Result<Self, ReadError> {
        // Stray bytes between header segments do no harm; in the data, the decoder would paint
        // grey over what it cannot decode unless it is strict.
        let options = DecoderOptions::default()
            .set_strict_mode(false)
            .set_max_width(1 << 16)
            .set_max_height(1 << 16)
            .jpeg_set_max_scans(MOST_SCANS)
            .jpeg_set_out_colorspace(ColorSpace::RGB);
        let mut decoder = JpegDecoder::new_with_options(ZCursor::new(bytes), options);
        decoder.decode_headers()?;
        let input = decoder
            .input_colorspace()
            .ok_or_else(|| ReadError::damaged("JPEG without a header"))?;
        let components = decoder.info().map_or(0, |i| i.components);
        let space = match (components, input) {
            (1, _) => ColorSpace::Luma,
            (3, _) if keep == Some(true) => input,
            (3, _) => ColorSpace::RGB,
            (4, ColorSpace::YCCK) => ColorSpace::YCCK,
            (4, _) => ColorSpace::CMYK,
            (n, _) => return Err(ReadError::unsupported(format!("JPEG of {n} components"))),
        };
        decoder.set_options(options.set_strict_mode(true).jpeg_set_out_colorspace(space));
        Ok(Self { decoder, space })
    }

    pub(super) fn size(&self) -> (usize, usize) {
        self.decoder.dimensions().unwrap_or((0, 0))
    }

    pub(super) fn samples(&self) -> usize {
        self.space.num_components()
    }

    pub(super) fn is_ycck(&self) -> bool {
        self.space == ColorSpace::YCCK
    }

    pub(super) fn decode_into(&mut self, out: &mut [u8]) -> Result<(), ReadError> {
        Ok(self.decoder.decode_into(out)?)
    }
}

/// Inks as Adobe stores them from luminance, chrominance and black (the JFIF matrix gives RGB,
/// whose complement is the stored ink).
pub(super) fn ycck_to_cmyk(row: &[u8]) -> Vec<u8> {
    row.as_chunks::<4>()
        .0
        .iter()
        .flat_map(|&[y, cb, cr, k]| {
            let (y, cb, cr) = (f32::from(y), f32::from(cb) - 128.0, f32::from(cr) - 128.0);
            let rgb = [
                y + 1.402 * cr,
                y - 0.344_136 * cb - 0.714_136 * cr,
                y + 1.772 * cb,
            ];
            let [c, m, ye] = rgb.map(|v| 255 - (v + 0.5) as u8);
            [c, m, ye, k]
        })
        .collect()
}
