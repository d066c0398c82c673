//! Writes what a run found, for people and for other programs: a CSV for each
//! table, pictures, a data package that describes every column, `run.json`,
//! and a page that shows them.
//!
//! Everything is rendered to bytes first; [`files`] puts bytes on the disk so
//! that a file is whole or not there. [`Writer`] does both, and decides what
//! files are called.

pub mod chart;
pub mod csv;
pub mod datapackage;
pub mod drawing;
pub mod files;
pub mod html;
pub mod names;
pub mod picture;
mod print;
pub mod runjson;
mod writer;

pub use writer::{PictureFile, ReportError, Writer};
