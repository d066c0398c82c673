//! A registered sheet: what each pixel should hold by the blocks' placed shapes.

use std::collections::{BTreeMap, BTreeSet};

use restrike_ops::block_record::BlockShape;
use restrike_ops::edge_map::EdgeMap;
use restrike_ops::grid::Grid;
use restrike_ops::ink_body::{Laid, beyond};
use restrike_ops::overprints::{Subset, allowed};
use restrike_ops::placement::{BlockPlace, Placement};
use restrike_stage::{ImageView, Point, Rect};

use crate::gaussian::dot;
use crate::inks::{DEEPEST, Inks, on_sheet, printed_in};
use crate::rim::Rim;

/// Most blocks told apart: more do not fit a set.
pub(crate) const MOST: usize = 24;
/// A block's shape is looked at on every so-manieth sample first.
const ROUGH: usize = 8;
/// What a learned edge and a placed one are off from the printed one, pixels.
const EDGE_SD_PX: f64 = 0.14;
/// How uneven ink usually is, relative.
const UNEVEN: f64 = 0.05;
/// Unevenness of a proof's paper that is left in the record's ink, and of a
/// sheet's in its local strengths, in logarithm.
const PROOF_PAPER: f64 = 0.015;
const SHEET_PAPER: f64 = 0.01;
/// How far a block whose place is not known at all may lie from where it is drawn, mm.
const LOST_MM: f64 = 1.5;
/// Standard errors that a block surely lies within.
const SURELY: f64 = 3.0;
/// Largest standard deviation of a placed edge that pixels are read with, mm.
const EDGE_SD_MM: f64 = 0.3;
/// Ink laid more strongly than this has no more of an overprint's colour.
const MOST_LAID: f64 = 1.5;
/// Ink under this share of the solid counts as not printed.
pub(crate) const PRINTED: f64 = 0.1;

/// A block with its shape and its place on the sheet.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    /// Name.
    pub(crate) name: String,
    /// Whether it is printed with a gradation.
    pub(crate) fade: bool,
    /// Absorption of the solid on this sheet.
    pub(crate) absorption: [f64; 3],
    /// Shape and ink by the record.
    pub(crate) shape: BlockShape,
    /// Place.
    pub(crate) place: BlockPlace,
    /// Standard deviation of the placed edge from the printed one, mm.
    pub(crate) edge_sd: f64,
    /// How far from where it is drawn it may lie, mm.
    pub(crate) within: f64,
    /// Whether its shape is that of its proof, and not what an impression of all blocks shows.
    pub(crate) proved: bool,
    /// Ink squashed out to its edges.
    pub(crate) rim: Rim,
    /// How far the record's ink and registration's local strength are believed.
    trust: [f64; 2],
    rough: EdgeMap,
}

impl Block {
    /// So much of its ink.
    pub(crate) fn laid(&self, strength: f64) -> Laid {
        Laid::new(
            self.absorption.map(|a| a * strength),
            self.place.veil * strength,
        )
    }
}

/// Share of an uneven strength that is the ink's: a pale ink's is mostly the
/// paper's unevenness, read as ink. `paper` is that, in logarithm.
fn believed(absorption: [f64; 3], paper: f64) -> f64 {
    let mean = absorption.iter().sum::<f64>() / 3.0;
    let noise = paper / mean.max(0.01);
    UNEVEN * UNEVEN / (UNEVEN * UNEVEN + noise * noise)
}

/// Standard deviation of a scan's blur with the pixel's own width, mm.
pub(crate) fn blur(placement: &Placement) -> f64 {
    let sigma = placement.blur_px;
    placement.pixel_mm() * (sigma * sigma + 1.0 / 12.0).sqrt()
}

