//! A run: a stack of sheets printed from one block set, with scatter, drift,
//! steps, ageing and wrong sheets.

use serde::{Deserialize, Serialize};

use crate::damage;
use crate::design::Design;
use crate::knobs::{Difficulty, Knobs};
use crate::rng::{Rng, word};
use crate::sheet::{BlockState, Damage, Dust, Format, Ink, Paper, Scan, SheetSpec, Void};
use crate::stroke::Ragged;
use crate::transform::{Motion, Warp, Wave};
use crate::wrong::{self, Wrong};

/// A quantity that may drift or jump.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Quantity {
    /// Shift to the right, mm.
    Dx,
    /// Shift upwards, mm.
    Dy,
    /// Turn, radians.
    Theta,
    /// Stretch along x.
    EpsX,
    /// Stretch along y.
    EpsY,
    /// Amount of ink.
    Strength,
    /// Growth of edges, mm.
    Widen,
}

/// A change over the run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// Block; empty is every block.
    pub block: String,
    /// What changes.
    pub quantity: Quantity,
    /// Change per sheet.
    pub per_sheet: f64,
    /// Jump at `at_sheet` and after.
    pub step: f64,
    /// Position of the first sheet after the jump.
    pub at_sheet: u32,
}

/// A run of sheets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct RunSpec {
    /// Number of good sheets.
    pub sheets: u32,
    /// How many of the first are references.
    pub references: u32,
    /// Run seed: scatter of placing, paper, scans.
    pub seed: u64,
    /// Block set seed: damage, warp, lasting shifts; the run seed when not given.
    pub block_set: Option<u64>,
    /// Resolution.
    pub dpi: f64,
    /// Sizes of the difficulties.
    pub knobs: Knobs,
    /// Edition.
    pub edition: String,
    /// Year.
    pub year: Option<i32>,
    /// Impressions printed before this run.
    pub age: f64,
    /// Impressions from one sheet of the run to the next.
    pub age_step: f64,
    /// Wear of each image relative to the first.
    pub image_wear: Vec<f64>,
    /// Damage; planned from the knobs when not given.
    pub damage: Option<Vec<Damage>>,
    /// Drift and steps.
    pub changes: Vec<Change>,
    /// Add a single-block proof of each block.
    pub proofs: bool,
    /// Wrong sheets to mix in.
    pub wrong: Vec<Wrong>,
    /// Sample depth.
    pub bits: u8,
    /// File format.
    pub format: Format,
    /// Beginning of the file names.
    pub prefix: String,
}

impl Default for RunSpec {
    fn default() -> Self {
        Self::new(Difficulty::Standard)
    }
}

impl RunSpec {
    /// A run of ten sheets at 300 dpi.
    pub fn new(difficulty: Difficulty) -> Self {
        Self {
            sheets: 10,
            references: 0,
            seed: 1,
            block_set: None,
            dpi: 300.0,
            knobs: difficulty.knobs(),
            edition: "run".to_owned(),
            year: None,
            age: 2000.0,
            age_step: 1.0,
            image_wear: Vec::new(),
            damage: None,
            changes: Vec::new(),
            proofs: false,
            wrong: Vec::new(),
            bits: 8,
            format: Format::TiffLzw,
            prefix: "sheet".to_owned(),
        }
    }

    /// Every sheet of the run, in stack order; proofs first (position 0).
    pub fn sheets(&self, design: &Design) -> Vec<SheetSpec> {
        let set = self.block_set.unwrap_or(self.seed);
        let blocks = lasting(design, &self.knobs, set);
        let wear = if self.image_wear.is_empty() && design.images.len() == 2 {
            vec![1.0, 1.6]
        } else {
            self.image_wear.clone()
        };
        let n = f64::from(self.sheets.max(1));
        let mut all_damage = self.damage.clone().unwrap_or_else(|| {
            let run = n * self.age_step;
            damage::plan(design, &self.knobs, set, self.age + run, run, &wear)
        });
        let wrong = wrong::places(&self.wrong, self.sheets, self.seed);
        let total = self.sheets + wrong.len() as u32;
        for d in &mut all_damage {
            let first = ((d.birth_age - self.age) / self.age_step).ceil().max(0.0) + 1.0;
            d.birth_sheet = (first <= f64::from(total)).then_some(first as u32);
        }
        let mut out = Vec::new();
        if self.proofs {
            for b in &design.blocks {
                let mut s = self.sheet(design, &blocks, 0, &format!("proof-{}", b.name));
                s.role = format!("proof:{}", b.name);
                s.only_blocks = vec![b.name.clone()];
                s.damage.clone_from(&all_damage);
                s.image_wear.clone_from(&wear);
                out.push(s);
            }
        }
        let mut good = 0;
        for position in 1..=total {
            let mut s = self.sheet(design, &blocks, position, "");
            s.damage.clone_from(&all_damage);
            s.image_wear.clone_from(&wear);
            if let Some((_, kind)) = wrong.iter().find(|(p, _)| *p == position) {
                wrong::make(*kind, &mut s, &out, design, self.seed);
            } else {
                good += 1;
                if good <= self.references {
                    s.role = "reference".to_owned();
                }
            }
            out.push(s);
        }
        out
    }

