//! The stage on made-up tables.

mod made;
mod names;
mod odd;
mod verdicts;
mod years;
