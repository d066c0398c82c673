//! Pictures of 16-bit samples for block records, as PNG (W3C PNG specification).

use png::{BitDepth, ColorType};

/// Most memory a picture may take while it is read, bytes.
const LIMIT: usize = 512 * 1024 * 1024;

/// What a sample of a picture holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Samples {
    /// One value.
    Grey,
    /// Four values: three of colour and one more.
    Rgba,
}

impl Samples {
    fn colour(self) -> ColorType {
        match self {
            Self::Grey => ColorType::Grayscale,
            Self::Rgba => ColorType::Rgba,
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Grey => "grey",
            Self::Rgba => "RGBA",
        }
    }
}

/// Encodes samples, row by row.
///
/// # Errors
/// When they do not fill a picture of that size.
pub fn encode(
    width: usize,
    height: usize,
    samples: Samples,
    values: impl IntoIterator<Item = u16>,
) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let size = |v: usize| u32::try_from(v).unwrap_or(u32::MAX);
    let mut e = png::Encoder::new(&mut out, size(width), size(height));
    e.set_color(samples.colour());
    e.set_depth(BitDepth::Sixteen);
    e.set_compression(png::Compression::Fast);
    let mut w = e.write_header()?;
    let bytes: Vec<u8> = values.into_iter().flat_map(u16::to_be_bytes).collect();
    w.write_image_data(&bytes)?;
    w.finish()?;
    Ok(out)
}

/// Width, height and samples of a picture.
///
/// # Errors
/// In words, when it is no such picture.
pub fn decode(bytes: &[u8], samples: Samples) -> Result<(usize, usize, Vec<u16>), String> {
    let mut d = png::Decoder::new(std::io::Cursor::new(bytes));
    d.set_limits(png::Limits { bytes: LIMIT });
    let mut reader = d.read_info().map_err(|e| e.to_string())?;
    let info = reader.info();
    if info.color_type != samples.colour() || info.bit_depth != BitDepth::Sixteen {
        return Err(format!("is no 16-bit {} picture", samples.name()));
    }
    let (w, h) = (info.width as usize, info.height as usize);
    let size = reader.output_buffer_size().ok_or("is too large")?;
    let mut buffer = vec![0; size];
    reader.next_frame(&mut buffer).map_err(|e| e.to_string())?;
    let values = buffer
        .chunks_exact(2)
        .map(|b| u16::from_be_bytes([b[0], b[1]]))
        .collect();
    Ok((w, h, values))
}

#[cfg(test)]
mod tests {
    use super::{Samples, decode, encode};

    #[test]
    fn what_goes_in_comes_out() {
        let values: Vec<u16> = (0..24).map(|v| v * 2719).collect();
        for (samples, width) in [(Samples::Grey, 6), (Samples::Rgba, 2)] {
            let bytes = encode(
                width,
                if width == 6 { 4 } else { 3 },
                samples,
                values.clone(),
            );
            let (w, h, back) = decode(&bytes.unwrap(), samples).unwrap();
            assert_eq!((w, h * w), (width, if width == 6 { 24 } else { 6 }));
            assert_eq!(back, values);
        }
        let grey = encode(6, 4, Samples::Grey, values).unwrap();
        assert_eq!(
            decode(&grey, Samples::Rgba).unwrap_err(),
            "is no 16-bit RGBA picture"
        );
        assert!(decode(&grey[..40], Samples::Grey).is_err());
        assert!(encode(7, 4, Samples::Grey, [0; 24]).is_err());
    }
}
