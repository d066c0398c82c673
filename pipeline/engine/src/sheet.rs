//! One sheet: read the scan, run the stages over it.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};

use restrike_host::{Found, Instance, NamedImage};
use restrike_model::{
    EVERY_TABLE, ImageView, Impression, Learn, Manifest, Measure, Picture, Raster, ScanInfo, Table,
};

use crate::outcome::{MEASURED, Note, PictureRef, SheetOutcome, StageOutcome};
use crate::plan::SheetPlan;
use crate::read::{self, DecodeLimits};

/// What remarks about reading a scan are filed under.
const READING: &str = "reading";

/// The image a picture is drawn on.
#[derive(Debug, Clone, Copy)]
pub enum Base<'a> {
    /// The scan, linear light.
    Scan(ImageView<'a, u16>),
    /// An image a stage gave.
    Image(ImageView<'a, f32>),
    /// None: the picture is a chart.
    Chart,
}

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum PictureError {
    /// It cannot be drawn; the stage's picture is at fault.
    #[error("{0}")]
    Draw(String),
    /// It cannot be written: the run ends.
    #[error("{0}")]
    Write(std::io::Error),
}

impl PictureError {
    pub(crate) fn no_base(name: &str) -> Self {
        Self::Draw(format!("there is no image `{name}` to draw it on"))
    }
}

/// Where pictures go. Called from several threads.
pub trait PictureSink: Sync {
    /// Renders and writes a picture.
    ///
    /// # Errors
    /// When it cannot be rendered or written.
    fn write(
        &self,
        impression: Option<&Impression>,
        stage: &str,
        picture: &Picture,
        base: Base<'_>,
        mm_per_px: Option<[f64; 2]>,
    ) -> Result<PictureRef, PictureError>;

    /// Whether a picture written earlier is still there.
    fn exists(&self, file: &str) -> bool;

    /// Takes a picture away that no sheet has any more.
    fn remove(&self, file: &str);
}

/// A scan in memory.
pub(crate) struct OpenSheet<'a> {
    pub(crate) plan: &'a SheetPlan,
    pub(crate) info: ScanInfo,
    pixels: Raster<u16>,
    /// What reading it gave to remark.
    said: Vec<String>,
    tables: Vec<Table>,
    images: Vec<NamedImage>,
}

/// Why a scan could not be opened: short status, reason.
pub(crate) type Unread = (String, String);

impl<'a> OpenSheet<'a> {
    pub(crate) fn open(plan: &'a SheetPlan, memory: u64, sha256: &str) -> Result<Self, Unread> {
        let unreadable = |reason: String| ("unreadable".to_owned(), reason);
        if let Err(e) = &plan.header {
            return Err(unreadable(e.clone()));
        }
        let limits = DecodeLimits { max_bytes: memory };
        let scan = read::decode(&plan.line.path, &limits).map_err(|e| unreadable(e.to_string()))?;
        let (dpi, dpi_source) = plan
            .dpi
            .clone()
            .ok_or_else(|| unreadable("its resolution is not known".to_owned()))?;
        let mut said = scan.header.notes.clone();
        if scan.clipped > 0 {
            said.push(format!(
                "{} pixels lay outside the gamut of sRGB and were clipped to it",
                scan.clipped
            ));
        }
        let info = scan.info(dpi, dpi_source, sha256.to_owned());
        Ok(Self {
            plan,
            info,
            pixels: scan.image,
            said,
            tables: Vec::new(),
            images: Vec::new(),
        })
    }

