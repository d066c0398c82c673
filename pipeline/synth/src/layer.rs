//! A block made ready for one sheet: polygons on the scan, ink, local strength.

use crate::coat::Coat;
use crate::design::{Block, Design};
use crate::ink::InkTable;
use crate::raster::Poly;
use crate::render::Frame;
use crate::rng::{mix, word};
use crate::shapes::P;
use crate::sheet::{BlockState, SheetKind, SheetSpec, Void};
use crate::texture;
use crate::transform::Affine;
use crate::wear::block_groups;

/// Share of a layer's ink that shows through to the back.
const SHOW_THROUGH: f64 = 0.045;

/// A block made ready for one sheet.
pub(crate) struct Layer {
    /// Printed or cleared; polygons; cores.
    pub(crate) groups: Vec<(bool, Vec<Poly>, Vec<Poly>)>,
    pub(crate) table: InkTable,
    pub(crate) strength: f32,
    /// Its ink where it has body.
    pub(crate) coat: Option<Coat>,
    /// Scan px -> block mm.
    pub(crate) back: Affine,
    /// Gradation by image: origin, direction / length^2.
    fade: Vec<(P, P)>,
    voids: Vec<Void>,
    shift: [f32; 2],
}

impl Layer {
    pub(crate) fn new(
        design: &Design,
        block: &Block,
        sheet: &SheetSpec,
        frame: &Frame,
        to_sub: &Affine,
    ) -> Option<Self> {
        let state: BlockState = sheet.state(&block.name);
        let mirror = if sheet.kind == SheetKind::Verso {
            Affine([-1.0, 0.0, 0.0, 0.0, 1.0, 0.0])
        } else {
            Affine::IDENTITY
        };
        let map = state.motion.affine().then(&mirror).then(&frame.to_scan);
        let sub = map.then(to_sub);
        let place = |rings: Vec<Vec<P>>| -> Vec<Poly> {
            rings
                .into_iter()
                .map(|r| {
                    Poly::new(
                        r.into_iter()
                            .map(|p| sub.apply(state.warp.apply(p)))
                            .collect(),
                    )
                })
                .collect()
        };
        let groups = block_groups(design, block, &state, sheet)
            .into_iter()
            .map(|g| (g.cleared, place(g.rings), place(g.cores)))
            .collect();
        let seed = mix(sheet.block_seed ^ u64::from(block.order));
        let through = if sheet.kind == SheetKind::Verso {
            SHOW_THROUGH
        } else {
            1.0
        };
        Some(Self {
            groups,
            table: InkTable::new(state.absorption.unwrap_or(block.absorption)),
            strength: (state.strength * through) as f32,
            coat: (state.body > 0.0).then(|| {
                let absorption = state.absorption.unwrap_or(block.absorption);
                Coat::new(absorption, state.body, sheet.paper.colour)
            }),
            back: map.inverse()?,
            fade: block
                .bokashi
                .iter()
                .map(|b| {
                    let d = [b.to[0] - b.from[0], b.to[1] - b.from[1]];
                    let l = (d[0] * d[0] + d[1] * d[1]).max(1e-9);
                    (b.from, [d[0] / l, d[1] / l])
                })
                .collect(),
            voids: sheet
                .voids
                .iter()
                .filter(|v| v.block == block.name)
                .cloned()
                .collect(),
            shift: [
                (word(seed, 1) >> 50) as f32 * 0.01,
                (word(seed, 2) >> 50) as f32 * 0.01,
            ],
        })
    }

    /// Strength relative to the layer's, at a place of the block.
    pub(crate) fn local(&self, q: P, design: &Design, mottle: f32) -> f32 {
        let mut s = 1.0f32;
        if !self.fade.is_empty() {
            let mut which = 0;
            for (i, im) in design.images.iter().enumerate() {
                if (q[0] - im.centre[0]).abs() < (q[0] - design.images[which].centre[0]).abs() {
                    which = i;
                }
            }
            let (from, d) = self.fade[which.min(self.fade.len() - 1)];
            let t = ((q[0] - from[0]) * d[0] + (q[1] - from[1]) * d[1]).clamp(0.0, 1.0);
            s *= (1.0 - t * t * (3.0 - 2.0 * t)) as f32;
        }
        for v in &self.voids {
            let d = [(q[0] - v.at[0]) / v.radii[0], (q[1] - v.at[1]) / v.radii[1]];
            let r = d[0] * d[0] + d[1] * d[1];
            if r < 1.0 {
                s *= (1.0 - v.depth * (1.0 - r) * (1.0 - r)) as f32;
            }
        }
        if mottle > 0.0 {
            let (x, y) = (q[0] as f32 + self.shift[0], q[1] as f32 + self.shift[1]);
            s *= 1.0 + mottle * 0.707 * (texture::mottle().at(x, y) + texture::grain().at(x, y));
        }
        s
    }
}
