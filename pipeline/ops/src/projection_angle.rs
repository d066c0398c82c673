//! The direction of lines of text or of a pattern, from the sharpness of
//! projections.
//!
//! Each trial angle projects a disc of the image along that direction; the
//! energy of the projection's derivative is largest when lines fall on top of
//! each other. By the projection-slice theorem (Bracewell 1956) this is the
//! energy on a radial line of the two-dimensional spectrum, weighted with the
//! squared frequency, so it depends on the angle smoothly and the pixel grid
//! has no preferred direction: the derivative is taken with a Gaussian that
//! leaves nothing at the grid's own frequency. The maximum of projection
//! sharpness as skew: Postl 1986; Bloomberg, Kopec and Dasari, "Measuring
//! document image skew and orientation", SPIE 2422, 1995.
//!
//! Only a disc counts, faded out towards its rim and freed of a quadratic
//! background, so that a turned copy of the image shows the same content.

use restrike_model::{Point, Raster};

/// Bins a pixel: fine enough that the binning loses nothing in the band used.
const BINS: f64 = 4.0;
/// Standard deviation of the derivative's Gaussian, pixels.
const SIGMA: f64 = 1.0;

/// The direction found and how clear it is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineDirection {
    /// Direction of the lines, radians in -pi/2 .. pi/2, from +x towards +y of
    /// the image's own axes.
    pub angle: f64,
    /// Standard error, radians: jackknife over eight bands of the disc.
    pub se: f64,
    /// Sharpness at the best angle over the median sharpness of all angles.
    pub clarity: f64,
}

/// A disc of an image, made ready for projections.
struct Disc {
    points: Vec<(f64, f64, f32)>,
    radius: f64,
}

impl Disc {
    #[allow(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss
    )]
    fn new(image: &Raster<f32>, centre: Point, radius: f64) -> Self {
        let mut points = Vec::new();
        let top = (centre.y - radius).floor().max(0.0) as usize;
        let bottom = ((centre.y + radius).ceil().max(0.0) as usize).min(image.height());
        let left = (centre.x - radius).floor().max(0.0) as usize;
        let right = ((centre.x + radius).ceil().max(0.0) as usize).min(image.width());
        for y in top..bottom {
            for x in left..right {
                let (dx, dy) = (x as f64 + 0.5 - centre.x, y as f64 + 0.5 - centre.y);
                let r = (dx * dx + dy * dy).sqrt() / radius;
                let v = image.get(x, y, 0);
                if r < 1.0 && v.is_finite() {
                    points.push((dx, dy, v));
                }
            }
        }
        let mut disc = Self { points, radius };
        disc.flatten();
        disc
    }

    /// Takes a quadratic surface away and fades the rim out.
    fn flatten(&mut self) {
        let basis = |x: f64, y: f64| [1.0, x, y, x * x, x * y, y * y];
        let mut normal = nalgebra::Matrix6::<f64>::zeros();
        let mut right = nalgebra::Vector6::<f64>::zeros();
        let scale = 1.0 / self.radius;
        for &(x, y, v) in &self.points {
            let w = fade((x * x + y * y).sqrt() * scale);
            let b = nalgebra::Vector6::from(basis(x * scale, y * scale));
            normal += b * b.transpose() * w;
            right += b * (w * f64::from(v));
        }
        let surface = normal
            .cholesky()
            .map_or_else(nalgebra::Vector6::zeros, |c| c.solve(&right));
        for (x, y, v) in &mut self.points {
            let b = nalgebra::Vector6::from(basis(*x * scale, *y * scale));
            let w = fade((*x * *x + *y * *y).sqrt() * scale);
            #[allow(clippy::cast_possible_truncation)]
            {
                *v = ((f64::from(*v) - surface.dot(&b)) * w) as f32;
            }
        }
    }

    /// Energy of the derivative of the projection along `angle`; `leave_out`
    /// drops one of eight bands across the lines' direction `base`.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss
    )]
    fn sharpness(&self, angle: f64, leave_out: Option<(usize, f64)>) -> f64 {
        let (s, c) = libm::sincos(angle);
        let margin = 7.0 * SIGMA;
        let origin = self.radius + margin;
        let n = (2.0 * origin * BINS).ceil() as usize + 2;
        let mut bins = vec![0.0_f64; n];
        let band = leave_out.map(|(k, base)| {
            let (bs, bc) = libm::sincos(base);
            let width = self.radius / 4.0;
            let from = -self.radius + width * k as f64;
            (bc, bs, from, from + width)
        });
        for &(x, y, v) in &self.points {
            if let Some((bc, bs, from, to)) = band {
                let t = x * bc + y * bs;
                if t >= from && t < to {
                    continue;
                }
            }
            let place = (y * c - x * s + origin) * BINS;
            // Quadratic B-spline: its first two moments do not depend on where
            // between the bins a pixel falls, or angles at which whole rows fall
            // on a bin would look sharper than their neighbours.
            let i = (place + 0.5) as usize;
            let part = place - i as f64;
            let v = f64::from(v);
            if i > 0
                && let Some([a, b, c]) = bins.get_mut(i - 1..i + 2)
            {
                *a += v * 0.5 * (0.5 - part) * (0.5 - part);
                *b += v * (0.75 - part * part);
                *c += v * 0.5 * (0.5 + part) * (0.5 + part);
            }
        }
        let reach = (5.0 * SIGMA * BINS) as usize;
        let kernel: Vec<f64> = (1..=reach)
            .map(|k| {
                let u = k as f64 / BINS;
                u * libm::exp(-u * u / (2.0 * SIGMA * SIGMA))
            })
            .collect();
        let mut energy = 0.0;
        for i in reach..n - reach {
            let slope: f64 = kernel
                .iter()
                .enumerate()
                .map(|(k, w)| w * (bins[i + k + 1] - bins[i - k - 1]))
                .sum();
            energy += slope * slope;
        }
        energy
    }
}

