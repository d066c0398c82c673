//! Tests of the whole tool: the executable on real files, the plugin boundary,
//! and the rules the code keeps.

// The lint spares test functions, not what they share.
#![allow(clippy::unwrap_used)]

mod bench;
mod boundary;
mod c_stage;
mod drift;
mod grading;
mod header;
mod inputs;
mod pair;
mod palette;
mod resume;
mod rules;
mod sample;
mod separation;
