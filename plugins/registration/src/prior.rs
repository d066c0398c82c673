//! What a block's parameters are before the sheet is looked at.

use crate::state::RIDE;

/// Standard deviations of what is held to be likely before looking.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Prior {
    /// A block's shift, mm.
    pub(crate) shift: f64,
    /// A block's turn, radians.
    pub(crate) turn: f64,
    /// A block's stretch against the key.
    pub(crate) stretch: f64,
    /// Its shear, radians: a proof's paper is not quite square.
    pub(crate) shear: f64,
    /// Retreat of a block's edges against the record, mm.
    pub(crate) retreat: f64,
    /// Bending of the paper at the sheet's edge, mm.
    pub(crate) bend: f64,
    /// How much of the darkness under it a block may hide, share.
    pub(crate) veil: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Self {
            shift: 2.0,
            turn: 0.006,
            stretch: 0.001,
            shear: 0.0008,
            retreat: 0.15,
            bend: 0.05,
            veil: 0.05,
        }
    }
}

impl Prior {
    /// Standard deviations of a ride's parameters for a block of this radius, mm.
    pub(crate) fn ride(&self, radius: f64) -> [f64; RIDE] {
        [
            self.shift,
            self.shift,
            self.turn * radius,
            self.stretch * radius,
            self.stretch * radius,
            self.shear * radius,
        ]
    }
}
