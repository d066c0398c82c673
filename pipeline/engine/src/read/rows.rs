//! Rows of a file's bytes to pixels: unpacking, alpha, then the colour model.

use super::error::ReadError;
use super::model::{Level, Model};

/// How samples are packed in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Packing {
    /// Fewer than 8 or 9 to 15 bits, first sample in the high bits.
    Bits(u8),
    /// A byte each.
    U8,
    /// 16 bits, this machine's byte order.
    U16,
    /// 16 bits, high byte first.
    U16Be,
    /// 32 bits; the upper 16 are kept.
    U32,
    /// Half float, 0..=1.
    F16,
    /// Float, 0..=1.
    F32,
    /// Double, 0..=1.
    F64,
}

impl Packing {
    /// Sample values there are once unpacked.
    pub(super) fn levels(self) -> usize {
        match self {
            Self::Bits(b) => 1 << b,
            Self::U8 => 256,
            _ => 65536,
        }
    }

    /// Appends `n` samples; gives how many floats lay outside 0..=1.
    pub(super) fn unpack(self, src: &[u8], n: usize, out: &mut Vec<u16>) -> u64 {
        match self {
            Self::Bits(bits) => {
                unpack_bits(src, n, bits, out);
                0
            }
            Self::U8 => {
                out.extend(src.iter().take(n).map(|&b| u16::from(b)));
                0
            }
            Self::U16 => {
                out.extend(chunks(src).take(n).map(u16::from_ne_bytes));
                0
            }
            Self::U16Be => {
                out.extend(chunks(src).take(n).map(u16::from_be_bytes));
                0
            }
            Self::U32 => {
                out.extend(
                    chunks(src)
                        .take(n)
                        .map(|b| (u32::from_ne_bytes(b) >> 16) as u16),
                );
                0
            }
            Self::F16 => floats(
                chunks(src)
                    .take(n)
                    .map(|b| half::f16::from_ne_bytes(b).to_f32()),
                out,
            ),
            Self::F32 => floats(chunks(src).take(n).map(f32::from_ne_bytes), out),
            Self::F64 => floats(
                chunks(src).take(n).map(|b| f64::from_ne_bytes(b) as f32),
                out,
            ),
        }
    }
}

fn chunks<const N: usize>(src: &[u8]) -> impl Iterator<Item = [u8; N]> {
    src.as_chunks::<N>().0.iter().copied()
}

fn floats(values: impl Iterator<Item = f32>, out: &mut Vec<u16>) -> u64 {
    let mut outside = 0;
    out.extend(values.map(|v| {
        outside += u64::from(!(0.0..=1.0).contains(&v));
        (v * 65535.0 + 0.5) as u16
    }));
    outside
}

fn unpack_bits(src: &[u8], n: usize, bits: u8, out: &mut Vec<u16>) {
    let bits = u32::from(bits);
    let mask = (1_u32 << bits) - 1;
    let (mut held, mut have) = (0_u32, 0_u32);
    let mut bytes = src.iter();
    for _ in 0..n {
        while have < bits {
            held = (held << 8) | u32::from(bytes.next().copied().unwrap_or(0));
            have += 8;
        }
        have -= bits;
        out.push(((held >> have) & mask) as u16);
        held &= (1 << have) - 1;
    }
}

/// What an extra sample does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Alpha {
    /// Opacity; colours stand as they are.
    Straight,
    /// Opacity; colours are already multiplied by it.
    Premultiplied,
}

/// Samples of a pixel: colours first, then extras.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct PixelLayout {
    /// Samples a pixel.
    pub(super) samples: usize,
    /// Of which colours.
    pub(super) colours: usize,
    /// Whether the first extra sample is opacity.
    pub(super) alpha: Option<Alpha>,
}

/// Converts rows.
pub(super) struct RowConverter {
    packing: Packing,
    layout: PixelLayout,
    model: Model,
    /// Pixels clipped to the gamut so far.
    pub(super) clipped: u64,
    raw: Vec<u16>,
    colours: Vec<u16>,
}

impl RowConverter {
    pub(super) fn new(
        packing: Packing,
        layout: PixelLayout,
        model: Model,
    ) -> Result<Self, ReadError> {
        if model.inputs().is_some_and(|n| n != layout.colours) {
            return Err(ReadError::damaged(
                "samples a pixel do not fit its colour space",
            ));
        }
        Ok(Self {
            packing,
            layout,
            model,
            clipped: 0,
            raw: Vec::new(),
            colours: Vec::new(),
        })
    }

    /// Converts a row of `pixels` pixels, samples interleaved.
    pub(super) fn bytes(
        &mut self,
        src: &[u8],
        pixels: usize,
        dst: &mut [u16],
    ) -> Result<(), ReadError> {
        let n = pixels * self.layout.samples;
        if self.packing == Packing::U8 {
            let src = src
                .get(..n)
                .ok_or_else(|| ReadError::damaged("a row is shorter than the image is wide"))?;
            return self.samples(src, dst);
        }
        let mut raw = std::mem::take(&mut self.raw);
        raw.clear();
        self.clipped += self.packing.unpack(src, n, &mut raw);
        let done = if raw.len() == n {
            self.samples(&raw, dst)
        } else {
            Err(ReadError::damaged(
                "a row is shorter than the image is wide",
            ))
        };
        self.raw = raw;
        done
    }

    /// Converts a row of unpacked samples, interleaved.
    pub(super) fn samples<T: Level>(
        &mut self,
        src: &[T],
        dst: &mut [u16],
    ) -> Result<(), ReadError> {
        let PixelLayout {
            samples,
            colours,
            alpha,
        } = self.layout;
        if samples == colours {
            self.clipped += self.model.apply(src, dst)?;
            return Ok(());
        }
        let max = (self.packing.levels() - 1) as u32;
        self.colours.clear();
        for pixel in src.chunks_exact(samples) {
            let opacity = pixel[colours].level() as u32;
            self.colours.extend(pixel[..colours].iter().map(|v| {
                let v = v.level() as u32;
                match alpha {
                    Some(Alpha::Premultiplied) if opacity > 0 => {
                        ((v * max + opacity / 2) / opacity).min(max) as u16
                    }
                    _ => v as u16,
                }
            }));
        }
        self.clipped += self.model.apply(&self.colours, dst)?;
        if alpha.is_some() {
            let channels = dst.len() * samples / src.len().max(1);
            let opacities = src.chunks_exact(samples).map(|p| p[colours].level() as u32);
            for (pixel, opacity) in dst.chunks_exact_mut(channels.max(1)).zip(opacities) {
                over_white(pixel, opacity, max);
            }
        }
        Ok(())
    }
}

/// Lays a pixel over white paper, in linear light.
fn over_white(pixel: &mut [u16], opacity: u32, max: u32) {
    if opacity >= max {
        return;
    }
    let (a, rest, max) = (u64::from(opacity), u64::from(max - opacity), u64::from(max));
    for v in pixel {
        *v = ((u64::from(*v) * a + 65535 * rest + max / 2) / max) as u16;
    }
}
