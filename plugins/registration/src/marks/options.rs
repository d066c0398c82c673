//! What a printer may choose about the advice.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Settings of the mark corrections.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct MarkOptions {
    /// How many sheets the advice rests on: the first so many of the stack. Without it, all.
    #[schemars(range(min = 1))]
    pub first_sheets: Option<u32>,
}
