//! PNG (W3C PNG third edition; ISO/IEC 15948).

use png::{BitDepth, ColorType, Decoder, Limits, Reader, Transformations, Unit};

use super::canvas::Canvas;
use super::colour::{self, Inks, Tagged};
use super::curve::Sense;
use super::error::ReadError;
use super::header::{Header, Icc, SampleKind, WORKING_BYTES, raster_bytes};
use super::orientation::Orientation;
use super::resolution::{Exif, Resolution};
use super::rows::{Alpha, Packing, PixelLayout, RowConverter};
use super::sniff::FileFormat;
use super::{Input, Pixels};

/// Chunks other than the image (profile, palette, EXIF) may take this much.
const CHUNK_BYTES: usize = 64 << 20;

/// Deflate expands 1032-fold at most.
const MOST_EXPANSION: u64 = 1100;

pub(super) struct Source {
    pub(super) header: Header,
    reader: Reader<Input>,
}

impl Source {
    pub(super) fn open(input: Input, file_len: u64) -> Result<Self, ReadError> {
        let mut decoder = Decoder::new_with_limits(input, Limits { bytes: CHUNK_BYTES });
        decoder.set_ignore_text_chunk(true);
        // Palette and low depths to 8 bits, tRNS to opacity.
        decoder.set_transformations(Transformations::EXPAND);
        let reader = decoder.read_info()?;
        let info = reader.info();
        let (width, height) = (u64::from(info.width), u64::from(info.height));
        let channels = info.color_type.samples();
        let bits = info.bit_depth as u8;
        let row_bytes = (width * channels as u64 * u64::from(bits)).div_ceil(8) + 1;
        if row_bytes.saturating_mul(height) / MOST_EXPANSION > file_len {
            return Err(ReadError::truncated(format!(
                "{file_len} bytes cannot hold {width} x {height} pixels"
            )));
        }
        let exif = info.exif_metadata.as_deref().and_then(Exif::parse);
        let orientation = exif.as_ref().map_or(Orientation::NORMAL, |e| e.orientation);
        let resolution = info
            .pixel_dims
            .filter(|d| d.unit == Unit::Meter)
            .and_then(|d| {
                let (x, y) = (f64::from(d.xppu), f64::from(d.yppu));
                Resolution::new(x, y, 1000.0, "PNG pHYs")
            })
            .or_else(|| exif.and_then(|e| e.resolution))
            .map(|r| r.turned(orientation));
        let mut notes = Vec::new();
        if info.coding_independent_code_points.is_some() {
            notes.push("its cICP chunk is not used".to_owned());
        }
        if info.animation_control.is_some() {
            notes.push("the file is animated; the first frame is read".to_owned());
        }
        let (out, _) = layout(&reader);
        let (w, h) = orientation.size(info.width as usize, info.height as usize);
        let icc = info.icc_profile.as_deref().map(Icc::new);
        let icc_bytes = icc.as_ref().map_or(0, |i| i.bytes);
        let header = Header {
            format: FileFormat::Png,
            compression: if info.interlaced {
                "deflate, interlaced".to_owned()
            } else {
                "deflate".to_owned()
            },
            width: w,
            height: h,
            channels,
            decoded_channels: out.out_channels(),
            model: match info.color_type {
                ColorType::Grayscale => "grey",
                ColorType::GrayscaleAlpha => "grey and opacity",
                ColorType::Rgb => "RGB",
                ColorType::Rgba => "RGB and opacity",
                ColorType::Indexed => "palette",
            },
            bits,
            sample: SampleKind::Uint,
            colour_step: 1,
            resolution,
            orientation,
            icc,
            bytes_to_decode: raster_bytes(width, height, out.out_channels())
                + 16 * row_bytes
                + 40 * width
                + 4 * icc_bytes
                + WORKING_BYTES,
            notes,
        };
        Ok(Self { header, reader })
    }

