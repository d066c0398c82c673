//! From a fit to what is said of a block: motion, how sure, or why not.

use restrike_stage::{Affine, Point};

use crate::joint::Fitted;
use crate::record::Known;
use crate::state::{RIDE, Ride};

/// Half-width of a 90 % interval in standard errors of a normal distribution.
pub(crate) const NINETY: f64 = 1.6449;
/// Least share of a block's learned outline error in its shift, mm, for an ink that
/// takes all light: a learned edge is never exact, and the paler the ink the farther
/// the paper's unevenness moves it. Calibrated on designs that no figure is reported for.
const FLOOR_MM: f64 = 0.0015;
/// The same as a share of a scan pixel.
const FLOOR_PX: f64 = 0.02;
/// The same two where the key's own lines are known from one impression as well.
const FLOOR_PARTED_MM: f64 = 0.007;
const FLOOR_PARTED_PX: f64 = 0.03;
/// By how much the standard errors of a gradation are too small, calibrated likewise:
/// its outline is read off ink that changes along it. What is wrong with an outline is
/// so on all sheets, so this is as for the worst of the few gradations there were.
const WIDEN_FADE: f64 = 1.9;
/// The same of a block without a proof, whose free edges are few.
const WIDEN_PARTED: f64 = 1.3;
/// Parameters that a block's pieces of the sheet are shared by: motion and retreat.
const SHARED: f64 = 7.0;
/// Most that few pieces widen an error by.
const FEW: f64 = 3.0;

/// Least share of what a block's edges tell that has to fit, of what is usual
/// for the blocks of the sheet.
pub(crate) const FITTING: f64 = 0.8;

/// What is known of a block on a sheet or on one of its images.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Located {
    /// Shift at the sheet's centre, turn, stretch, shear: mm, radians, shares.
    pub(crate) motion: [f64; RIDE],
    /// Covariance of the motion from measuring.
    pub(crate) covariance: [[f64; RIDE]; RIDE],
    /// Standard errors of the zero, in the motion's units: common to all sheets.
    pub(crate) zero_se: [f64; RIDE],
    /// Covariance of the zero, likewise.
    pub(crate) zero_covariance: [[f64; RIDE]; RIDE],
    /// The middle of what it prints on the image, where it should print, mm.
    pub(crate) at: Point,
    /// Shift at that middle, mm.
    pub(crate) middle: Point,
    /// Its standard errors from measuring, mm.
    pub(crate) middle_se: [f64; 2],
    /// Standard error of the zero's shift at the middle, mm.
    pub(crate) zero_middle_se: f64,
    /// The middle of all that the block prints, mm: there the zero's shift does not
    /// correlate with its turn and stretch.
    pub(crate) zero_at: Point,
    /// Standard error of the zero's shift there, mm.
    pub(crate) zero_at_se: f64,
    /// Retreat of the edges against the record and its standard error, mm.
    pub(crate) retreat: (f64, f64),
    /// Direction that is seen worst, degrees counter-clockwise from x, and the
    /// standard error along it, mm.
    pub(crate) weakest: (f64, f64),
    /// Standard error of its displacement, root mean square over what it prints, mm.
    pub(crate) area_se: f64,
    /// Pieces of the sheet that show its edges.
    pub(crate) pieces: f64,
    /// Share of what its edges tell that fits.
    pub(crate) fitting: f64,
    /// Why it is not identified.
    pub(crate) reason: Option<String>,
    /// Half-width of the interval that is left where the place found is not
    /// believed at all, mm: as far as was looked.
    pub(crate) lost: Option<f64>,
    /// Whether it is seen too badly for a number.
    pub(crate) vague: bool,
}

impl Located {
    /// Displacement at a place, mm.
    pub(crate) fn displacement(&self, p: Point) -> Point {
        self.ride().displacement(p)
    }

    /// The motion about the sheet's centre.
    pub(crate) fn ride(&self) -> Ride {
        Ride {
            centre: Point::default(),
            radius: 1.0,
            by: self.motion,
        }
    }

    /// Whether there is a number to give: the block is identified, or known
    /// less closely and said to be.
    pub(crate) fn given(&self) -> bool {
        self.lost.is_none() && !self.vague
    }
}

