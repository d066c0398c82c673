//! How well the place of an edge can be known at all.
//!
//! Sources: Robinson and Milanfar, "Fundamental performance limits in image
//! registration", IEEE Transactions on Image Processing 13(9), 2004 (Cramer-Rao
//! bound from the Fisher information sum |grad I|^2 / sigma^2, here of a straight
//! step blurred by a Gaussian); for ragged edges the variance of a mean of as many
//! independent pieces as the edge has correlation lengths.

/// Least standard error, pixels, of the shift along the normal of a straight
/// edge against a known one: `contrast` of the step and `noise` of a pixel in the
/// same unit, `blur_px` the Gaussian blur's standard deviation, `length_px` of edge.
/// `None` when a value is not above 0.
pub fn shift_bound_px(contrast: f64, noise: f64, blur_px: f64, length_px: f64) -> Option<f64> {
    let sound = [contrast.abs(), noise, blur_px, length_px]
        .iter()
        .all(|v| v.is_finite() && *v > 0.0);
    // The squared gradient of the blurred step, summed across it, is C^2 / (2 sqrt(pi) blur).
    sound.then(|| {
        let across = 2.0 * std::f64::consts::PI.sqrt() * blur_px;
        noise / contrast.abs() * (across / length_px).sqrt()
    })
}

/// Standard error of the mean place of a ragged edge: `raggedness` the standard
/// deviation of its contour about its course, `correlation` the integral
/// correlation length along it, `length` of edge, one unit for all. `None` when a
/// value is not above 0.
pub fn raggedness_floor(raggedness: f64, correlation: f64, length: f64) -> Option<f64> {
    let sound = [raggedness, correlation, length]
        .iter()
        .all(|v| v.is_finite() && *v > 0.0);
    sound.then(|| raggedness * (correlation / length).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_edge_has_no_bound() {
        assert_eq!(shift_bound_px(0.0, 0.01, 1.0, 100.0), None);
        assert_eq!(shift_bound_px(0.5, 0.01, 1.0, f64::NAN), None);
        assert_eq!(raggedness_floor(0.1, 0.0, 5.0), None);
        // A darker print on the other side of the edge tells as much.
        assert_eq!(
            shift_bound_px(-0.5, 0.01, 1.0, 100.0),
            shift_bound_px(0.5, 0.01, 1.0, 100.0)
        );
    }
}
