//! Files: scans, truth, design, sheet list.

use std::io::Cursor;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use crate::design::Design;
use crate::scanner::Pixels;
use crate::sheet::{Format, SheetSpec};
use crate::{Rendered, SynthError, render};

fn io(path: &Path) -> impl Fn(std::io::Error) -> SynthError + '_ {
    move |source| SynthError::Io {
        path: path.to_owned(),
        source,
    }
}

fn bad(path: &Path, e: &dyn std::fmt::Display) -> SynthError {
    SynthError::Encode {
        path: path.to_owned(),
        message: e.to_string(),
    }
}

/// Writes the scan in the sheet's format.
///
/// # Errors
/// When the format cannot hold the samples or the file cannot be written.
pub fn write_scan(path: &Path, r: &Rendered, sheet: &SheetSpec) -> Result<(), SynthError> {
    let scan = &sheet.scan;
    let dpi = r.truth.dpi_tag;
    let bytes = match scan.format {
        Format::TiffLzw | Format::TiffDeflate | Format::TiffPlain => {
            tiff_bytes(r, scan.format, dpi).map_err(|e| bad(path, &e))?
        }
        Format::Png => png_bytes(r, dpi).map_err(|e| bad(path, &e))?,
        Format::Jpeg => {
            let Pixels::U8(data) = &r.pixels else {
                return Err(bad(path, &"JPEG needs 8 bits"));
            };
            let mut out = Vec::new();
            let mut e = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, scan.quality);
            if let Some(dpi) = dpi {
                e.set_pixel_density(image::codecs::jpeg::PixelDensity::dpi(dpi.round() as u16));
            }
            e.encode(data, r.width, r.height, image::ExtendedColorType::Rgb8)
                .map_err(|e| bad(path, &e))?;
            out
        }
    };
    std::fs::write(path, bytes).map_err(io(path))
}

fn tiff_bytes(r: &Rendered, format: Format, dpi: Option<f64>) -> tiff::TiffResult<Vec<u8>> {
    use tiff::encoder::{Compression, DeflateLevel, Predictor, Rational, TiffEncoder, colortype};
    use tiff::tags::ResolutionUnit;
    let mut out = Cursor::new(Vec::new());
    let (compression, predictor) = match format {
        Format::TiffLzw => (Compression::Lzw, Predictor::Horizontal),
        Format::TiffDeflate => (
            Compression::Deflate(DeflateLevel::Balanced),
            Predictor::Horizontal,
        ),
        _ => (Compression::Uncompressed, Predictor::None),
    };
    let mut e = TiffEncoder::new(&mut out)?
        .with_compression(compression)
        .with_predictor(predictor);
    let unit = dpi.map(|d| Rational {
        n: (d * 100.0).round() as u32,
        d: 100,
    });
    match &r.pixels {
        Pixels::U8(data) => {
            let mut im = e.new_image::<colortype::RGB8>(r.width, r.height)?;
            if let Some(u) = unit {
                im.resolution(ResolutionUnit::Inch, u);
            }
            im.rows_per_strip(64)?;
            im.write_data(data)?;
        }
        Pixels::U16(data) => {
            let mut im = e.new_image::<colortype::RGB16>(r.width, r.height)?;
            if let Some(u) = unit {
                im.resolution(ResolutionUnit::Inch, u);
            }
            im.rows_per_strip(64)?;
            im.write_data(data)?;
        }
    }
    Ok(out.into_inner())
}

fn png_bytes(r: &Rendered, dpi: Option<f64>) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let mut e = png::Encoder::new(&mut out, r.width, r.height);
    e.set_color(png::ColorType::Rgb);
    e.set_compression(png::Compression::Fast);
    if let Some(dpi) = dpi {
        let per_metre = (dpi / 0.0254).round() as u32;
        e.set_pixel_dims(Some(png::PixelDimensions {
            xppu: per_metre,
            yppu: per_metre,
            unit: png::Unit::Meter,
        }));
    }
    match &r.pixels {
        Pixels::U8(data) => {
            e.set_depth(png::BitDepth::Eight);
            e.write_header()?.write_image_data(data)?;
        }
        Pixels::U16(data) => {
            e.set_depth(png::BitDepth::Sixteen);
            let bytes: Vec<u8> = data.iter().flat_map(|v| v.to_be_bytes()).collect();
            e.write_header()?.write_image_data(&bytes)?;
        }
    }
    Ok(out)
}

/// Renders a sheet and writes scan and truth into `dir`; gives the scan's path.
///
/// # Errors
/// As [`render`] and [`write_scan`].
pub fn write_sheet(design: &Design, sheet: &SheetSpec, dir: &Path) -> Result<PathBuf, SynthError> {
    let r = render(design, sheet)?;
    let path = dir.join(file_name(sheet));
    write_scan(&path, &r, sheet)?;
    let truth = dir.join(format!("{}.truth.json", sheet.name));
    let json = serde_json::to_string_pretty(&r.truth).map_err(|e| bad(&truth, &e))?;
    std::fs::write(&truth, json).map_err(io(&truth))?;
    Ok(path)
}

fn file_name(sheet: &SheetSpec) -> String {
    format!("{}.{}", sheet.name, sheet.scan.format.extension())
}

/// Writes the design with every line and area: `design.json`.
///
/// # Errors
/// When the file cannot be written.
pub fn write_design(design: &Design, dir: &Path) -> Result<(), SynthError> {
    let path = dir.join("design.json");
    let json = serde_json::to_string(design).map_err(|e| bad(&path, &e))?;
    std::fs::write(&path, json).map_err(io(&path))
}

/// Writes the sheet list, `sheets.csv`.
///
/// # Errors
/// When the file cannot be written.
pub fn write_list(sheets: &[SheetSpec], dir: &Path) -> Result<(), SynthError> {
    let path = dir.join("sheets.csv");
    let mut w = csv::Writer::from_path(&path).map_err(|e| bad(&path, &e))?;
    w.write_record(["file", "impression", "edition", "year", "position", "role"])
        .map_err(|e| bad(&path, &e))?;
    for s in sheets {
        let position = if s.position == 0 {
            String::new()
        } else {
            s.position.to_string()
        };
        w.write_record([
            file_name(s),
            s.name.clone(),
            s.edition.clone(),
            s.year.map(|y| y.to_string()).unwrap_or_default(),
            position,
            s.role.clone(),
        ])
        .map_err(|e| bad(&path, &e))?;
    }
    w.flush().map_err(io(&path))
}

/// Renders and writes every sheet (in parallel), the design and the list.
///
/// # Errors
/// The first failure.
pub fn write_run(design: &Design, sheets: &[SheetSpec], dir: &Path) -> Result<(), SynthError> {
    std::fs::create_dir_all(dir).map_err(io(dir))?;
    write_design(design, dir)?;
    write_list(sheets, dir)?;
    sheets
        .par_iter()
        .try_for_each(|s| write_sheet(design, s, dir).map(|_| ()))
}
