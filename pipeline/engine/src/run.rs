//! A run: learn, measure every sheet in parallel, sum up.

use std::sync::Mutex;
use std::sync::PoisonError;
use std::sync::atomic::Ordering;

use restrike_host::{Instance, Stopped};
use restrike_model::{EVERY_TABLE, Level, SHEET_STATUS, Summary, Table, Value};
use thiserror::Error;

use crate::hash;
use crate::journal::Journal;
use crate::learn;
use crate::memory::Budget;
use crate::observe::{Event, Observer};
use crate::outcome::{MEASURED, Note, PictureRef, SheetOutcome, StageOutcome};
use crate::plan::{Plan, SheetPlan};
use crate::read;
use crate::record::Record;
use crate::refusal::Refusal;
use crate::sheet::{self, Base, PictureError, PictureSink};
use crate::tables::{self, FinalTable};

/// Why a run did not come to its end.
#[derive(Debug, Error)]
pub enum RunError {
    /// The output folder cannot be used.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// A stage could not be made ready, or could not learn or sum up.
    #[error("stage `{stage}`: {reason}")]
    Stage {
        /// The stage.
        stage: String,
        /// Why.
        reason: String,
    },
    /// A file could not be written.
    #[error("{0}")]
    Write(std::io::Error),
    /// The threads could not be started.
    #[error("the threads could not be started: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// The run was asked to stop; the same command continues it.
    #[error("stopped; the same command continues where this one ended")]
    Cancelled,
}

/// What a run found.
#[derive(Debug)]
pub struct RunResult {
    /// The sheets, in list order.
    pub sheets: Vec<SheetOutcome>,
    /// The tables, in stage order.
    pub tables: Vec<FinalTable>,
    /// Remarks about the run.
    pub notes: Vec<Note>,
    /// Pictures of the run as a whole.
    pub pictures: Vec<PictureRef>,
    // Keeps other runs out of the output folder until the results are written.
    _journal: Journal,
}

/// Runs a plan.
///
/// # Errors
/// When the run as a whole cannot go on; what befalls a single sheet is in the result.
pub fn run(
    plan: &Plan,
    threads: Option<usize>,
    sink: &dyn PictureSink,
    observer: &dyn Observer,
    stopped: &Stopped,
) -> Result<RunResult, RunError> {
    let journal = Journal::open(&plan.output, &plan.origin(), plan.replace)?;
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads.unwrap_or(0))
        .build()?;
    observer.event(&Event::Started {
        sheets: plan.sheets.len(),
        stages: plan
            .stages
            .iter()
            .map(|s| s.manifest().name.clone())
            .collect(),
    });
    let hashes: Vec<String> = pool.install(|| {
        use rayon::prelude::*;
        plan.sheets
            .par_iter()
            .map(|s| read::sha256(&s.line.path).unwrap_or_default())
            .collect()
    });
    let (record, mut notes) = learn::learn(plan, &hashes, stopped, observer)?;
    for text in plan.warnings() {
        observer.event(&Event::Note {
            sheet: None,
            stage: "plan".to_owned(),
            level: Level::Warning,
            text: text.clone(),
        });
        notes.push(Note {
            stage: "plan".to_owned(),
            level: Level::Warning,
            text,
        });
    }
    let mut instances = Vec::new();
    for stage in &plan.stages {
        let (instance, said) = learn::instance(plan, stage, &record, stopped)?;
        notes.extend(said);
        instances.push(instance);
    }
    for gone in journal.drop_beyond(plan.sheets.len()) {
        gone.pictures.iter().for_each(|p| sink.remove(&p.file));
    }
    let work = Work {
        plan,
        base: base_key(plan, &record)?,
        hashes: &hashes,
        instances: &instances,
        journal: &journal,
        sink,
        observer,
        stopped,
    };
    let mut sheets = work.measure_all(&pool)?;
    if stopped.load(Ordering::Relaxed) {
        return Err(RunError::Cancelled);
    }
    let mut summed = Summed::default();
    for (at, instance) in instances.iter_mut().enumerate() {
        if instance.manifest().phases.summarise {
            let stage = instance.manifest().name.clone();
            observer.event(&Event::Summarising { stage });
            summed.add(plan, at, instance, &mut sheets, sink, observer)?;
        }
        if stopped.load(Ordering::Relaxed) {
            return Err(RunError::Cancelled);
        }
    }
    for n in &summed.notes {
        observer.event(&Event::Note {
            sheet: None,
            stage: n.stage.clone(),
            level: n.level,
            text: n.text.clone(),
        });
    }
    notes.append(&mut summed.notes);
    Ok(RunResult {
        tables: tables::assemble(plan, &sheets, &summed.rows),
        sheets,
        notes,
        pictures: summed.pictures,
        _journal: journal,
    })
}

