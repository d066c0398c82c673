//! How well the stage `colour-separation` tells what each block printed.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

use anyhow::{Context, Result, anyhow};
use restrike_engine::{Base, Overrides, PictureError, PictureRef, PictureSink, Plan};
use restrike_host::Search;
use restrike_model::{Impression, Picture, Raster};
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetKind, SheetSpec};

use crate::separation_outline::Outline;
use crate::separation_truth::{Printed, printed};
use crate::whole::{batches, block_list, config};

/// Designs that the stage may be tuned on; no figure is reported for them.
const TUNING: [(Family, u64, bool); 5] = [
    (Family::Landscape, 21, false),
    (Family::Figure, 32, false),
    (Family::Pattern, 43, false),
    (Family::Lettering, 54, false),
    (Family::Figure, 65, true),
];
/// Ink under this share of the solid counts as not printed, as in the stage.
const PRINTED: f32 = 0.1;
/// An outline this far off, pixels, is as good as registration aims at.
const AIM_PX: f64 = 0.1;
/// Mark of a block without a plane in what should have been found.
const NO_PLANE: u32 = 1 << 31;
/// Rim of the sheet that the stage leaves out, mm.
const RIM_MM: f64 = 2.0;

/// Counts of one block.
#[derive(Debug, Clone, Default)]
pub struct BlockFigures {
    both: f64,
    either: f64,
    /// Relative error of the mean ink, a value a sheet.
    mean: Vec<f64>,
    /// The same, and its standard error as stated.
    stated: Vec<(f64, f64)>,
    /// Sum of squared errors of the ink by pixel, relative to the solid, and their number.
    square: f64,
    pixels: f64,
    /// Sums of ink found and true: in pixels beside an edge, in others.
    edge: [[f64; 2]; 2],
    outline: Outline,
    /// Sheets that gave no plane of it.
    missing: usize,
    gradation: bool,
    key: bool,
}

/// Counts over the designs.
#[derive(Debug, Default)]
pub struct Report {
    /// By design and block.
    pub blocks: BTreeMap<(String, String), BlockFigures>,
    /// By design: pixels looked at, sure ones, sure and right ones, right ones, of the blocks
    /// that have a plane; sure and right ones where no other block printed either.
    pub labels: BTreeMap<String, [f64; 5]>,
    /// By design, of the pixels not sure: at outlines, where a gradation fades out, elsewhere;
    /// all and those whose likeliest answer is right.
    pub open: BTreeMap<String, [[f64; 2]; 3]>,
    /// Sheets that were not taken apart.
    pub refused: usize,
}

/// Keeps planes and labels as they come.
#[derive(Default)]
struct Keep(Mutex<BTreeMap<(usize, String), Raster<f32>>>);

impl PictureSink for Keep {
    fn write(
        &self,
        impression: Option<&Impression>,
        stage: &str,
        picture: &Picture,
        base: Base<'_>,
        _: Option<[f64; 2]>,
    ) -> Result<PictureRef, PictureError> {
        let fail = |e: String| PictureError::Draw(e);
        if let (Base::Image(view), Some(i)) = (base, impression)
            && stage == "colour-separation"
        {
            let data = (0..view.height())
                .flat_map(|y| view.row(y))
                .copied()
                .collect();
            let raster = Raster::from_vec(view.width(), view.height(), view.channels(), data)
                .map_err(|e| fail(e.to_string()))?;
            self.0
                .lock()
                .map_err(|e| fail(e.to_string()))?
                .insert((i.sheet, picture.name.clone()), raster);
        }
        Ok(PictureRef {
            stage: stage.to_owned(),
            name: picture.name.clone(),
            caption: String::new(),
            file: String::new(),
            width: 1,
            height: 1,
        })
    }
    fn exists(&self, _: &str) -> bool {
        true
    }
    fn remove(&self, _: &str) {}
}

/// A sheet's answer held against its truth.
struct Sheet<'a> {
    design: &'a Design,
    spec: &'a SheetSpec,
    truth: &'a restrike_synth::Truth,
    labels: &'a Raster<f32>,
    planes: Vec<(&'a str, &'a Raster<f32>, [f64; 3])>,
    /// Standard error of each plane's mean strength as stated, relative.
    stated: Vec<Option<f64>>,
}

