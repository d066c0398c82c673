//! What each block truly printed on a rendered sheet: the same sheet rendered
//! with that block alone, on white paper, without a scanner's faults.

use anyhow::{Result, anyhow};
use restrike_synth::{Design, Pixels, SheetSpec, render, srgb_decode};

/// Absorption the truth is rendered with: easily read back from 16 bits.
const CLEAR: f64 = 0.9;

/// A block on a sheet, pixel by pixel.
pub(crate) struct Printed {
    /// Share of the pixel that the block covers.
    pub(crate) cover: Vec<f32>,
    /// Strength of its ink where it covers half a pixel or more, else 0.
    pub(crate) strength: Vec<f32>,
}

/// Renders the truth of a block.
pub(crate) fn printed(design: &Design, sheet: &SheetSpec, block: &str) -> Result<Printed> {
    let mut spec = sheet.clone();
    spec.only_blocks = vec![block.to_owned()];
    spec.paper.colour = [1.0; 3];
    spec.paper.fibre = 0.0;
    spec.paper.toning = 0.0;
    let scan = &mut spec.scan;
    (scan.noise_read, scan.noise_shot, scan.falloff, scan.shadow) = (0.0, 0.0, 0.0, 0.0);
    scan.tilt = [0.0; 2];
    scan.dust.clear();
    scan.bits = 16;
    scan.psf_sigma_px = 0.0;
    for s in spec.blocks.iter_mut().filter(|s| s.block == block) {
        s.absorption = Some([CLEAR; 3]);
    }
    let mut solid = spec.clone();
    solid.ink = restrike_synth::sheet::Ink {
        rim_mm: spec.ink.rim_mm,
        ..restrike_synth::sheet::Ink::default()
    };
    solid.voids.clear();
    for s in solid.blocks.iter_mut().filter(|s| s.block == block) {
        s.strength = 1.0;
    }
    let mut plain = design.clone();
    for b in &mut plain.blocks {
        b.bokashi.clear();
    }
    let full = 1.0 - libm::exp(-CLEAR);
    let cover: Vec<f32> = light(&plain, &solid)?
        .into_iter()
        .map(|r| ((1.0 - r) / full).clamp(0.0, 1.0) as f32)
        .collect();
    let strength = light(design, &spec)?
        .into_iter()
        .zip(&cover)
        .map(|(r, c)| {
            let c = f64::from(*c);
            if c < 0.5 {
                return 0.0;
            }
            let through = ((r - (1.0 - c)) / c).max(1e-3);
            (-libm::log(through) / CLEAR).max(0.0) as f32
        })
        .collect();
    Ok(Printed { cover, strength })
}

/// The green channel, linear.
fn light(design: &Design, sheet: &SheetSpec) -> Result<Vec<f64>> {
    let rendered = render(design, sheet).map_err(|e| anyhow!("{e}"))?;
    let table: Vec<f64> = (0..=65535)
        .map(|v| srgb_decode(f64::from(v) / 65535.0))
        .collect();
    match rendered.pixels {
        Pixels::U16(v) => Ok(v
            .iter()
            .skip(1)
            .step_by(3)
            .map(|v| table[usize::from(*v)])
            .collect()),
        Pixels::U8(_) => Err(anyhow!("rendered with 8 bits")),
    }
}
