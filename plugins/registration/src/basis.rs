//! What a block's place is measured against, and what follows for its marks.

use crate::marks::MarkOptions;
use crate::record::ZeroPart;

/// What a block's place is measured against. The first is worth most.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Basis {
    /// The key's lines, in which the block's outline runs.
    Key,
    /// The place it has on the first reference impression.
    Reference,
    /// Its proof as laid by the paper's edges.
    Proof,
}

impl Basis {
    /// As the record says it.
    pub(crate) fn of_zero(zero: &ZeroPart) -> Self {
        match zero.basis.as_str() {
            "key lines" => Self::Key,
            "reference" => Self::Reference,
            _ => Self::Proof,
        }
    }

    /// As the table `registration` says it.
    pub(crate) fn of(words: &str) -> Self {
        match words {
            "relative to reference" => Self::Reference,
            words if words.starts_with("relative") => Self::Proof,
            _ => Self::Key,
        }
    }

    /// Its name in tables.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Key => "absolute",
            Self::Reference => "relative to reference",
            Self::Proof => "relative to proof",
        }
    }

    /// What that is.
    pub(crate) fn against(self) -> &'static str {
        match self {
            Self::Key => "the key",
            Self::Reference => "the reference",
            Self::Proof => "its proof",
        }
    }

    /// Whether a mark may be cut by it. The register of a reference is not
    /// measured: a reference that is itself half a millimetre out would move a
    /// good mark by as much. Nor was a proof laid against the key.
    pub(crate) fn decides(self, options: &MarkOptions) -> bool {
        match self {
            Self::Key => true,
            Self::Reference => options.reference_in_register,
            Self::Proof => false,
        }
    }

    /// What the correction brings the block to.
    pub(crate) fn aim(self) -> &'static str {
        match self {
            Self::Key => "to meet the key",
            Self::Reference => "to match the reference impression",
            Self::Proof => "to match its proof",
        }
    }

    /// Why nothing is advised by it.
    pub(crate) fn doubt(self) -> &'static str {
        match self {
            Self::Key => "",
            Self::Reference => {
                "too little of its outline is known to follow key lines (solids and the widest strokes, which have no middle to follow, count for none), so it is measured against the reference impression, and whether that one is in register is not known: list one first that somebody has found in register, and say so with `reference_in_register`"
            }
            Self::Proof => {
                "too little of its outline is known to follow key lines and no reference impression shows it, so it is measured against its proof, which was not laid against the key"
            }
        }
    }
}
