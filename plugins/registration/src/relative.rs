//! How a block lies on a sheet against the reference impression, by the edges
//! that both show.

use nalgebra::{SMatrix, SVector};
use restrike_ops::edge_normal_fit::{
    EdgeFit, EdgeFitOptions, EdgeModel, EdgeOffset, PARAMETERS, choose, fit as fit_edges,
};
use restrike_stage::{Affine, ImageView, Rect};

use crate::joint::Fitted;
use crate::layers::Layer;
use crate::prior::Prior;
use crate::record::Known;
use crate::seen::{self, Edge, Sheet, record_place};
use crate::state::{RIDE, Ride, State};

/// Shifts that are tried first are this far apart, mm.
const COARSE_MM: f64 = 0.15;
/// Then these.
const FINE_MM: f64 = 0.05;
/// How far the edges are looked for, mm.
const LOOK_MM: f64 = 1.5;
/// Edges that the search looks at.
const TRIED: usize = 600;
/// Fewest edges and pieces that tell a place.
const LEAST_EDGES: usize = 40;
const LEAST_PIECES: usize = 8;
/// Least mean step, of the one to be expected, at the place found.
const LEAST_STEP: f64 = 0.5;
/// Another place that shows as much as this of the best is as likely.
const ALIKE: f64 = 0.9;
/// Places nearer than this are the same, mm.
const SAME_MM: f64 = 0.4;

/// The free edges of each block of a record that no proof shows.
pub(crate) fn free_edges(known: &[Known]) -> Vec<Vec<Edge>> {
    if !known.iter().any(|k| k.layer.parted) {
        return vec![Vec::new(); known.len()];
    }
    let layers: Vec<Layer> = known.iter().map(|k| k.layer.clone()).collect();
    (0..layers.len())
        .map(|n| {
            if layers[n].parted && !layers[n].key {
                // The grid of a shape is that of the scan it was read off.
                let pixel = layers[n].edges.pitch;
                match known[n].part.free_mm.as_slice() {
                    [] => seen::free_edges(&layers, n, pixel),
                    places => seen::edges_at(&layers, n, pixel, places),
                }
            } else {
                Vec::new()
            }
        })
        .collect()
}

/// Puts into a fit where each block without a proof lies, or why that is not known.
///
/// `free`: by layer, the edges that lay free on the reference impression;
/// `image`: only edges of this part of the sheet.
pub(crate) fn locate(
    fit: &mut Fitted,
    layers: &[Layer],
    free: &[Vec<Edge>],
    scan: ImageView<'_, u16>,
    to_print: &Affine,
    image: Option<Rect>,
) {
    let Some(sheet) = Sheet::new(scan, to_print) else {
        return;
    };
    for n in 0..layers.len() {
        if !layers[n].parted || n == fit.state.key_at {
            continue;
        }
        let edges: Vec<Edge> = free[n]
            .iter()
            .filter(|e| image.is_none_or(|i| i.contains(e.at)))
            .copied()
            .collect();
        match found(&fit.state, layers, n, &edges, &sheet) {
            Ok(told) => put(fit, n, &told),
            Err(why) => fit.why[n] = Some(why),
        }
    }
}

fn found(
    state: &State,
    layers: &[Layer],
    n: usize,
    edges: &[Edge],
    sheet: &Sheet<'_>,
) -> Result<Told, String> {
    let too_few = |seen: usize| {
        format!(
            "no proof of it, and too little of its edges lies free of the key and of other blocks both here and on the reference impression ({seen} places): list a proof of it (role `proof:{}`)",
            layers[n].name
        )
    };
    if edges.len() < LEAST_EDGES {
        return Err(too_few(edges.len()));
    }
    let mut ride = search(state, layers, n, edges, sheet)?;
    let mut last = None;
    for round in 0..4 {
        let offsets: Vec<EdgeOffset> = edges
            .iter()
            .filter_map(|e| sheet.offset(layers, state, n, &ride, e))
            .collect();
        let mut pieces: Vec<usize> = offsets.iter().map(|o| o.piece).collect();
        pieces.sort_unstable();
        pieces.dedup();
        if offsets.len() < LEAST_EDGES || pieces.len() < LEAST_PIECES {
            return Err(too_few(offsets.len()));
        }
        let options = EdgeFitOptions::default();
        let fitted = if round == 0 {
            fit_edges(&offsets, EdgeModel::Shift, options)
        } else {
            // All that may have happened, as far as the edges tell it; a lesser model
            // where they do not tell it at all.
            fit_edges(&offsets, EdgeModel::AffineRetreat, options)
                .or_else(|_| choose(&offsets, options).map(|(f, _)| f))
        }
        .map_err(|e| format!("no proof of it, and by what is seen of its edges: {e}"))?;
        let told = Told::new(ride, &fitted);
        ride = told.ride;
        last = Some(told);
    }
    last.ok_or_else(|| too_few(0))
}

type Parameters = SVector<f64, PARAMETERS>;
type Square = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// What the edges tell, with what was known before they were looked at.
struct Told {
    ride: Ride,
    retreat: f64,
    /// Covariance of motion and retreat, mm2: turn, stretch and shear times the radius.
    covariance: Square,
    fitting: f64,
    pieces: f64,
}

