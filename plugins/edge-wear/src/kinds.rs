//! What can be found at a place of a line.

use restrike_stage::Point;

/// Kind of a site.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Kind {
    /// The line is interrupted.
    Break,
    /// A bite from one edge; the line holds.
    Nick,
    /// A round gap through several lines, as an insect leaves it.
    Hole,
    /// Ink where the wood beside the line should stand back.
    FillIn,
    /// The line fades and comes back without an end: too little ink.
    Pale,
    /// Something lighter than the ground lies over the line.
    Speck,
}

impl Kind {
    /// All kinds.
    pub(crate) const ALL: [Self; 6] = [
        Self::Break,
        Self::Nick,
        Self::Hole,
        Self::FillIn,
        Self::Pale,
        Self::Speck,
    ];

    /// Whether it is of the wood's shape, and so may be mended.
    pub(crate) fn is_wood(self) -> bool {
        matches!(self, Self::Break | Self::Nick | Self::Hole | Self::FillIn)
    }

    /// Its name in tables.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Break => "break",
            Self::Nick => "nick",
            Self::Hole => "hole",
            Self::FillIn => "fill-in",
            Self::Pale => "pale",
            Self::Speck => "speck",
        }
    }

    /// The kind of that name.
    pub(crate) fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|k| k.name() == name)
    }
}

/// Something found on a line of a sheet.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Found {
    pub(crate) kind: Kind,
    /// Number of the line.
    pub(crate) line: u32,
    /// Whether it lies where the record's line has a gap too.
    pub(crate) recorded: bool,
    /// From and to along the line, mm.
    pub(crate) from: f64,
    pub(crate) to: f64,
    /// Length along the line, mm; diameter of a hole.
    pub(crate) length: f64,
    /// How deep, across the line, mm.
    pub(crate) depth: f64,
    /// Its middle in the record, mm.
    pub(crate) at: Point,
    /// Its middle in the scan, px.
    pub(crate) px: Point,
    /// Width of the line there, mm.
    pub(crate) width: f64,
    /// Places of its two ends in the record, mm.
    pub(crate) ends: [Point; 2],
    /// Lines it touches.
    pub(crate) lines: usize,
    /// Ink of the line just beside it, of the key's solid.
    pub(crate) ink: f64,
    /// How sure it is what it is called, 0 to 1.
    pub(crate) confidence: f64,
}

/// A stretch of a line that the sheet does not show well enough to tell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Unseen {
    pub(crate) line: u32,
    pub(crate) from: f64,
    pub(crate) to: f64,
}
