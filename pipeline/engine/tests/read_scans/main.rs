//! Reading scans: every kind of file, colour, orientation, refusals, mutations, files from outside.

// The lint spares test functions, not the helpers that they share.
#![allow(clippy::unwrap_used)]

mod colour;
mod files;
mod formats;
mod headers;
mod mutations;
mod outside;
mod refusals;