/// Fingerprint of what all sheets have in common.
fn base_key(plan: &Plan, record: &Record) -> Result<String, RunError> {
    let mut parts = vec![
        env!("CARGO_PKG_VERSION").to_owned(),
        hash::json(&plan.project)?,
        hash::json(&plan.pictures)?,
    ];
    for s in &plan.stages {
        parts.push(s.manifest().name.clone());
        parts.push(s.manifest().version.clone());
        parts.push(s.library.sha256().to_owned());
        parts.push(s.settings.to_string());
    }
    for (name, p) in &record.parts {
        parts.push(name.clone());
        parts.push(hash::of_bytes(&p.data));
    }
    Ok(hash::of_parts(parts.iter().map(String::as_str)))
}

struct Work<'a> {
    plan: &'a Plan,
    base: String,
    hashes: &'a [String],
    instances: &'a [Instance],
    journal: &'a Journal,
    sink: &'a dyn PictureSink,
    observer: &'a dyn Observer,
    stopped: &'a Stopped,
}

impl Work<'_> {
    fn key(&self, sheet: &SheetPlan, sha: &str) -> Result<String, RunError> {
        let impression = hash::json(&sheet.line.impression)?;
        let dpi = format!("{:?}", sheet.dpi);
        let header = match &sheet.header {
            Ok(_) => "",
            Err(e) => e.as_str(),
        };
        Ok(hash::of_parts([
            self.base.as_str(),
            &impression,
            &dpi,
            header,
            sha,
        ]))
    }

    /// An earlier run's outcome that still holds, or the slot's stale pictures taken away.
    fn earlier(&self, sheet: usize, key: &str) -> Option<SheetOutcome> {
        let found = self.journal.get(sheet)?;
        if found.key == key && found.pictures.iter().all(|p| self.sink.exists(&p.file)) {
            return Some(found);
        }
        found
            .pictures
            .iter()
            .for_each(|p| self.sink.remove(&p.file));
        None
    }

    fn done(&self, outcome: &SheetOutcome, file: &str, earlier: bool) {
        for n in &outcome.notes {
            if !earlier {
                self.observer.event(&Event::Note {
                    sheet: Some(outcome.sheet),
                    stage: n.stage.clone(),
                    level: n.level,
                    text: n.text.clone(),
                });
            }
        }
        let (status, reason) = outcome.trouble().unwrap_or((MEASURED, ""));
        self.observer.event(&Event::SheetDone {
            sheet: outcome.sheet,
            file: file.to_owned(),
            status: status.to_owned(),
            reason: reason.to_owned(),
            earlier,
        });
    }

    /// A sheet that needs more memory than there may be.
    fn too_large(&self, sheet: &SheetPlan, key: String, sha: &str, bytes: u64) -> SheetOutcome {
        let mib = |b: u64| b.div_ceil(1 << 20);
        let reason = format!(
            "needs {} MiB, the bound is {} MiB; raise `memory_mib` under `[limits]` or --memory",
            mib(bytes),
            mib(self.plan.memory)
        );
        SheetOutcome {
            key,
            sheet: sheet.line.impression.sheet,
            sha256: sha.to_owned(),
            info: None,
            stages: self
                .instances
                .iter()
                .map(|i| StageOutcome {
                    stage: i.manifest().name.clone(),
                    status: "too large".to_owned(),
                    reason: reason.clone(),
                    rows: std::collections::BTreeMap::new(),
                })
                .collect(),
            notes: Vec::new(),
            pictures: Vec::new(),
        }
    }

    fn measure_all(&self, pool: &rayon::ThreadPool) -> Result<Vec<SheetOutcome>, RunError> {
        let budget = Budget::new(self.plan.memory);
        let slots: Vec<Mutex<Option<SheetOutcome>>> =
            self.plan.sheets.iter().map(|_| Mutex::new(None)).collect();
        let failure: Mutex<Option<RunError>> = Mutex::new(None);
        let fill = |at: usize, outcome: SheetOutcome| {
            *slots[at].lock().unwrap_or_else(PoisonError::into_inner) = Some(outcome);
        };
        // The calling thread hands the sheets out, so that it alone waits for
        // memory; sheets in the pool never wait for one another.
        pool.in_place_scope(|scope| {
            for (at, (sheet, sha)) in self.plan.sheets.iter().zip(self.hashes).enumerate() {
                let failed = || failure.lock().unwrap_or_else(PoisonError::into_inner);
                if self.stopped.load(Ordering::Relaxed) || failed().is_some() {
                    break;
                }
                let file = &sheet.line.impression.file;
                let key = match self.key(sheet, sha) {
                    Ok(key) => key,
                    Err(e) => {
                        failed().get_or_insert(e);
                        break;
                    }
                };
                if let Some(earlier) = self.earlier(sheet.line.impression.sheet, &key) {
                    self.done(&earlier, file, true);
                    fill(at, earlier);
                    continue;
                }
                let bytes = match &sheet.header {
                    Ok(h) => self.plan.sheet_bytes(h),
                    Err(_) => 0,
                };
                if !budget.holds(bytes) {
                    let outcome = self.too_large(sheet, key, sha, bytes);
                    self.done(&outcome, file, false);
                    fill(at, outcome);
                    continue;
                }
                let share = budget.take(bytes);
                let (fill, failure) = (&fill, &failure);
                scope.spawn(move |_| {
                    let sink = self.plan.pictures.write.then_some(self.sink);
                    let outcome = sheet::work(
                        sheet,
                        key,
                        sha.clone(),
                        self.plan.memory,
                        self.instances,
                        sink,
                        self.stopped,
                    );
                    drop(share);
                    let kept = outcome
                        .and_then(|o| o.map(|o| self.journal.put(&o).map(|()| o)).transpose());
                    let outcome = match kept {
                        Ok(Some(outcome)) => outcome,
                        Ok(None) => return,
                        Err(e) => {
                            failure
                                .lock()
                                .unwrap_or_else(PoisonError::into_inner)
                                .get_or_insert(RunError::Write(e));
                            return;
                        }
                    };
                    self.done(&outcome, file, false);
                    fill(at, outcome);
                });
            }
        });
        if let Some(e) = failure.into_inner().unwrap_or_else(PoisonError::into_inner) {
            return Err(e);
        }
        slots
            .into_iter()
            .map(|s| {
                s.into_inner()
                    .unwrap_or_else(PoisonError::into_inner)
                    .ok_or(RunError::Cancelled)
            })
            .collect()
    }
}

