//! The C interface between the host and a stage library.