/// Limits of what counts as identified and of what is given as a number.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    /// Largest standard error over what a block prints at which it is identified, mm.
    pub(crate) se: f64,
    /// The same at which its place is given at all, mm.
    pub(crate) given: f64,
    /// Largest shift, mm.
    pub(crate) reach: f64,
    /// Side of a scan pixel, mm.
    pub(crate) pixel: f64,
}

/// A covariance of a motion's parameters.
pub(crate) type Square = [[f64; RIDE]; RIDE];

fn turned(m: &Square, c: &Square) -> Square {
    let mut half = [[0.0; RIDE]; RIDE];
    let mut out = [[0.0; RIDE]; RIDE];
    for i in 0..RIDE {
        for j in 0..RIDE {
            half[i][j] = (0..RIDE).map(|k| m[i][k] * c[k][j]).sum();
        }
    }
    for i in 0..RIDE {
        for j in 0..RIDE {
            out[i][j] = (0..RIDE).map(|k| half[i][k] * m[j][k]).sum();
        }
    }
    out
}

/// Where a colour block lies, by a fit; none for the key.
///
/// `spread`: how what it prints lies about the middle of its motion, as shares of
/// the square of the motion's radius along x and along y.
pub(crate) fn located(
    fit: &Fitted,
    block: &Known,
    at: usize,
    spread: [f64; 2],
    limits: Limits,
) -> Option<Located> {
    let state = &fit.state;
    let slot = state.slots(at);
    let first = slot.ride?;
    let ride = state.rides[at];
    let mut own = [[0.0; RIDE]; RIDE];
    let widen: f64 = match (block.layer.parted, block.part.bokashi) {
        (_, true) => WIDEN_FADE,
        (true, false) => WIDEN_PARTED,
        (false, false) => 1.0,
    };
    // A sandwich over few pieces is too narrow (Bell and McCaffrey 2002).
    let pieces = fit.pieces[at];
    let widen = widen * (pieces / (pieces - SHARED).max(pieces / (FEW * FEW)).max(1e-9)).sqrt();
    let (least, share) = if block.layer.parted {
        (FLOOR_PARTED_MM, FLOOR_PARTED_PX)
    } else {
        let [r, g, b] = block.layer.absorption;
        let taken = (1.0 - libm::exp(-r.max(g).max(b))).max(0.02);
        (FLOOR_MM / taken, FLOOR_PX)
    };
    let floor = least * least + (share * limits.pixel).powi(2);
    for (i, row) in own.iter_mut().enumerate() {
        for (j, v) in row.iter_mut().enumerate() {
            *v = fit.covariance[(first + i, first + j)] * widen * widen;
        }
        row[i] += floor;
    }
    let (_, m) = ride.about_origin();
    let covariance = turned(&m, &own);
    let zero = block.part.zero_ride();
    let (z, zm) = zero.about_origin();
    let zero_covariance = turned(&zm, &block.part.zero.covariance_mm2);
    // p = b + z(b) is the true place; T takes b to where it printed.
    let to_true = Affine([1.0 + z[3], z[5] - z[2], z[0], z[5] + z[2], 1.0 + z[4], z[1]]);
    let map = to_true.inverse()?.then(&ride.map()?);
    let [a, b, c, d, e, f] = map.0;
    let motion = [c, f, (d - b) / 2.0, a - 1.0, e - 1.0, (b + d) / 2.0];
    let centre = to_true.apply(ride.centre);
    let middle = map.apply(centre) - centre;
    let middle_se = [own[0][0].sqrt(), own[1][1].sqrt()];
    let zero_se = |at| shift_error(&zero, &block.part.zero.covariance_mm2, at);
    let w = slot.retreat;
    let retreat_se = (fit.covariance[(w, w)] * widen * widen + floor).sqrt();
    let weakest = weakest([[own[0][0], own[0][1]], [own[1][0], own[1][1]]]);
    let mut out = Located {
        motion,
        covariance,
        zero_se: [0, 1, 2, 3, 4, 5].map(|i| zero_covariance[i][i].max(0.0).sqrt()),
        zero_covariance,
        at: centre,
        middle,
        middle_se,
        zero_middle_se: zero_se(ride.centre),
        zero_at: to_true.apply(zero.centre),
        zero_at_se: zero_se(zero.centre),
        retreat: (state.retreat[at], retreat_se),
        weakest,
        area_se: area_error(&own, spread),
        pieces: fit.pieces[at],
        fitting: fit.fitting[at],
        reason: None,
        lost: None,
        vague: false,
    };
    out.vague = out.area_se > limits.given;
    let moved = Point::new(ride.by[0], ride.by[1]);
    out.reason = if block.layer.parted {
        fit.why[at].clone()
    } else {
        lost(&out, fit, at, limits, moved)
    };
    if out.reason.is_some() {
        out.lost = Some(limits.reach);
    } else {
        out.reason = unseen(&out, limits);
    }
    Some(out)
}

