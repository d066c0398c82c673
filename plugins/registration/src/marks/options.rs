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
    /// Whether the first reference impression is in register: say so only when somebody who
    /// knows the print has looked. Then blocks whose outline follows no key lines get advice
    /// too, which brings them to where that impression has them. Otherwise they get none: what
    /// is wrong with the reference would be cut into the marks.
    pub reference_in_register: bool,
}
