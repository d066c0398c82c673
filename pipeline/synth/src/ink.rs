//! Layered absorption: each layer multiplies linear reflectance by
//! exp(-strength * absorption) where it lies (Bouguer-Lambert law). Partly
//! covered sub-pixels mix in linear reflectance, not in density.

/// Strength range of the table.
pub(crate) const TOP: f64 = 4.0;
pub(crate) const STEPS: usize = 2048;

/// Transmittance of one ink by strength.
pub(crate) struct InkTable(Vec<[f32; 3]>);

impl InkTable {
    pub(crate) fn new(absorption: [f64; 3]) -> Self {
        Self(
            (0..=STEPS + 1)
                .map(|i| {
                    let s = TOP * i as f64 / STEPS as f64;
                    absorption.map(|a| libm::exp(-a * s) as f32)
                })
                .collect(),
        )
    }

    /// Transmittance at a strength (clamped to 0..=4), linear interpolation.
    pub(crate) fn at(&self, strength: f32) -> [f32; 3] {
        let x = strength.clamp(0.0, TOP as f32) * (STEPS as f32 / TOP as f32);
        let i = x as usize;
        let t = x - i as f32;
        let (a, b) = (self.0[i], self.0[i + 1]);
        [
            a[0] + (b[0] - a[0]) * t,
            a[1] + (b[1] - a[1]) * t,
            a[2] + (b[2] - a[2]) * t,
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn table_follows_the_law() {
        let t = InkTable::new([2.7, 0.1, 1.0]);
        for i in 0..400 {
            let s = f64::from(i) * 0.01;
            let v = t.at(s as f32);
            for (c, a) in [2.7, 0.1, 1.0].into_iter().enumerate() {
                assert!((f64::from(v[c]) - libm::exp(-a * s)).abs() < 5e-6);
            }
        }
    }
}
