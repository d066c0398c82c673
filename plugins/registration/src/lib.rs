//! Mark corrections: the run-level half of registration.
//!
//! It turns a table `registration` of measured block motions (a row for each
//! sheet, image and block) into what to cut or pad at the registration marks.
//! The half that measures those motions on a sheet is not there yet, so this is
//! a library and not a stage that a config can name.

pub mod marks;