    fn sheet(&self, design: &Design, blocks: &[BlockState], position: u32, tag: &str) -> SheetSpec {
        let k = &self.knobs;
        let name = if tag.is_empty() {
            format!("{}-{position:03}", self.prefix)
        } else {
            format!("{}-{tag}", self.prefix)
        };
        let mut rng = Rng::new(self.seed, &name);
        let stretch = [(); 2].map(|()| k.paper_stretch * rng.range(-0.15, 0.15));
        let mut run = Rng::new(self.seed, "paper");
        let base = [(); 2].map(|()| k.paper_stretch * run.range(-0.85, 0.85));
        let limit = |v: f64, m: f64| v.clamp(-m, m);
        let mut states = blocks.to_vec();
        for s in &mut states {
            let m = &mut s.motion;
            m.dx += k.placing_sd * rng.normal();
            m.dy += k.placing_sd * rng.normal();
            m.theta += 0.5 * k.turn_sd * rng.normal();
            m.eps_x += base[0] + stretch[0];
            m.eps_y += base[1] + stretch[1];
            s.strength *= libm::exp(k.strength_sd * rng.normal());
            for c in &self.changes {
                if !c.block.is_empty() && c.block != s.block {
                    continue;
                }
                let at = f64::from(position.max(1) - 1);
                let v = c.per_sheet * at + if position >= c.at_sheet { c.step } else { 0.0 };
                let m = &mut s.motion;
                match c.quantity {
                    Quantity::Dx => m.dx += v,
                    Quantity::Dy => m.dy += v,
                    Quantity::Theta => m.theta += v,
                    Quantity::EpsX => m.eps_x += v,
                    Quantity::EpsY => m.eps_y += v,
                    Quantity::Strength => s.strength += v,
                    Quantity::Widen => s.widen_mm += v,
                }
            }
            let m = &mut s.motion;
            m.dx = limit(m.dx, k.shift_max);
            m.dy = limit(m.dy, k.shift_max);
            m.theta = limit(m.theta, k.turn_max);
            m.eps_x = limit(m.eps_x, k.paper_stretch + k.block_stretch);
            m.eps_y = limit(m.eps_y, k.paper_stretch + k.block_stretch);
            s.strength = s.strength.max(0.0);
        }
        let voids = (0..rng.poisson(k.voids))
            .map(|_| void(&mut rng, design))
            .collect();
        let mut c = Rng::new(self.seed, "paper colour");
        let warm = c.range(-0.03, 0.03);
        let paper = Paper {
            colour: [0.80 + 0.3 * warm, 0.76, 0.66 - warm].map(|v| v * c.range(0.96, 1.02)),
            fibre: k.fibre,
            toning: k.toning * rng.range(0.6, 1.2),
            deckle_mm: k.deckle,
            corner_error_mm: [(); 4]
                .map(|()| [(); 2].map(|()| rng.normal_within(k.corner, 2.0 * k.corner))),
            size_error_mm: [rng.normal_within(0.15, 0.4), rng.normal_within(0.15, 0.4)],
        };
        let ink = Ink {
            sheet_mottle: k.sheet_mottle,
            block_mottle: k.block_mottle,
            baren: k.baren * rng.range(0.3, 1.3),
            squash: k.squash,
            rim_mm: 0.09,
        };
        let mut spec = SheetSpec {
            impression: name.clone(),
            name,
            edition: self.edition.clone(),
            year: self.year,
            position,
            age: self.age + self.age_step * f64::from(position.max(1) - 1),
            impression_seed: rng.bits(),
            block_seed: self.block_set.unwrap_or(self.seed),
            blocks: states,
            voids,
            paper,
            ink,
            ..SheetSpec::default()
        };
        self.lay(&mut spec, design, rng.bits());
        spec
    }

    /// Lays the sheet on the scanner: a new placing, new noise and dust.
    fn lay(&self, spec: &mut SheetSpec, design: &Design, seed: u64) {
        spec.scan = Scan {
            bits: self.bits,
            format: self.format,
            ..lay(&self.knobs, design, self.dpi, seed)
        };
    }
}

