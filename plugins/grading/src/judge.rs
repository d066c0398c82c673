//! A value against its limits.

use crate::grade::{Grade, Standing};
use crate::quantity::Quantity;
use crate::settings::Leads;

/// How a value stands to its limits.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stand {
    /// Inside with its whole interval.
    Inside,
    /// Outside with its whole interval.
    Outside,
    /// Its interval reaches over a limit.
    Unsure,
    /// There is no value.
    Missing,
}

impl Stand {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Inside => "inside",
            Self::Outside => "outside",
            Self::Unsure => "unsure",
            Self::Missing => "not measured",
        }
    }

    /// What it leaves open where being outside leads to a grade.
    pub(crate) fn standing(self, leads: Leads) -> Standing {
        let open = Standing {
            best: Grade::Pass,
            worst: leads.worst(),
        };
        match (self, leads) {
            (Self::Inside, _) => Standing::PASS,
            (Self::Outside, Leads::Second | Leads::Reject) => Standing {
                best: leads.worst(),
                worst: leads.worst(),
            },
            (Self::Outside, Leads::LookAgain) | (Self::Unsure | Self::Missing, _) => open,
        }
    }
}

/// Limits of a value; on a limit is inside.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Limits {
    pub(crate) low: Option<f64>,
    pub(crate) high: Option<f64>,
}

impl Limits {
    pub(crate) fn stand(&self, q: &Quantity) -> Stand {
        let low = self.low.unwrap_or(f64::NEG_INFINITY);
        let high = self.high.unwrap_or(f64::INFINITY);
        if q.low >= low && q.high <= high {
            Stand::Inside
        } else if q.low > high || q.high < low {
            Stand::Outside
        } else {
            Stand::Unsure
        }
    }

    /// How far the interval's far end lies over the nearer limit; negative inside.
    pub(crate) fn excess(&self, q: &Quantity) -> f64 {
        let over = self.high.map_or(f64::NEG_INFINITY, |h| q.high - h);
        let under = self.low.map_or(f64::NEG_INFINITY, |l| l - q.low);
        over.max(under)
    }
}
