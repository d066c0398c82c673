//! Pictures for people: a base image, brought to a size a person looks at,
//! with the marks of a [`Picture`] drawn over it and a strip below that holds
//! the caption, a scale bar and what the marks mean.

mod colour;
mod encode;
mod geometry;
mod lines;
mod marks;
mod resample;
mod samples;
mod shade;
mod strip;
mod text;
mod warp;

use restrike_model::{ImageView, Picture, Sample};
use serde::{Deserialize, Serialize};
use thiserror::Error;
use tiny_skia::{Color, Pixmap};

pub use colour::{palette, tone_colour, tone_name};
use geometry::Window;
pub use samples::samples;

/// Long side of a picture without other wish, pixels.
pub const LONG_SIDE_PX: usize = 1600;

/// Most pixels a picture may have.
const MOST_PIXELS: f64 = 400e6;

/// The image a picture is drawn on.
#[derive(Debug, Clone, Copy)]
pub enum Base<'a> {
    /// Linear light, 1 or 3 channels (sRGB primaries), 65535 = 1.0.
    Light(ImageView<'a, u16>),
    /// Linear light as floats, 1 or 3 channels; not-a-number: no image there.
    LightF32(ImageView<'a, f32>),
    /// A map of numbers, shown in a colour scale with its legend; not-a-number: no value there.
    Map {
        /// The numbers, 1 channel.
        values: ImageView<'a, f32>,
        /// Their name and unit in the legend (`residual, mm`).
        label: &'a str,
        /// Lowest and highest number of the scale. Without it: from zero to the
        /// 99.5th percentile; the same to both sides of zero if any is negative.
        range: Option<(f64, f64)>,
    },
}

impl<'a> Base<'a> {
    /// An image a stage gave: a map if it has one channel, else linear light.
    pub fn of_stage(image: ImageView<'a, f32>, label: &'a str) -> Self {
        if image.channels() == 1 {
            Self::Map {
                values: image,
                label,
                range: None,
            }
        } else {
            Self::LightF32(image)
        }
    }

    fn size(&self) -> (usize, usize, usize) {
        fn of<T: Sample>(v: &ImageView<'_, T>) -> (usize, usize, usize) {
            (v.width(), v.height(), v.channels())
        }
        match self {
            Self::Light(v) => of(v),
            Self::LightF32(v) | Self::Map { values: v, .. } => of(v),
        }
    }
}

/// File format of a picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Encoding {
    /// PNG: exact.
    #[default]
    Png,
    /// JPEG of a quality from 1 to 100: a fraction of the size of a PNG.
    Jpeg(u8),
    /// SVG, of charts only.
    Svg,
}

impl Encoding {
    /// Ending of the file's name.
    pub fn extension(self) -> &'static str {
        match self {
            Self::Png => "png",
            Self::Jpeg(_) => "jpg",
            Self::Svg => "svg",
        }
    }
}

/// How a picture is rendered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// Length of the longer side without the strip, pixels: the image is
    /// scaled down or up to it. None: full size.
    pub long_side_px: Option<usize>,
    /// Millimetres per pixel of the base, across and down; with it there is a scale bar.
    pub base_mm_per_px: Option<[f64; 2]>,
    /// Whether the strip with caption, scale bar and legend is put below.
    pub strip: bool,
    /// File format.
    pub encoding: Encoding,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            long_side_px: Some(LONG_SIDE_PX),
            base_mm_per_px: None,
            strip: true,
            encoding: Encoding::Png,
        }
    }
}

/// A picture as a file's bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rendered {
    /// The file.
    pub bytes: Vec<u8>,
    /// Pixels across, strip and all.
    pub width: usize,
    /// Pixels down, strip and all.
    pub height: usize,
    /// File format.
    pub encoding: Encoding,
    /// The same as PDF, to be printed true to size, if it is a drawing.
    pub print: Option<Vec<u8>>,
}