/// Pieces of the sheet that have to show a block's edges.
const SEEN: f64 = 3.0;
/// Retreats of two images that differ by this many standard errors, and by this
/// much in mm, are two.
const APART_SE: f64 = 4.0;
const APART_MM: f64 = 0.03;

/// Takes back what the fit of the whole sheet says of a block whose edges stand
/// back differently on the sheet's images: it knows one retreat only, and what
/// that cannot explain goes into the motion. So does a half on which the block's
/// edges are seen but fit no place.
pub(crate) fn worn_apart<'a>(
    whole: &mut Located,
    images: impl Iterator<Item = (&'a str, &'a Located)>,
) {
    if !whole.given() {
        return;
    }
    let images: Vec<_> = images.collect();
    let unlike = images
        .iter()
        .find(|(_, l)| l.lost.is_some() && l.pieces >= SEEN);
    if let Some((name, l)) = unlike {
        let why = l.reason.as_deref().unwrap_or_default();
        whole.vague = true;
        whole.reason = Some(format!("on {name} by itself {why}"));
        return;
    }
    let told: Vec<_> = images.iter().filter(|(_, l)| l.given()).collect();
    for (i, (name, a)) in told.iter().enumerate() {
        for (other, b) in &told[i + 1..] {
            let differ = (a.retreat.0 - b.retreat.0).abs();
            let se = libm::hypot(a.retreat.1, b.retreat.1);
            if differ > APART_MM.max(APART_SE * se) {
                whole.vague = true;
                let [one, two] = [a.retreat.0, b.retreat.0].map(|r| {
                    let way = if r < 0.0 { "forward" } else { "back" };
                    format!("{way} by {:.3} mm", r.abs())
                });
                whole.reason = Some(format!(
                    "its edges stand {one} on {name} and {two} on {other}, so that the whole sheet has none that fits both: take the rows of these images"
                ));
            }
        }
    }
}

/// Standard error of a ride's shift at a place, the larger axis, mm.
fn shift_error(ride: &Ride, covariance: &Square, at: Point) -> f64 {
    let variance = Ride::slopes(ride.relative(at)).map(|row| variance(covariance, &row));
    variance[0].max(variance[1]).max(0.0).sqrt()
}

/// Variance of a sum of a motion's parameters with weights.
pub(crate) fn variance(covariance: &Square, weights: &[f64; RIDE]) -> f64 {
    let sum = |i: usize| {
        (0..RIDE)
            .map(|j| covariance[i][j] * weights[j])
            .sum::<f64>()
    };
    (0..RIDE).map(|i| weights[i] * sum(i)).sum()
}

/// Root mean square over the printed area of a ride's error, mm: both axes
/// together, by the second moments of the area about the ride's centre.
fn area_error(own: &Square, [x, y]: [f64; 2]) -> f64 {
    let (shift, turn) = (own[0][0] + own[1][1], own[2][2]);
    let stretch = own[3][3] * x + own[4][4] * y;
    // Shear and turn meet where the area is longer one way.
    let shear = own[5][5] + 2.0 * own[2][5] * (x - y);
    (shift + turn + stretch + shear).max(0.0).sqrt()
}

/// Larger eigenvalue of a 2 x 2 covariance: direction in degrees, standard error.
fn weakest(c: [[f64; 2]; 2]) -> (f64, f64) {
    let mean = (c[0][0] + c[1][1]) / 2.0;
    let half = (c[0][0] - c[1][1]) / 2.0;
    let off = c[0][1];
    let most = mean + (half * half + off * off).sqrt();
    let angle = 0.5 * libm::atan2(2.0 * off, c[0][0] - c[1][1]);
    let mut degrees = angle.to_degrees();
    if degrees < -45.0 {
        degrees += 180.0;
    }
    (degrees, most.max(0.0).sqrt())
}

