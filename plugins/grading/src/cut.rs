//! What to keep of each two-up sheet when it is cut.

use crate::grade::{Grade, Standing};

/// The images of a sheet by what becomes of them.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Cut<'a> {
    pub(crate) keep: Vec<&'a str>,
    pub(crate) seconds: Vec<&'a str>,
    pub(crate) look_again: Vec<&'a str>,
    pub(crate) discard: Vec<&'a str>,
}

impl<'a> Cut<'a> {
    pub(crate) fn of(images: impl IntoIterator<Item = (&'a str, Standing)>) -> Self {
        let mut cut = Self::default();
        for (name, standing) in images {
            match standing.grade() {
                Some(Grade::Pass) => cut.keep.push(name),
                Some(Grade::Second) => cut.seconds.push(name),
                Some(Grade::Reject) => cut.discard.push(name),
                None => cut.look_again.push(name),
            }
        }
        cut
    }

    /// What to do, in a few words.
    pub(crate) fn words(&self) -> String {
        let parts = [
            ("keep", &self.keep),
            ("second", &self.seconds),
            ("look again", &self.look_again),
            ("discard", &self.discard),
        ];
        let said: Vec<String> = parts
            .iter()
            .filter(|(_, images)| !images.is_empty())
            .map(|(what, images)| format!("{what}: {}", images.join(", ")))
            .collect();
        said.join("; ")
    }
}