/// The place of a block with the ink to be looked for. Registration fits a block's ink along with its
/// place; of one that was skipped it finds hardly any, and bare paper would pass for its print. So
/// it is looked for as its proof has it, and is missing where that is not there.
fn expected(place: &BlockPlace) -> BlockPlace {
    let mut out = place.clone();
    if out.strength < PRINTED && !out.located() {
        out.strength = 1.0;
        out.local_strength.values.fill(1.0);
    }
    out
}

/// A sheet with all that is known of it beforehand.
pub(crate) struct Sheet<'a> {
    /// The scan.
    pub(crate) scan: ImageView<'a, u16>,
    /// Where everything lies.
    pub(crate) placement: &'a Placement,
    /// The blocks.
    pub(crate) blocks: Vec<Block>,
    /// Side of a pixel, mm.
    pub(crate) pixel: f64,
    /// Standard deviation of the scan's blur with the pixel's own width, mm.
    pub(crate) blur: f64,
    /// What is looked at, mm on the sheet.
    pub(crate) area: Rect,
    /// Absorption of overprints beyond the sum of their inks', where inks were learned not to add up.
    overprints: BTreeMap<u32, [f64; 3]>,
    /// Blocks from the lowest up; as in registration the key counts as printed first.
    pub(crate) printed: Vec<usize>,
    /// Blocks whose ink has body.
    bodies: Subset,
    /// Overprints in which references show nothing of the bodies that inks have on this sheet.
    no_body: BTreeSet<u32>,
}

/// What the placed shapes say of a pixel.
#[derive(Debug, Clone)]
pub(crate) struct Here {
    /// Place on the sheet, mm.
    pub(crate) place: Point,
    /// Place of the record, mm.
    pub(crate) record: Point,
    /// Distance to each block's edge, mm, negative inside; far ones are rough.
    pub(crate) distance: [f64; MOST],
    /// Blocks whose shape holds the pixel's centre.
    pub(crate) inside: Subset,
    /// Blocks whose edge is within the blur.
    pub(crate) near: Subset,
    /// Blocks whose gradation has faded out here on the record's print.
    pub(crate) faded: Subset,
    /// Strength of the block's ink here if it printed here.
    pub(crate) strength: [f64; MOST],
}

impl Here {
    /// To be filled.
    pub(crate) fn new() -> Self {
        Self {
            place: Point::default(),
            record: Point::default(),
            distance: [0.0; MOST],
            inside: Subset(0),
            near: Subset(0),
            faded: Subset(0),
            strength: [0.0; MOST],
        }
    }
}

impl<'a> Sheet<'a> {
    /// A sheet from its placement and the record's shapes of the same blocks, fine lines put right
    /// ([`crate::thin`]); none when they are not the same.
    pub(crate) fn new(
        scan: ImageView<'a, u16>,
        placement: &'a Placement,
        shapes: &[BlockShape],
        area: Rect,
        inks: Option<&Inks>,
    ) -> Option<Self> {
        let pixel = placement.pixel_mm();
        let blur = blur(placement);
        let blocks = placement
            .blocks
            .iter()
            .take(MOST)
            .map(|place| {
                let place = &expected(place);
                let shape = shapes.iter().find(|s| s.part.name == place.name)?.clone();
                let own = EDGE_SD_PX * pixel;
                let edge_sd = place
                    .se_mm
                    .map_or(EDGE_SD_MM, |se| libm::hypot(own, se).min(EDGE_SD_MM));
                Some(Block {
                    name: place.name.clone(),
                    fade: shape.part.bokashi,
                    absorption: on_sheet(place.absorption, &shape, inks),
                    place: place.clone(),
                    rim: Rim::NONE,
                    edge_sd,
                    proved: !shape.part.from_reference(),
                    within: place.se_mm.map_or(LOST_MM, |se| (SURELY * se).min(LOST_MM)),
                    trust: if shape.part.bokashi {
                        [1.0; 2]
                    } else {
                        [
                            believed(place.absorption, PROOF_PAPER),
                            believed(place.absorption, SHEET_PAPER),
                        ]
                    },
                    rough: shape.edges.thinned(ROUGH),
                    shape,
                })
            })
            .collect::<Option<Vec<_>>>()?;
        let names: Vec<&str> = blocks.iter().map(|b: &Block| b.name.as_str()).collect();
        let orders: Vec<u32> = blocks.iter().map(|b| b.shape.part.order).collect();
        let overprints = inks.map_or_else(BTreeMap::new, |i| i.beyond(&names, &orders));
        let mut printed = printed_in(&orders);
        printed.sort_by_key(|n| !blocks[*n].place.key);
        let mut bodies = Subset(0);
        for (n, _) in blocks
            .iter()
            .enumerate()
            .filter(|(_, b)| b.place.veil > 0.0)
        {
            bodies = bodies.flipped(n);
        }
        let no_body = match inks {
            Some(inks) if bodies != Subset(0) => refuted(&blocks, &printed, inks),
            _ => BTreeSet::new(),
        };
        Some(Self {
            scan,
            placement,
            blocks,
            pixel,
            blur,
            area,
            overprints,
            printed,
            bodies,
            no_body,
        })
    }