    pub(super) fn decode(mut self) -> Result<Pixels, ReadError> {
        let (inks, pixel) = layout(&self.reader);
        let (_, depth) = self.reader.output_color_type();
        let packing = match depth {
            BitDepth::Sixteen => Packing::U16Be,
            _ => Packing::U8,
        };
        let info = self.reader.info();
        let (width, height) = (info.width as usize, info.height as usize);
        let (model, words) = colour::model(inks, packing.levels(), Sense::Direct, tagged(info));
        let mut rows = RowConverter::new(packing, pixel, model)?;
        let channels = inks.out_channels();
        let mut canvas = Canvas::new(width, height, channels, self.header.orientation)?;
        if self.reader.info().interlaced {
            let mut spread = Vec::new();
            for [x0, dx, y, n] in adam7(width, height) {
                let row = self.reader.next_interlaced_row()?;
                let row = row.ok_or_else(|| ReadError::truncated("interlaced rows missing"))?;
                spread.resize(n * channels, 0);
                rows.bytes(row.data(), n, &mut spread)?;
                canvas.scatter(x0, dx, y, &spread);
            }
        } else {
            for y in 0..height {
                let row = self.reader.next_row()?;
                let row = row.ok_or_else(|| ReadError::truncated("rows missing"))?;
                let mut done = Ok(());
                canvas.span(0, y, width, |dst| done = rows.bytes(row.data(), width, dst));
                done?;
            }
        }
        // The rest holds the checksums and the end mark.
        self.reader.finish()?;
        Ok(Pixels {
            image: canvas.finish()?,
            colour: words,
            clipped: rows.clipped,
        })
    }
}

/// First column, column step, row and pixels of each interlaced line (PNG section 8.2).
fn adam7(width: usize, height: usize) -> impl Iterator<Item = [usize; 4]> {
    const PASSES: [[usize; 4]; 7] = [
        [0, 8, 0, 8],
        [4, 8, 0, 8],
        [0, 4, 4, 8],
        [2, 4, 0, 4],
        [0, 2, 2, 4],
        [1, 2, 0, 2],
        [0, 1, 1, 2],
    ];
    PASSES
        .into_iter()
        .map(move |[x0, dx, y0, dy]| ([x0, dx, y0, dy], width.saturating_sub(x0).div_ceil(dx)))
        .filter(|(_, n)| *n > 0)
        .flat_map(move |([x0, dx, y0, dy], n)| {
            (y0..height).step_by(dy).map(move |y| [x0, dx, y, n])
        })
}

fn layout(reader: &Reader<Input>) -> (Inks, PixelLayout) {
    let (colour, _) = reader.output_color_type();
    let (inks, alpha) = match colour {
        ColorType::Grayscale => (Inks::Grey, None),
        ColorType::GrayscaleAlpha => (Inks::Grey, Some(Alpha::Straight)),
        ColorType::Rgb | ColorType::Indexed => (Inks::Rgb, None),
        ColorType::Rgba => (Inks::Rgb, Some(Alpha::Straight)),
    };
    let colours = inks.count();
    let pixel = PixelLayout {
        samples: colours + usize::from(alpha.is_some()),
        colours,
        alpha,
    };
    (inks, pixel)
}

/// Which statement counts, PNG section 4.3: iCCP, then sRGB, then gAMA with cHRM.
fn tagged(info: &png::Info<'_>) -> Tagged {
    if let Some(profile) = &info.icc_profile {
        return Tagged::icc(profile);
    }
    if info.srgb.is_some() {
        return Tagged::Srgb("sRGB (PNG sRGB)");
    }
    let Some(gamma) = info.gama_chunk else {
        return Tagged::No;
    };
    let xy = info.chrm_chunk.map(|c| {
        [c.white, c.red, c.green, c.blue]
            .map(|(x, y)| [f64::from(x.into_value()), f64::from(y.into_value())])
    });
    Tagged::png(f64::from(gamma.into_value()), xy)
}
