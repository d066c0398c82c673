//! What is refused, and what is found again.

use super::*;
use proptest::prelude::*;

/// Samples all round circles, moved by a motion.
fn ring(centres: &[(f64, f64)], motion: &[f64; PARAMETERS]) -> Vec<EdgeOffset> {
    let mut out = Vec::new();
    for (piece, (cx, cy)) in centres.iter().enumerate() {
        for k in 0..12 {
            let (s, c) = libm::sincos(std::f64::consts::FRAC_PI_6 * f64::from(k));
            let at = Point::new(cx + 6.0 * c, cy + 6.0 * s);
            let [dx, dy, t, sx, sy, sh, w] = *motion;
            let by = Point::new(
                dx + sx * at.x + (sh - t) * at.y,
                dy + (sh + t) * at.x + sy * at.y,
            );
            let normal = Point::new(c, s);
            out.push(EdgeOffset {
                at,
                normal,
                offset: normal.dot(by) - w,
                se: 0.01,
                piece: 4 * piece + usize::try_from(k / 3).unwrap(),
            });
        }
    }
    out
}

const FIVE: [(f64, f64); 5] = [
    (-80.0, 40.0),
    (70.0, -30.0),
    (10.0, 5.0),
    (60.0, 50.0),
    (-50.0, -45.0),
];

#[test]
fn what_edges_do_not_tell_is_refused() {
    let straight: Vec<EdgeOffset> = (0..20)
        .map(|k| EdgeOffset {
            at: Point::new(f64::from(k), 3.0),
            normal: Point::new(0.0, 1.0),
            offset: 0.1,
            se: 0.01,
            piece: 0,
        })
        .collect();
    let options = EdgeFitOptions::default();
    assert_eq!(
        fit(&straight, EdgeModel::Shift, options),
        Err(EdgeFitError::NotTold)
    );
    assert_eq!(choose(&straight, options), Err(EdgeFitError::NotTold));
    // A circle alone has no turn.
    let one = ring(&FIVE[..1], &[0.1, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0]);
    assert!(fit(&one, EdgeModel::Shift, options).is_ok());
    assert_eq!(
        fit(&one, EdgeModel::Rigid, options),
        Err(EdgeFitError::NotTold)
    );
    assert!(matches!(
        fit(&one[..1], EdgeModel::Shift, options),
        Err(EdgeFitError::TooFew { .. })
    ));
    let mut bad = one;
    bad[3].se = 0.0;
    assert_eq!(
        fit(&bad, EdgeModel::Shift, options),
        Err(EdgeFitError::NotFinite)
    );
}

#[test]
fn the_direction_told_worst_is_along_the_edges() {
    let mut edges = ring(&FIVE, &[0.0; PARAMETERS]);
    // Mostly upright edges: up-down is told by few.
    edges.retain(|o| o.normal.x.abs() > 0.6 || o.piece == 3);
    // Of exact offsets the scatter of pieces is nothing: the stated errors count.
    edges.iter_mut().for_each(|o| o.piece = 0);
    let options = EdgeFitOptions {
        scatter: Scatter::Stated,
        huber: None,
    };
    let found = fit(&edges, EdgeModel::Shift, options).unwrap();
    let up = found.weakest.abs().to_degrees();
    assert!((up - 90.0).abs() < 10.0, "{up}");
    assert!(found.weakest_se > 1.2 * found.se(0).min(found.se(1)));
}

proptest! {
    #[test]
    fn a_planted_motion_is_found_wherever_the_origin_is(
        motion in prop::array::uniform7(-1.0..1.0_f64),
        away in (-400.0..400.0_f64, -400.0..400.0_f64),
    ) {
        let [dx, dy, t, sx, sy, sh, w] = motion;
        let planted = [dx, dy, 0.003 * t, 0.003 * sx, 0.003 * sy, 0.003 * sh, 0.1 * w];
        let centres = FIVE.map(|(x, y)| (x + away.0, y + away.1));
        let edges = ring(&centres, &planted);
        for options in [
            EdgeFitOptions::default(),
            EdgeFitOptions { scatter: Scatter::Stated, huber: None },
        ] {
            let found = fit(&edges, EdgeModel::AffineRetreat, options).unwrap();
            for (a, b) in found.motion.iter().zip(planted) {
                prop_assert!((a - b).abs() < 1e-8, "{:?} {planted:?}", found.motion);
            }
        }
    }
}
