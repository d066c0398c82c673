//! Renders tables and pictures.