/// Why a picture could not be rendered.
#[derive(Debug, Error)]
pub enum PictureError {
    /// The base has no pixels.
    #[error("picture `{picture}`: the base image `{base}` is empty")]
    Empty {
        /// The picture's name.
        picture: String,
        /// The base's name.
        base: String,
    },
    /// The base has another number of channels than can be shown.
    #[error("picture `{picture}`: a base image of {channels} channels cannot be shown so")]
    Channels {
        /// The picture's name.
        picture: String,
        /// Channels of the base.
        channels: usize,
    },
    /// The frame has no size, or its map is singular or not finite.
    #[error("picture `{picture}`: the frame {width} x {height} px cannot be mapped to the base")]
    Frame {
        /// The picture's name.
        picture: String,
        /// Width of the frame.
        width: f64,
        /// Height of the frame.
        height: f64,
    },
    /// The picture would be too large.
    #[error("picture `{picture}`: {width} x {height} px are more than a picture may have")]
    TooLarge {
        /// The picture's name.
        picture: String,
        /// Width in pixels.
        width: f64,
        /// Height in pixels.
        height: f64,
    },
    /// It is to be drawn as a chart and holds none.
    #[error("picture `{picture}` holds no chart that can be drawn: {reason}")]
    Chart {
        /// The picture's name.
        picture: String,
        /// Why.
        reason: String,
    },
    /// The encoder refused.
    #[error("picture `{picture}`: cannot be encoded: {reason}")]
    Encode {
        /// The picture's name.
        picture: String,
        /// What the encoder said.
        reason: String,
    },
}

/// Renders a picture.
///
/// The image is averaged over each pixel's area where it shrinks and
/// interpolated bilinearly where it grows, in linear light, then encoded as
/// sRGB. What lies outside the base is hatched.
///
/// # Errors
/// When the base cannot be shown, or the frame makes no sense.
pub fn render(
    picture: &Picture,
    base: Base<'_>,
    options: &Options,
) -> Result<Rendered, PictureError> {
    let canvas = render_pixels(picture, base, options)?;
    let bytes =
        encode::encode(&canvas, options.encoding).map_err(|reason| PictureError::Encode {
            picture: picture.name.clone(),
            reason,
        })?;
    Ok(Rendered {
        bytes,
        width: canvas.width() as usize,
        height: canvas.height() as usize,
        encoding: options.encoding,
        print: None,
    })
}

/// [`render`] up to the pixels: opaque sRGB, 4 bytes a pixel.
///
/// # Errors
/// As [`render`].
pub fn render_pixels(
    picture: &Picture,
    base: Base<'_>,
    options: &Options,
) -> Result<Pixmap, PictureError> {
    let (base_width, base_height, channels) = base.size();
    let name = || picture.name.clone();
    if base_width == 0 || base_height == 0 {
        return Err(PictureError::Empty {
            picture: name(),
            base: picture.base.clone(),
        });
    }
    if !(channels == 1 || channels == 3 && !matches!(base, Base::Map { .. })) {
        return Err(PictureError::Channels {
            picture: name(),
            channels,
        });
    }
    let window = Window::new(picture, (base_width, base_height), options)?;
    let too_large = || PictureError::TooLarge {
        picture: name(),
        width: window.width as f64,
        height: window.height as f64,
    };
    let strip = options
        .strip
        .then(|| strip::Strip::new(picture, &base, &window, options));
    let (width, height) = strip.as_ref().map_or((window.width, window.height), |s| {
        (s.width.max(window.width), window.height + s.height)
    });
    let size = |n: usize| u32::try_from(n).map_err(|_| too_large());
    let mut canvas = Pixmap::new(size(width)?, size(height)?).ok_or_else(too_large)?;
    canvas.fill(Color::WHITE);
    shade::shade(&mut canvas, &base, &window);
    marks::draw(&mut canvas, &picture.marks, &window);
    if let Some(strip) = strip {
        strip.draw(&mut canvas, window.height);
    }
    Ok(canvas)
}
