//! Types every part of restrike shares: geometry, units, image views, tables,
//! pictures and the [`Stage`] trait. Nothing here reads or writes files.
//!
//! # Coordinates
//! * **scan pixels**: x right, y *down*, origin at the top-left corner of the
//!   scan; pixel (i, j) has its centre at (i + 0.5, j + 0.5).
//! * **print millimetres**: the sheet face up, origin at the sheet's centre,
//!   x right, y *up*, angles counter-clockwise.
//! * **block millimetres**: the block as it lies face up: u = -x, v = y.

mod chart;
mod context;
mod geometry;
mod image;
mod manifest;
mod picture;
mod stage;
mod table;
mod units;

pub use chart::{Chart, Fill, Panel, Plot};
pub use context::{
    BlockInfo, ImageArea, Impression, MarkInfo, MarkKind, Project, Role, ScanInfo, Size,
};
pub use geometry::{Affine, Point, Rect};
pub use image::{ImageView, Raster, Sample, SampleKind, ShapeError};
pub use manifest::{EVERY_TABLE, Given, Manifest, Needs, Phases, SHEET_STATUS};
pub use picture::{Frame, ITEM_COLOURS, Mark, Picture, Stroke, Tone};
pub use stage::{
    Learn, Level, Measure, Output, Row, SheetTable, Stage, StageError, Summary, Verdict,
};
pub use table::{ColumnSpec, Scope, Table, TableSpec, Value, ValueKind};
pub use units::{Dpi, MM_PER_INCH};
