//! Resampling under any affine map: the mean over a grid of samples in each
//! picture pixel, as fine as the base is there.

use restrike_model::Affine;

use super::resample::{Place, Sink, Source};

/// Samples along one side of a pixel at most. Beyond it (a frame that takes in
/// thousands of base pixels a pixel in one direction only) some are left out.
const MOST: usize = 64;

/// Where a pixel spans more than this many base pixels, the nearest sample
/// does: the mean of so many hides the difference from interpolated ones.
const MANY: f64 = 3.0;

/// Resamples row by row.
pub(super) fn by_grid<S: Source>(
    source: &S,
    map: &Affine,
    (width, height): (usize, usize),
    sink: &mut Sink<'_>,
) {
    let [a, b, c, d, e, f] = map.0;
    let spans = [(a * a + d * d).sqrt(), (b * b + e * e).sqrt()];
    let nearest = spans[0].min(spans[1]) > MANY;
    let counts = spans.map(|s| {
        if s <= 1.0 {
            1
        } else {
            ((1.2 * s).ceil() as usize).clamp(2, MOST)
        }
    });
    let grid = grid(map, counts);
    let places: Vec<Place> = grid.iter().map(|(dx, dy)| Place::new(*dx, *dy)).collect();
    let planes = source.planes();
    let mut line = vec![0.0_f32; width * planes];
    let mut cover = vec![0.0_f32; width];
    for y in 0..height {
        for x in 0..width {
            let (px, py) = (x as f64, y as f64);
            let at = (a * px + b * py + c, d * px + e * py + f);
            let mut sum = [0.0_f32; 4];
            if nearest && all_inside(source, at, map) {
                source.add_places(Place::new(at.0, at.1), &places, &mut sum);
            } else if nearest {
                nearest_samples(source, at, &grid, &mut sum);
            } else {
                bilinear_samples(source, at, &grid, &mut sum);
            }
            let norm = if sum[3] > 1e-6 { 1.0 / sum[3] } else { 0.0 };
            cover[x] = sum[3] / grid.len() as f32;
            for (l, s) in line[x * planes..(x + 1) * planes].iter_mut().zip(sum) {
                *l = s * norm;
            }
        }
        sink(y, &line, &cover);
    }
}

/// Whether the base covers a whole pixel, with a margin for rounding.
fn all_inside<S: Source>(source: &S, at: (f64, f64), map: &Affine) -> bool {
    let [a, b, _, d, e, _] = map.0;
    let (width, height) = source.size();
    let within = |start: f64, p: f64, q: f64, end: usize| {
        let low = start + p.min(0.0) + q.min(0.0);
        let high = start + p.max(0.0) + q.max(0.0);
        low >= 0.01 && high <= end as f64 - 0.01
    };
    within(at.0, a, b, width) && within(at.1, d, e, height)
}

/// Places of the samples within a pixel, as base offsets from its corner.
fn grid(map: &Affine, [across, down]: [usize; 2]) -> Vec<(f64, f64)> {
    let [a, b, _, d, e, _] = map.0;
    (0..down)
        .flat_map(|j| (0..across).map(move |i| (i, j)))
        .map(|(i, j)| {
            let u = (i as f64 + 0.5) / across as f64;
            let v = (j as f64 + 0.5) / down as f64;
            (a * u + b * v, d * u + e * v)
        })
        .collect()
}

fn nearest_samples<S: Source>(source: &S, at: (f64, f64), grid: &[(f64, f64)], sum: &mut [f32; 4]) {
    let (width, height) = source.size();
    let (w, h) = (width as f64, height as f64);
    for (dx, dy) in grid {
        let (x, y) = (at.0 + dx, at.1 + dy);
        if x >= 0.0 && y >= 0.0 && x < w && y < h {
            source.add_pixel(x as usize, y as usize, 1.0, sum);
        }
    }
}

fn bilinear_samples<S: Source>(
    source: &S,
    at: (f64, f64),
    grid: &[(f64, f64)],
    sum: &mut [f32; 4],
) {
    let (width, height) = source.size();
    let (w, h) = (width as f64, height as f64);
    for (dx, dy) in grid {
        let (x, y) = (at.0 + dx, at.1 + dy);
        if !(x >= 0.0 && y >= 0.0 && x < w && y < h) {
            continue;
        }
        let (x, y) = ((x - 0.5).clamp(0.0, w - 1.0), (y - 0.5).clamp(0.0, h - 1.0));
        let (i, j) = (x as usize, y as usize);
        let (p, q) = ((x - i as f64) as f32, (y - j as f64) as f32);
        let (right, below) = ((i + 1).min(width - 1), (j + 1).min(height - 1));
        source.add_pixel(i, j, (1.0 - p) * (1.0 - q), sum);
        source.add_pixel(right, j, p * (1.0 - q), sum);
        source.add_pixel(i, below, (1.0 - p) * q, sum);
        source.add_pixel(right, below, p * q, sum);
    }
}
