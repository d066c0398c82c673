//! Grades, and what several findings make of a sheet.

/// A grade that is certain, the better first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Grade {
    /// Good.
    Pass,
    /// Second quality.
    Second,
    /// Not to be sold.
    Reject,
}

impl Grade {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Second => "second",
            Self::Reject => "reject",
        }
    }
}

/// The best and the worst grade that all findings leave open.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Standing {
    pub(crate) best: Grade,
    pub(crate) worst: Grade,
}

impl Standing {
    pub(crate) const PASS: Self = Self {
        best: Grade::Pass,
        worst: Grade::Pass,
    };

    /// With a further finding: a fault that is certain spares nobody, one that
    /// is possible leaves the better grade open.
    pub(crate) fn and(self, other: Self) -> Self {
        Self {
            best: self.best.max(other.best),
            worst: self.worst.max(other.worst),
        }
    }

    /// The grade, if only one is left.
    pub(crate) fn grade(self) -> Option<Grade> {
        (self.best == self.worst).then_some(self.best)
    }

    /// What stands in the table.
    pub(crate) fn name(self) -> &'static str {
        self.grade().map_or(LOOK_AGAIN, Grade::name)
    }
}

pub(crate) const LOOK_AGAIN: &str = "look again";
