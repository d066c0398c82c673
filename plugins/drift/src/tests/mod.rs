//! The stage on made-up tables.

mod levels;
mod made;
mod names;
mod odd;
mod verdicts;
mod years;