    /// Runs something on what a stage may see of this sheet.
    fn with_input<R>(&self, manifest: &Manifest, run: impl FnOnce(Measure<'_>) -> R) -> R {
        let wanted = |name: &String| {
            let optional = &manifest.needs.optional_tables;
            manifest.needs.tables.contains(name)
                || optional.iter().any(|o| o == name || o == EVERY_TABLE)
        };
        let tables: Vec<Table> = self
            .tables
            .iter()
            .filter(|t| wanted(&t.name))
            .cloned()
            .collect();
        let images: Vec<(String, ImageView<'_, f32>)> = self
            .images
            .iter()
            .filter(|i| manifest.needs.images.contains(&i.name))
            .map(|i| (i.name.clone(), i.raster.view()))
            .collect();
        run(Measure {
            impression: &self.plan.line.impression,
            info: &self.info,
            scan: self.pixels.view(),
            tables: &tables,
            images: &images,
        })
    }

    /// The first table or image a stage needs that is not there for this sheet.
    fn lacks(&self, manifest: &Manifest) -> Option<String> {
        let no_table = |n: &&String| !self.tables.iter().any(|t| &t.name == *n);
        let no_image = |n: &&String| !self.images.iter().any(|i| &i.name == *n);
        let needs = &manifest.needs;
        (needs.tables.iter().find(no_table))
            .or_else(|| needs.images.iter().find(no_image))
            .cloned()
    }

    pub(crate) fn learn(&self, instance: &mut Instance) -> Result<Found, String> {
        let manifest = instance.manifest().clone();
        self.with_input(&manifest, |m| instance.learn(Learn::Impression(m)))
            .map_err(|e| e.to_string())
    }

    /// Runs one stage; its tables and images are there for the next.
    pub(crate) fn measure(&mut self, instance: &Instance) -> (StageOutcome, Found) {
        let manifest = instance.manifest();
        let mut outcome = StageOutcome {
            stage: manifest.name.clone(),
            status: MEASURED.to_owned(),
            reason: String::new(),
            rows: BTreeMap::new(),
        };
        let end = |mut o: StageOutcome, status: &str, reason: String| {
            o.status = status.to_owned();
            o.reason = reason;
            (o, Found::default())
        };
        if let Some(name) = self.lacks(manifest) {
            let reason = format!("`{name}`, which it needs, is not there for this sheet");
            return end(outcome, "skipped", reason);
        }
        if !manifest.phases.measure {
            return (outcome, Found::default());
        }
        let mut found = match self.with_input(manifest, |m| instance.measure(&m)) {
            Ok(found) => found,
            Err(e) => return end(outcome, "failed", e.to_string()),
        };
        let here = self.plan.line.impression.sheet;
        if let Some(v) = found.verdicts.iter().find(|v| v.sheet == here) {
            outcome.status.clone_from(&v.status);
            outcome.reason.clone_from(&v.reason);
            found.rows.clear();
            found.images.clear();
            return (outcome, found);
        }
        for spec in &manifest.gives.tables {
            outcome.rows.insert(spec.name.clone(), Vec::new());
        }
        for (table, values) in std::mem::take(&mut found.rows) {
            outcome.rows.entry(table).or_default().push(values);
        }
        for spec in &manifest.gives.tables {
            self.tables.push(Table {
                name: spec.name.clone(),
                columns: spec.columns.iter().map(|c| c.name.clone()).collect(),
                rows: outcome.rows[&spec.name].clone(),
            });
        }
        self.images.append(&mut found.images);
        (outcome, found)
    }

    /// Renders a stage's pictures of this sheet.
    fn draw(
        &self,
        stage: &str,
        pictures: &[Picture],
        sink: &dyn PictureSink,
        outcome: &mut SheetOutcome,
    ) -> std::io::Result<()> {
        for p in pictures {
            let base = if p.base == "scan" {
                Some(Base::Scan(self.pixels.view()))
            } else if p.chart().is_some() || p.drawing().is_some() {
                Some(Base::Chart)
            } else {
                self.images
                    .iter()
                    .find(|i| i.name == p.base)
                    .map(|i| Base::Image(i.raster.view()))
            };
            let mm = (p.base == "scan").then(|| self.info.dpi.mm_per_px());
            let written = base
                .ok_or_else(|| PictureError::no_base(&p.base))
                .and_then(|b| sink.write(Some(&self.plan.line.impression), stage, p, b, mm));
            match written {
                Ok(picture) => outcome.pictures.push(picture),
                Err(PictureError::Write(e)) => return Err(e),
                Err(PictureError::Draw(e)) => outcome.notes.push(Note {
                    stage: stage.to_owned(),
                    level: restrike_model::Level::Warning,
                    text: format!("picture `{}` could not be drawn: {e}", p.name),
                }),
            }
        }
        Ok(())
    }
}

/// Reads a sheet and runs all stages over it; none when the run is being stopped.
///
/// # Errors
/// When a picture cannot be written.
pub(crate) fn work(
    plan: &SheetPlan,
    key: String,
    sha256: String,
    memory: u64,
    instances: &[Instance],
    sink: Option<&dyn PictureSink>,
    stopped: &AtomicBool,
) -> std::io::Result<Option<SheetOutcome>> {
    let mut outcome = SheetOutcome {
        key,
        sheet: plan.line.impression.sheet,
        sha256,
        info: None,
        stages: Vec::new(),
        notes: Vec::new(),
        pictures: Vec::new(),
    };
    let mut over: Option<(String, String)> = None;
    let mut open = match OpenSheet::open(plan, memory, &outcome.sha256) {
        Ok(open) => {
            outcome.info = Some(open.info.clone());
            outcome.notes.extend(open.said.iter().map(|text| Note {
                stage: READING.to_owned(),
                level: restrike_model::Level::Info,
                text: text.clone(),
            }));
            Some(open)
        }
        Err(unread) => {
            over = Some(unread);
            None
        }
    };
    for instance in instances {
        if stopped.load(Ordering::Relaxed) {
            return Ok(None);
        }
        let name = instance.manifest().name.clone();
        let done = match (&mut open, &over) {
            (Some(open), None) => {
                let (done, found) = open.measure(instance);
                for (level, text) in &found.notes {
                    outcome.notes.push(Note {
                        stage: name.clone(),
                        level: *level,
                        text: text.clone(),
                    });
                }
                if let Some(sink) = sink {
                    open.draw(&name, &found.pictures, sink, &mut outcome)?;
                }
                // What one stage could not do, others may; what the sheet is
                // holds for all that follow.
                if ![MEASURED, "failed", "skipped"].contains(&done.status.as_str()) {
                    over = Some((done.status.clone(), done.reason.clone()));
                }
                done
            }
            _ => {
                let (status, reason) = over.clone().unwrap_or_default();
                StageOutcome {
                    stage: name,
                    status,
                    reason,
                    rows: BTreeMap::new(),
                }
            }
        };
        outcome.stages.push(done);
    }
    if stopped.load(Ordering::Relaxed) {
        // A stage may have ended early because it was asked to.
        return Ok(None);
    }
    Ok(Some(outcome))
}
