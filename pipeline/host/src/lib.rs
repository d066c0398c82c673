//! Finds, opens, checks and calls stage libraries. The only part of restrike
//! that loads native code.
//!
//! A stage library is trusted code: it runs with the rights of the person who
//! runs it. Only libraries a config names, those in an explicit plugin folder
//! and those beside the executable are opened, never what lies in the working
//! directory.

#![allow(unsafe_code)]

mod call;
mod collect;
mod error;
mod library;
mod marshal;
mod search;

pub use call::{Instance, Stopped};
pub use collect::{Found, NamedImage};
pub use error::{HostError, StageFailure};
pub use library::Library;
pub use search::Search;

/// Version of the interface this host speaks.
pub const ABI_VERSION: u32 = restrike_abi::ABI_VERSION;
