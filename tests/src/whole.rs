//! Renders a run to files and runs the pipeline on it.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use anyhow::{Context, Result, anyhow};
use restrike_engine::read::{DecodeLimits, decode};
use restrike_engine::{Base, FinalTable, Overrides, PictureError, PictureRef, PictureSink, Plan};
use restrike_host::Search;
use restrike_model::{Impression, Picture, Raster, Value};
use restrike_synth::run::Change;
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetSpec, Truth, Wrong};

/// What to render.
#[derive(Debug, Clone)]
pub struct Batch {
    /// Family of designs.
    pub family: Family,
    /// Seed of design and run.
    pub seed: u64,
    /// Good sheets.
    pub sheets: u32,
    /// Two images on the sheet.
    pub two_up: bool,
    /// Resolution, pixels per inch.
    pub dpi: f64,
    /// How hard.
    pub difficulty: Difficulty,
    /// Wrong sheets mixed in.
    pub wrong: Vec<Wrong>,
    /// Single-block proofs before the run.
    pub proofs: bool,
    /// The config names the block list.
    pub blocks: bool,
    /// Changes over the run.
    pub changes: Vec<Change>,
    /// Blocks land up to 3 mm and 10 mrad from where their proofs have them.
    pub far: bool,
    /// Largest body of the colours' inks.
    pub body: Option<f64>,
}

/// Families and seeds the figures are reported on, and whether two-up; no stage
/// was tuned on them.
const DESIGNS: [(Family, u64, bool); 5] = [
    (Family::Landscape, 7101, false),
    (Family::Figure, 7202, false),
    (Family::Pattern, 7303, false),
    (Family::Lettering, 7404, false),
    (Family::Landscape, 7505, true),
];

/// A batch of each design that figures are reported on.
pub fn batches(
    sheets: u32,
    dpi: f64,
    difficulty: Difficulty,
    wrong: &[Wrong],
) -> impl Iterator<Item = Batch> {
    DESIGNS
        .into_iter()
        .map(move |(family, seed, two_up)| Batch {
            family,
            seed,
            sheets,
            two_up,
            dpi,
            difficulty,
            wrong: wrong.to_vec(),
            proofs: false,
            blocks: false,
            changes: Vec::new(),
            far: false,
            body: None,
        })
}

/// A rendered run with what the pipeline made of it.
#[derive(Debug)]
pub struct Measured {
    /// Truth of each sheet, in list order.
    pub truth: Vec<Truth>,
    /// The tables.
    pub tables: Vec<FinalTable>,
    /// The design.
    pub design: Design,
    /// The registration's part of the block record, if one was learned.
    pub record: Option<serde_json::Value>,
    /// Where it lies, until this is dropped.
    folder: tempfile::TempDir,
}

/// Pictures are not asked for.
struct NoPictures;

impl PictureSink for NoPictures {
    fn write(
        &self,
        _: Option<&Impression>,
        _: &str,
        _: &Picture,
        _: Base<'_>,
        _: Option<[f64; 2]>,
    ) -> Result<PictureRef, PictureError> {
        Err(PictureError::Draw("no pictures here".to_owned()))
    }
    fn exists(&self, _: &str) -> bool {
        false
    }
    fn remove(&self, _: &str) {}
}

/// Writes the config of a design.
pub fn config(design: &Design, stages: &[&str], blocks: bool) -> String {
    let mut text = format!(
        "design = \"{}\"\nsheet_list = \"scans/sheets.csv\"\noutput = \"out\"\n\
         [pictures]\nwrite = false\n[sheet]\nwidth_mm = {:?}\nheight_mm = {:?}\n",
        design.title, design.sheet_mm[0], design.sheet_mm[1]
    );
    if blocks {
        // A key of the whole table, so it stands before the tables.
        text.insert_str(0, "block_list = \"blocks.csv\"\n");
    }
    for i in &design.images {
        text.push_str(&format!(
            "[[image]]\nname = \"{}\"\nx_mm = {:?}\ny_mm = {:?}\nwidth_mm = {:?}\nheight_mm = {:?}\nborder = {}\n",
            i.name, i.centre[0], i.centre[1], i.size_mm[0], i.size_mm[1],
            design.frame_width_mm > 0.0
        ));
    }
    for s in stages {
        text.push_str(&format!("[[stage]]\nname = \"{s}\"\n"));
        if matches!(*s, "registration" | "edge-wear") {
            text.push_str("[stage.settings]\npictures = false\n");
        }
        if *s == "comparison" {
            text.push_str("[stage.settings]\npictures = false\nevery_pair = true\n");
        }
        if *s == "grading" {
            // So that every block's register stands in the table of reasons.
            text.push_str("[[stage.settings.register]]\nreject_mm = 0.0\n");
        }
    }
    text
}

