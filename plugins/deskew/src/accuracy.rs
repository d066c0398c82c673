//! Accuracy over rendered sheets: errors of angle and corners, coverage of the
//! intervals, and whether wrong sheets are told.
//!
//! A few sheets run with every test; `cargo run -p restrike-tests --bin accuracy`
//! prints the figures of many.

use std::collections::BTreeMap;

use rayon::prelude::*;
use restrike_stage::{
    ImageArea, Learn, Project, Raster, Role, Row, Size, Stage, Summary, Table, Value,
};
use restrike_synth::{
    Design, DesignSpec, Difficulty, Family, Pixels, RunSpec, SheetKind, SheetSpec, Truth, Wrong,
    WrongKind, render, srgb_decode,
};

use crate::Deskew;
use crate::tables::{IMAGES, SHEETS, TEXTURE};
use crate::tests::{Capture, impression, info, measure, number, words};

/// What to render and how to measure it.
pub(crate) struct Plan {
    pub(crate) family: Family,
    pub(crate) two_up: bool,
    pub(crate) frame: bool,
    pub(crate) difficulty: Difficulty,
    pub(crate) seed: u64,
    pub(crate) sheets: u32,
    pub(crate) dpi: f64,
    pub(crate) wrong: Vec<Wrong>,
}

/// A rendered sheet and what the stage made of it.
pub(crate) struct Judged {
    pub(crate) spec: SheetSpec,
    pub(crate) truth: Truth,
    pub(crate) out: Capture,
}

pub(crate) fn linear(pixels: &Pixels, width: u32, height: u32) -> Raster<u16> {
    let data: Vec<u16> = match pixels {
        Pixels::U8(p) => {
            let table: Vec<u16> = (0..256)
                .map(|v| (srgb_decode(f64::from(v) / 255.0) * 65535.0).round() as u16)
                .collect();
            p.iter().map(|v| table[usize::from(*v)]).collect()
        }
        Pixels::U16(p) => p
            .iter()
            .map(|v| (srgb_decode(f64::from(*v) / 65535.0) * 65535.0).round() as u16)
            .collect(),
    };
    Raster::from_vec(width as usize, height as usize, 3, data).unwrap()
}

pub(crate) fn project(design: &Design) -> Project {
    Project {
        design: design.title.clone(),
        sheet: Some(Size {
            width_mm: design.sheet_mm[0],
            height_mm: design.sheet_mm[1],
        }),
        images: design
            .images
            .iter()
            .map(|i| ImageArea {
                name: i.name.clone(),
                x_mm: i.centre[0],
                y_mm: i.centre[1],
                width_mm: i.size_mm[0],
                height_mm: i.size_mm[1],
                border: design.frame_width_mm > 0.0,
            })
            .collect(),
        ..Project::default()
    }
}

fn role(spec: &SheetSpec) -> Role {
    match spec.role.as_str() {
        "reference" => Role::Reference,
        other => other
            .strip_prefix("proof:")
            .map_or(Role::Run, |b| Role::Proof(b.to_owned())),
    }
}

