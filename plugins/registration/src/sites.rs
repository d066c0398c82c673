//! The pixels that the joint fit rests on: those about visible edges, as many
//! for each block as are needed.

use restrike_stage::{Point, Rect};

use crate::layers::{BODY, Layer};
use crate::level::Level;
use crate::state::State;

/// Side of the pieces that errors are taken to be independent between, mm.
pub(crate) const TILE_MM: f64 = 6.0;

/// Pixels of one resolution that the fit rests on.
pub(crate) struct Sites {
    pub(crate) places: Vec<Site>,
}

/// A pixel and what was seen there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Site {
    /// Print place of its centre.
    pub(crate) place: Point,
    /// Linear reflectance.
    pub(crate) value: [f64; 3],
    /// The piece of the sheet it lies in.
    pub(crate) tile: u32,
}

/// How the pixels are chosen.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Choice {
    /// Most pixels to take for one layer.
    pub(crate) quota: usize,
    /// Half width of the band about an edge, mm.
    pub(crate) band: f64,
    /// Every so many pixels are looked at.
    pub(crate) stride: usize,
}

/// An edge nearer than this to the key's, on the impression its shape was
/// learned from, was not seen there, mm. (Shapes from one impression share its
/// coordinates.)
const UNSEEN_MM: f64 = 0.12;
/// What was under the key there by this much is not known, mm.
const HIDDEN_MM: f64 = 0.03;
/// So far from where the shape was closed under the key its edge may truly lie, mm.
const DOUBT_MM: f64 = 0.5;

impl Sites {
    /// Chooses pixels within `area` near visible edges.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    pub(crate) fn choose(
        level: &Level<'_>,
        layers: &[Layer],
        state: &State,
        area: Rect,
        choice: Choice,
    ) -> Self {
        let (w, h) = level.size();
        let mut found: Vec<(u32, u32, u32)> = Vec::new();
        let mut counts = vec![0_usize; layers.len()];
        // A distance changes by no more than the way gone (and a little, for the
        // blocks' stretch): so many columns on a layer's edge is out of reach.
        let column = 1.05 * choice.stride as f64 * level.pixel;
        let mut out_of_reach = vec![0_usize; layers.len()];
        for y in (0..h).step_by(choice.stride) {
            out_of_reach.fill(0);
            for x in (0..w).step_by(choice.stride) {
                let p = level.place(x, y);
                if !area.contains(p) {
                    continue;
                }
                let k = state.record_place(p);
                let key = layers[state.key_at].distance(k, choice.band);
                let mut mask = 0_u32;
                let mut doubtful = false;
                for (n, layer) in layers.iter().enumerate() {
                    let d = if n == state.key_at {
                        key
                    } else if out_of_reach[n] > 0 {
                        out_of_reach[n] -= 1;
                        continue;
                    } else if key < -1.3 * level.pixel && state.veil[n] < BODY {
                        // A transparent ink changes the key's darkness by less than its mottle does.
                        continue;
                    } else {
                        let b = state.block_place(n, k);
                        let d = layer.distance(b, choice.band);
                        let near = choice.band.max(DOUBT_MM) + 3.0 * layer.rough.pitch;
                        out_of_reach[n] = ((d.abs() - near).max(0.0) / column) as usize;
                        if layer.parted {
                            let hid = layers[state.key_at].distance(b, UNSEEN_MM);
                            doubtful |=
                                hid < HIDDEN_MM && layer.distance(b, DOUBT_MM).abs() < DOUBT_MM;
                            if hid < UNSEEN_MM {
                                continue;
                            }
                        }
                        d
                    };
                    if d.abs() < choice.band {
                        mask |= 1 << n;
                        counts[n] += 1;
                    }
                }
                if mask != 0 && !doubtful {
                    found.push((x as u32, y as u32, mask));
                }
            }
        }
        let share: Vec<f64> = counts
            .iter()
            .map(|c| (choice.quota as f64 / (*c).max(1) as f64).min(1.0))
            .collect();
        let mut places = Vec::new();
        for (x, y, mask) in found {
            let want = (0..layers.len())
                .filter(|n| mask & (1 << n) != 0)
                .map(|n| share[n])
                .fold(0.0, f64::max);
            if uniform(x, y) >= want {
                continue;
            }
            let (x, y) = (x as usize, y as usize);
            let place = level.place(x, y);
            let tx = ((place.x - area.min.x) / TILE_MM) as u32;
            let ty = ((place.y - area.min.y) / TILE_MM) as u32;
            places.push(Site {
                place,
                value: level.pixel(x, y),
                tile: ty * 4096 + tx,
            });
        }
        Self { places }
    }

    /// How many.
    pub(crate) fn len(&self) -> usize {
        self.places.len()
    }

    /// The sites within a part of the sheet.
    pub(crate) fn within(&self, area: Rect) -> Self {
        Self {
            places: self
                .places
                .iter()
                .filter(|s| area.contains(s.place))
                .copied()
                .collect(),
        }
    }
}

/// A number in 0..1 from a pixel's place, the same on every run.
fn uniform(x: u32, y: u32) -> f64 {
    let mut v = u64::from(x) << 32 | u64::from(y);
    v = (v ^ (v >> 31)).wrapping_mul(0x9e37_79b9_7f4a_7c15);
    v = (v ^ (v >> 29)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    v ^= v >> 32;
    #[allow(clippy::cast_precision_loss)]
    {
        (v >> 11) as f64 / (1_u64 << 53) as f64
    }
}