impl Report {
    fn add(&mut self, name: &str, s: &Sheet<'_>) -> Result<()> {
        let (w, h) = (s.labels.width(), s.labels.height());
        let mut want = vec![0_u32; w * h];
        let mut all: Vec<Printed> = Vec::new();
        for (n, (block, _, _)) in s.planes.iter().enumerate() {
            let p = printed(s.design, s.spec, block)?;
            anyhow::ensure!(p.cover.len() == w * h, "planes are not at the scan's size");
            for (to, (c, v)) in want.iter_mut().zip(p.cover.iter().zip(&p.strength)) {
                if *c > 0.5 && *v >= PRINTED {
                    *to |= 1 << n;
                }
            }
            all.push(p);
        }
        let inside = looked_at(s, w, h)?;
        for b in &s.design.blocks {
            if s.planes.iter().any(|p| p.0 == b.name) {
                continue;
            }
            // Without a plane: where it printed, no label tells all.
            let p = printed(s.design, s.spec, &b.name)?;
            let f = self
                .blocks
                .entry((name.to_owned(), b.name.clone()))
                .or_default();
            f.missing += 1;
            (f.gradation, f.key) = (!b.bokashi.is_empty(), b.key);
            for (k, (c, v)) in p.cover.iter().zip(&p.strength).enumerate() {
                if *c > 0.5 && *v >= PRINTED && inside[k] {
                    want[k] |= NO_PLANE;
                    f.either += 1.0;
                }
            }
        }
        let counts = self.labels.entry(name.to_owned()).or_default();
        let open = self.open.entry(name.to_owned()).or_default();
        for (k, ((said, want), inside)) in
            s.labels.data().iter().zip(&want).zip(&inside).enumerate()
        {
            if *said == 0.0 || !inside {
                continue;
            }
            let right = said.abs() - 1.0 == (*want & !NO_PLANE) as f32;
            if *said < 0.0 {
                let edge = all.iter().any(|p| p.cover[k] > 0.01 && p.cover[k] < 0.99);
                let fading = all
                    .iter()
                    .any(|p| p.cover[k] > 0.5 && (p.strength[k] - PRINTED).abs() < 0.5 * PRINTED);
                let of = if edge { 0 } else { 2 - usize::from(fading) };
                open[of][0] += 1.0;
                open[of][1] += f64::from(u8::from(right));
            }
            counts[0] += 1.0;
            counts[1] += f64::from(u8::from(*said > 0.0));
            counts[2] += f64::from(u8::from(*said > 0.0 && right));
            counts[3] += f64::from(u8::from(right));
            counts[4] += f64::from(u8::from(*said > 0.0 && right && *want & NO_PLANE == 0));
        }
        for (n, (block, plane, absorption)) in s.planes.iter().enumerate() {
            let b = s.design.block(block).context("a block of another design")?;
            let truth = s
                .truth
                .blocks
                .iter()
                .find(|t| t.name == *block)
                .context("no truth")?;
            let f = self
                .blocks
                .entry((name.to_owned(), (*block).to_owned()))
                .or_default();
            f.gradation = !b.bokashi.is_empty();
            f.key = b.key;
            let size = |a: [f64; 3]| a.iter().map(|v| v * v).sum::<f64>().sqrt();
            // Ink is what it absorbs: the record's solid need not be the truth's.
            let unit = size(*absorption) / size(truth.absorption);
            let (mut is, mut should) = (0.0, 0.0);
            for k in 0..w * h {
                if !inside[k] || s.labels.data()[k] == 0.0 {
                    continue;
                }
                let said = (s.labels.data()[k].abs() - 1.0) as u32 >> n & 1 == 1;
                let has = want[k] >> n & 1 == 1;
                f.both += f64::from(u8::from(said && has));
                f.either += f64::from(u8::from(said || has));
                // Where a gradation has faded out there is no outline.
                if all[n].cover[k] < 0.5 || has {
                    f.outline.add(all[n].cover[k], has);
                }
                if said && has && all[n].cover[k] > 0.99 {
                    let (a, b) = (
                        f64::from(plane.data()[k]) * unit,
                        f64::from(all[n].strength[k]),
                    );
                    is += a;
                    should += b;
                    let inner = [k - 1, k + 1, k - w, k + w]
                        .iter()
                        .all(|q| all[n].cover[*q] > 0.5);
                    let part = &mut f.edge[usize::from(inner)];
                    part[0] += a;
                    part[1] += b;
                    f.square += (a - b) * (a - b);
                    f.pixels += 1.0;
                }
            }
            if should > 0.0 {
                f.mean.push(is / should - 1.0);
                f.stated
                    .extend(s.stated[n].map(|se| (is / should - 1.0, se)));
            }
        }
        Ok(())
    }

