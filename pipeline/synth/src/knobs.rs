//! Difficulty: the sizes of everything that goes wrong in a run.

use serde::{Deserialize, Serialize};

/// Preset of the knobs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Difficulty {
    /// Good blocks, careful printing, clean scans.
    Easy,
    /// A used block set, ordinary printing.
    #[default]
    Standard,
    /// Harder than life.
    Hard,
}

/// Sizes of the difficulties. Lengths in mm, angles in radians unless said.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Knobs {
    /// SD of a block's lasting shift (its marks are off).
    pub block_shift_sd: f64,
    /// SD of the printer's placing, sheet by sheet.
    pub placing_sd: f64,
    /// Largest shift.
    pub shift_max: f64,
    /// SD of a block's lasting turn and of the placing's turn.
    pub turn_sd: f64,
    /// Largest turn.
    pub turn_max: f64,
    /// Largest stretch of the paper by axis.
    pub paper_stretch: f64,
    /// Largest stretch of a block by axis.
    pub block_stretch: f64,
    /// Amplitude of the local warp.
    pub warp: f64,
    /// Largest retreat of edges on a colour block.
    pub retreat: f64,
    /// Growth of the key's edges.
    pub widen: f64,
    /// Largest body of a colour's ink.
    pub body: f64,
    /// SD of the ink's strength by block and sheet.
    pub strength_sd: f64,
    /// SD of mottle that comes with the sheet.
    pub sheet_mottle: f64,
    /// SD of mottle that comes with the block.
    pub block_mottle: f64,
    /// Depth of baren marks.
    pub baren: f64,
    /// Extra ink at the rim.
    pub squash: f64,
    /// SD of raggedness.
    pub ragged: f64,
    /// SD of paper texture.
    pub fibre: f64,
    /// Toning.
    pub toning: f64,
    /// SD of a deckle edge.
    pub deckle: f64,
    /// SD of the sheet's corners about a true rectangle.
    pub corner: f64,
    /// Mean number of breaks in the key at the end of the run, per image.
    pub breaks: f64,
    /// Mean number of nicks likewise.
    pub nicks: f64,
    /// Mean number of worm holes over all blocks, per image.
    pub worm_holes: f64,
    /// Mean number of transient voids, per sheet.
    pub voids: f64,
    /// Mean number of dust particles, per scan.
    pub dust: f64,
    /// Largest turn on the scanner, degrees.
    pub scan_turn: f64,
    /// Visible bed, least and most.
    pub margin: [f64; 2],
    /// Blur, least and most, px.
    pub psf: [f64; 2],
    /// Noise in the dark and at reflectance 1, linear.
    pub noise: [f64; 2],
    /// Loss of light towards the corners, at most.
    pub falloff: f64,
    /// Depth of the shadow at the sheet's edge, at most.
    pub shadow: f64,
    /// Share of scans with a light bed.
    pub light_bed: f64,
}

impl Difficulty {
    /// The knobs of the preset.
    pub fn knobs(self) -> Knobs {
        match self {
            Self::Easy => Knobs {
                block_shift_sd: 0.08,
                placing_sd: 0.06,
                shift_max: 0.3,
                turn_sd: 0.0003,
                turn_max: 0.001,
                paper_stretch: 0.0003,
                block_stretch: 0.0,
                warp: 0.0,
                retreat: 0.02,
                widen: 0.0,
                body: 0.0,
                strength_sd: 0.03,
                sheet_mottle: 0.015,
                block_mottle: 0.015,
                baren: 0.0,
                squash: 0.0,
                ragged: 0.0,
                fibre: 0.01,
                toning: 0.1,
                deckle: 0.0,
                corner: 0.0,
                breaks: 2.0,
                nicks: 1.0,
                worm_holes: 0.0,
                voids: 0.0,
                dust: 2.0,
                scan_turn: 1.0,
                margin: [5.0, 8.0],
                psf: [0.6, 0.8],
                noise: [0.0008, 0.004],
                falloff: 0.0,
                shadow: 0.0,
                light_bed: 0.0,
            },
            Self::Standard => Knobs {
                block_shift_sd: 0.25,
                placing_sd: 0.12,
                shift_max: 1.0,
                turn_sd: 0.0008,
                turn_max: 0.003,
                paper_stretch: 0.0015,
                block_stretch: 0.0005,
                warp: 0.03,
                retreat: 0.06,
                widen: 0.01,
                body: 0.0,
                strength_sd: 0.07,
                sheet_mottle: 0.035,
                block_mottle: 0.04,
                baren: 0.04,
                squash: 0.15,
                ragged: 0.008,
                fibre: 0.02,
                toning: 0.25,
                deckle: 0.06,
                corner: 0.1,
                breaks: 12.0,
                nicks: 6.0,
                worm_holes: 0.7,
                voids: 1.0,
                dust: 6.0,
                scan_turn: 3.0,
                margin: [4.0, 10.0],
                psf: [0.6, 1.0],
                noise: [0.0012, 0.006],
                falloff: 0.04,
                shadow: 0.4,
                light_bed: 0.25,
            },
            Self::Hard => Knobs {
                block_shift_sd: 0.5,
                placing_sd: 0.3,
                shift_max: 1.5,
                turn_sd: 0.0018,
                turn_max: 0.005,
                paper_stretch: 0.003,
                block_stretch: 0.001,
                warp: 0.1,
                retreat: 0.12,
                widen: 0.03,
                body: 0.08,
                strength_sd: 0.14,
                sheet_mottle: 0.08,
                block_mottle: 0.09,
                baren: 0.1,
                squash: 0.3,
                ragged: 0.02,
                fibre: 0.035,
                toning: 0.6,
                deckle: 0.25,
                corner: 0.3,
                breaks: 45.0,
                nicks: 25.0,
                worm_holes: 2.5,
                voids: 4.0,
                dust: 25.0,
                scan_turn: 4.0,
                margin: [1.5, 14.0],
                psf: [0.7, 1.5],
                noise: [0.002, 0.012],
                falloff: 0.12,
                shadow: 0.7,
                light_bed: 0.4,
            },
        }
    }
}
