//! One sheet: from a scan and a first idea of its place to where every block lies.

use restrike_stage::{Affine, ImageView, Rect};

use crate::coarse::{Absorbed, Places};
use crate::joint::{Fitted, Joint};
use crate::layers::Layer;
use crate::learned::{moments_within, shares};
use crate::level::Level;
use crate::local::{Local, absorptions};
use crate::paper::{Paper, STIFF_MM};
use crate::prior::Prior;
use crate::sites::{Choice, Sites};
use crate::state::State;
use restrike_ops::grid::Grid;
use restrike_ops::resample::resample;

/// How a sheet is fitted.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rules {
    /// How far a block may lie from where it should, mm.
    pub(crate) reach: f64,
    /// Whether the key is looked for as well: its place is not known to a fraction of a millimetre.
    pub(crate) find_key: bool,
    /// Whether retreat is fitted.
    pub(crate) retreat: bool,
    /// What is likely before looking.
    pub(crate) prior: Prior,
    /// Most pixels a layer's edges are judged by.
    pub(crate) quota: usize,
    /// Scan pixels to a side that share one colour: no finer is looked.
    pub(crate) colour_step: usize,
}

impl Default for Rules {
    fn default() -> Self {
        Self {
            reach: 5.0,
            find_key: true,
            retreat: true,
            prior: Prior::default(),
            quota: 6_000,
            colour_step: 1,
        }
    }
}

/// A sheet with its fit.
pub(crate) struct Aligned {
    /// All images together.
    pub(crate) whole: Fitted,
    /// Each image by itself, where there are several.
    pub(crate) parts: Vec<Option<Part>>,
    /// Local paper and strengths.
    pub(crate) local: Local,
    /// Pixels the fit rests on.
    pub(crate) sites: usize,
    /// The blocks with the inks they were printed in here.
    pub(crate) layers: Vec<Layer>,
    /// Standard deviation of the blur, scan pixels.
    pub(crate) blur_px: f64,
}

/// An image of a sheet by itself. Its blocks' motions are about the middle of what
/// they print on the image.
pub(crate) struct Part {
    /// The fit.
    pub(crate) fit: Fitted,
    /// By layer: shares of the square of the motion's radius along x and along y.
    pub(crate) spread: Vec<[f64; 2]>,
}

/// Margin of the sheet that is not looked at, mm.
const EDGE_MM: f64 = 2.0;

/// Fits a sheet.
///
/// # Errors
/// In words.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn align(
    scan: ImageView<'_, u16>,
    to_print: &Affine,
    sheet: Rect,
    images: &[Rect],
    layers: &[Layer],
    rules: &Rules,
) -> Result<Aligned, String> {
    let key_at = layers
        .iter()
        .position(|l| l.key)
        .ok_or("the record holds no key block")?;
    let area = sheet.grown(-EDGE_MM);
    let full = to_print.determinant().abs().sqrt();
    let factor = |pixel: f64| ((pixel / full).round() as usize).max(1);
    let fine = factor(25.4 / 150.0);
    let half_level = Level::new(scan, to_print, fine);
    let paper = {
        let grid = Grid::over(sheet, (half_level.pixel * 2.0).max(0.3));
        let mut laid = resample(scan, to_print, grid).ok_or("the scan is too small to register")?;
        for k in 0..grid.width * grid.height {
            if !area.contains(grid.place(k % grid.width, k / grid.width)) {
                laid.data_mut()[3 * k..3 * k + 3].fill(-1.0);
            }
        }
        Paper::fit(&laid, grid, None, images, STIFF_MM)
            .ok_or("too little of the sheet is in the scan")?
    };
    let half = sheet.width().max(sheet.height()) / 2.0;
    let mut state = State::still(layers, key_at, half, 0.6);
    search(&half_level, &paper, area, layers, &mut state, rules);
    let mut layers = layers.to_vec();
    let mut local = Local::even(&paper, sheet, layers.len());
    let again = Absorbed::new(&half_level, &paper, area, 4);
    let mut inks_known = false;
    // Colours that are kept more coarsely than lightness are blurred more: at their own
    // resolution both are about alike.
    let mut levels = vec![factor(25.4 / 75.0), fine, rules.colour_step];
    levels.retain(|f| *f >= rules.colour_step);
    levels.dedup();
    let mut last = None;
    let mut before = 0.0;
    for (at, f) in levels.iter().enumerate() {
        let level = if *f == fine && *f > 1 {
            None
        } else {
            Some(Level::new(scan, to_print, *f))
        };
        let level = level.as_ref().unwrap_or(&half_level);
        if before > 0.0 {
            // The blur in pixels of this level: the coarser pixel's own is gone.
            state.sigma = if at + 1 == levels.len() { 0.9 } else { 0.6 };
        }
        before = level.pixel;
        let finest = at + 1 == levels.len();
        let rounds = if finest { [4, 10] } else { [6, 4] };
        for (turn, rounds) in rounds.into_iter().enumerate() {
            let choice = Choice {
                quota: if finest && turn == 1 {
                    rules.quota
                } else {
                    rules.quota / 5
                },
                band: (if finest { 3.0 } else { 2.2 }) * level.pixel,
                // Neighbouring pixels say the same; but fine pixels' bands about the edges
                // are narrow, and farther apart too few of them would be left.
                stride: if *f == 1 {
                    ((0.17 / level.pixel).round() as usize).clamp(1, 2)
                } else {
                    1
                },
            };
            let sites = Sites::choose(level, &layers, &state, area, choice);
            if sites.len() < 200 {
                return Err("hardly any edge of the blocks is on the sheet".to_owned());
            }
            let joint = Joint {
                layers: &layers,
                local: &local,
                level,
                prior: rules.prior,
                // Worn edges may stand farther back than the finest level looks; first
                // the blocks have to be about where they are.
                retreat: rules.retreat && (at > 0 || turn > 0),
            };
            let fitted = joint
                .run(&sites, &state, rounds)
                .ok_or("the fit of the blocks' motion has no solution")?;
            state = fitted.state.clone();
            if at == 0 && turn == 0 {
                look_again(&again, &layers, &mut state);
            }
            let stride = ((0.5 / level.pixel).round() as usize).max(1);
            if !(finest && turn == 1) {
                local = local.refit(level, &layers, &state, &paper, area, stride);
                // Edges are sharp enough from the second level on.
                if !inks_known && at > 0 {
                    let found = absorptions(&local, level, &layers, &state, area, stride);
                    for (l, a) in layers.iter_mut().zip(found) {
                        l.absorption = a;
                    }
                    local = local.refit(level, &layers, &state, &paper, area, stride);
                    inks_known = true;
                }
            } else {
                last = Some((
                    fitted,
                    sites,
                    joint_parts(&joint, &layers, images, area, choice, &state),
                ));
            }
        }
    }
    let (whole, sites, parts) = last.ok_or("the fit was not made")?;
    #[allow(clippy::cast_precision_loss)]
    let coarse = levels.last().copied().unwrap_or(1) as f64;
    // The fit's blur has the coarse pixel's own width in it.
    let own = if coarse > 1.0 { 1.0 / 12.0 } else { 0.0 };
    let blur_px = coarse
        * (whole.state.sigma * whole.state.sigma - own)
            .max(0.09)
            .sqrt();
    Ok(Aligned {
        whole,
        parts,
        local,
        sites: sites.len(),
        layers,
        blur_px,
    })
}