/// The block list, colours as a printer would note them: the solid on new paper.
pub fn block_list(design: &Design) -> String {
    const PAPER: [f64; 3] = [0.80, 0.77, 0.70];
    let mut text = "name,order,key,bokashi,colour\n".to_owned();
    let word = |b: bool| if b { "yes" } else { "no" };
    for b in &design.blocks {
        let [r, g, blue] = [0, 1, 2].map(|c| {
            let linear = PAPER[c] * libm::exp(-b.absorption[c]);
            (255.0 * restrike_synth::srgb_encode(linear)).round() as u8
        });
        text.push_str(&format!(
            "{},{},{},{},#{r:02x}{g:02x}{blue:02x}\n",
            b.name,
            b.order,
            word(b.key),
            word(!b.bokashi.is_empty()),
        ));
    }
    text
}

impl Batch {
    /// The design that is printed.
    pub fn design(&self) -> Design {
        Design::generate(&DesignSpec {
            seed: self.seed,
            family: self.family,
            two_up: self.two_up,
            ..DesignSpec::default()
        })
    }
}

/// Renders a batch into a folder of its own and measures it.
///
/// # Errors
/// When rendering, planning or running fails.
pub fn measure(batch: &Batch, stages: &[&str]) -> Result<Measured> {
    let design = batch.design();
    let mut run = RunSpec {
        sheets: batch.sheets,
        references: 2,
        seed: batch.seed,
        dpi: batch.dpi,
        wrong: batch.wrong.clone(),
        proofs: batch.proofs,
        changes: batch.changes.clone(),
        ..RunSpec::new(batch.difficulty)
    };
    run.knobs.body = batch.body.unwrap_or(run.knobs.body);
    if batch.far {
        let k = &mut run.knobs;
        // Each block and the key: against each other up to twice that, and on proofs as well.
        (k.placing_sd, k.shift_max) = (1.0, 1.5);
        (k.turn_sd, k.turn_max) = (0.005, 0.005);
    }
    let specs: Vec<SheetSpec> = run.sheets(&design);
    measure_sheets(design, &specs, stages, batch.proofs || batch.blocks)
}

/// Renders sheets of a design into a folder of its own and measures them;
/// `blocks`: with the block list.
///
/// # Errors
/// When rendering, planning or running fails.
pub fn measure_sheets(
    design: Design,
    specs: &[SheetSpec],
    stages: &[&str],
    blocks: bool,
) -> Result<Measured> {
    let folder = tempfile::tempdir()?;
    let scans = folder.path().join("scans");
    restrike_synth::write_run(&design, specs, &scans).map_err(|e| anyhow!("{e}"))?;
    let truth = specs
        .iter()
        .map(|s| {
            let path = scans.join(format!("{}.truth.json", s.name));
            let text = std::fs::read(&path).with_context(|| path.display().to_string())?;
            Ok(serde_json::from_slice(&text)?)
        })
        .collect::<Result<Vec<Truth>>>()?;
    std::fs::write(
        folder.path().join("p.toml"),
        config(&design, stages, blocks),
    )?;
    std::fs::write(folder.path().join("blocks.csv"), block_list(&design))?;
    let tables = run_pipeline(&folder.path().join("p.toml"))?;
    let record = std::fs::read(folder.path().join("out/record/registration.json"))
        .ok()
        .map(|text| serde_json::from_slice(&text))
        .transpose()?;
    Ok(Measured {
        truth,
        tables,
        design,
        record,
        folder,
    })
}

fn run_pipeline(config: &Path) -> Result<Vec<FinalTable>> {
    let plan = Plan::new(config, &Overrides::default(), &Search::new(Vec::new()))?;
    let stopped = Arc::new(AtomicBool::new(false));
    let result =
        restrike_engine::run(&plan, None, &NoPictures, &restrike_engine::Silent, &stopped)?;
    Ok(result.tables)
}

impl Measured {
    /// A sheet's scan.
    ///
    /// # Errors
    /// When it cannot be read.
    pub fn scan(&self, name: &str) -> Result<Raster<u16>> {
        let path = self.folder.path().join("scans").join(format!("{name}.tif"));
        Ok(decode(&path, &DecodeLimits::default())?.image)
    }

    /// A table by name.
    ///
    /// # Errors
    /// When there is none.
    pub fn table(&self, name: &str) -> Result<&FinalTable> {
        self.tables
            .iter()
            .find(|t| t.spec.name == name)
            .ok_or_else(|| anyhow!("no table {name}"))
    }

    /// The truth of the sheet a row is about.
    ///
    /// # Errors
    /// When the row names no sheet.
    pub fn truth_of(&self, table: &FinalTable, row: &[Value]) -> Result<&Truth> {
        let sheet = cell(table, row, "sheet")
            .as_i64()
            .and_then(|n| usize::try_from(n - 1).ok());
        sheet
            .and_then(|s| self.truth.get(s))
            .ok_or_else(|| anyhow!("a row without a sheet"))
    }
}

/// The value of a row under a column's name; null where there is none.
pub fn cell<'r>(table: &FinalTable, row: &'r [Value], column: &str) -> &'r Value {
    const NONE: &Value = &Value::Null;
    table
        .spec
        .column(column)
        .and_then(|c| row.get(c))
        .unwrap_or(NONE)
}
