//! The stage on made-up tables.

mod columns;
mod geometry;
mod made;
mod odd;
mod orders;
mod pictures;
mod rules;