/// 1 in the middle, falling smoothly to 0 at the rim (r = 1).
fn fade(r: f64) -> f64 {
    if r >= 1.0 {
        0.0
    } else {
        let c = libm::cos(std::f64::consts::FRAC_PI_2 * r);
        1.0 - (1.0 - c * c) * (1.0 - c * c)
    }
}

/// The direction of lines in the disc about `centre` (in the image's own pixel
/// coordinates), searched within `limit` radians of horizontal.
///
/// `None` when the disc is smaller than 12 pixels in radius or holds nothing.
pub fn line_direction(
    image: &Raster<f32>,
    centre: Point,
    radius: f64,
    limit: f64,
) -> Option<LineDirection> {
    if !(radius >= 12.0 && radius.is_finite()) || image.channels() == 0 {
        return None;
    }
    let disc = Disc::new(image, centre, radius);
    let limit = limit.clamp(0.0, std::f64::consts::FRAC_PI_2);
    // A line of the disc's length must not leave its own width between angles.
    let step = (0.7 * SIGMA / radius).min(0.02);
    #[allow(clippy::cast_possible_truncation)]
    let half = (limit / step).ceil() as i32;
    let all: Vec<(f64, f64)> = (-half..=half)
        .map(|k| {
            let angle = f64::from(k) * step;
            (angle, disc.sharpness(angle, None))
        })
        .collect();
    let best = all.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let energies: Vec<f64> = all.iter().map(|a| a.1).collect();
    let typical = crate::stats::median(&energies)?;
    if !(typical > 0.0 && best.1.is_finite()) {
        return None;
    }
    let angle = climb(|a| disc.sharpness(a, None), best.0, step);
    let mut angles = [0.0; 8];
    for (k, a) in angles.iter_mut().enumerate() {
        *a = climb(|a| disc.sharpness(a, Some((k, angle))), angle, step);
    }
    let mean = angles.iter().sum::<f64>() / 8.0;
    let square: f64 = angles.iter().map(|a| (a - mean) * (a - mean)).sum();
    Some(LineDirection {
        angle,
        se: (square * 7.0 / 8.0).sqrt(),
        clarity: best.1 / typical,
    })
}

/// The maximum of `f` near `start`: golden-section search (Kiefer 1953).
fn climb(f: impl Fn(f64) -> f64, start: f64, step: f64) -> f64 {
    let ratio = (5.0_f64.sqrt() - 1.0) / 2.0;
    let (mut a, mut b) = (start - step, start + step);
    let (mut c, mut d) = (b - ratio * (b - a), a + ratio * (b - a));
    let (mut fc, mut fd) = (f(c), f(d));
    while b - a > 1e-5 {
        if fc > fd {
            (b, d, fd) = (d, c, fc);
            c = b - ratio * (b - a);
            fc = f(c);
        } else {
            (a, c, fc) = (c, d, fd);
            d = a + ratio * (b - a);
            fd = f(d);
        }
    }
    (a + b) / 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Broken ruled lines through a smooth shade, drawn analytically at an angle.
    fn ruled(angle: f64) -> Raster<f32> {
        let mut image = Raster::new(301, 191, 1);
        let (s, c) = libm::sincos(angle);
        for y in 0..191 {
            for x in 0..301 {
                let (dx, dy) = (x as f64 - 150.0, y as f64 - 95.0);
                let (u, v) = (dx * c + dy * s, dy * c - dx * s);
                let row = (v / 17.0 - (v / 17.0).round()) * 17.0;
                let word = libm::sin(u * 0.35 + 3.0 * libm::sin((v / 17.0).round() * 9.1)) > -0.3;
                let ink = if word {
                    libm::exp(-row * row / 8.0)
                } else {
                    0.0
                };
                image.set(x, y, 0, (ink + dx * 0.003 + dy * dx * 1e-5) as f32);
            }
        }
        image
    }

    #[test]
    fn direction_of_drawn_lines() {
        for degrees in [-40.0, -3.3, -0.5, 0.0, 0.04, 0.5, 1.7, 44.0] {
            let angle = f64::to_radians(degrees);
            let centre = Point::new(150.5, 95.5);
            let found = line_direction(&ruled(angle), centre, 90.0, 1.0).unwrap();
            let error = (found.angle - angle).to_degrees();
            assert!(error.abs() < 0.02, "{degrees}: {error} {found:?}");
            assert!(found.clarity > 5.0 && found.se.to_degrees() < 0.1);
        }
    }

    #[test]
    fn small_discs_and_flat_images_have_no_direction() {
        let flat = Raster::<f32>::new(100, 100, 1);
        let centre = Point::new(50.0, 50.0);
        assert!(line_direction(&flat, centre, 40.0, 1.0).is_none());
        assert!(line_direction(&ruled(0.1), centre, 5.0, 1.0).is_none());
    }
}