    /// Fills in what the shapes say of a pixel; false outside the area.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn look(&self, x: usize, y: usize, here: &mut Here) -> bool {
        let p = self
            .placement
            .sheet_place(Point::new(x as f64 + 0.5, y as f64 + 0.5));
        if !self.area.contains(p) {
            return false;
        }
        let k = p - restrike_ops::placement::key_displacement(
            &self.placement.key,
            self.placement.half,
            p,
        );
        here.place = p;
        here.record = k;
        here.inside = Subset(0);
        here.near = Subset(0);
        here.faded = Subset(0);
        let reach = 3.0 * self.blur;
        for (n, block) in self.blocks.iter().enumerate() {
            let b = block.place.own_place(k);
            let retreat = block.place.retreat_mm;
            let rough = block.rough.at(b) + retreat;
            let slack = 1.5 * block.rough.pitch + reach;
            let d = if rough > slack {
                rough
            } else {
                block.shape.edges.at(b) + retreat
            };
            here.distance[n] = d;
            here.strength[n] = 0.0;
            if d < reach {
                let even = |v: f64, trust: f64| 1.0 + (v - 1.0) * trust;
                let local = even(block.place.local_strength.at(p), block.trust[1]);
                let ink = even(block.shape.ink_at(b), block.trust[0]);
                here.strength[n] = (block.place.strength * local * ink).max(0.0);
                if block.fade && ink < PRINTED {
                    here.faded = here.faded.flipped(n);
                }
                if d < 0.0 {
                    here.inside = here.inside.flipped(n);
                }
                if d > -reach {
                    here.near = here.near.flipped(n);
                }
            }
        }
        true
    }

    /// Linear reflectance of a pixel.
    pub(crate) fn seen(&self, x: usize, y: usize) -> [f64; 3] {
        let v = self.scan.pixel(x, y);
        let last = v.len() - 1;
        [0, 1, 2].map(|c| f64::from(v[c.min(last)]) / 65535.0)
    }

    /// Logarithm of the bare paper's reflectance as registration has it.
    pub(crate) fn log_paper(&self, p: Point) -> [f64; 3] {
        [0, 1, 2].map(|c| self.placement.paper[c].at(p))
    }

    /// Steps of one pixel to the right and down, mm in the blocks' coordinates.
    pub(crate) fn steps(&self) -> [Point; 2] {
        [
            self.placement.to_print.apply_vector(Point::new(1.0, 0.0)),
            self.placement.to_print.apply_vector(Point::new(0.0, 1.0)),
        ]
    }

    /// A block's own place of a place of the record.
    pub(crate) fn own_place(&self, n: usize, k: Point) -> Point {
        self.blocks[n].place.own_place(k)
    }

    /// Strength a block prints with where nothing else is known.
    pub(crate) fn usual_strength(&self, n: usize) -> f64 {
        self.blocks[n].place.strength.clamp(0.1, 4.0)
    }

    /// Absorption of an overprint beyond the sum of its inks', with these
    /// strengths: as learned, in proportion to the weakest, or by the inks' bodies.
    pub(crate) fn overprint(&self, set: Subset, strength: &[f64]) -> [f64; 3] {
        let laid = |n: usize| match strength[n] {
            s if s > 0.0 => s,
            _ => self.usual_strength(n),
        };
        if let Some(more) = self.overprints.get(&set.0) {
            let inks = (0..self.blocks.len()).filter(|n| set.has(*n));
            let least = inks.map(laid).fold(MOST_LAID, f64::min);
            return more.map(|m| m * least);
        }
        if !self.by_body(set) {
            return [0.0; 3];
        }
        by_body(&self.blocks, &self.printed, set, &laid)
    }

    /// Whether the inks of an overprint hide a little of each other by their bodies.
    pub(crate) fn by_body(&self, set: Subset) -> bool {
        set.0 & self.bodies.0 != 0
            && set.count() > 1
            && !self.overprints.contains_key(&set.0)
            && !self.no_body.contains(&set.0)
    }

    /// Whether all inks simply add up.
    pub(crate) fn adds_up(&self) -> bool {
        self.overprints.is_empty() && self.bodies == Subset(0)
    }

    /// Whether an overprint of this block is known whose inks do not.
    pub(crate) fn has_overprint_of(&self, n: usize) -> bool {
        self.overprints.keys().any(|set| Subset(*set).has(n))
    }

    /// Whether the inks of an overprint do.
    pub(crate) fn adds_up_to(&self, set: Subset) -> bool {
        !self.overprints.contains_key(&set.0) && !self.by_body(set)
    }

    /// A grid of cells over the area.
    pub(crate) fn cells(&self, side: f64) -> Grid {
        let mut grid = Grid::over(self.area, side);
        // The last strips may be narrower than a cell: they get one of their own.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        {
            grid.width = (self.area.width() / side).ceil().max(1.0) as usize;
            grid.height = (self.area.height() / side).ceil().max(1.0) as usize;
        }
        grid
    }
}