impl Told {
    /// Joins a fit about a ride with the prior, both normal: the mean by their precisions.
    fn new(ride: Ride, fitted: &EdgeFit) -> Self {
        let prior = Prior::default();
        let r = ride.radius;
        let units = Parameters::from([1.0, 1.0, r, r, r, r, 1.0]);
        let motion = prior.ride(r);
        let before = Parameters::from_fn(|i, _| motion.get(i).copied().unwrap_or(prior.retreat));
        let scaled = |c: &[[f64; PARAMETERS]; PARAMETERS]| {
            Square::from_fn(|i, j| c[i][j] * units[i] * units[j])
        };
        let mut told = scaled(&fitted.covariance);
        if let Some(pieces) = &fitted.by_pieces {
            // The larger of the two: few pieces agree by chance.
            let by_pieces = scaled(pieces);
            let more = (0..PARAMETERS)
                .filter(|i| by_pieces[(*i, *i)] > 0.0)
                .map(|i| told[(i, i)] / by_pieces[(i, i)])
                .fold(1.0, f64::max);
            told = by_pieces * more;
        }
        // Where the fit leaves a parameter out the edges tell nothing of it.
        let prior = Square::from_diagonal(&before.component_mul(&before));
        let unknown = |i: usize| told[(i, i)] <= 0.0;
        let wide = Square::from_fn(|i, j| match (i == j, unknown(i) || unknown(j)) {
            (true, true) => 1e6 * prior[(i, i)],
            (false, true) => 0.0,
            _ => told[(i, j)],
        });
        let mut by = Parameters::from_fn(|i, _| fitted.motion[i] * units[i]);
        for (total, before) in by.iter_mut().zip(ride.by) {
            *total += before;
        }
        // Kalman's form: no inverse of what may be near singular.
        let (mean, covariance) = match (prior + wide).try_inverse() {
            Some(both) => (prior * both * by, prior - prior * both * prior),
            None => (by, wide),
        };
        let count = fitted.weights.len().max(1);
        #[allow(clippy::cast_precision_loss)]
        Self {
            ride: Ride {
                by: [0, 1, 2, 3, 4, 5].map(|i| mean[i]),
                ..ride
            },
            retreat: mean[RIDE],
            covariance,
            fitting: fitted.weights.iter().sum::<f64>() / count as f64,
            pieces: fitted.piece_count(),
        }
    }
}

/// The shift at which the free edges show most of their steps of light.
fn search(
    state: &State,
    layers: &[Layer],
    n: usize,
    edges: &[Edge],
    sheet: &Sheet<'_>,
) -> Result<Ride, String> {
    let stride = edges.len().div_ceil(TRIED);
    let Ride { centre, radius, .. } = state.rides[n];
    let still = Ride::still(centre, radius);
    let key = &layers[state.key_at];
    let score = |dx: f64, dy: f64| {
        let mut ride = still;
        ride.by[0] = dx;
        ride.by[1] = dy;
        let (mut sum, mut count) = (0.0, 0.0);
        for e in edges.iter().step_by(stride) {
            // Where the key now covers the edge it shows nothing.
            if key.distance(record_place(&ride, e.at), 0.3) < 0.3 {
                continue;
            }
            if let Some(s) = sheet.step_at(state, &ride, e) {
                sum += s;
                count += 1.0;
            }
        }
        if count < 20.0 { -1.0 } else { sum / count }
    };
    #[allow(clippy::cast_possible_truncation)]
    let reach = (LOOK_MM / COARSE_MM).ceil() as i32;
    let mut tried = Vec::new();
    for j in -reach..=reach {
        for i in -reach..=reach {
            let (x, y) = (f64::from(i) * COARSE_MM, f64::from(j) * COARSE_MM);
            tried.push((score(x, y), x, y));
        }
    }
    tried.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (_, x, y) = tried[0];
    let mut best = (f64::MIN, x, y);
    for j in -3..=3 {
        for i in -3..=3 {
            let (x, y) = (x + f64::from(i) * FINE_MM, y + f64::from(j) * FINE_MM);
            let s = score(x, y);
            if s > best.0 {
                best = (s, x, y);
            }
        }
    }
    if best.0 < LEAST_STEP {
        return Err(format!(
            "no proof of it, and at no place within {LOOK_MM} mm do its edges show as on the reference impression ({:.0} % of their contrast at best)",
            100.0 * best.0.max(0.0)
        ));
    }
    if let Some(other) = tried
        .iter()
        .find(|t| t.0 > ALIKE * best.0 && libm::hypot(t.1 - best.1, t.2 - best.2) > SAME_MM)
    {
        return Err(format!(
            "no proof of it, and what is seen of its edges fits at two places, {:.1} mm apart",
            libm::hypot(other.1 - best.1, other.2 - best.2)
        ));
    }
    let mut ride = still;
    ride.by[0] = best.1;
    ride.by[1] = best.2;
    Ok(ride)
}

/// Writes what was found into the fit, in the place of the layered fit's.
fn put(fit: &mut Fitted, n: usize, told: &Told) {
    let slots = fit.state.slots(n);
    let Some(at) = slots.ride else { return };
    let size = fit.covariance.nrows();
    let place = |i: usize| if i < RIDE { at + i } else { slots.retreat };
    for i in 0..=RIDE {
        for j in 0..size {
            fit.covariance[(place(i), j)] = 0.0;
            fit.covariance[(j, place(i))] = 0.0;
        }
    }
    for i in 0..=RIDE {
        for j in 0..=RIDE {
            fit.covariance[(place(i), place(j))] = told.covariance[(i, j)];
        }
    }
    fit.state.rides[n] = told.ride;
    fit.state.retreat[n] = told.retreat;
    fit.fitting[n] = told.fitting;
    fit.pieces[n] = told.pieces;
    fit.settled[n] = true;
    fit.why[n] = None;
}
