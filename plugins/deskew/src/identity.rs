//! What sheet it is: the design that was learned, its back, upside down,
//! another design, or nothing at all.
//!
//! The straightened sheet's absorption is compared with the learned one by
//! phase correlation in four states. The response weights each frequency of a
//! middle band by the learned design's own amplitude, so that faded, toned or
//! recoloured sheets of the design respond like fresh ones.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use restrike_ops::phase_correlation::{PhaseCorrelator, PhasePeak, band_weights};
use restrike_ops::stats::median;
use restrike_stage::{Raster, StageError};
use serde::{Deserialize, Serialize};

use crate::lowres::{LowRes, high_pass};

/// Coarse pixel pitch of signatures, print mm.
pub(crate) const PITCH_MM: f64 = 1.0;
/// Misplacement of the print on the paper that is allowed for, mm.
const REACH_MM: f64 = 8.0;
/// Edges of the band of spatial frequencies, cycles per mm.
const BAND: [f64; 2] = [0.02, 0.12];
/// Version of the record part.
const VERSION: u32 = 1;

/// The record part `deskew-identity`: JSON, samples as base64 of 16-bit
/// unsigned little-endian numbers, rows from the top.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct Signature {
    /// What this is.
    pub(crate) kind: String,
    /// Version of this layout.
    pub(crate) version: u32,
    /// Name of the design.
    pub(crate) design: String,
    /// Pixel pitch, print mm; the middle of the image is the sheet's centre.
    pub(crate) mm_per_px: f64,
    /// Pixels across.
    pub(crate) width: usize,
    /// Pixels down.
    pub(crate) height: usize,
    /// Absorption -ln(R/paper) of sample 0.
    pub(crate) zero: f64,
    /// Absorption from one sample value to the next.
    pub(crate) step: f64,
    /// The samples.
    pub(crate) samples: String,
    /// Contrast of the design: standard deviation of the absorption at scales of 1 to 15 mm.
    pub(crate) contrast: f64,
    /// Impressions it was learned from.
    pub(crate) references: usize,
    /// Least response of these among each other.
    pub(crate) least_mutual_response: Option<f64>,
}

const KIND: &str = "sheet signature: absorption at low resolution";
const ZERO: f64 = -1.0;
const STEP: f64 = 1e-4;

impl Signature {
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn pack(absorption: &Raster<f32>, design: &str, references: usize, least: Option<f64>) -> Self {
        let mut bytes = Vec::with_capacity(absorption.data().len() * 2);
        for v in absorption.data() {
            let n = ((f64::from(*v) - ZERO) / STEP).round().clamp(0.0, 65535.0) as u16;
            bytes.extend_from_slice(&n.to_le_bytes());
        }
        Self {
            kind: KIND.to_owned(),
            version: VERSION,
            design: design.to_owned(),
            mm_per_px: PITCH_MM,
            width: absorption.width(),
            height: absorption.height(),
            zero: ZERO,
            step: STEP,
            samples: STANDARD.encode(bytes),
            contrast: contrast(absorption, PITCH_MM),
            references,
            least_mutual_response: least,
        }
    }

    fn unpack(&self) -> Result<Raster<f32>, StageError> {
        let bytes = STANDARD
            .decode(&self.samples)
            .map_err(|e| StageError::new(format!("deskew-identity: samples: {e}")))?;
        #[allow(clippy::cast_possible_truncation)]
        let data: Vec<f32> = bytes
            .chunks_exact(2)
            .map(|b| (self.zero + self.step * f64::from(u16::from_le_bytes([b[0], b[1]]))) as f32)
            .collect();
        Raster::from_vec(self.width, self.height, 1, data)
            .map_err(|e| StageError::new(format!("deskew-identity: {e}")))
    }

    /// Reads a record part.
    pub(crate) fn read(bytes: &[u8]) -> Result<Self, StageError> {
        let signature: Self = serde_json::from_slice(bytes)
            .map_err(|e| StageError::new(format!("deskew-identity: {e}")))?;
        if signature.version > VERSION {
            return Err(StageError::new(format!(
                "deskew-identity: version {} is newer than this stage's {VERSION}",
                signature.version
            )));
        }
        if !(signature.mm_per_px > 0.0 && signature.width >= 16 && signature.height >= 16)
            || signature.width > 4000
            || signature.height > 4000
        {
            return Err(StageError::new("deskew-identity: no usable size"));
        }
        Ok(signature)
    }
}

/// How a sheet lies, or what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum State {
    AsIs,
    Turned,
    Mirrored,
    MirroredTurned,
}