/// With all blocks roughly in place the sheet is clearer: a block that would
/// explain much more at another place nearby was caught at a wrong one.
fn look_again(look: &Absorbed, layers: &[Layer], state: &mut State) {
    let places = Places {
        reach: 3,
        step: look.pixel() / 2.0,
        turns: &[0.0],
        margin: 0.1,
    };
    for n in 0..layers.len() {
        if n != state.key_at {
            look.search(layers, state, n, &places);
        }
    }
}

/// Each image by itself, from where all together lie.
fn joint_parts(
    joint: &Joint<'_>,
    layers: &[Layer],
    images: &[Rect],
    area: Rect,
    choice: Choice,
    state: &State,
) -> Vec<Option<Part>> {
    if images.len() < 2 {
        return Vec::new();
    }
    let sites = Sites::choose(joint.level, layers, state, area, choice);
    images
        .iter()
        .map(|image| {
            let part = sites.within(image.grown(2.0));
            if part.len() < 200 {
                return None;
            }
            let mut start = state.clone();
            let mut spread: Vec<_> = layers.iter().map(|l| l.spread).collect();
            for ((ride, spread), layer) in start.rides.iter_mut().zip(&mut spread).zip(layers) {
                // A block that prints nothing here keeps the middle of all it prints.
                if let Some(m) = moments_within(&layer.rough, Some(*image)) {
                    *ride = ride.about(m.centre, m.radius);
                    *spread = shares(m.spread);
                }
            }
            let fit = joint.run(&part, &start, 8)?;
            Some(Part { fit, spread })
        })
        .collect()
}

/// Coarse to fine, the key first, then the colours by how much they absorb.
fn search(
    level: &Level<'_>,
    paper: &Paper,
    area: Rect,
    layers: &[Layer],
    state: &mut State,
    rules: &Rules,
) {
    let mut order: Vec<usize> = (0..layers.len()).filter(|n| *n != state.key_at).collect();
    let size = |n: &usize| {
        let l = &layers[*n];
        l.absorption.iter().sum::<f64>() * l.radius
    };
    order.sort_by(|a, b| size(b).total_cmp(&size(a)));
    let mut start = true;
    for factor in [8, 4] {
        let look = Absorbed::new(level, paper, area, factor);
        let step = look.pixel();
        #[allow(clippy::cast_possible_truncation)]
        let reach = if start {
            (rules.reach / step).ceil() as i32
        } else {
            1
        };
        let turns: &[f64] = match factor {
            8 => &[0.0],
            _ => &[0.0, -0.006, 0.006],
        };
        let places = Places {
            reach,
            step,
            turns,
            margin: 0.0,
        };
        if rules.find_key {
            look.search(layers, state, state.key_at, &places);
        }
        for _ in 0..if start { 2 } else { 1 } {
            for n in &order {
                look.search(layers, state, *n, &places);
            }
        }
        start = false;
    }
}
