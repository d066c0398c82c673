//! Shifts of image pairs beside what scikit-image and OpenCV find for the same
//! pairs: `tests/data/shifts.csv`, made by `tests/data/regenerate_shifts.py`.

use restrike_ops::phase_correlation::{PhaseCorrelator, band_weights};

const SIZE: usize = 96;
const WAVES: usize = 150;

fn lcg(state: u32) -> u32 {
    state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223)
}

fn unit(state: u32) -> f64 {
    f64::from(state) / 4_294_967_296.0
}

/// The image of the script: a sum of cosines, shifted, with its noise.
fn image(seed: u32, shift: [f64; 2], noise: u32) -> Vec<f64> {
    let mut state = seed;
    let mut next = || {
        state = lcg(state);
        unit(state)
    };
    let mut out = vec![0.0; SIZE * SIZE];
    let tau = std::f64::consts::TAU;
    for _ in 0..WAVES {
        let (u, v, p, a) = (next(), next(), next(), next());
        let (u, v, p, a) = ((u - 0.5) * 0.8, (v - 0.5) * 0.8, tau * p, 0.2 + a);
        for (k, o) in out.iter_mut().enumerate() {
            let (x, y) = ((k % SIZE) as f64 - shift[0], (k / SIZE) as f64 - shift[1]);
            *o += a * libm::cos(tau * (u * x + v * y) + p);
        }
    }
    let mut state = noise;
    for o in &mut out {
        state = lcg(state);
        *o += 0.02 * (unit(state) - 0.5);
    }
    out
}

fn windowed(image: &[f64]) -> Vec<f32> {
    let hann =
        |i: usize| 0.5 - 0.5 * libm::cos(std::f64::consts::TAU * i as f64 / (SIZE - 1) as f64);
    image
        .iter()
        .enumerate()
        .map(|(k, v)| (v * hann(k % SIZE) * hann(k / SIZE)) as f32)
        .collect()
}

#[test]
fn shifts_are_found_as_well_as_by_general_libraries() {
    let table = include_str!("../../../tests/data/shifts.csv");
    let rows: Vec<Vec<f64>> = table
        .lines()
        .filter(|l| !l.starts_with(['#', 's']))
        .map(|l| l.split(',').map(|v| v.parse().unwrap()).collect())
        .collect();
    assert_eq!(rows.len(), 10);
    let mut correlator = PhaseCorrelator::new(SIZE, SIZE);
    let weights = band_weights(SIZE, SIZE, 0.02, 0.3);
    let (mut ours, mut theirs, mut ecc) = (0.0, 0.0, 0.0);
    for r in &rows {
        let (dx, dy) = (r[3], r[4]);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let seeds = [r[0] as u32, r[1] as u32, r[2] as u32];
        let first = windowed(&image(seeds[0], [0.0, 0.0], seeds[1]));
        let second = windowed(&image(seeds[0], [dx, dy], seeds[2]));
        let (a, b) = (
            correlator.spectrum(&first).unwrap(),
            correlator.spectrum(&second).unwrap(),
        );
        let peak = correlator.correlate(&a, &b, &weights, 12.0).unwrap();
        let off = |x: f64, y: f64| ((x - dx).powi(2) + (y - dy).powi(2)).sqrt();
        let (o, t, e) = (off(peak.dx, peak.dy), off(r[5], r[6]), off(r[7], r[8]));
        // Both phase correlations see the same window, whose place does not move
        // with the image: that pulls them towards no shift by the same share.
        assert!(o <= t + 0.05, "{dx} {dy}: {o:.3} px, scikit-image {t:.3}");
        // ECC has no window; it may differ by what the window does.
        let apart = ((peak.dx - r[7]).powi(2) + (peak.dy - r[8]).powi(2)).sqrt();
        assert!(apart <= t + e + 0.05, "{dx} {dy}: {apart:.3} px from ECC");
        ours += o * o;
        theirs += t * t;
        ecc += e * e;
    }
    println!(
        "rms error, px: here {:.3}, scikit-image {:.3}, ECC {:.3}",
        (ours / 10.0).sqrt(),
        (theirs / 10.0).sqrt(),
        (ecc / 10.0).sqrt()
    );
    assert!(ours <= 1.5 * theirs);
}
