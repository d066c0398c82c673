//! Tests of the parts on made-up numbers; the whole is held against rendered
//! editions in the `tests` crate.

mod consensus;
mod differ;
mod record;
mod register;
mod scatter;
mod smooth;
mod verdict;
