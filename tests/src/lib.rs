//! Checks of the whole tool.
