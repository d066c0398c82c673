//! An image's samples as they are, for programs rather than people.

use restrike_model::{ImageView, Picture};

use super::{Encoding, PictureError, Rendered};

/// Writes a one-channel image as 16-bit grey PNG, sample by sample: the
/// picture's full scale and more is 65535, zero and less, and what is not a
/// number, 0.
///
/// # Errors
/// When the picture does not ask for samples, or the image has several channels.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn samples(picture: &Picture, image: ImageView<'_, f32>) -> Result<Rendered, PictureError> {
    let refuse = |reason: String| PictureError::Encode {
        picture: picture.name.clone(),
        reason,
    };
    let full = picture
        .samples()
        .filter(|f| f.is_finite() && *f > 0.0)
        .ok_or_else(|| refuse("it does not say which value is full scale".to_owned()))?;
    if image.channels() != 1 {
        return Err(PictureError::Channels {
            picture: picture.name.clone(),
            channels: image.channels(),
        });
    }
    let (width, height) = (image.width(), image.height());
    let size = |n: usize| u32::try_from(n).map_err(|e| refuse(e.to_string()));
    let scale = 65535.0 / full;
    let raw: Vec<u8> = (0..height)
        .flat_map(|y| image.row(y))
        .flat_map(|v| ((f64::from(*v) * scale).round() as u16).to_be_bytes())
        .collect();
    let mut bytes = Vec::new();
    let mut encoder = png::Encoder::new(&mut bytes, size(width)?, size(height)?);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    encoder.set_compression(png::Compression::Fast);
    let mut writer = encoder.write_header().map_err(|e| refuse(e.to_string()))?;
    writer
        .write_image_data(&raw)
        .and_then(|()| writer.finish())
        .map_err(|e| refuse(e.to_string()))?;
    Ok(Rendered {
        bytes,
        width,
        height,
        encoding: Encoding::Png,
        print: None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn samples_come_back_from_the_file() {
        let values = [0.0_f32, 0.5, 1.0, 2.0, 9.0, -1.0, f32::NAN, 1.999];
        let view = ImageView::new(&values, 4, 2, 1, 4).unwrap();
        let picture = Picture::of_samples("plane", "", "x", 2.0);
        let file = samples(&picture, view).unwrap();
        let mut reader = png::Decoder::new(std::io::Cursor::new(&file.bytes))
            .read_info()
            .unwrap();
        let mut raw = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut raw).unwrap();
        assert_eq!((info.width, info.height), (4, 2));
        assert_eq!(info.bit_depth, png::BitDepth::Sixteen);
        let back: Vec<u16> = raw
            .chunks_exact(2)
            .map(|b| u16::from_be_bytes([b[0], b[1]]))
            .collect();
        assert_eq!(back, [0, 16384, 32768, 65535, 65535, 0, 0, 65502]);
    }

    #[test]
    fn three_channels_or_no_scale_are_refused() {
        let values = [0.0_f32; 3];
        let view = ImageView::new(&values, 1, 1, 3, 3).unwrap();
        assert!(samples(&Picture::of_samples("p", "", "x", 1.0), view).is_err());
        let one = ImageView::new(&values, 3, 1, 1, 3).unwrap();
        assert!(samples(&Picture::of_samples("p", "", "x", 0.0), one).is_err());
    }
}
