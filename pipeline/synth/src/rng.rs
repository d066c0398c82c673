//! Counter-based random numbers.
//!
//! A number is a hash of (seed, stream, counter): the output permutation of
//! SplitMix64 (Steele, Lea & Flood, OOPSLA 2014) over an additive counter. The
//! same seed gives the same numbers on every platform and in any order of
//! evaluation, which lets strips and sheets be rendered independently.

/// Scrambles 64 bits: the SplitMix64 finaliser.
pub fn mix(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    z ^ (z >> 31)
}

/// The random word number `index` of stream `seed`.
pub fn word(seed: u64, index: u64) -> u64 {
    mix(seed.wrapping_add(index.wrapping_mul(0x9E37_79B9_7F4A_7C15)))
}

/// A nearly normal deviate (mean 0, variance 1) from a random word: the sum of
/// its four 16-bit parts (Irwin-Hall, n = 4; bounded by ±3.46). Used for pixel
/// noise, where speed counts and tails do not.
pub fn quick_normal(w: u64) -> f32 {
    let sum = (w & 0xFFFF) + ((w >> 16) & 0xFFFF) + ((w >> 32) & 0xFFFF) + (w >> 48);
    // 131070 = mean of the sum; its SD is 65535 / sqrt(3).
    (sum as f32 - 131_070.0) * (1.732_050_8 / 65_535.0)
}

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Rng {
    seed: u64,
    next: u64,
}

impl Rng {
    /// The stream named `stream` of `seed`; different names are independent.
    pub fn new(seed: u64, stream: &str) -> Self {
        let mut h = mix(seed ^ 0x5851_F42D_4C95_7F2D);
        for b in stream.bytes() {
            h = mix(h ^ u64::from(b).wrapping_add(0x9E37_79B9_7F4A_7C15));
        }
        Self { seed: h, next: 0 }
    }

    /// The next 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.next += 1;
        word(self.seed, self.next)
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// Uniform in [a, b).
    pub fn range(&mut self, a: f64, b: f64) -> f64 {
        a + (b - a) * self.unit()
    }

    /// Uniform whole number in 0..n (0 when n is 0).
    pub fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    /// True with probability `p`.
    pub fn chance(&mut self, p: f64) -> bool {
        self.unit() < p
    }

    /// Normal, mean 0, SD 1 (Box-Muller).
    pub fn normal(&mut self) -> f64 {
        let u = 1.0 - self.unit();
        let v = self.unit();
        (-2.0 * libm::log(u)).sqrt() * libm::cos(std::f64::consts::TAU * v)
    }

    /// Normal with SD `sd`, drawn again until within ±`limit`.
    pub fn normal_within(&mut self, sd: f64, limit: f64) -> f64 {
        for _ in 0..64 {
            let x = sd * self.normal();
            if x.abs() <= limit {
                return x;
            }
        }
        0.0
    }

    /// Number of events of a Poisson process with mean `mean`.
    pub fn poisson(&mut self, mean: f64) -> usize {
        let mut n = 0;
        let mut left = mean;
        loop {
            left += libm::log(1.0 - self.unit());
            if left < 0.0 || n > 100_000 {
                return n;
            }
            n += 1;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// First outputs of SplitMix64 with seed 1234567, as listed in the
    /// Rosetta Code task "Pseudo-random numbers/Splitmix64".
    #[test]
    fn matches_published_splitmix64() {
        let want = [
            6_457_827_717_110_365_317_u64,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        for (i, w) in want.iter().enumerate() {
            assert_eq!(word(1_234_567, i as u64 + 1), *w);
        }
    }

    #[test]
    fn moments() {
        let mut r = Rng::new(1, "moments");
        let n = 100_000;
        let (mut s, mut q, mut qs, mut qq) = (0.0, 0.0, 0.0, 0.0);
        for i in 0..n {
            let x = r.normal();
            s += x;
            q += x * x;
            let y = f64::from(quick_normal(word(9, i)));
            qs += y;
            qq += y * y;
        }
        let n = n as f64;
        assert!((s / n).abs() < 0.015 && (q / n - 1.0).abs() < 0.03);
        assert!((qs / n).abs() < 0.015 && (qq / n - 1.0).abs() < 0.03);
    }
}
