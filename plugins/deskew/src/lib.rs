//! Stage deskew: where the sheet and its images lie in the scan, and what sheet it is.
//!
//! See the README for what is measured and how.

mod analysis;
mod border;
mod border_line;
mod duplicate;
mod identity;
mod lowres;
mod metric;
mod overview;
mod paper;
mod pictures;
mod rectangle;
mod settings;
mod sheet_frame;
mod stage;
mod tables;
mod texture;
mod trace;

#[cfg(test)]
mod accuracy;
#[cfg(test)]
mod otherwise_tests;
#[cfg(test)]
mod real_pages;
#[cfg(test)]
mod tests;

use stage::Deskew;

restrike_stage::export!(Deskew);