/// A scanner pass drawn from the knobs.
pub(crate) fn lay(k: &Knobs, design: &Design, dpi: f64, seed: u64) -> Scan {
    let mut rng = Rng::new(seed, "scan");
    let margin = [(); 4].map(|()| rng.range(k.margin[0], k.margin[1]));
    let grey = if rng.chance(k.light_bed) {
        rng.range(0.82, 0.92)
    } else {
        rng.range(0.02, 0.06)
    };
    let px = dpi / 25.4;
    let size = [
        (design.sheet_mm[0] + margin[0] + margin[2]) * px,
        (design.sheet_mm[1] + margin[1] + margin[3]) * px,
    ];
    let dust = (0..rng.poisson(k.dust))
        .map(|_| {
            let at = [rng.range(0.0, size[0]), rng.range(0.0, size[1])];
            let hair = rng.chance(0.3);
            let mut points = vec![at];
            if hair {
                let mut turn = rng.range(0.0, std::f64::consts::TAU);
                let step = px * rng.range(0.3, 0.9);
                for i in 0..4 {
                    turn += rng.range(-0.6, 0.6);
                    let (s, c) = libm::sincos(turn);
                    let p: [f64; 2] = points[i];
                    points.push([p[0] + step * c, p[1] + step * s]);
                }
            }
            let size = if hair {
                rng.range(0.02, 0.04)
            } else {
                rng.range(0.03, 0.15)
            };
            Dust {
                points,
                radius: px * size,
                reflectance: if rng.chance(0.5) {
                    rng.range(0.05, 0.25)
                } else {
                    rng.range(0.7, 0.95)
                },
            }
        })
        .collect();
    Scan {
        seed: rng.bits(),
        dpi,
        degrees: rng.range(-k.scan_turn, k.scan_turn),
        margin_mm: margin,
        bed: [grey, grey, grey * 1.03],
        shadow: rng.range(0.0, k.shadow.max(1e-12)),
        falloff: rng.range(0.0, k.falloff.max(1e-12)),
        tilt: [0.3, 0.3].map(|t| rng.range(-t, t) * k.falloff),
        psf_sigma_px: rng.range(k.psf[0], k.psf[1]),
        noise_read: k.noise[0],
        noise_shot: k.noise[1],
        dust,
        ..Scan::default()
    }
}

fn void(rng: &mut Rng, design: &Design) -> Void {
    let b = rng.below(design.blocks.len());
    let im = &design.images[rng.below(design.images.len())];
    Void {
        block: design.blocks[b].name.clone(),
        at: [
            im.centre[0] + rng.range(-0.5, 0.5) * im.size_mm[0],
            im.centre[1] + rng.range(-0.5, 0.5) * im.size_mm[1],
        ],
        radii: [rng.range(1.5, 9.0), rng.range(1.0, 5.0)],
        depth: rng.range(0.3, 0.95),
    }
}

/// What stays with each block of a set: shift, turn, stretch, warp, wear.
fn lasting(design: &Design, k: &Knobs, set: u64) -> Vec<BlockState> {
    design
        .blocks
        .iter()
        .map(|b| {
            let mut rng = Rng::new(word(set, 7), &b.name);
            let mut waves = Vec::new();
            if k.warp > 0.0 {
                for _ in 0..3 {
                    let (s, c) = libm::sincos(rng.range(0.0, std::f64::consts::TAU));
                    let q = std::f64::consts::TAU / rng.range(60.0, 160.0);
                    waves.push(Wave {
                        k: [q * c, q * s],
                        phase: rng.range(0.0, std::f64::consts::TAU),
                        amplitude: [(); 2].map(|()| k.warp * rng.range(-0.6, 0.6)),
                    });
                }
            }
            BlockState {
                block: b.name.clone(),
                motion: Motion {
                    dx: k.block_shift_sd * rng.normal(),
                    dy: k.block_shift_sd * rng.normal(),
                    theta: k.turn_sd * rng.normal(),
                    eps_x: k.block_stretch * rng.range(-1.0, 1.0),
                    eps_y: k.block_stretch * rng.range(-1.0, 1.0),
                },
                strength: rng.range(0.9, 1.1),
                retreat_mm: if b.key {
                    0.0
                } else {
                    rng.range(0.0, k.retreat.max(1e-12))
                },
                widen_mm: if b.key { k.widen } else { 0.0 },
                warp: Warp(waves),
                ragged: (k.ragged > 0.0).then_some(Ragged::Noise {
                    sd_mm: k.ragged,
                    length_mm: 0.35,
                }),
                recut: None,
                absorption: None,
                body: if b.key || k.body <= 0.0 {
                    0.0
                } else {
                    k.body * rng.range(0.3, 1.0)
                },
            }
        })
        .collect()
}
