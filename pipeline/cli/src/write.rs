//! Between the engine and the report: pictures as they come, tables and the
//! rest at the end.

use std::path::Path;

use restrike_engine::{
    Base, MEASURED, Note, PictureError, PictureOptions, PictureRef, PictureSink, Plan, RunResult,
};
use restrike_model::{Impression, Picture};
use restrike_report::datapackage::Package;
use restrike_report::picture::{self, Options};
use restrike_report::runjson::{self, NotMeasured, Program, RunRecord, ScanRecord, StageRecord};
use restrike_report::{PictureFile, ReportError, Writer};
use restrike_report::{chart, drawing};

/// Renders pictures and writes them into the output folder.
pub(crate) struct Pictures<'a> {
    pub(crate) writer: &'a Writer,
    pub(crate) options: &'a PictureOptions,
}

impl PictureSink for Pictures<'_> {
    fn write(
        &self,
        impression: Option<&Impression>,
        stage: &str,
        picture: &Picture,
        base: Base<'_>,
        mm_per_px: Option<[f64; 2]>,
    ) -> Result<PictureRef, PictureError> {
        let options = Options {
            long_side_px: (!self.options.full_size).then_some(self.options.long_side_px as usize),
            base_mm_per_px: mm_per_px,
            ..Options::default()
        };
        let rendered = match base {
            Base::Scan(view) => picture::render(picture, picture::Base::Light(view), &options),
            Base::Image(view) if picture.samples().is_some() => picture::samples(picture, view),
            Base::Image(view) => {
                let base = picture::Base::of_stage(view, &picture.base);
                picture::render(picture, base, &options)
            }
            Base::Chart if picture.drawing().is_some() => drawing::render(picture),
            Base::Chart => chart::render(picture),
        }
        .map_err(|e| PictureError::Draw(e.to_string()))?;
        let file = self
            .writer
            .picture(stage, impression, picture, &rendered)
            .map_err(|e| {
                PictureError::Write(std::io::Error::new(e.source.kind(), e.to_string()))
            })?;
        Ok(PictureRef {
            stage: file.stage,
            name: file.name,
            caption: file.caption,
            file: file.path,
            width: file.width,
            height: file.height,
        })
    }

    fn exists(&self, file: &str) -> bool {
        inside(self.writer.root(), file).is_some_and(|p| p.is_file())
    }

    fn remove(&self, file: &str) {
        if let Some(path) = inside(self.writer.root(), file) {
            // It may be gone already, and only drawings have a print.
            let _ = std::fs::remove_file(path.with_extension("pdf"));
            let _ = std::fs::remove_file(path);
        }
    }
}

/// A picture's path, if it names something below the pictures folder.
fn inside(root: &Path, file: &str) -> Option<std::path::PathBuf> {
    let plain = file.starts_with("pictures/") && !file.split('/').any(|p| p == "..");
    plain.then(|| root.join(file))
}

fn listed(picture: &PictureRef, sheet: Option<usize>) -> PictureFile {
    PictureFile {
        stage: picture.stage.clone(),
        sheet,
        name: picture.name.clone(),
        caption: picture.caption.clone(),
        path: picture.file.clone(),
        width: picture.width,
        height: picture.height,
    }
}

fn noted(note: &Note, sheet: Option<usize>) -> runjson::Note {
    runjson::Note {
        level: note.level,
        stage: Some(note.stage.clone()),
        sheet,
        text: note.text.clone(),
    }
}

/// `run.json` of a run: the same for the same scans, settings and programs.
fn record(plan: &Plan, result: &RunResult) -> RunRecord {
    let stages = plan.stages.iter().map(|s| {
        let m = s.manifest();
        StageRecord {
            name: m.name.clone(),
            version: m.version.clone(),
            summary: m.summary.clone(),
            library: s
                .library
                .path()
                .file_name()
                .map(|n| n.to_string_lossy().into_owned())
                .unwrap_or_default(),
            library_sha256: s.library.sha256().to_owned(),
            settings: s.settings.clone(),
            tables: m.gives.tables.iter().map(|t| t.name.clone()).collect(),
        }
    });
    let scans = plan
        .sheets
        .iter()
        .zip(&result.sheets)
        .map(|(p, s)| ScanRecord {
            impression: p.line.impression.clone(),
            sha256: (!s.sha256.is_empty()).then(|| s.sha256.clone()),
            info: s.info.clone(),
            measured: s.trouble().is_none(),
        });
    let not_measured = result.sheets.iter().flat_map(|s| {
        let mut last = None;
        s.stages
            .iter()
            .filter(move |stage| {
                // What a sheet is holds for all later stages: said once.
                let news = last.as_ref() != Some(&(&stage.status, &stage.reason));
                last = Some((&stage.status, &stage.reason));
                stage.status != MEASURED && news
            })
            .map(|stage| NotMeasured {
                sheet: Some(s.sheet),
                stage: s.info.is_some().then(|| stage.stage.clone()),
                status: stage.status.clone(),
                reason: stage.reason.clone(),
            })
    });
    let sheet_notes = result
        .sheets
        .iter()
        .flat_map(|s| s.notes.iter().map(|n| noted(n, Some(s.sheet))));
    RunRecord {
        program: Program {
            name: "restrike".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            abi_version: restrike_host::ABI_VERSION,
        },
        design: plan.project.design.clone(),
        settings: serde_json::json!({
            "config": plan.config_name,
            "project": plan.project,
            "pictures": plan.pictures,
        }),
        stages: stages.collect(),
        scans: scans.collect(),
        not_measured: not_measured.collect(),
        notes: result
            .notes
            .iter()
            .map(|n| noted(n, None))
            .chain(sheet_notes)
            .collect(),
        circumstances: None,
    }
}

/// Writes everything that is written at the end.
pub(crate) fn finish(
    mut writer: Writer,
    plan: &Plan,
    result: &RunResult,
) -> Result<(), ReportError> {
    // The result still holds the folder's lock: no other run is writing.
    writer.remove_leftovers()?;
    for t in &result.tables {
        writer.table(&t.stage, &t.spec, &t.rows)?;
    }
    let pictures: Vec<PictureFile> = result
        .pictures
        .iter()
        .map(|p| listed(p, None))
        .chain(
            result
                .sheets
                .iter()
                .flat_map(|s| s.pictures.iter().map(|p| listed(p, Some(s.sheet)))),
        )
        .collect();
    let package = Package {
        name: plan.project.design.clone(),
        title: format!("{}: measurements from scans", plan.project.design),
        description: format!(
            "Tables written by restrike from {} scans; `run.json` holds versions, settings, \
             the scans' hashes and what was not measured.",
            plan.sheets.len()
        ),
    };
    writer.finish(&package, &record(plan, result), &pictures)
}
