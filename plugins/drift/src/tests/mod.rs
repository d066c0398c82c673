//! The stage on made-up tables.

mod made;
mod names;
mod verdicts;
mod years;