/// Words for a direction that is seen badly.
pub(crate) fn direction(degrees: f64) -> &'static str {
    match degrees.rem_euclid(180.0) {
        d if !(22.5..157.5).contains(&d) => "left-right",
        d if d < 67.5 => "lower left to upper right",
        d if d < 112.5 => "up-down",
        _ => "upper left to lower right",
    }
}

/// Why the place found is not to be believed.
fn lost(l: &Located, fit: &Fitted, at: usize, limits: Limits, moved: Point) -> Option<String> {
    if !fit.settled[at] {
        return Some("the fit did not settle".to_owned());
    }
    if moved.norm() > limits.reach {
        return Some(format!(
            "the nearest place that fits is {:.1} mm away, farther than looked for",
            moved.norm()
        ));
    }
    if fit.state.strength[at] < 0.25 {
        return Some("hardly any of its ink is on the sheet".to_owned());
    }
    if l.retreat.0.abs() > 0.35 {
        return Some("its edges look nothing like the record's".to_owned());
    }
    if fit.fitting[at] < FITTING * fit.usual_fitting() {
        return Some(format!(
            "only {:.0} % of what its edges tell fits this place ({:.0} % is usual on this sheet): another or a re-cut block, or a wrong place",
            100.0 * fit.fitting[at],
            100.0 * fit.usual_fitting()
        ));
    }
    if l.pieces < SEEN {
        return Some("its edges show in fewer than three places".to_owned());
    }
    None
}

/// Why the place is not known well enough.
fn unseen(l: &Located, limits: Limits) -> Option<String> {
    if l.area_se <= limits.se {
        return None;
    }
    let what = if l.weakest.1 > 0.6 * l.area_se {
        direction(l.weakest.0)
    } else {
        "its turn and stretch"
    };
    Some(if l.vague {
        format!(
            "cannot see {what}: standard error {:.3} mm over what it prints, most allowed {:.3} mm",
            l.area_se, limits.given
        )
    } else {
        format!(
            "sees {what} faintly: standard error {:.3} mm over what it prints, over the {:.3} mm of a block that is identified",
            l.area_se, limits.se
        )
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// A block that lies where it should, known exactly.
    pub(crate) fn still() -> Located {
        Located {
            motion: [0.0; RIDE],
            covariance: [[0.0; RIDE]; RIDE],
            zero_se: [0.0; RIDE],
            zero_covariance: [[0.0; RIDE]; RIDE],
            at: Point::default(),
            middle: Point::default(),
            middle_se: [0.0; 2],
            zero_middle_se: 0.0,
            zero_at: Point::default(),
            zero_at_se: 0.0,
            retreat: (0.0, 0.0),
            weakest: (0.0, 0.0),
            area_se: 0.0,
            pieces: 10.0,
            fitting: 1.0,
            reason: None,
            lost: None,
            vague: false,
        }
    }

    #[test]
    fn halves_that_wore_differently_take_the_whole_sheets_place_back() {
        let half = |retreat: f64| Located {
            retreat: (retreat, 0.004),
            ..still()
        };
        let after = |left: f64, right: f64| {
            let mut whole = still();
            let halves = [("left", half(left)), ("right", half(right))];
            worn_apart(&mut whole, halves.iter().map(|(n, l)| (*n, l)));
            whole
        };
        assert!(after(0.05, 0.07).given());
        let apart = after(0.05, 0.09);
        assert!(!apart.given());
        let mut whole = still();
        let astray = Located {
            lost: Some(5.0),
            reason: Some("its edges look nothing like the record's".to_owned()),
            ..still()
        };
        let few = Located {
            pieces: 2.0,
            ..astray.clone()
        };
        worn_apart(
            &mut whole,
            [("left", &few), ("right", &still())].into_iter(),
        );
        assert!(whole.given());
        worn_apart(
            &mut whole,
            [("left", &still()), ("right", &astray)].into_iter(),
        );
        assert!(!whole.given());
        let why = apart.reason.unwrap();
        assert!(
            why.contains("back by 0.050 mm on left and back by 0.090 mm on right"),
            "{why}"
        );
    }
}