/// Absorption of an overprint beyond the sum of its inks' by their bodies.
fn by_body(
    blocks: &[Block],
    printed: &[usize],
    set: Subset,
    laid: &dyn Fn(usize) -> f64,
) -> [f64; 3] {
    beyond(printed.iter().filter(|n| set.has(**n)).map(|n| {
        let strength = laid(*n);
        let ink = blocks[*n].absorption.map(|a| a * strength);
        (ink, blocks[*n].place.veil * strength)
    }))
}

/// Overprints that the references show, and nearer to the sum of their inks' than to what the
/// bodies of the inks on this sheet would make of them.
fn refuted(blocks: &[Block], printed: &[usize], inks: &Inks) -> BTreeSet<u32> {
    let mut out = BTreeSet::new();
    let names: Vec<&str> = blocks.iter().map(|b| b.name.as_str()).collect();
    for set in allowed(blocks.len(), None, DEEPEST) {
        if let Some(seen) = inks.seen(&names, set) {
            // References tell each ink at strength 1.
            let body = by_body(blocks, printed, set, &|_| 1.0);
            let off = [0, 1, 2].map(|c| seen[c] - body[c]);
            if dot(off, off) >= dot(seen, seen) {
                out.insert(set.0);
            }
        }
    }
    out
}

/// The cell a place lies in.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(crate) fn cell_of(grid: Grid, p: Point) -> usize {
    let i = ((p.x - grid.origin.x) / grid.pitch + 0.5).max(0.0) as usize;
    let j = ((grid.origin.y - p.y) / grid.pitch + 0.5).max(0.0) as usize;
    j.min(grid.height - 1) * grid.width + i.min(grid.width - 1)
}