impl State {
    pub(crate) const ALL: [Self; 4] = [
        Self::AsIs,
        Self::Turned,
        Self::Mirrored,
        Self::MirroredTurned,
    ];

    /// The pixel of the sheet that lies at (x, y) once it is brought upright.
    fn source(self, x: usize, y: usize, w: usize, h: usize) -> (usize, usize) {
        match self {
            Self::AsIs => (x, y),
            Self::Turned => (w - 1 - x, h - 1 - y),
            Self::Mirrored => (w - 1 - x, y),
            Self::MirroredTurned => (x, h - 1 - y),
        }
    }
}

/// Compares sheets with one signature.
pub(crate) struct Comparer {
    width: usize,
    height: usize,
    pitch: f64,
    contrast: f64,
    reference: Raster<f32>,
}

impl Comparer {
    pub(crate) fn new(signature: &Signature) -> Result<Self, StageError> {
        Ok(Self::from_plane(signature.unpack()?, signature.mm_per_px))
    }

    fn from_plane(reference: Raster<f32>, pitch: f64) -> Self {
        Self {
            width: reference.width(),
            height: reference.height(),
            pitch,
            contrast: contrast(&reference, pitch),
            reference,
        }
    }

    /// Contrast of the learned design.
    pub(crate) fn contrast(&self) -> f64 {
        self.contrast
    }

    /// Coarse pixel pitch sheets have to have, print mm.
    pub(crate) fn pitch(&self) -> f64 {
        self.pitch
    }

    /// Size of the learned sheets, print mm.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn size_mm(&self) -> [f64; 2] {
        [
            self.width as f64 * self.pitch,
            self.height as f64 * self.pitch,
        ]
    }

    /// Response of a sheet in each of the four states.
    pub(crate) fn responses(&self, sheet: &LowRes) -> [f64; 4] {
        self.responses_of(&sheet.absorption)
    }

    /// The same for a plane of absorption.
    pub(crate) fn responses_of(&self, plane: &Raster<f32>) -> [f64; 4] {
        self.peaks(plane).map(|p| p.map_or(0.0, |p| p.response))
    }

    fn peaks(&self, sheet: &Raster<f32>) -> [Option<PhasePeak>; 4] {
        let (w, h) = (self.width, self.height);
        let mut correlator = PhaseCorrelator::new(w, h);
        let reference = prepared(&self.reference, State::AsIs, w, h);
        let Some(first) = correlator.spectrum(&reference) else {
            return [None; 4];
        };
        let band = band_weights(w, h, BAND[0] * self.pitch, BAND[1] * self.pitch);
        let weights: Vec<f64> = band
            .iter()
            .zip(&first)
            .map(|(b, f)| b * f.norm_sqr().sqrt())
            .collect();
        State::ALL.map(|state| {
            let second = correlator.spectrum(&prepared(sheet, state, w, h))?;
            correlator.correlate(&first, &second, &weights, REACH_MM / self.pitch)
        })
    }
}

/// A plane turned by a quarter, clockwise.
pub(crate) fn quarter_turned(plane: &Raster<f32>) -> Raster<f32> {
    let (w, h) = (plane.width(), plane.height());
    let mut out = Raster::new(h, w, 1);
    for y in 0..h {
        for x in 0..w {
            out.set(h - 1 - y, x, 0, plane.get(x, y, 0));
        }
    }
    out
}

/// A plane in a state, cut or padded about its middle to `w` by `h`, its mean
/// taken away and its rim faded out.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_possible_wrap,
    clippy::cast_sign_loss
)]
fn prepared(plane: &Raster<f32>, state: State, w: usize, h: usize) -> Vec<f32> {
    let (pw, ph) = (plane.width(), plane.height());
    let mean =
        plane.data().iter().map(|v| f64::from(*v)).sum::<f64>() / plane.data().len().max(1) as f64;
    let (ox, oy) = ((pw as i64 - w as i64) / 2, (ph as i64 - h as i64) / 2);
    let fade = |i: usize, n: usize| {
        let d = (i.min(n - 1 - i) as f64 + 0.5) / 8.0;
        if d >= 1.0 {
            1.0
        } else {
            0.5 - 0.5 * libm::cos(std::f64::consts::PI * d)
        }
    };
    let mut out = vec![0.0; w * h];
    for y in 0..h {
        let v = y as i64 + oy;
        if v < 0 || v >= ph as i64 {
            continue;
        }
        for x in 0..w {
            let u = x as i64 + ox;
            if u < 0 || u >= pw as i64 {
                continue;
            }
            let (sx, sy) = state.source(u as usize, v as usize, pw, ph);
            let value = f64::from(plane.get(sx, sy, 0)) - mean;
            out[y * w + x] = (value * fade(x, w) * fade(y, h)) as f32;
        }
    }
    out
}

