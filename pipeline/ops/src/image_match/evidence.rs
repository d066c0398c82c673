//! What speaks for or against a match, and whether it is enough.

use serde::{Deserialize, Serialize};
use thiserror::Error;

/// Matches that must agree for a map to be looked at.
pub const LEAST_MATCHES: usize = 4;
/// Probability of as many agreeing tiles by chance that is put up with,
/// decimal logarithm: of a million unrelated pairs one would pass.
const MOST_LOG10_CHANCE: f64 = -6.0;
/// A tile of unrelated drawing is taken to agree at least this often.
const LEAST_BY_CHANCE: f64 = 0.05;
/// Least share of tiles that agree: designs can have a border or a whole
/// pattern in common, impressions of one design have all of the drawing.
const LEAST_SHARE: f64 = 0.86;
/// The same where features agree all over: this many for a tile at least. Of two
/// designs with a pattern in common half as many do.
const LEAST_SHARE_WITH_FEATURES: f64 = 0.7;
/// Features for a large tile.
const FEATURES_A_TILE: f64 = 0.8;
/// The same of two designs with a pattern in common.
const FEATURES_IN_COMMON: f64 = 0.4;
/// Standard deviations that are clear.
pub(super) const CLEARLY: f64 = 3.0;

/// What speaks for or against a match.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
pub struct Evidence {
    /// Features of the first and the second scan.
    pub features: [usize; 2],
    /// Matches of features that agree on one map.
    pub matches: usize,
    /// Decimal logarithm of the number of equally good agreements of features
    /// expected between unrelated scans.
    pub log10_chance: f64,
    /// Tiles of drawing that lie in both scans.
    pub tiles: usize,
    /// Tiles that agree.
    pub agreeing: usize,
    /// Share of tiles that would agree with an unrelated place of the other scan.
    pub agreeing_by_chance: f64,
    /// Median correlation of the tiles.
    pub correlation: f64,
    /// Area of a tile's place against that of a large tile: where a scan shows
    /// few of these they are smaller.
    pub tile_area: f64,
}

impl Evidence {
    /// Share of tiles that agree.
    #[allow(clippy::cast_precision_loss)]
    pub fn share(&self) -> f64 {
        if self.tiles == 0 {
            0.0
        } else {
            self.agreeing as f64 / self.tiles as f64
        }
    }

    /// Decimal logarithm of the probability that as many tiles agree by chance:
    /// upper tail of the binomial distribution, with the share of tiles that
    /// agree with an unrelated place as the chance of one.
    #[allow(clippy::cast_precision_loss)]
    pub fn log10_tiles_by_chance(&self) -> f64 {
        let p = self.agreeing_by_chance.clamp(LEAST_BY_CHANCE, 1.0 - 1e-9);
        let (n, k) = (self.tiles as f64, self.agreeing as f64);
        if self.tiles == 0 || k <= n * p {
            return 0.0;
        }
        // Chernoff's bound, which is never too small: exp(-n D(k/n || p)).
        let q = k / n;
        let part = |q: f64, p: f64| if q > 0.0 { q * libm::log(q / p) } else { 0.0 };
        -n * (part(q, p) + part(1.0 - q, 1.0 - p)) / std::f64::consts::LN_10
    }

    /// Whether features agree all over: enough for a tile, and clearly more than
    /// those of two designs with a pattern in common, the count's own scatter
    /// (Poisson) allowed for.
    #[allow(clippy::cast_precision_loss)]
    fn all_over(&self) -> bool {
        let places = self.tiles as f64 * self.tile_area;
        let matches = self.matches as f64;
        matches >= FEATURES_A_TILE * places
            && matches - CLEARLY * matches.sqrt() >= FEATURES_IN_COMMON * places
    }

    pub(super) fn holds(&self) -> bool {
        let least = if self.all_over() {
            LEAST_SHARE_WITH_FEATURES
        } else {
            LEAST_SHARE
        };
        self.share() >= least && self.log10_tiles_by_chance() <= MOST_LOG10_CHANCE
    }
}

/// Why two scans were not brought onto each other.
#[derive(Debug, Clone, Copy, PartialEq, Error)]
pub enum NoMatch {
    /// A scan holds too little to go by.
    #[error("the {which} scan shows too little: {found} features")]
    TooLittle {
        /// `first` or `second`.
        which: &'static str,
        /// Features found.
        found: usize,
    },
    /// No agreement beyond chance.
    #[error(
        "of {} and {} features at most {} agree on how one lies on the other \
         ({LEAST_MATCHES} are needed to look closer)",
        .0.features[0], .0.features[1], .0.matches
    )]
    Chance(Evidence),
    /// Features agree, the drawing does not.
    #[error(
        "where they fit best {} features and {} of {} tiles of the drawing agree ({:.0} %, at least \
         {:.0} % are needed, {:.0} % where features agree all over; as many by chance: 10^{:.1}, at most \
         10^{MOST_LOG10_CHANCE})",
        .0.matches, .0.agreeing, .0.tiles, 100.0 * .0.share(), 100.0 * LEAST_SHARE,
        100.0 * LEAST_SHARE_WITH_FEATURES,
        .0.log10_tiles_by_chance()
    )]
    Drawing(Evidence),
    /// More than one place fits about equally well.
    #[error(
        "{} of {} tiles agree, but the drawing repeats itself and fits elsewhere about as well"
        , .0.agreeing, .0.tiles
    )]
    Ambiguous(Evidence),
}

impl NoMatch {
    /// What there was.
    pub fn evidence(&self) -> Evidence {
        match self {
            Self::TooLittle { .. } => Evidence::default(),
            Self::Chance(e) | Self::Drawing(e) | Self::Ambiguous(e) => *e,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn evidence(tiles: usize, agreeing: usize, matches: usize) -> Evidence {
        Evidence {
            tiles,
            agreeing,
            matches,
            tile_area: 1.0,
            ..Evidence::default()
        }
    }

    #[test]
    fn a_few_features_do_not_make_up_for_tiles_that_disagree() {
        // Two designs with a pattern in common had as many.
        assert!(!evidence(14, 10, 15).holds());
        assert!(evidence(100, 75, 100).holds());
        assert!(evidence(14, 13, 15).holds());
        // Small tiles stand closer: fewer features for each.
        let small = Evidence {
            tile_area: 0.4,
            ..evidence(100, 75, 40)
        };
        assert!(small.holds() && !evidence(100, 75, 40).holds());
    }
}
