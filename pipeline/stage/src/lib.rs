//! Kit for writing a stage: implement [`Stage`] for a type and export it.
//!
//! ```ignore
//! struct Margins { /* settings */ }
//! impl restrike_stage::Stage for Margins { /* ... */ }
//! restrike_stage::export!(Margins);
//! ```
//!
//! The crate must be a `cdylib`. Panics inside the stage are caught at the
//! boundary and reported for that stage and sheet only.

#![allow(unsafe_code)]

pub mod columns;
mod ffi;
pub mod figures;
mod incoming;
mod outgoing;
pub mod settings;

pub use restrike_abi as abi;
pub use restrike_model::*;
pub use serde_json;

#[doc(hidden)]
pub use ffi::{Exported, exported};

/// Exports a type that implements [`Stage`] as this library's stage.
#[macro_export]
macro_rules! export {
    ($stage:ty) => {
        /// Entry of the stage library.
        #[allow(unsafe_code)]
        #[unsafe(no_mangle)]
        pub extern "C" fn restrike_stage() -> *const $crate::abi::StageTable {
            static EXPORTED: ::std::sync::OnceLock<$crate::Exported> = ::std::sync::OnceLock::new();
            $crate::exported::<$stage>(&EXPORTED)
        }
    };
}

/// The guide's example compiles against the kit as it is.
#[cfg(doctest)]
#[doc = include_str!("../../../plugins/README.md")]
struct PluginGuide;
