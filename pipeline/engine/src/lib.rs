//! Plans a run, reads scans, runs stages over them.

pub mod read;
