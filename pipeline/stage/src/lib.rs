//! Kit for writing a stage.