/// Standard deviation of the absorption at scales of about 1 to 15 mm: how
/// much there is on the sheet.
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
pub(crate) fn contrast(absorption: &Raster<f32>, pitch: f64) -> f64 {
    let reach = (7.0 / pitch).round() as usize;
    let flat = high_pass(absorption, reach);
    // The rim, where absorption was set to 0, is no contrast of the sheet's.
    let rim = (12.0 / pitch) as usize;
    let (w, h) = (flat.width(), flat.height());
    let (mut sum, mut n) = (0.0, 0.0);
    for y in rim.min(h / 3)..h - rim.min(h / 3) {
        for x in rim.min(w / 3)..w - rim.min(w / 3) {
            let v = f64::from(flat.get(x, y, 0));
            sum += v * v;
            n += 1.0;
        }
    }
    if n > 0.0 { (sum / n).sqrt() } else { 0.0 }
}

/// Learns a signature: the median of the references that agree, each shifted
/// onto the one that agrees best with the rest. Also says which were left out.
pub(crate) fn learn(
    planes: &[Raster<f32>],
    design: &str,
    least: f64,
) -> Result<(Signature, Vec<usize>), StageError> {
    let n = planes.len();
    if n == 0 {
        return Err(StageError::new("no reference impression shows anything"));
    }
    let mut responses = vec![vec![1.0; n]; n];
    for i in 0..n {
        let comparer = Comparer::from_plane(planes[i].clone(), PITCH_MM);
        for (j, plane) in planes.iter().enumerate() {
            if i != j {
                responses[i][j] = comparer.peaks(plane)[0].map_or(0.0, |p| p.response);
            }
        }
    }
    let total = |i: usize| -> f64 { (0..n).map(|j| responses[i][j] + responses[j][i]).sum() };
    let mut centre = 0;
    for i in 1..n {
        if total(i) > total(centre) {
            centre = i;
        }
    }
    let comparer = Comparer::from_plane(planes[centre].clone(), PITCH_MM);
    let mut aligned = Vec::new();
    let mut left_out = Vec::new();
    let mut mutual: Option<f64> = None;
    for (j, plane) in planes.iter().enumerate() {
        if j == centre {
            aligned.push(plane.clone());
            continue;
        }
        match comparer.peaks(plane)[0] {
            Some(peak) if peak.response >= least => {
                mutual = Some(mutual.map_or(peak.response, |m: f64| m.min(peak.response)));
                aligned.push(shifted(
                    plane,
                    planes[centre].width(),
                    planes[centre].height(),
                    peak,
                ));
            }
            _ => left_out.push(j),
        }
    }
    let mut out = planes[centre].clone();
    for (i, v) in out.data_mut().iter_mut().enumerate() {
        let values: Vec<f64> = aligned.iter().map(|p| f64::from(p.data()[i])).collect();
        #[allow(clippy::cast_possible_truncation)]
        {
            *v = median(&values).unwrap_or(0.0) as f32;
        }
    }
    Ok((
        Signature::pack(&out, design, aligned.len(), mutual),
        left_out,
    ))
}

/// The plane read at places moved by the peak's shift (bilinear).
#[allow(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss
)]
fn shifted(plane: &Raster<f32>, w: usize, h: usize, peak: PhasePeak) -> Raster<f32> {
    let (pw, ph) = (plane.width() as f64, plane.height() as f64);
    let mut out = Raster::new(w, h, 1);
    for y in 0..h {
        for x in 0..w {
            let u = x as f64 + ((pw - w as f64) / 2.0).trunc() + peak.dx;
            let v = y as f64 + ((ph - h as f64) / 2.0).trunc() + peak.dy;
            if u < 0.0 || v < 0.0 || u > pw - 1.0 || v > ph - 1.0 {
                continue;
            }
            let (i, j) = (
                (u as usize).min(plane.width() - 2),
                (v as usize).min(plane.height() - 2),
            );
            let (fx, fy) = ((u - i as f64) as f32, (v - j as f64) as f32);
            let top = plane.get(i, j, 0) * (1.0 - fx) + plane.get(i + 1, j, 0) * fx;
            let low = plane.get(i, j + 1, 0) * (1.0 - fx) + plane.get(i + 1, j + 1, 0) * fx;
            out.set(x, y, 0, top * (1.0 - fy) + low * fy);
        }
    }
    out
}
