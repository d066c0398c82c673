//! Turning samples into linear light, a row at a time.

use std::sync::Arc;

use moxcms::TransformF32Executor;

use super::curve::{Sense, srgb_table};
use super::error::ReadError;

/// A sample as an index.
pub(super) trait Level: Copy {
    /// Its value.
    fn level(self) -> usize;
}

impl Level for u8 {
    fn level(self) -> usize {
        usize::from(self)
    }
}

impl Level for u16 {
    fn level(self) -> usize {
        usize::from(self)
    }
}

/// Beyond this a channel counts as clipped; less is the rounding of a profile's numbers.
const CLIP_TOLERANCE: f32 = 5e-4;

/// How samples become linear sRGB.
pub(super) enum Model {
    /// Every sample through one table: grey, or RGB with sRGB's primaries.
    Table(Arc<[u16]>),
    /// Curves, then primaries.
    Matrix(Box<Matrix>),
    /// A profile's lookup table.
    Device(Box<Device>),
    /// Inks without a profile.
    Cmyk {
        levels: usize,
        sense: Sense,
        table: Arc<[u16]>,
    },
    /// One index a pixel.
    Palette(Arc<[[u16; 3]]>),
}

/// Curves per channel and the matrix from the profile's primaries to sRGB's.
pub(super) struct Matrix {
    pub(super) curves: [Vec<f32>; 3],
    pub(super) m: [[f32; 3]; 3],
}

/// A transform with its row buffers.
pub(super) struct Device {
    transform: Arc<TransformF32Executor>,
    channels: usize,
    scale: f32,
    sense: Sense,
    /// sRGB's curve.
    decode: Arc<[u16]>,
    from: Vec<f32>,
    to: Vec<f32>,
}

impl Device {
    pub(super) fn new(
        transform: Arc<TransformF32Executor>,
        channels: usize,
        levels: usize,
        sense: Sense,
    ) -> Self {
        Self {
            transform,
            channels,
            scale: 1.0 / (levels - 1) as f32,
            sense,
            decode: srgb_table(65536, Sense::Direct),
            from: Vec::new(),
            to: Vec::new(),
        }
    }
}

impl Model {
    /// Samples a pixel has going in.
    pub(super) fn inputs(&self) -> Option<usize> {
        match self {
            Self::Table(_) => None,
            Self::Matrix(_) => Some(3),
            Self::Device(d) => Some(d.channels),
            Self::Cmyk { .. } => Some(4),
            Self::Palette(_) => Some(1),
        }
    }

    /// Converts a row; gives the number of pixels that were clipped to the gamut.
    pub(super) fn apply<T: Level>(&mut self, src: &[T], dst: &mut [u16]) -> Result<u64, ReadError> {
        match self {
            Self::Table(table) => {
                for (d, s) in dst.iter_mut().zip(src) {
                    *d = table.get(s.level()).copied().unwrap_or(u16::MAX);
                }
                Ok(0)
            }
            Self::Matrix(matrix) => Ok(matrix.apply(src, dst)),
            Self::Device(device) => device.apply(src, dst),
            Self::Cmyk {
                levels,
                sense,
                table,
            } => {
                cmyk(*levels, *sense, table, src, dst);
                Ok(0)
            }
            Self::Palette(colours) => {
                for (d, s) in dst.as_chunks_mut::<3>().0.iter_mut().zip(src) {
                    *d = *colours
                        .get(s.level())
                        .ok_or_else(|| ReadError::damaged("a pixel is outside the palette"))?;
                }
                Ok(0)
            }
        }
    }
}

impl Matrix {
    fn apply<T: Level>(&self, src: &[T], dst: &mut [u16]) -> u64 {
        let [cr, cg, cb] = &self.curves;
        let at = |c: &Vec<f32>, s: T| c.get(s.level()).copied().unwrap_or(1.0);
        let mut clipped = 0;
        for (d, s) in dst
            .as_chunks_mut::<3>()
            .0
            .iter_mut()
            .zip(src.as_chunks::<3>().0)
        {
            let (r, g, b) = (at(cr, s[0]), at(cg, s[1]), at(cb, s[2]));
            let rgb = self.m.map(|m| m[0] * r + m[1] * g + m[2] * b);
            clipped += u64::from(store(rgb, d));
        }
        clipped
    }
}

impl Device {
    fn apply<T: Level>(&mut self, src: &[T], dst: &mut [u16]) -> Result<u64, ReadError> {
        let n = src.len() / self.channels;
        self.from.clear();
        self.from.extend(src.iter().map(|s| {
            let v = s.level() as f32 * self.scale;
            if self.sense == Sense::Inverted {
                1.0 - v
            } else {
                v
            }
        }));
        self.to.resize(n * 3, 0.0);
        self.transform
            .transform(&self.from, &mut self.to)
            .map_err(|e| ReadError::damaged(format!("its colour profile fails: {e}")))?;
        let mut clipped = 0;
        for (d, rgb) in dst
            .as_chunks_mut::<3>()
            .0
            .iter_mut()
            .zip(self.to.as_chunks::<3>().0)
        {
            clipped += u64::from(store(*rgb, d));
            *d = d.map(|v| self.decode[usize::from(v)]);
        }
        Ok(clipped)
    }
}

/// Rounds to 16 bits; tells whether a channel was outside 0..=1.
fn store(rgb: [f32; 3], to: &mut [u16; 3]) -> bool {
    let mut out = false;
    for (d, v) in to.iter_mut().zip(rgb) {
        out |= !(-CLIP_TOLERANCE..=1.0 + CLIP_TOLERANCE).contains(&v);
        // A float cast saturates and takes NaN to 0.
        *d = (v * 65535.0 + 0.5) as u16;
    }
    out
}

/// R = (1 - C)(1 - K) and so on, taken as sRGB: a rule of thumb, for files without a profile.
fn cmyk<T: Level>(levels: usize, sense: Sense, table: &[u16], src: &[T], dst: &mut [u16]) {
    let max = (levels - 1) as u64;
    for (d, s) in dst
        .as_chunks_mut::<3>()
        .0
        .iter_mut()
        .zip(src.as_chunks::<4>().0)
    {
        let bare = s.map(|v| {
            let v = (v.level() as u64).min(max);
            if sense == Sense::Inverted { v } else { max - v }
        });
        for (d, ink) in d.iter_mut().zip(bare) {
            let encoded = (ink * bare[3] * 65535 + max * max / 2) / (max * max);
            *d = table[encoded as usize & 0xffff];
        }
    }
}
