//! From a block's coverage of 3 megapixels to distances and to centre lines.

use restrike_model::{Point, Raster};
use restrike_ops::centre_lines::{LineLimits, centre_lines};
use restrike_ops::contour::{Inside, contours};
use restrike_ops::edge_distance::level_distance;

fn main() {
    divan::main();
}

/// 300 dpi of 180 x 120 mm: strokes of many widths and directions, and solids.
fn coverage() -> Raster<f32> {
    let (width, height) = (2126, 1417);
    let mut out = Raster::new(width, height, 1);
    for y in 0..height {
        for x in 0..width {
            let (u, v) = (x as f64, y as f64);
            let strokes = libm::sin(u * 0.11 + 3.0 * libm::sin(v * 0.013)) - 0.75;
            let solids = libm::sin(u * 0.009) * libm::sin(v * 0.011) - 0.8;
            out.set(
                x,
                y,
                0,
                ((strokes.max(solids) * 8.0) as f32 + 0.5).clamp(0.0, 1.0),
            );
        }
    }
    out
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn trace(bencher: divan::Bencher<'_, '_>) {
    let shape = coverage();
    bencher.bench_local(|| contours(&shape, 0.5, Inside::Above));
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn distance(bencher: divan::Bencher<'_, '_>) {
    let shape = coverage();
    let origin = Point::new(-90.0, 60.0);
    bencher.bench_local(|| level_distance(&shape, 0.5, Inside::Above, origin, 25.4 / 300.0));
}

#[divan::bench(sample_count = 10, sample_size = 1)]
fn lines(bencher: divan::Bencher<'_, '_>) {
    let origin = Point::new(-90.0, 60.0);
    let map = level_distance(&coverage(), 0.5, Inside::Above, origin, 25.4 / 300.0);
    bencher.bench_local(|| centre_lines(&map, LineLimits::default()));
}
