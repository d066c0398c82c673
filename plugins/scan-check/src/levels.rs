//! Published levels of digitisation quality, and which of them a figure would meet.
//!
//! A figure taken from a print is not a test under the conditions of these
//! guidelines, so the words are 'would meet', never 'conforms'.
//!
//! Sources: comparison of FADGI 2023 (bound general collections), ISO 19264-1
//! and Metamorfoze at skandalski.pl (secondary); Metamorfoze 2.0 colour and
//! white balance also at preservationimaging.com; non-uniformity from FADGI
//! 2010 (translation at gxnsmy.com: an older edition, three levels).

/// A figure that has published levels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Metric {
    /// Pixels per inch, the lesser of both directions.
    Resolution,
    /// MTF10 over Nyquist, at most 1, the lesser of both directions.
    SamplingEfficiency,
    /// Standard deviation of L*.
    Noise,
    /// Lightness over the field, per cent.
    NonUniformity,
    /// Largest L* error of the neutral patches.
    Tone,
    /// Largest a*b* error of the neutral patches.
    WhiteBalance,
}

/// Whether more is better, and the bound.
enum Bound {
    Least(f64),
    Over(f64),
    Most(f64),
    Under(f64),
}

impl Bound {
    fn met(&self, v: f64) -> bool {
        match *self {
            Self::Least(b) => v >= b,
            Self::Over(b) => v > b,
            Self::Most(b) => v <= b,
            Self::Under(b) => v < b,
        }
    }
}

const STARS: [&str; 4] = ["4 star", "3 star", "2 star", "1 star"];
const CLASSES: [&str; 3] = ["level A", "level B", "level C"];
/// Names of the three columns of figures: from memory.
const METAMORFOZE: [&str; 3] = ["full", "light", "extra light"];

fn best(scheme: &str, names: &[&str], bounds: impl IntoIterator<Item = bool>) -> String {
    let hit = names.iter().zip(bounds).find(|(_, met)| *met);
    let level = hit.map_or("below", |(n, _)| n);
    format!("{scheme} {level}")
}

fn scale(scheme: &str, names: &[&str], bounds: &[Bound], v: f64) -> String {
    best(scheme, names, bounds.iter().map(|b| b.met(v)))
}

/// The levels a figure would meet, as text: `FADGI 3 star; ISO 19264-1 level B`.
pub(crate) fn would_meet(metric: Metric, v: f64) -> String {
    use Bound::{Least, Most, Over, Under};
    let fadgi = |b: [Bound; 4]| scale("FADGI", &STARS, &b, v);
    let iso = |b: [Bound; 3]| scale("ISO 19264-1", &CLASSES, &b, v);
    let metamorfoze = |b: &[Bound]| scale("Metamorfoze", &METAMORFOZE, b, v);
    let parts = match metric {
        Metric::Resolution => {
            vec![fadgi([
                Least(396.0),
                Least(294.0),
                Least(242.5),
                Least(190.0),
            ])]
        }
        Metric::SamplingEfficiency => vec![
            fadgi([Over(0.9), Over(0.8), Over(0.7), Over(0.6)]),
            iso([Least(0.85), Least(0.8), Least(0.7)]),
            metamorfoze(&[Least(0.85)]),
        ],
        Metric::Noise => vec![
            fadgi([Under(1.0), Under(2.0), Under(3.0), Under(4.0)]),
            iso([Most(1.6), Most(2.0), Most(2.2)]),
            metamorfoze(&[Most(1.6), Most(1.6), Most(2.0)]),
        ],
        Metric::NonUniformity => vec![scale(
            "FADGI 2010",
            &STARS[..3],
            &[Under(1.0), Under(3.0), Under(5.0)],
            v,
        )],
        Metric::Tone => vec![
            fadgi([Under(1.5), Under(3.0), Under(4.5), Under(6.0)]),
            iso([Most(2.0), Most(3.0), Most(4.0)]),
            metamorfoze(&[Most(2.0), Most(2.0), Most(4.0)]),
        ],
        Metric::WhiteBalance => vec![
            fadgi([Under(2.0), Under(4.0), Under(6.0), Under(8.0)]),
            iso([Most(3.0), Most(4.0), Most(5.0)]),
            metamorfoze(&[Most(3.0), Most(3.0), Most(5.0)]),
        ],
    };
    parts.join("; ")
}

/// Colour differences of a target, as the levels ask for them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ColourDifferences {
    /// Mean CIEDE2000.
    pub(crate) mean: f64,
    /// 90th percentile of CIEDE2000.
    pub(crate) p90: f64,
    /// Largest CIEDE2000.
    pub(crate) max: f64,
    /// Mean CIEDE2000 with SL = 1.
    pub(crate) mean_sl1: f64,
    /// Largest CIEDE2000 with SL = 1.
    pub(crate) max_sl1: f64,
}

/// The levels colour differences would meet.
pub(crate) fn colour_would_meet(d: ColourDifferences) -> String {
    let fadgi = [(2.0, 4.0), (3.5, 7.0), (5.0, 10.0), (6.5, 13.0)];
    let iso = [(4.0, 10.0), (5.0, 15.0), (5.0, 15.0)];
    let metamorfoze = [(3.0, 7.0), (4.0, 14.0)];
    [
        best("FADGI", &STARS, fadgi.map(|(m, p)| d.mean < m && d.p90 < p)),
        best(
            "ISO 19264-1",
            &CLASSES,
            iso.map(|(m, x)| d.mean <= m && d.max <= x),
        ),
        best(
            "Metamorfoze",
            &["full", "light"],
            metamorfoze.map(|(m, x)| d.mean_sl1 <= m && d.max_sl1 <= x),
        ),
    ]
    .join("; ")
}

#[cfg(test)]
mod tests {
    use super::*;

    // Bounds: see the sources at the top of this file.
    #[test]
    fn figures_at_and_beside_the_published_bounds() {
        assert_eq!(would_meet(Metric::Resolution, 396.0), "FADGI 4 star");
        assert_eq!(would_meet(Metric::Resolution, 300.0), "FADGI 3 star");
        assert_eq!(would_meet(Metric::Resolution, 150.0), "FADGI below");
        assert_eq!(
            would_meet(Metric::SamplingEfficiency, 0.9),
            "FADGI 3 star; ISO 19264-1 level A; Metamorfoze full"
        );
        assert_eq!(
            would_meet(Metric::Noise, 1.9),
            "FADGI 3 star; ISO 19264-1 level B; Metamorfoze extra light"
        );
        assert_eq!(would_meet(Metric::NonUniformity, 5.0), "FADGI 2010 below");
        assert_eq!(
            would_meet(Metric::WhiteBalance, 4.5),
            "FADGI 2 star; ISO 19264-1 level C; Metamorfoze extra light"
        );
        let d = ColourDifferences {
            mean: 1.8,
            p90: 4.5,
            max: 6.0,
            mean_sl1: 2.0,
            max_sl1: 7.5,
        };
        assert_eq!(
            colour_would_meet(d),
            "FADGI 3 star; ISO 19264-1 level A; Metamorfoze light"
        );
    }
}