/// Renders a plan, learns from its first two sheets, measures all.
pub(crate) fn carry_out(plan: &Plan) -> Vec<Judged> {
    let design = Design::generate(&DesignSpec {
        seed: plan.seed,
        family: plan.family,
        two_up: plan.two_up,
        frame: plan.frame,
        ..DesignSpec::default()
    });
    let run = RunSpec {
        sheets: plan.sheets,
        references: 2,
        seed: plan.seed,
        dpi: plan.dpi,
        wrong: plan.wrong.clone(),
        ..RunSpec::new(plan.difficulty)
    };
    let project = project(&design);
    let specs = run.sheets(&design);
    let draw = |spec: &SheetSpec| {
        let r = render(&design, spec).unwrap();
        (linear(&r.pixels, r.width, r.height), r.truth)
    };
    let none = BTreeMap::new();
    let learner = Deskew::new(&serde_json::Value::Null, &project, &none).unwrap();
    let mut record = Capture::default();
    for (i, spec) in specs.iter().enumerate().filter(|s| s.1.role == "reference") {
        let (scan, _) = draw(spec);
        let imp = impression(i + 1, &spec.name, Role::Reference);
        let inf = info(&scan, plan.dpi);
        learner
            .learn(Learn::Impression(measure(&imp, &inf, &scan)), &mut record)
            .unwrap();
    }
    learner.learn(Learn::Finish, &mut record).unwrap();
    let stage = Deskew::new(&serde_json::Value::Null, &project, &record.records).unwrap();
    let mut judged: Vec<Judged> = specs
        .par_iter()
        .enumerate()
        .map(|(i, spec)| {
            let (scan, truth) = draw(spec);
            let imp = impression(i + 1, &spec.name, role(spec));
            let inf = info(&scan, plan.dpi);
            let mut out = Capture::default();
            stage.measure(measure(&imp, &inf, &scan), &mut out).unwrap();
            Judged {
                spec: spec.clone(),
                truth,
                out,
            }
        })
        .collect();
    summarise(&stage, &mut judged);
    judged
}

/// Runs the summary and hands its verdicts to the sheets.
fn summarise(stage: &Deskew, judged: &mut [Judged]) {
    let impressions: Vec<_> = judged
        .iter()
        .enumerate()
        .map(|(i, j)| impression(i + 1, &j.spec.name, role(&j.spec)))
        .collect();
    let mut table = Table {
        name: TEXTURE.to_owned(),
        columns: vec!["sheet".to_owned(), "texture".to_owned()],
        rows: Vec::new(),
    };
    for (i, j) in judged.iter().enumerate() {
        for row in j.out.table(TEXTURE) {
            table
                .rows
                .push(vec![Value::from(i + 1), row.0["texture"].clone()]);
        }
    }
    let mut out = Capture::default();
    stage
        .summarise(
            Summary {
                impressions: &impressions,
                tables: &[table],
            },
            &mut out,
        )
        .unwrap();
    for v in out.verdicts {
        judged[v.sheet - 1].out.verdicts.push(v);
    }
}

/// Errors of one estimated quantity and the standard errors it came with.
#[derive(Debug, Default, Clone)]
pub(crate) struct Errors(pub(crate) Vec<(f64, f64)>);

impl Errors {
    pub(crate) fn rms(&self) -> f64 {
        (self.0.iter().map(|e| e.0 * e.0).sum::<f64>() / self.0.len().max(1) as f64).sqrt()
    }
    pub(crate) fn largest(&self) -> f64 {
        self.0.iter().map(|e| e.0.abs()).fold(0.0, f64::max)
    }
    /// Share inside the 90 % interval.
    pub(crate) fn coverage(&self) -> f64 {
        let inside = self.0.iter().filter(|e| e.0.abs() <= 1.645 * e.1).count();
        inside as f64 / self.0.len().max(1) as f64
    }
    fn line(&self, name: &str, unit: &str) -> String {
        format!(
            "{name:<28} n {:>4}  rms {:.5} {unit}  largest {:.5}  90 % interval covers {:.3}",
            self.0.len(),
            self.rms(),
            self.largest(),
            self.coverage()
        )
    }
}

#[derive(Debug, Default)]
pub(crate) struct Figures {
    pub(crate) angle: Errors,
    /// The same against the turn of the key block's affine map (no local warp).
    pub(crate) block_angle: Errors,
    pub(crate) corner: Errors,
    pub(crate) sheet_angle: Errors,
    pub(crate) sheet_corner: Errors,
    pub(crate) images: usize,
    pub(crate) borders: usize,
    /// Expected kind, told kind: how often.
    pub(crate) verdicts: BTreeMap<(String, String), usize>,
    pub(crate) good_responses: Vec<f64>,
    /// Texture correlations of scans of one impression, and of different ones.
    pub(crate) same: Vec<f64>,
    pub(crate) different: Vec<f64>,
}

