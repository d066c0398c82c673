//! The fit on rendered sheets with known truth, without the stages before it.

mod coarse_colours;
mod fits;
mod parted;
mod shapes;
mod stage;
mod zeros;

use restrike_stage::{Affine, BlockInfo, ImageView, Point, Rect};
use restrike_synth::{
    Design, DesignSpec, Difficulty, Family, Pixels, RunSpec, SheetSpec, Truth, render, srgb_encode,
};

use crate::align::{Aligned, Rules, align};
use crate::layers::Layer;
use crate::learned;
use crate::shape;
use restrike_ops::grid::Grid;
use restrike_ops::resample::resample;

/// A rendered scan in linear light.
pub(super) struct Scan {
    data: Vec<u16>,
    width: usize,
    height: usize,
    pub(super) truth: Truth,
}

impl Scan {
    fn new(design: &Design, spec: &SheetSpec) -> Self {
        let r = render(design, spec).unwrap();
        let data = match r.pixels {
            Pixels::U8(v) => {
                let curve: Vec<u16> = (0..256)
                    .map(|i| {
                        (restrike_synth::srgb_decode(f64::from(i) / 255.0) * 65535.0).round() as u16
                    })
                    .collect();
                v.iter().map(|b| curve[usize::from(*b)]).collect()
            }
            Pixels::U16(_) => panic!("these tests render 8 bits"),
        };
        Self {
            data,
            width: r.width as usize,
            height: r.height as usize,
            truth: r.truth,
        }
    }

    pub(super) fn view(&self) -> ImageView<'_, u16> {
        ImageView::new(&self.data, self.width, self.height, 3, 3 * self.width).unwrap()
    }

    /// From scan pixels to print mm, as a stage before would tell it.
    pub(super) fn to_print(&self) -> Affine {
        affine(self.truth.print_to_scan).inverse().unwrap()
    }
}

pub(super) fn affine(a: restrike_synth::transform::Affine) -> Affine {
    Affine(a.0)
}

/// Paper that colours in a block list are noted on.
pub(super) const PAPER: [f64; 3] = [0.80, 0.77, 0.70];

/// The block list of a design, with the colours of solids on this paper.
pub(super) fn blocks(set: &Set, paper: [f64; 3]) -> Vec<BlockInfo> {
    set.design
        .blocks
        .iter()
        .map(|b| {
            let code = [0, 1, 2].map(|c| {
                let linear = paper[c] * libm::exp(-b.absorption[c]);
                format!("{:02x}", (255.0 * srgb_encode(linear)).round() as u8)
            });
            BlockInfo {
                name: b.name.clone(),
                order: b.order,
                key: b.key,
                bokashi: !b.bokashi.is_empty(),
                colour: Some(format!("#{}", code.concat())),
            }
        })
        .collect()
}

/// A block set with its proofs and a run.
pub(super) struct Set {
    pub(super) design: Design,
    pub(super) sheet: Rect,
    pub(super) images: Vec<Rect>,
    pub(super) layers: Vec<Layer>,
    pub(super) proofs: Vec<Truth>,
    pub(super) sheets: Vec<SheetSpec>,
}

impl Set {
    /// A small landscape at 300 dpi, printed as `change` has it.
    pub(super) fn new(seed: u64, two_up: bool, change: &dyn Fn(&mut RunSpec)) -> Self {
        let design = Design::generate(&DesignSpec {
            seed,
            family: Family::Landscape,
            sheet_mm: if two_up { [150.0, 80.0] } else { [110.0, 80.0] },
            margin_mm: 7.0,
            two_up,
            colours: 5,
            ..DesignSpec::default()
        });
        Self::of(design, seed, change)
    }

    /// The block set of a design with its proofs and a run.
    pub(super) fn of(design: Design, seed: u64, change: &dyn Fn(&mut RunSpec)) -> Self {
        let mut run = RunSpec {
            sheets: 1,
            seed,
            dpi: 300.0,
            proofs: true,
            ..RunSpec::new(Difficulty::Standard)
        };
        change(&mut run);
        let sheet = Rect::centred(design.sheet_mm[0], design.sheet_mm[1]);
        let images = design
            .images
            .iter()
            .map(|i| {
                let half = Point::new(i.size_mm[0] / 2.0, i.size_mm[1] / 2.0);
                let c = Point::new(i.centre[0], i.centre[1]);
                Rect::new(c - half, c + half)
            })
            .collect::<Vec<_>>();
        let mut out = Self {
            sheet,
            images,
            layers: Vec::new(),
            proofs: Vec::new(),
            sheets: Vec::new(),
            design,
        };
        for spec in run.sheets(&out.design) {
            let Some(name) = spec.role.strip_prefix("proof:").map(str::to_owned) else {
                out.sheets.push(spec);
                continue;
            };
            let scan = Scan::new(&out.design, &spec);
            out.learn(&name, &scan);
            out.proofs.push(scan.truth);
        }
        out
    }