    /// The report as text.
    pub fn text(&self) -> String {
        let mut out = String::new();
        let _ = writeln!(
            out,
            "{:<16} {:<10} {:>7} {:>7} {:>6} | {:>7} {:>7} {:>7} {:>7}  (outline: what an outline {AIM_PX} px off would give, and how far off \
             explains the IoU, px; mean ink: relative error, then of pixels at an edge and of others; by pixel: share of the solid; error stated for the mean, and how often 90 % intervals hold)",
            "design", "block", "IoU", "aim", "off", "mean %", "edge %", "rest %", "pixel %"
        );
        let rms = |v: &[f64]| (v.iter().map(|e| e * e).sum::<f64>() / v.len().max(1) as f64).sqrt();
        let (mut means, mut stated) = (Vec::new(), Vec::new());
        for ((design, block), f) in &self.blocks {
            let kind = match (f.key, f.gradation) {
                (true, _) => " key",
                (_, true) => " bokashi",
                _ => "",
            };
            let overlap = f.both / f.either.max(1.0);
            let off = f
                .outline
                .off(overlap)
                .map_or_else(|| "> 0.5".to_owned(), |v| format!("{v:.2}"));
            let part = |[is, should]: [f64; 2]| 100.0 * (is / f64::max(should, 1e-9) - 1.0);
            let none = match f.missing {
                0 => String::new(),
                n => format!(" (no plane on {n} sheets)"),
            };
            let _ = writeln!(
                out,
                "{design:<16} {block:<10} {overlap:>7.4} {:>7.4} {off:>6} | {:>7.2} {:>7.2} {:>7.2} {:>7.2} {}{kind}{none}",
                f.outline.overlap(AIM_PX),
                100.0 * rms(&f.mean),
                part(f.edge[0]),
                part(f.edge[1]),
                100.0 * (f.square / f.pixels.max(1.0)).sqrt(),
                held(&f.stated),
            );
            means.extend(&f.mean);
            stated.extend(&f.stated);
        }
        let mut all = [0.0; 5];
        for (design, c) in &self.labels {
            let open = self.open.get(design).copied().unwrap_or_default();
            let part = |[n, right]: [f64; 2]| {
                format!(
                    "{:.2} % ({:.0} %)",
                    100.0 * n / c[0].max(1.0),
                    100.0 * right / n.max(1.0)
                )
            };
            let _ = writeln!(
                out,
                "{design:<16} abstained, and how often the likeliest answer was right: at outlines {}, where a gradation fades out {}, elsewhere {}",
                part(open[0]),
                part(open[1]),
                part(open[2]),
            );
            let _ = writeln!(
                out,
                "{design:<16} labels: {:.2} % of the confident area right, {:.2} % abstained, {:.2} % right if none abstained; {:.2} % where blocks without a plane count as wrong",
                100.0 * c[2] / c[1].max(1.0),
                100.0 * (1.0 - c[1] / c[0].max(1.0)),
                100.0 * c[3] / c[0].max(1.0),
                100.0 * c[4] / c[1].max(1.0)
            );
            for (a, c) in all.iter_mut().zip(c) {
                *a += c;
            }
        }
        let _ = writeln!(
            out,
            "all: {:.2} % of the confident area right, {:.2} % abstained; mean ink {:.2} % rms (stated error, and how often its 90 % interval holds: {}); sheets not taken apart {}",
            100.0 * all[2] / all[1].max(1.0),
            100.0 * (1.0 - all[1] / all[0].max(1.0)),
            100.0 * rms(&means),
            held(&stated),
            self.refused
        );
        out
    }
}

/// Root mean square of stated errors, and how often 90 % intervals by them hold the truth.
fn held(stated: &[(f64, f64)]) -> String {
    if stated.is_empty() {
        return "-".to_owned();
    }
    let n = stated.len() as f64;
    let rms = (stated.iter().map(|s| s.1 * s.1).sum::<f64>() / n).sqrt();
    let inside = stated
        .iter()
        .filter(|(e, se)| e.abs() <= 1.645 * se)
        .count();
    format!("{:.2} % {:.0} %", 100.0 * rms, 100.0 * inside as f64 / n)
}

/// Pixels well within the sheet.
fn looked_at(s: &Sheet<'_>, w: usize, h: usize) -> Result<Vec<bool>> {
    let back = s.truth.print_to_scan.inverse().context("singular map")?;
    let [a, b] = s.design.sheet_mm.map(|v| v / 2.0 - RIM_MM);
    Ok((0..w * h)
        .map(|k| {
            let p = back.apply([(k % w) as f64 + 0.5, (k / w) as f64 + 0.5]);
            p[0].abs() < a && p[1].abs() < b
        })
        .collect())
}

