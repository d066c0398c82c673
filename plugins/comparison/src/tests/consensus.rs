//! The streamed consensus against what it should be.

use std::sync::Arc;

use restrike_ops::block_record::{About, BlockShape, Source};
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_stage::{Point, Raster, Rect};

use crate::consensus::{Level, Stream, coarser, cost};
use crate::ground::Ground;

/// Pseudo-random numbers about normal: sums of twelve even ones (their fourth
/// moment is 2.9 instead of 3).
pub(super) struct Numbers(u64);

impl Numbers {
    pub(super) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(2_685_821_657_736_338_717) | 1)
    }

    fn even(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(2_685_821_657_736_338_717) >> 11) as f64 / (1_u64 << 53) as f64
    }

    pub(super) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.even()).sum::<f64>() - 6.0
    }
}

/// A sheet of 8 x 6 mm with one key block: everything right of x = 0.
pub(super) fn ground(cell: f64) -> Ground {
    let key = shape("key", [1.5, 1.5, 1.4], &|x| -x);
    Ground::new(vec![key], Rect::centred(8.0, 6.0), cell).unwrap()
}

/// A block whose edges run upright: the distance to them by x.
pub(super) fn shape(name: &str, absorption: [f64; 3], distance: &dyn Fn(f64) -> f64) -> BlockShape {
    let (w, h) = (501, 401);
    let mut edges = EdgeMap {
        origin: Point::new(-5.0, 4.0),
        pitch: 0.02,
        distance: Raster::new(w, h, 1),
    };
    for j in 0..h {
        for i in 0..w {
            let d = distance(edges.place(i, j).x);
            edges.distance.set(i, j, 0, d as f32);
        }
    }
    let grid = Grid {
        origin: Point::new(-5.0, 4.0),
        pitch: 1.0,
        width: 11,
        height: 9,
    };
    let mut ink = Raster::new(11, 9, 1);
    ink.data_mut().fill(1.0);
    let about = About {
        name: name.to_owned(),
        order: 1,
        key: name == "key",
        bokashi: false,
        absorption,
        centre: Point::new(2.0, 0.0),
        radius: 3.0,
        source: Source {
            file: "proof.tif".to_owned(),
            sha256: String::new(),
            kind: "proof".to_owned(),
            scan_to_mm: [1.0, 0.0, 0.0, 0.0, 1.0, 0.0],
        },
    };
    BlockShape::new(about, Arc::new(edges), Arc::new(ink), grid)
}

/// The level of impressions whose cells scatter about a value.
pub(super) fn level(
    ground: &Ground,
    n: usize,
    sd: f64,
    seed: u64,
    value: &dyn Fn(usize) -> f64,
) -> Level {
    let mut numbers = Numbers::new(seed);
    let mut stream = Stream::new(ground, 1);
    for _ in 0..n {
        let light: Vec<[f32; 3]> = (0..ground.len())
            .map(|at| [0; 3].map(|_| (value(at) + sd * numbers.normal()).clamp(0.0, 1.9) as f32))
            .collect();
        stream.add(&light);
    }
    stream.end()
}

#[test]
fn one_bad_impression_on_either_side_moves_the_consensus_little() {
    let g = ground(0.2);
    for n in [3_usize, 4, 6, 40] {
        let mut stream = Stream::new(&g, 1);
        for k in 0..n {
            // One dark void and one light spot.
            let v = match k {
                0 => 0.0,
                1 if n > 3 => 1.8,
                _ => 0.5 + 0.001 * k as f32,
            };
            stream.add(&vec![[v; 3]; g.len()]);
        }
        let l = stream.end();
        assert_eq!(usize::from(l.count[7]), n);
        assert!((l.light[7][1] - 0.5).abs() < 0.05, "{n}: {:?}", l.light[7]);
        assert!(l.scatter[7][1] > 0.2, "{n}: the scatter owns up to it");
    }
}

#[test]
fn mean_and_scatter_are_those_of_the_values() {
    let g = ground(0.5);
    let mut stream = Stream::new(&g, 1);
    let values = [0.31_f32, 0.36, 0.29, 0.33, 0.41];
    for v in values {
        stream.add(&vec![[v; 3]; g.len()]);
    }
    stream.add(&vec![[f32::NAN; 3]; g.len()]);
    let l = stream.end();
    assert_eq!(l.count[0], 5, "what does not tell is not counted");
    // Without 0.29 and 0.41; numpy.std(values, ddof=1).
    assert!((l.light[0][0] - 0.333_333).abs() < 1e-4);
    assert!((l.scatter[0][0] - 0.046_904).abs() < 1e-5);
}

#[test]
fn what_a_consensus_of_few_costs_is_what_simulation_says() {
    let g = ground(0.05);
    for n in [1_usize, 2, 3, 4, 5, 6, 8, 12, 40] {
        let l = level(&g, n, 0.1, 5 + n as u64, &|_| 0.9);
        let all: Vec<f64> = l.light.iter().flatten().map(|v| f64::from(*v)).collect();
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        let variance = all.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / all.len() as f64;
        let got = variance / (0.01 / n as f64);
        let want = cost(n as f64);
        assert!((got / want - 1.0).abs() < 0.04, "{n}: {got} against {want}");
    }
}

#[test]
fn larger_cells_leave_edges_out() {
    let g = ground(0.1);
    // Light right of the edge, dark band along it.
    let light: Vec<[f32; 3]> = (0..g.len())
        .map(|at| {
            let x = g.place(at).x;
            let v = if x.abs() < 0.25 { 0.0 } else { 0.8 };
            [v; 3]
        })
        .collect();
    let c = coarser(&g, &light, 2);
    let known: Vec<f32> = c.iter().map(|v| v[0]).filter(|v| v.is_finite()).collect();
    assert!(known.len() > 6);
    assert!(known.iter().all(|v| (v - 0.8).abs() < 1e-6), "{known:?}");
}