    fn learn(&mut self, name: &str, scan: &Scan) {
        let block = self.design.block(name).unwrap();
        let fade = !block.bokashi.is_empty();
        let grid = Grid::over(self.sheet, 25.4 / 300.0);
        let laid = resample(scan.view(), &scan.to_print(), grid).unwrap();
        let shape = shape::shape(&laid, grid, self.sheet, &self.images, fade).unwrap();
        self.layers
            .push(learned::layer(name, block.key, fade, &shape));
    }

    pub(super) fn scan(&self, n: usize) -> Scan {
        Scan::new(&self.design, &self.sheets[n])
    }

    pub(super) fn align(&self, scan: &Scan, rules: &Rules) -> Aligned {
        // A few hundredths of a millimetre off, as a frame of another stage may be.
        let frame = scan.to_print().then(&Affine::translation(0.02, -0.015));
        align(
            scan.view(),
            &frame,
            self.sheet,
            &self.images,
            &self.layers,
            rules,
        )
        .unwrap()
    }

    pub(super) fn at(&self, name: &str) -> usize {
        self.layers.iter().position(|l| l.name == name).unwrap()
    }

    /// The true map of a block's place in its proof to its place in the key's.
    pub(super) fn truth(&self, truth: &Truth, name: &str) -> Affine {
        let key = self.design.key().unwrap().name.clone();
        let motion = |t: &Truth, b: &str| {
            affine(
                t.blocks
                    .iter()
                    .find(|x| x.name == b)
                    .unwrap()
                    .motion
                    .affine(),
            )
        };
        let proof = |b: &str| &self.proofs[self.at(b)];
        motion(proof(name), name)
            .inverse()
            .unwrap()
            .then(&motion(truth, name))
            .then(&motion(truth, &key).inverse().unwrap())
            .then(&motion(proof(&key), &key))
    }

    /// Error of a block's place, pixels, over its printed shape: mean and rms.
    pub(super) fn error(
        &self,
        fit: &crate::joint::Fitted,
        truth: &Truth,
        name: &str,
    ) -> (Point, f64) {
        let n = self.at(name);
        let (want, got) = (self.truth(truth, name), fit.state.rides[n].map().unwrap());
        let edges = &self.layers[n].edges;
        let (mut sum, mut square, mut count) = (Point::default(), 0.0, 0.0);
        for j in (0..edges.distance.height()).step_by(9) {
            for i in (0..edges.distance.width()).step_by(9) {
                if edges.distance.get(i, j, 0) < 0.0 {
                    let b = edges.place(i, j);
                    let d = got.apply(b) - want.apply(b);
                    sum = sum + d;
                    square += d.dot(d);
                    count += 1.0;
                }
            }
        }
        let px = 25.4 / 300.0;
        (sum * (1.0 / count / px), (square / count).sqrt() / px)
    }

    /// A block's place is right: within a fifth of a pixel, or as far off as the
    /// fit's own standard error allows where little of the block is to be seen.
    /// A block whose edges do not fit the place is not said to be found: false.
    pub(super) fn assert_found(
        &self,
        fit: &crate::joint::Fitted,
        truth: &Truth,
        name: &str,
    ) -> bool {
        if fit.fitting[self.at(name)] < crate::located::FITTING * fit.usual_fitting() {
            return false;
        }
        let (_, rms) = self.error(fit, truth, name);
        let at = fit.state.slots(self.at(name)).ride.unwrap();
        let se = (0..6)
            .map(|i| fit.covariance[(at + i, at + i)])
            .fold(0.0, f64::max)
            .sqrt()
            / (25.4 / 300.0);
        assert!(
            rms < f64::max(0.2, 6.0 * se),
            "{name}: {rms:.3} px, stated {se:.3}, fitting {:.2}, pieces {:.1}, {:.3?}, retreat {:.3}",
            fit.fitting[self.at(name)],
            fit.pieces[self.at(name)],
            self.error(fit, truth, name).0,
            fit.state.retreat[self.at(name)],
        );
        assert!(rms < 1.0, "{name}: {rms:.3} px");
        true
    }
}