/// What to report on.
#[derive(Debug, Clone, Copy)]
pub struct Trial {
    /// Good sheets of each design.
    pub sheets: u32,
    /// Resolution, pixels per inch.
    pub dpi: f64,
    /// How hard.
    pub difficulty: Difficulty,
    /// Largest body of the colours' inks.
    pub body: Option<f64>,
    /// The designs for tuning.
    pub tuning: bool,
    /// Only this one of the designs, from 0.
    pub design: Option<usize>,
    /// The record is learned from a reference impression and the colours of the block list.
    pub no_proofs: bool,
}

/// Renders and measures the designs.
///
/// # Errors
/// When a batch fails.
pub fn report(t: Trial) -> Result<Report> {
    let mut out = Report::default();
    for (n, mut b) in batches(t.sheets, t.dpi, t.difficulty, &[]).enumerate() {
        if t.design.is_some_and(|d| d != n) {
            continue;
        }
        if t.tuning {
            (b.family, b.seed, b.two_up) = TUNING[n];
        }
        let folder = tempfile::tempdir()?;
        let design = Design::generate(&DesignSpec {
            seed: b.seed,
            family: b.family,
            two_up: b.two_up,
            ..DesignSpec::default()
        });
        let mut run = RunSpec {
            sheets: b.sheets,
            references: 2,
            seed: b.seed,
            dpi: b.dpi,
            proofs: !t.no_proofs,
            ..RunSpec::new(b.difficulty)
        };
        run.knobs.body = t.body.unwrap_or(run.knobs.body);
        let specs: Vec<SheetSpec> = run.sheets(&design);
        let scans = folder.path().join("scans");
        restrike_synth::write_run(&design, &specs, &scans).map_err(|e| anyhow!("{e}"))?;
        let text = config(
            &design,
            &["deskew", "registration", "colour-separation"],
            true,
        )
        .replace("write = false", "write = true")
            + "[stage.settings]\npictures = false\nplane_dpi = 4800\n";
        let file = folder.path().join("p.toml");
        std::fs::write(&file, text)?;
        std::fs::write(folder.path().join("blocks.csv"), block_list(&design))?;
        let plan = Plan::new(&file, &Overrides::default(), &Search::new(Vec::new()))?;
        let stopped = Arc::new(AtomicBool::new(false));
        let kept = Keep::default();
        let run = restrike_engine::run(&plan, None, &kept, &restrike_engine::Silent, &stopped)?;
        let kept = kept.0.into_inner().map_err(|e| anyhow!("{e}"))?;
        let table = run
            .tables
            .iter()
            .find(|t| t.spec.name == "separation")
            .context("no table separation")?;
        for (at, spec) in specs.iter().enumerate() {
            if spec.kind != SheetKind::Good || spec.role.starts_with("proof") {
                continue;
            }
            let Some(labels) = kept.get(&(at + 1, "labels".to_owned())) else {
                out.refused += 1;
                continue;
            };
            let truth: restrike_synth::Truth = serde_json::from_slice(&std::fs::read(
                scans.join(format!("{}.truth.json", spec.name)),
            )?)?;
            let (mut planes, mut stated) = (Vec::new(), Vec::new());
            for row in &table.rows {
                let cell = |c: &str| crate::whole::cell(table, row, c);
                if cell("sheet").as_i64() != Some(at as i64 + 1)
                    || cell("image").as_str() != Some("whole")
                {
                    continue;
                }
                let block = cell("block").as_str().unwrap_or_default();
                let plane = kept
                    .get(&(at + 1, format!("plane-{block}")))
                    .context("no plane")?;
                let a = ["absorption_r", "absorption_g", "absorption_b"]
                    .map(|c| cell(c).as_f64().unwrap_or(f64::NAN));
                planes.push((block, plane, a));
                let number = |c: &str| cell(c).as_f64();
                stated.push(
                    number("strength_se")
                        .zip(number("strength"))
                        .map(|(se, strength)| se / strength),
                );
            }
            out.add(
                &format!("{:?} {}", b.family, b.seed),
                &Sheet {
                    design: &design,
                    spec,
                    truth: &truth,
                    labels,
                    planes,
                    stated,
                },
            )?;
        }
        if std::env::var_os("RESTRIKE_PROGRESS").is_some() {
            eprintln!("{}", out.text());
        }
    }
    Ok(out)
}
