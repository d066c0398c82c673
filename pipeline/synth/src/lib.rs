//! Seeded synthetic impressions of woodblock prints with known truth.
//!
//! The renderer is the oracle for every accuracy claim of the workspace, so it
//! shares no code with what it judges, and all its maths is the same on every
//! platform: one seed, one picture, byte for byte.
//!
//! ```
//! use restrike_synth::{Design, DesignSpec, Difficulty, RunSpec, render};
//!
//! let design = Design::generate(&DesignSpec { seed: 7, ..DesignSpec::default() });
//! let run = RunSpec { sheets: 2, seed: 3, dpi: 100.0, ..RunSpec::new(Difficulty::Standard) };
//! for sheet in run.sheets(&design) {
//!     let scan = render(&design, &sheet)?;
//!     assert_eq!(scan.truth.width_px, scan.width);
//! }
//! # Ok::<(), restrike_synth::SynthError>(())
//! ```

mod coat;
pub mod damage;
pub mod design;

mod ink;
mod knobs;
mod layer;
pub mod placing;
mod raster;
mod render;
pub mod rng;
pub mod run;
pub mod sample;
mod scanner;
pub mod shapes;
pub mod sheet;
mod strip;
pub mod stroke;
mod texture;
pub mod transform;
pub mod truth;
mod wear;
mod write;
mod wrong;

pub use design::{Design, DesignSpec, Family};
pub use knobs::{Difficulty, Knobs};
pub use render::render;
pub use run::RunSpec;
pub use scanner::{Pixels, srgb_decode, srgb_encode};
pub use sheet::{Format, SheetKind, SheetSpec};
pub use truth::Truth;
pub use wear::{line_edges, line_width};
pub use write::{write_design, write_list, write_run, write_scan, write_sheet};
pub use wrong::{Wrong, WrongKind};

/// A rendered scan.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// Samples, RGB interleaved, sRGB-encoded.
    pub pixels: Pixels,
    /// Width, px.
    pub width: u32,
    /// Height, px.
    pub height: u32,
    /// What is known about it.
    pub truth: Truth,
}

/// Why a sheet could not be rendered or written.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// The spec asks for something impossible.
    #[error("{0}")]
    Spec(String),
    /// A file could not be written.
    #[error("{path}: {source}")]
    Io {
        /// File.
        path: std::path::PathBuf,
        /// Cause.
        source: std::io::Error,
    },
    /// An encoder refused.
    #[error("{path}: {message}")]
    Encode {
        /// File.
        path: std::path::PathBuf,
        /// Cause.
        message: String,
    },
}
