//! Colours: light to sRGB, the tones of marks, and the scale of maps.

use std::sync::OnceLock;

use restrike_model::{ITEM_COLOURS, ImageView, Tone};

/// What shows where the base has nothing: two greys of a hatching.
pub(super) const NOTHING: [[u8; 3]; 2] = [[226, 226, 226], [208, 208, 208]];

/// sRGB transfer function (IEC 61966-2-1), linear light 0..1 to 8 bits.
pub(super) fn to_srgb(linear: f32) -> u8 {
    static TABLE: OnceLock<Vec<u8>> = OnceLock::new();
    let table = TABLE.get_or_init(|| {
        (0..=65535_u32)
            .map(|i| {
                let v = f64::from(i) / 65535.0;
                let s = if v <= 0.003_130_8 {
                    12.92 * v
                } else {
                    1.055 * libm::pow(v, 1.0 / 2.4) - 0.055
                };
                (s * 255.0).round() as u8
            })
            .collect()
    });
    // A cast clamps, and makes not-a-number 0.
    table[usize::from((linear * 65535.0 + 0.5) as u16)]
}

/// Whether a thing's lines have a pale core: those that have a colour again.
pub(super) fn cored(item: u8) -> bool {
    !(usize::from(item) / ITEM_COLOURS.len()).is_multiple_of(2)
}

/// Colour of a tone, sRGB. Picked so that any two stay apart for readers with
/// any kind of dichromatic vision and each has a contrast of 3:1 on white;
/// the line's form differs as well (see the strip below a picture).
pub fn tone_colour(tone: Tone) -> [u8; 3] {
    match tone {
        Tone::Measured => [0x00, 0x3f, 0x9e],
        Tone::Expected => [0x00, 0x89, 0x6b],
        Tone::Fault => [0xb8, 0x0f, 0x0a],
        Tone::Notice => [0xc9, 0x82, 0x00],
        Tone::Guide => [0x30, 0x30, 0x30],
        Tone::Item(n) => ITEM_COLOURS[usize::from(n) % ITEM_COLOURS.len()],
    }
}

/// What a tone is called in the strip below a picture.
pub fn tone_name(tone: Tone) -> &'static str {
    match tone {
        Tone::Measured => "measured",
        Tone::Expected => "expected",
        Tone::Fault => "fault",
        Tone::Notice => "worth a look",
        Tone::Guide => "guide",
        Tone::Item(_) => "one of several",
    }
}

/// Colour scale of maps, `t` from 0 to 1, sRGB. With a zero in the middle
/// (`diverging`) ColorBrewer's PuOr, purple below and orange above; otherwise
/// cividis (Nunez, Anderton and Renslow 2018,
/// <https://doi.org/10.1371/journal.pone.0199239>), dark to light.
pub fn palette(diverging: bool, t: f64) -> [u8; 3] {
    let gradient = if diverging {
        colorous::PURPLE_ORANGE
    } else {
        colorous::CIVIDIS
    };
    let colour = gradient.eval_continuous(t.clamp(0.0, 1.0));
    [colour.r, colour.g, colour.b]
}

/// The numbers a map's colours stand for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Scale {
    pub(super) low: f64,
    pub(super) high: f64,
    /// Whether values below or above lie outside the scale.
    pub(super) beyond: [bool; 2],
}

impl Scale {
    /// The scale of a map, from a wish or from the numbers.
    pub(super) fn of(values: &ImageView<'_, f32>, wish: Option<(f64, f64)>) -> Self {
        let mut seen = sample(values);
        seen.sort_unstable_by(f32::total_cmp);
        let (least, most) = match (seen.first(), seen.last()) {
            (Some(a), Some(b)) => (f64::from(*a), f64::from(*b)),
            _ => (0.0, 1.0),
        };
        let usable = wish.filter(|(a, b)| a.is_finite() && b.is_finite() && a < b);
        let (low, high) = usable.unwrap_or_else(|| automatic(&seen));
        let slack = (high - low) * 1e-6;
        Self {
            low,
            high,
            beyond: [least < low - slack, most > high + slack],
        }
    }

    /// Whether zero is in the middle.
    pub(super) fn diverging(&self) -> bool {
        self.low < 0.0 && (self.low + self.high).abs() <= 1e-9 * (self.high - self.low)
    }

    pub(super) fn colour(&self, value: f64) -> [u8; 3] {
        let t = (value - self.low) / (self.high - self.low);
        palette(self.diverging(), t)
    }
}

/// Share of the numbers the automatic scale leaves out at an end.
const LEFT_OUT: f64 = 0.005;

fn automatic(sorted: &[f32]) -> (f64, f64) {
    let at = |share: f64| {
        let k = (share * (sorted.len().saturating_sub(1)) as f64).round() as usize;
        sorted.get(k).map_or(0.0, |v| f64::from(*v))
    };
    let (low, high) = (at(LEFT_OUT), at(1.0 - LEFT_OUT));
    if sorted.first().is_some_and(|v| *v < 0.0) {
        let reach = low.abs().max(high.abs());
        let reach = if reach > 0.0 { reach } else { 1.0 };
        return (-reach, reach);
    }
    // Numbers that vary little about a large one would all look alike from zero on.
    let low = if low > 0.5 * high { low } else { 0.0 };
    if high > low {
        (low, high)
    } else {
        (low, low + 1.0)
    }
}

/// Finite numbers of a map, evenly thinned to about a million.
fn sample(values: &ImageView<'_, f32>) -> Vec<f32> {
    let pixels = values.width() * values.height();
    let step = ((pixels as f64 / 1e6).sqrt().ceil() as usize).max(1);
    (0..values.height())
        .step_by(step)
        .flat_map(|y| values.row(y).iter().step_by(step).copied())
        .filter(|v| v.is_finite())
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use restrike_model::Raster;

    #[test]
    fn srgb_is_that_of_the_standard() {
        // IEC 61966-2-1: mid-grey 0.2140 is code 127.5; 0.0031308 ends the straight part.
        assert_eq!(to_srgb(0.0), 0);
        assert_eq!(to_srgb(1.0), 255);
        assert_eq!(to_srgb(7.0), 255);
        assert_eq!(to_srgb(f32::NAN), 0);
        assert_eq!(to_srgb(0.215_861), 128);
        assert_eq!(to_srgb(0.003_130_8), 10);
    }

    #[test]
    fn a_map_with_negatives_is_symmetric_about_zero() {
        let map = Raster::from_vec(3, 1, 1, vec![-2.0, f32::NAN, 1.0]).unwrap();
        let scale = Scale::of(&map.view(), None);
        assert_eq!((scale.low, scale.high), (-2.0, 2.0));
        assert!(scale.diverging());
        let empty = Raster::from_vec(1, 1, 1, vec![f32::NAN]).unwrap();
        let scale = Scale::of(&empty.view(), None);
        assert!(scale.high > scale.low);
    }
}
