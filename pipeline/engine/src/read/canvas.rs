//! The image being filled: rows arrive as stored and are laid down as looked at.

use restrike_model::Raster;

use super::error::ReadError;
use super::orientation::Orientation;

/// A raster in the making.
pub(super) struct Canvas {
    data: Vec<u16>,
    width: usize,
    height: usize,
    channels: usize,
    orientation: Orientation,
    scratch: Vec<u16>,
}

impl Canvas {
    /// An empty canvas for an image stored as `width` x `height`.
    pub(super) fn new(
        width: usize,
        height: usize,
        channels: usize,
        orientation: Orientation,
    ) -> Result<Self, ReadError> {
        let len = width
            .checked_mul(height)
            .and_then(|n| n.checked_mul(channels))
            .filter(|&n| n <= isize::MAX as usize / 2)
            .ok_or_else(|| ReadError::damaged("its size overflows"))?;
        Ok(Self {
            data: vec![0; len],
            width,
            height,
            channels,
            orientation,
            scratch: Vec::new(),
        })
    }

    pub(super) fn width(&self) -> usize {
        self.width
    }

    pub(super) fn height(&self) -> usize {
        self.height
    }

    /// Fills `n` pixels of stored row `y` from `x0` on.
    pub(super) fn span(&mut self, x0: usize, y: usize, n: usize, fill: impl FnOnce(&mut [u16])) {
        let c = self.channels;
        if self.orientation.is_normal() {
            let start = (y * self.width + x0) * c;
            fill(&mut self.data[start..start + n * c]);
        } else {
            let mut row = std::mem::take(&mut self.scratch);
            row.resize(n * c, 0);
            fill(&mut row);
            self.scatter(x0, 1, y, &row);
            self.scratch = row;
        }
    }

    /// Lays pixels into stored row `y` at `x0`, `x0 + step`, ...
    pub(super) fn scatter(&mut self, x0: usize, step: usize, y: usize, pixels: &[u16]) {
        let c = self.channels;
        let (across, _) = self.orientation.size(self.width, self.height);
        for (i, pixel) in pixels.chunks_exact(c).enumerate() {
            let (x, y) = self
                .orientation
                .place(x0 + i * step, y, self.width, self.height);
            let at = (y * across + x) * c;
            self.data[at..at + c].copy_from_slice(pixel);
        }
    }

    /// The last `bytes` of the canvas as bytes, for a decoder that gives the whole image at once
    /// in rows of `row_bytes`: it needs no buffer of its own, because [`Self::expand_tail`]
    /// widens row after row to the front and never overtakes itself. `None` when the rows do not
    /// widen or have to be turned.
    pub(super) fn tail(&mut self, row_bytes: usize) -> Option<&mut [u8]> {
        if !self.orientation.is_normal() || row_bytes > self.width * self.channels * 2 {
            return None;
        }
        let bytes: &mut [u8] = bytemuck::cast_slice_mut(&mut self.data);
        let start = bytes.len() - row_bytes * self.height;
        Some(&mut bytes[start..])
    }

    /// Widens the rows that were decoded into [`Self::tail`].
    pub(super) fn expand_tail(
        &mut self,
        row_bytes: usize,
        mut convert: impl FnMut(&[u8], &mut [u16]) -> Result<(), ReadError>,
    ) -> Result<(), ReadError> {
        let row_len = self.width * self.channels;
        let start = self.data.len() * 2 - row_bytes * self.height;
        let mut row = vec![0_u8; row_bytes];
        for y in 0..self.height {
            let bytes: &[u8] = bytemuck::cast_slice(&self.data);
            row.copy_from_slice(&bytes[start + y * row_bytes..][..row_bytes]);
            convert(&row, &mut self.data[y * row_len..(y + 1) * row_len])?;
        }
        Ok(())
    }

    /// The finished image.
    pub(super) fn finish(self) -> Result<Raster<u16>, ReadError> {
        let (width, height) = self.orientation.size(self.width, self.height);
        Raster::from_vec(width, height, self.channels, self.data)
            .map_err(|e| ReadError::damaged(e.to_string()))
    }
}
