//! The record's grid, and what the blocks' shapes say of each of its cells.

use std::sync::Arc;

use restrike_ops::block_record::BlockShape;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_stage::{Point, Project, Rect};

/// Cells this near to an edge, mm, are the edge's.
pub(crate) const EDGE_MM: f64 = 0.3;
/// Near the key's edges the key says where a cell lies, mm.
const KEY_MM: f64 = 0.22;
/// Near a colour block's edges that block does, mm.
const COLOUR_MM: f64 = 1.5;
/// Nearer than this to the edge of a block other than the cell's own, mm, how
/// the one lies against the other shows.
const CROSSING_MM: f64 = 0.45;
/// Register that registration locates brings an edge this far at most, mm.
pub(crate) const REACHED_MM: f64 = 1.5;
/// So far within its edge a block's ink is as beyond it, mm.
const WITHIN_MM: f64 = 0.3;
/// Rim of the sheet that is left out, mm.
const RIM_MM: f64 = 2.5;
/// Most cells of a grid.
const MOST_CELLS: f64 = 6e6;

/// A block as the record has it.
pub(crate) struct Block {
    pub(crate) name: String,
    pub(crate) key: bool,
    pub(crate) bokashi: bool,
    /// Absorption of the solid, red, green and blue.
    pub(crate) absorption: [f64; 3],
    pub(crate) shape: BlockShape,
}

/// The grid and its cells.
pub(crate) struct Ground {
    pub(crate) grid: Grid,
    pub(crate) blocks: Vec<Block>,
    /// The key's place among the blocks.
    pub(crate) key: usize,
    /// The block whose motion a cell is sampled with: that of the nearest edge.
    pub(crate) owner: Vec<u8>,
    /// Blocks that print on a cell, a bit each.
    pub(crate) label: Vec<u32>,
    /// Distance to the owner's edge, mm, negative inside.
    pub(crate) edge: Vec<f32>,
    /// Outward normal of the owner's edge.
    pub(crate) normal: Vec<[f32; 2]>,
    /// Whether no block's edge is near.
    pub(crate) deep: Vec<bool>,
    /// Whether an edge of another block than the owner is near: there register,
    /// which is taken out as far as shapes and places tell, differs from sheet to sheet.
    pub(crate) crossing: Vec<bool>,
    /// Whether an edge of another block may be brought over a cell.
    reached: Vec<bool>,
}

/// What is looked at of a sheet, mm; none when neither its size nor an image is known.
pub(crate) fn area(project: &Project) -> Option<Rect> {
    if let Some(s) = project.sheet {
        return Some(Rect::centred(s.width_mm, s.height_mm).grown(-RIM_MM));
    }
    let mut rects = project.images.iter().map(restrike_stage::ImageArea::rect);
    let first = rects.next()?;
    Some(
        rects
            .fold(first, |a, r| {
                Rect::new(
                    Point::new(a.min.x.min(r.min.x), a.min.y.min(r.min.y)),
                    Point::new(a.max.x.max(r.max.x), a.max.y.max(r.max.y)),
                )
            })
            .grown(RIM_MM),
    )
}

impl Ground {
    /// The ground of a record; none when it has no key block.
    #[allow(clippy::cast_possible_truncation)]
    pub(crate) fn new(shapes: Vec<BlockShape>, area: Rect, cell_mm: f64) -> Option<Self> {
        let least = (area.width() * area.height() / MOST_CELLS).sqrt();
        let grid = Grid::over(area, cell_mm.max(least));
        let blocks: Vec<Block> = shapes
            .into_iter()
            .take(24)
            .map(|shape| Block {
                name: shape.part.name.clone(),
                key: shape.part.key,
                bokashi: shape.part.bokashi,
                absorption: shape.part.absorption,
                shape,
            })
            .collect();
        let key = blocks.iter().position(|b| b.key)?;
        let n = grid.width * grid.height;
        let mut ground = Self {
            grid,
            key,
            owner: vec![key as u8; n],
            label: vec![0; n],
            edge: vec![0.0; n],
            normal: vec![[0.0; 2]; n],
            deep: vec![true; n],
            crossing: vec![false; n],
            reached: vec![false; n],
            blocks,
        };
        let edges: Vec<Arc<EdgeMap>> = ground
            .blocks
            .iter()
            .map(|b| Arc::clone(&b.shape.edges))
            .collect();
        for j in 0..grid.height {
            for i in 0..grid.width {
                ground.cell(&edges, j * grid.width + i, grid.place(i, j));
            }
        }
        Some(ground)
    }