const CORNERS: [&str; 4] = ["upper_left", "upper_right", "lower_right", "lower_left"];

/// Turn of a quadrilateral: the mean of its level and its upright sides.
fn turn_of(c: [[f64; 2]; 4]) -> f64 {
    let side = |a: [f64; 2], b: [f64; 2]| libm::atan2(-(b[1] - a[1]), b[0] - a[0]);
    let up = |a: [f64; 2], b: [f64; 2]| libm::atan2(-(b[0] - a[0]), -(b[1] - a[1]));
    let [ul, ur, lr, ll] = c;
    (side(ul, ur) + side(ll, lr) + up(ll, ul) + up(lr, ur)) / 4.0
}

/// Turn of the key block's affine map (the first block's, in order of printing).
fn block_turn(truth: &Truth) -> f64 {
    let m = truth.blocks[0].block_to_scan;
    let put = |x: f64, y: f64| m.apply([x, y]);
    turn_of([
        put(-50.0, 50.0),
        put(50.0, 50.0),
        put(50.0, -50.0),
        put(-50.0, -50.0),
    ])
}

fn corner_errors(row: &Row, prefix: &str, truth: [[f64; 2]; 4], into: &mut Errors) {
    let Some(se) = number(row, &format!("{prefix}corner_se_px")) else {
        return;
    };
    for (name, p) in CORNERS.iter().zip(truth) {
        for (axis, t) in ["x", "y"].iter().zip(p) {
            if let Some(v) = number(row, &format!("{prefix}{name}_{axis}_px")) {
                into.0.push((v - t, se));
            }
        }
    }
}

fn expected(kind: &SheetKind) -> &'static str {
    match kind {
        SheetKind::Good => "good",
        SheetKind::Blank => "blank",
        SheetKind::Verso => "verso",
        SheetKind::UpsideDown => "upside down",
        SheetKind::OtherDesign => "other design",
        SheetKind::Duplicate { .. } | SheetKind::Reencoded { .. } => "duplicate",
        SheetKind::Crop => "crop",
    }
}

impl Figures {
    pub(crate) fn add(&mut self, judged: &[Judged]) {
        self.add_textures(judged);
        for j in judged {
            let told = j.out.verdicts.first().map_or("good", |v| v.status.as_str());
            *self
                .verdicts
                .entry((expected(&j.truth.kind).to_owned(), told.to_owned()))
                .or_default() += 1;
            if j.truth.kind != SheetKind::Good || !j.out.verdicts.is_empty() {
                continue;
            }
            for row in j.out.table(SHEETS) {
                let truth = j.truth.sheet_px.to_array();
                if let (Some(v), Some(se)) = (
                    number(row, "sheet_rotation_deg"),
                    number(row, "sheet_rotation_se_deg"),
                ) {
                    self.sheet_angle
                        .0
                        .push((v - turn_of(truth).to_degrees(), se));
                }
                corner_errors(row, "sheet_", truth, &mut self.sheet_corner);
                self.good_responses.extend(number(row, "response_as_is"));
            }
            for (row, image) in j.out.table(IMAGES).zip(&j.truth.images) {
                assert_eq!(words(row, "image"), image.name);
                self.images += 1;
                if words(row, "angle_source") != "border" {
                    continue;
                }
                self.borders += 1;
                let truth = image.outer_px.to_array();
                if let (Some(v), Some(se)) =
                    (number(row, "rotation_deg"), number(row, "rotation_se_deg"))
                {
                    self.angle.0.push((v - turn_of(truth).to_degrees(), se));
                    self.block_angle
                        .0
                        .push((v - block_turn(&j.truth).to_degrees(), se));
                }
                corner_errors(row, "", truth, &mut self.corner);
            }
        }
    }