/// What the stages say of the run as a whole.
#[derive(Default)]
struct Summed {
    rows: Vec<(String, String, Vec<Value>)>,
    notes: Vec<Note>,
    pictures: Vec<PictureRef>,
}

impl Summed {
    fn add(
        &mut self,
        plan: &Plan,
        at: usize,
        instance: &mut Instance,
        sheets: &mut [SheetOutcome],
        sink: &dyn PictureSink,
        observer: &dyn Observer,
    ) -> Result<(), RunError> {
        let m = instance.manifest().clone();
        let own = m.gives.tables.iter().map(|t| &t.name);
        let any = m.needs.optional_tables.iter().any(|n| n == EVERY_TABLE);
        let before = plan.stages[..at]
            .iter()
            .filter(|_| any)
            .flat_map(|s| &s.manifest().gives.tables)
            .map(|t| &t.name)
            .filter(|n| !m.needs.tables.contains(n) && !m.needs.optional_tables.contains(n));
        let names = m
            .needs
            .tables
            .iter()
            .chain(&m.needs.optional_tables)
            .chain(before)
            .chain(own);
        let tables: Vec<Table> = names
            .filter_map(|n| match n.as_str() {
                SHEET_STATUS => Some(tables::missing(plan, sheets, at)),
                n => tables::for_summary(plan, sheets, &self.rows, n),
            })
            .collect();
        let impressions: Vec<_> = plan
            .sheets
            .iter()
            .map(|s| s.line.impression.clone())
            .collect();
        let found = instance
            .summarise(Summary {
                impressions: &impressions,
                tables: &tables,
            })
            .map_err(|e| RunError::Stage {
                stage: m.name.clone(),
                reason: format!("could not sum up the run: {e}"),
            })?;
        for v in &found.verdicts {
            let line = plan.sheets.iter().map(|s| &s.line.impression);
            observer.event(&Event::Verdict {
                sheet: v.sheet,
                file: line
                    .filter(|i| i.sheet == v.sheet)
                    .map(|i| i.file.clone())
                    .next()
                    .unwrap_or_default(),
                status: v.status.clone(),
                reason: v.reason.clone(),
            });
            for s in sheets.iter_mut().filter(|s| s.sheet == v.sheet) {
                for stage in &mut s.stages[at..] {
                    stage.status.clone_from(&v.status);
                    stage.reason.clone_from(&v.reason);
                    stage.rows.clear();
                }
            }
        }
        for (table, row) in found.rows {
            self.rows.push((m.name.clone(), table, row));
        }
        for (level, text) in found.notes {
            self.note(&m.name, level, text);
        }
        for p in &found.pictures {
            let image = found.images.iter().find(|i| i.name == p.base);
            let base = match image {
                _ if p.chart().is_some() || p.drawing().is_some() => Some(Base::Chart),
                image => image.map(|i| Base::Image(i.raster.view())),
            };
            let written = base
                .ok_or_else(|| PictureError::no_base(&p.base))
                .and_then(|b| sink.write(None, &m.name, p, b, None));
            match written {
                Ok(picture) => self.pictures.push(picture),
                Err(PictureError::Write(e)) => return Err(RunError::Write(e)),
                Err(PictureError::Draw(e)) => self.note(
                    &m.name,
                    Level::Warning,
                    format!("picture `{}` could not be drawn: {e}", p.name),
                ),
            }
        }
        Ok(())
    }

    fn note(&mut self, stage: &str, level: Level, text: String) {
        self.notes.push(Note {
            stage: stage.to_owned(),
            level,
            text,
        });
    }
}
