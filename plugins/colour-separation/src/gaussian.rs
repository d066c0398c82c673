//! Three channels with a normal distribution: what a colour says of an answer.

/// Covariance of three channels, symmetric: rr, rg, rb, gg, gb, bb.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Covariance([f64; 6]);

/// A covariance turned round.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Precision {
    inverse: [f64; 6],
    log_determinant: f64,
}

impl Covariance {
    /// Independent noise of these variances.
    pub(crate) fn diagonal(v: [f64; 3]) -> Self {
        Self([v[0], 0.0, 0.0, v[1], 0.0, v[2]])
    }

    /// Adds a cause of this variance that moves the channels by `g` together.
    pub(crate) fn add(&mut self, variance: f64, g: [f64; 3]) {
        let m = &mut self.0;
        m[0] += variance * g[0] * g[0];
        m[1] += variance * g[0] * g[1];
        m[2] += variance * g[0] * g[2];
        m[3] += variance * g[1] * g[1];
        m[4] += variance * g[1] * g[2];
        m[5] += variance * g[2] * g[2];
    }

    /// Turned round; a covariance of nothing is taken as a tiny one.
    pub(crate) fn precision(&self) -> Precision {
        let [a, b, c, d, e, f] = self.0;
        let (p, q, r) = (d * f - e * e, c * e - b * f, b * e - c * d);
        let determinant = (a * p + b * q + c * r).max(1e-30);
        let k = 1.0 / determinant;
        Precision {
            inverse: [
                p * k,
                q * k,
                r * k,
                (a * f - c * c) * k,
                (b * c - a * e) * k,
                (a * d - b * b) * k,
            ],
            log_determinant: libm::log(determinant),
        }
    }
}

impl Precision {
    /// The precision times a vector.
    pub(crate) fn times(&self, v: [f64; 3]) -> [f64; 3] {
        let m = &self.inverse;
        [
            m[0] * v[0] + m[1] * v[1] + m[2] * v[2],
            m[1] * v[0] + m[3] * v[1] + m[4] * v[2],
            m[2] * v[0] + m[4] * v[1] + m[5] * v[2],
        ]
    }

    /// Squared distance in standard deviations.
    pub(crate) fn square(&self, v: [f64; 3]) -> f64 {
        dot(v, self.times(v))
    }

    /// Logarithm of the density at a distance, without the constant of 2 pi.
    pub(crate) fn log_density(&self, v: [f64; 3]) -> f64 {
        -0.5 * (self.square(v) + self.log_determinant)
    }
}

/// Scalar product.
pub(crate) fn dot(a: [f64; 3], b: [f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn precision_turns_a_covariance_round() {
        let mut c = Covariance::diagonal([0.4, 0.2, 0.3]);
        c.add(2.0, [0.5, -0.3, 0.8]);
        let p = c.precision();
        let m = nalgebra::Matrix3::new(
            c.0[0], c.0[1], c.0[2], c.0[1], c.0[3], c.0[4], c.0[2], c.0[4], c.0[5],
        );
        let v = nalgebra::Vector3::new(0.3, 1.0, -0.4);
        let want = m.try_inverse().unwrap() * v;
        for (got, want) in p.times([0.3, 1.0, -0.4]).iter().zip(want.iter()) {
            assert!((got - want).abs() < 1e-10);
        }
        assert!((p.log_determinant - libm::log(m.determinant())).abs() < 1e-10);
    }
}