    fn add_textures(&mut self, judged: &[Judged]) {
        let with: Vec<(&Judged, Vec<i8>)> = judged
            .iter()
            .filter_map(|j| {
                let row = j.out.table(TEXTURE).next()?;
                Some((j, crate::duplicate::decode(words(row, "texture"))?))
            })
            .collect();
        let textures: Vec<Vec<i8>> = with.iter().map(|w| w.1.clone()).collect();
        for pair in crate::duplicate::all_pairs(&textures) {
            let (a, b) = (&with[pair.first].0.spec, &with[pair.second].0.spec);
            if a.impression == b.impression {
                if pair.correlation < 0.8 {
                    let shared = textures[pair.first]
                        .iter()
                        .zip(&textures[pair.second])
                        .filter(|(a, b)| **a != -128 && **b != -128)
                        .count();
                    println!(
                        "   {} and {}: {:.3} over {shared} places",
                        a.name, b.name, pair.correlation
                    );
                }
                self.same.push(pair.correlation);
            } else {
                self.different.push(pair.correlation);
            }
        }
    }

    pub(crate) fn print(&self) {
        let low = self.same.iter().copied().fold(f64::INFINITY, f64::min);
        let high = self
            .different
            .iter()
            .copied()
            .fold(f64::NEG_INFINITY, f64::max);
        println!(
            "texture correlation: one impression at least {low:.3} (n {}), different ones at most {high:.3} (n {})",
            self.same.len(),
            self.different.len()
        );
        println!("{}", self.angle.line("rotation by the border", "deg"));
        println!(
            "{}",
            self.block_angle.line("  against the block's turn", "deg")
        );
        println!("{}", self.corner.line("border corners, each axis", "px"));
        println!("{}", self.sheet_angle.line("rotation by the paper", "deg"));
        println!(
            "{}",
            self.sheet_corner.line("sheet corners, each axis", "px")
        );
        println!(
            "borders found on {} of {} images",
            self.borders, self.images
        );
        let least = self
            .good_responses
            .iter()
            .copied()
            .fold(f64::INFINITY, f64::min);
        println!("least response of a good sheet {least:.3}");
        for ((is, told), n) in &self.verdicts {
            println!("{is:<14} told as {told:<14} {n}");
        }
    }
}

fn plan(family: Family, two_up: bool, seed: u64, sheets: u32, wrong: Vec<Wrong>) -> Plan {
    Plan {
        family,
        two_up,
        frame: true,
        difficulty: Difficulty::Standard,
        seed,
        sheets,
        dpi: 300.0,
        wrong,
    }
}

fn each_wrong(count: u32) -> Vec<Wrong> {
    [
        WrongKind::Blank,
        WrongKind::Verso,
        WrongKind::UpsideDown,
        WrongKind::OtherDesign,
        WrongKind::Duplicate,
        WrongKind::Reencoded,
        WrongKind::Crop,
    ]
    .map(|kind| Wrong { kind, count })
    .to_vec()
}

#[test]
fn a_few_sheets_are_measured_within_bounds() {
    let plans = [
        Plan {
            dpi: 200.0,
            ..plan(Family::Landscape, false, 5, 4, each_wrong(1))
        },
        Plan {
            dpi: 200.0,
            ..plan(Family::Heron, true, 6, 3, Vec::new())
        },
    ];
    let mut figures = Figures::default();
    for plan in plans {
        figures.add(&carry_out(&plan));
    }
    figures.print();
    assert_eq!(figures.borders, figures.images);
    assert!(figures.angle.rms() <= 0.005, "{}", figures.angle.rms());
    assert!(figures.corner.rms() <= 0.3, "{}", figures.corner.rms());
    assert!(
        figures.sheet_corner.rms() <= 0.5,
        "{}",
        figures.sheet_corner.rms()
    );
    for ((is, told), n) in &figures.verdicts {
        assert_eq!(is, told, "{n} sheets");
    }
}
