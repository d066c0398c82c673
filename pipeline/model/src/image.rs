//! Image planes: borrowed views with strides, and owned rasters.
//!
//! Scans reach a stage in **linear light**, sRGB primaries, one or three
//! channels of `u16` with 65535 = 1.0 (see `Measure::scan`).

use thiserror::Error;

/// How a sample is stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum SampleKind {
    /// 8-bit unsigned; 255 = 1.0.
    U8,
    /// 16-bit unsigned; 65535 = 1.0.
    U16,
    /// 32-bit float, as it stands.
    F32,
}

impl SampleKind {
    /// Bytes a sample takes.
    pub const fn bytes(self) -> usize {
        match self {
            Self::U8 => 1,
            Self::U16 => 2,
            Self::F32 => 4,
        }
    }
}

/// A Rust type that can be a sample.
pub trait Sample: Copy + Default + Send + Sync + 'static {
    /// The kind this type is.
    const KIND: SampleKind;
    /// The value as a float, 1.0 = full scale.
    fn unit(self) -> f32;
}

impl Sample for u8 {
    const KIND: SampleKind = SampleKind::U8;
    fn unit(self) -> f32 {
        f32::from(self) * (1.0 / 255.0)
    }
}

impl Sample for u16 {
    const KIND: SampleKind = SampleKind::U16;
    fn unit(self) -> f32 {
        f32::from(self) * (1.0 / 65535.0)
    }
}

impl Sample for f32 {
    const KIND: SampleKind = SampleKind::F32;
    fn unit(self) -> f32 {
        self
    }
}

/// A buffer does not fit the size it was said to have.
#[derive(Debug, Clone, PartialEq, Eq, Error)]
#[error("an image of {width} x {height} x {channels} samples does not fit a buffer of {len}")]
pub struct ShapeError {
    /// Pixels across.
    pub width: usize,
    /// Pixels down.
    pub height: usize,
    /// Samples a pixel.
    pub channels: usize,
    /// Samples there are.
    pub len: usize,
}

/// An owned image, rows from the top, channels interleaved.
#[derive(Debug, Clone, PartialEq)]
pub struct Raster<T> {
    width: usize,
    height: usize,
    channels: usize,
    data: Vec<T>,
}

impl<T: Sample> Raster<T> {
    /// An image of zeros.
    pub fn new(width: usize, height: usize, channels: usize) -> Self {
        Self {
            width,
            height,
            channels,
            data: vec![T::default(); width * height * channels],
        }
    }

    /// An image from its samples.
    ///
    /// # Errors
    /// When `data` is not `width * height * channels` long.
    pub fn from_vec(
        width: usize,
        height: usize,
        channels: usize,
        data: Vec<T>,
    ) -> Result<Self, ShapeError> {
        let wanted = width
            .checked_mul(height)
            .and_then(|n| n.checked_mul(channels));
        if wanted != Some(data.len()) {
            return Err(ShapeError {
                width,
                height,
                channels,
                len: data.len(),
            });
        }
        Ok(Self {
            width,
            height,
            channels,
            data,
        })
    }

    /// Pixels across.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Pixels down.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Samples a pixel.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// All samples.
    pub fn data(&self) -> &[T] {
        &self.data
    }

    /// All samples, to change.
    pub fn data_mut(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// The samples, without the image.
    pub fn into_vec(self) -> Vec<T> {
        self.data
    }

    /// One row's samples.
    pub fn row(&self, y: usize) -> &[T] {
        let n = self.width * self.channels;
        &self.data[y * n..(y + 1) * n]
    }

    /// One row's samples, to change.
    pub fn row_mut(&mut self, y: usize) -> &mut [T] {
        let n = self.width * self.channels;
        &mut self.data[y * n..(y + 1) * n]
    }

    /// The sample of a pixel.
    pub fn get(&self, x: usize, y: usize, channel: usize) -> T {
        self.data[(y * self.width + x) * self.channels + channel]
    }

    /// Sets the sample of a pixel.
    pub fn set(&mut self, x: usize, y: usize, channel: usize, value: T) {
        self.data[(y * self.width + x) * self.channels + channel] = value;
    }

    /// A view of the whole.
    pub fn view(&self) -> ImageView<'_, T> {
        ImageView {
            width: self.width,
            height: self.height,
            channels: self.channels,
            row_stride: self.width * self.channels,
            data: &self.data,
        }
    }
}

/// A borrowed image: rows `row_stride` samples apart, channels interleaved.
#[derive(Debug, Clone, Copy)]
pub struct ImageView<'a, T> {
    width: usize,
    height: usize,
    channels: usize,
    row_stride: usize,
    data: &'a [T],
}

impl<'a, T: Sample> ImageView<'a, T> {
    /// A view of a buffer.
    ///
    /// # Errors
    /// When the buffer ends before the last row does.
    pub fn new(
        data: &'a [T],
        width: usize,
        height: usize,
        channels: usize,
        row_stride: usize,
    ) -> Result<Self, ShapeError> {
        let row = width.checked_mul(channels);
        let needed = row.and_then(|row| {
            if height == 0 {
                Some(0)
            } else {
                (height - 1).checked_mul(row_stride)?.checked_add(row)
            }
        });
        match (row, needed) {
            (Some(row), Some(needed)) if needed <= data.len() && row <= row_stride => Ok(Self {
                width,
                height,
                channels,
                row_stride,
                data,
            }),
            _ => Err(ShapeError {
                width,
                height,
                channels,
                len: data.len(),
            }),
        }
    }

    /// Pixels across.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Pixels down.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Samples a pixel.
    pub fn channels(&self) -> usize {
        self.channels
    }

    /// Samples from one row to the next.
    pub fn row_stride(&self) -> usize {
        self.row_stride
    }

    /// One row's samples.
    pub fn row(&self, y: usize) -> &'a [T] {
        let start = y * self.row_stride;
        &self.data[start..start + self.width * self.channels]
    }

    /// The samples of a pixel.
    pub fn pixel(&self, x: usize, y: usize) -> &'a [T] {
        let start = y * self.row_stride + x * self.channels;
        &self.data[start..start + self.channels]
    }

    /// The sample of a pixel.
    pub fn get(&self, x: usize, y: usize, channel: usize) -> T {
        self.data[y * self.row_stride + x * self.channels + channel]
    }

    /// The underlying buffer, from the first sample on.
    pub fn buffer(&self) -> &'a [T] {
        self.data
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_view_past_the_buffer_is_refused() {
        let data = [0_u8; 11];
        assert!(ImageView::new(&data, 2, 2, 3, 6).is_err());
        assert!(ImageView::new(&data, 2, 2, 2, 4).is_ok());
        assert!(ImageView::new(&data, usize::MAX, 2, 2, 4).is_err());
        assert!(Raster::from_vec(2, 2, 3, vec![0_u8; 11]).is_err());
    }
}
