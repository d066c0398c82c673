//! Pixels to file bytes.

use image::codecs::jpeg::JpegEncoder;
use tiny_skia::Pixmap;

use super::Encoding;

/// Encodes an opaque canvas.
pub(super) fn encode(canvas: &Pixmap, encoding: Encoding) -> Result<Vec<u8>, String> {
    let rgb: Vec<u8> = canvas
        .data()
        .chunks_exact(4)
        .flat_map(|p| [p[0], p[1], p[2]])
        .collect();
    let (width, height) = (canvas.width(), canvas.height());
    let mut bytes = Vec::new();
    match encoding {
        Encoding::Png => {
            let mut encoder = png::Encoder::new(&mut bytes, width, height);
            encoder.set_color(png::ColorType::Rgb);
            encoder.set_depth(png::BitDepth::Eight);
            encoder.set_source_srgb(png::SrgbRenderingIntent::RelativeColorimetric);
            encoder.set_compression(png::Compression::Fast);
            let mut writer = encoder.write_header().map_err(|e| e.to_string())?;
            writer.write_image_data(&rgb).map_err(|e| e.to_string())?;
            writer.finish().map_err(|e| e.to_string())?;
        }
        Encoding::Jpeg(quality) => {
            JpegEncoder::new_with_quality(&mut bytes, quality.clamp(1, 100))
                .encode(&rgb, width, height, image::ExtendedColorType::Rgb8)
                .map_err(|e| e.to_string())?;
        }
        Encoding::Svg => return Err("pixels are not written as SVG".to_owned()),
    }
    Ok(bytes)
}
