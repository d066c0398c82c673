//! Optics and sensor: blur with decimation, light falloff, noise, sRGB
//! encoding, quantisation.

use crate::rng::{quick_normal, word};
use crate::sheet::Scan;

/// Pixels of a scan, RGB interleaved.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Pixels {
    /// 8 bits a sample.
    U8(Vec<u8>),
    /// 16 bits a sample.
    U16(Vec<u16>),
}

/// Weights of the sub-pixels `ss * i - pad ..` that make pixel `i`: Gaussian
/// blur followed by the mean over the pixel.
pub(crate) fn kernel(sigma_px: f64, ss: usize) -> (Vec<f32>, usize) {
    let sigma = sigma_px * ss as f64;
    let cells = (4.0 * sigma_px).ceil() as usize;
    let pad = cells * ss;
    let g = |x: f64| {
        if sigma > 0.0 {
            libm::exp(-0.5 * (x / sigma) * (x / sigma))
        } else if x == 0.0 {
            1.0
        } else {
            0.0
        }
    };
    let mut h = vec![0.0f64; ss + 2 * pad];
    for (k, v) in h.iter_mut().enumerate() {
        for b in 0..ss {
            let d = k as f64 - pad as f64 - b as f64;
            if d.abs() <= pad as f64 {
                *v += g(d);
            }
        }
    }
    let sum: f64 = h.iter().sum();
    (h.iter().map(|v| (*v / sum) as f32).collect(), pad)
}

/// Blurs and decimates one plane of `w` by `h` sub-pixels to `out_w` by
/// `out_h` pixels.
#[allow(clippy::too_many_arguments)] // Two grids and two buffers; a struct would only rename them.
pub(crate) fn decimate(
    plane: &[f32],
    w: usize,
    k: &[f32],
    ss: usize,
    out_w: usize,
    out_h: usize,
    tmp: &mut Vec<f32>,
    out: &mut [f32],
) {
    // Vertical first: whole rows at a time.
    tmp.clear();
    tmp.resize(out_h * w, 0.0);
    for (j, row) in tmp.chunks_exact_mut(w).enumerate() {
        for (i, c) in k.iter().enumerate() {
            let src = &plane[(j * ss + i) * w..][..w];
            for (o, s) in row.iter_mut().zip(src) {
                *o += c * s;
            }
        }
    }
    for (row, o) in tmp.chunks_exact(w).zip(out.chunks_exact_mut(out_w)) {
        for (i, v) in o.iter_mut().enumerate() {
            let src = &row[i * ss..i * ss + k.len()];
            *v = src.iter().zip(k).map(|(a, b)| a * b).sum();
        }
    }
}

/// sRGB transfer function (IEC 61966-2-1), linear to encoded, both 0..=1.
pub fn srgb_encode(v: f64) -> f64 {
    if v <= 0.003_130_8 {
        12.92 * v
    } else {
        1.055 * libm::pow(v, 1.0 / 2.4) - 0.055
    }
}

/// sRGB transfer function (IEC 61966-2-1), encoded to linear, both 0..=1.
pub fn srgb_decode(e: f64) -> f64 {
    if e <= 0.040_45 {
        e / 12.92
    } else {
        libm::pow((e + 0.055) / 1.055, 2.4)
    }
}

const STEPS: usize = 16_384;

/// Sensor state over a scan.
pub(crate) struct Sensor {
    table: Vec<f32>,
    seed: u64,
    read: f32,
    shot: f32,
    falloff: f32,
    tilt: [f32; 2],
    size: [f32; 2],
}

impl Sensor {
    pub(crate) fn new(scan: &Scan, width: usize, height: usize) -> Self {
        Self {
            table: (0..=STEPS + 1)
                .map(|i| srgb_encode((i as f64 / STEPS as f64).min(1.0)) as f32)
                .collect(),
            seed: crate::rng::mix(scan.seed ^ 0x006E_6F69_7365),
            read: (scan.noise_read * scan.noise_read) as f32,
            shot: (scan.noise_shot * scan.noise_shot) as f32,
            falloff: scan.falloff as f32,
            tilt: [scan.tilt[0] as f32, scan.tilt[1] as f32],
            size: [width as f32, height as f32],
        }
    }

    fn encode(&self, v: f32) -> f32 {
        let x = v.clamp(0.0, 1.0) * STEPS as f32;
        let i = x as usize;
        let t = x - i as f32;
        self.table[i] + (self.table[i + 1] - self.table[i]) * t
    }

    /// Light, noise and encoding of one row of linear values; `put` receives
    /// the encoded samples 0..=1 in order.
    pub(crate) fn row(&self, y: usize, planes: [&[f32]; 3], mut put: impl FnMut(f32)) {
        let [w, h] = self.size;
        let v = (y as f32 + 0.5) / h * 2.0 - 1.0;
        let noisy = self.read > 0.0 || self.shot > 0.0;
        for x in 0..planes[0].len() {
            let u = (x as f32 + 0.5) / w * 2.0 - 1.0;
            let light = 1.0 - self.falloff * 0.5 * (u * u + v * v)
                + 0.5 * (self.tilt[0] * u + self.tilt[1] * v);
            for (c, p) in planes.iter().enumerate() {
                let mut r = p[x] * light;
                if noisy {
                    let i = (y as u64 * w as u64 + x as u64) * 3 + c as u64;
                    let sd = (self.read + self.shot * r.max(0.0)).sqrt();
                    r += sd * quick_normal(word(self.seed, i));
                }
                put(self.encode(r));
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Anchor values of IEC 61966-2-1: mid-grey code 119/255 is close to 18 %
    /// (0.18447), and the two branches meet.
    #[test]
    fn srgb_round_trip() {
        assert!((srgb_decode(119.0 / 255.0) - 0.184_475).abs() < 1e-5);
        for i in 0..=1000 {
            let v = f64::from(i) / 1000.0;
            assert!((srgb_decode(srgb_encode(v)) - v).abs() < 1e-7);
        }
    }

    /// The kernel is the pixel's square blurred by the Gaussian: variance
    /// sigma^2 + (1 - 1/ss^2)/12 px^2 (closed form for ss cells).
    #[test]
    fn kernel_variance() {
        for (sigma, ss) in [(0.7, 2), (1.0, 3), (0.9, 4)] {
            let (k, _) = kernel(sigma, ss);
            let mid = (k.len() as f64 - 1.0) / 2.0;
            let var: f64 = k
                .iter()
                .enumerate()
                .map(|(i, w)| f64::from(*w) * (i as f64 - mid) * (i as f64 - mid))
                .sum::<f64>()
                / (ss * ss) as f64;
            let want = sigma * sigma + (1.0 - 1.0 / (ss * ss) as f64) / 12.0;
            assert!((var / want - 1.0).abs() < 0.005, "{var} {want}");
        }
    }
}
