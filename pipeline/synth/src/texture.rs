//! Periodic textures: paper fibre, ink mottle, wood grain. Made once from fixed
//! seeds; each sheet and block looks at its own part.

use std::sync::OnceLock;

use crate::rng::{Rng, word};

/// Cells by axis of a texture.
const N: usize = 1024;

/// A periodic scalar field of mean 0 and SD 1.
pub(crate) struct Texture {
    cells: Vec<f32>,
    per_mm: f32,
}

impl Texture {
    fn new(mut cells: Vec<f32>, cell_mm: f32) -> Self {
        let n = cells.len() as f64;
        let mean = cells.iter().map(|c| f64::from(*c)).sum::<f64>() / n;
        let var = cells
            .iter()
            .map(|c| (f64::from(*c) - mean) * (f64::from(*c) - mean))
            .sum::<f64>()
            / n;
        let k = 1.0 / var.sqrt().max(1e-12);
        for c in &mut cells {
            *c = ((f64::from(*c) - mean) * k) as f32;
        }
        Self {
            cells,
            per_mm: 1.0 / cell_mm,
        }
    }

    /// Value at a place in mm, bilinear.
    pub(crate) fn at(&self, x: f32, y: f32) -> f32 {
        let (x, y) = (x * self.per_mm, y * self.per_mm);
        let (fx, fy) = (x.floor(), y.floor());
        let (tx, ty) = (x - fx, y - fy);
        let (i, j) = (fx as i32 as usize & (N - 1), fy as i32 as usize & (N - 1));
        let (i1, j1) = ((i + 1) & (N - 1), (j + 1) & (N - 1));
        let c = &self.cells;
        let top = c[j * N + i] * (1.0 - tx) + c[j * N + i1] * tx;
        let low = c[j1 * N + i] * (1.0 - tx) + c[j1 * N + i1] * tx;
        top * (1.0 - ty) + low * ty
    }
}

/// Periodic value noise with cells of `px` by `py`.
fn add_noise(cells: &mut [f32], seed: u64, px: usize, py: usize, weight: f32) {
    let (nx, ny) = (N / px, N / py);
    let v = |i: usize, j: usize| {
        (word(seed, ((j % ny) * nx + i % nx) as u64) >> 40) as f32 / (1u64 << 23) as f32 - 1.0
    };
    let smooth = |t: f32| t * t * (3.0 - 2.0 * t);
    for y in 0..N {
        let (j, ty) = (y / py, smooth((y % py) as f32 / py as f32));
        for i in 0..nx {
            let (a, b, c, d) = (v(i, j), v(i + 1, j), v(i, j + 1), v(i + 1, j + 1));
            let (l, r) = (a + (c - a) * ty, b + (d - b) * ty);
            for k in 0..px {
                let t = smooth(k as f32 / px as f32);
                cells[y * N + i * px + k] += weight * (l + (r - l) * t);
            }
        }
    }
}

/// Ink mottle: 0.4 to 6.4 mm.
pub(crate) fn mottle() -> &'static Texture {
    static T: OnceLock<Texture> = OnceLock::new();
    T.get_or_init(|| {
        let mut c = vec![0.0; N * N];
        for (i, p) in [4, 8, 16, 32, 64].into_iter().enumerate() {
            add_noise(&mut c, 100 + i as u64, p, p, 1.0);
        }
        Texture::new(c, 0.1)
    })
}

/// Wood grain: long along x.
pub(crate) fn grain() -> &'static Texture {
    static T: OnceLock<Texture> = OnceLock::new();
    T.get_or_init(|| {
        let mut c = vec![0.0; N * N];
        for (i, (px, py)) in [(128, 2), (256, 4), (256, 8)].into_iter().enumerate() {
            add_noise(&mut c, 200 + i as u64, px, py, 1.0);
        }
        Texture::new(c, 0.12)
    })
}

/// Paper: fibres over soft clouds.
pub(crate) fn fibre() -> &'static Texture {
    static T: OnceLock<Texture> = OnceLock::new();
    T.get_or_init(|| {
        let mut c = vec![0.0f32; N * N];
        let mut rng = Rng::new(300, "fibre");
        for _ in 0..9000 {
            let (mut x, mut y) = (rng.range(0.0, N as f64), rng.range(0.0, N as f64));
            let mut turn = rng.range(0.0, std::f64::consts::TAU);
            let bend = rng.range(-0.04, 0.04);
            let weight = rng.range(-1.0, 1.0) as f32;
            for _ in 0..15 + rng.below(50) {
                let (s, k) = libm::sincos(turn);
                x += k;
                y += s;
                turn += bend;
                let (i, j) = (x.floor(), y.floor());
                let (tx, ty) = ((x - i) as f32, (y - j) as f32);
                let (i, j) = (i as i64 as usize & (N - 1), j as i64 as usize & (N - 1));
                let (i1, j1) = ((i + 1) & (N - 1), (j + 1) & (N - 1));
                c[j * N + i] += weight * (1.0 - tx) * (1.0 - ty);
                c[j * N + i1] += weight * tx * (1.0 - ty);
                c[j1 * N + i] += weight * (1.0 - tx) * ty;
                c[j1 * N + i1] += weight * tx * ty;
            }
        }
        add_noise(&mut c, 301, 64, 64, 0.6);
        add_noise(&mut c, 302, 16, 16, 0.4);
        Texture::new(c, 0.06)
    })
}