    #[allow(clippy::cast_possible_truncation)]
    fn cell(&mut self, edges: &[Arc<EdgeMap>], at: usize, p: Point) {
        let distances = |b: usize| edges[b].at(p);
        let (mut nearest, mut best) = (self.key, f64::INFINITY);
        for b in 0..edges.len() {
            let d = distances(b);
            if d < 0.0 {
                self.label[at] |= 1 << b;
            }
            if d.abs() < EDGE_MM {
                self.deep[at] = false;
            }
            // The key's lines lie on top of all: within one, however wide, nothing else shows.
            let (reach, rank) = if b != self.key {
                (COLOUR_MM, d.abs())
            } else if d < 0.0 {
                (COLOUR_MM, f64::NEG_INFINITY)
            } else {
                (KEY_MM, d.abs() - KEY_MM)
            };
            if d.abs() < reach && rank < best {
                (nearest, best) = (b, rank);
            }
        }
        self.crossing[at] =
            (0..edges.len()).any(|b| b != nearest && distances(b).abs() < CROSSING_MM);
        self.reached[at] =
            (0..edges.len()).any(|b| b != nearest && distances(b).abs() < REACHED_MM);
        self.owner[at] = nearest as u8;
        let s = edges[nearest].sample(p);
        self.edge[at] = s.map_or(restrike_ops::edge_map::REACH_MM, |s| s.distance as f32);
        self.normal[at] = s.map_or([0.0; 2], |s| [s.slope.x as f32, s.slope.y as f32]);
    }

    /// Whether an edge of a block other than the cell's own may come over it.
    pub(crate) fn reached(&self, at: usize) -> bool {
        self.reached[at]
    }

    /// How many cells there are.
    pub(crate) fn len(&self) -> usize {
        self.owner.len()
    }

    /// Place of a cell, record mm.
    pub(crate) fn place(&self, at: usize) -> Point {
        self.grid.place(at % self.grid.width, at / self.grid.width)
    }

    /// Blocks of a label.
    pub(crate) fn inside(&self, label: u32) -> impl Iterator<Item = usize> + '_ {
        (0..self.blocks.len()).filter(move |b| label >> b & 1 == 1)
    }

    /// Logarithm of the light that goes through the inks of a label, by the
    /// blocks' absorptions, at a place.
    pub(crate) fn log_light(&self, absorption: &[[f64; 3]], label: u32, p: Point) -> [f64; 3] {
        let mut out = [0.0; 3];
        for b in self.inside(label) {
            let block = &self.blocks[b];
            let ink = if block.bokashi {
                block.shape.ink_at(p)
            } else {
                1.0
            };
            for (o, a) in out.iter_mut().zip(absorption[b]) {
                *o -= a * ink;
            }
        }
        out
    }

    /// Light that a block's ink takes away at its edge nearest to a cell, or there if
    /// it prints there, where the key's lines leave it to be seen; three channels.
    pub(crate) fn ink_beside_key(&self, block: usize, at: usize) -> [f64; 3] {
        let p = self.place(at);
        let edges = &self.blocks[block].shape.edges;
        // A gradation has no ink outside its own outline.
        let own = edges
            .sample(p)
            .map_or(p, |s| p - s.slope * (s.distance + WITHIN_MM).max(0.0));
        let others = self.label[at] & !(1 << block) & !(1 << self.key);
        let recorded = self.recorded();
        let without = self.log_light(&recorded, others, p).map(libm::exp);
        let ink = self.log_light(&recorded, 1 << block, own).map(libm::exp);
        [0, 1, 2].map(|c| without[c] * (1.0 - ink[c]))
    }

    /// The blocks' absorptions as the record has them.
    pub(crate) fn recorded(&self) -> Vec<[f64; 3]> {
        self.blocks.iter().map(|b| b.absorption).collect()
    }
}
