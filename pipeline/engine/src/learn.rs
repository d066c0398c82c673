//! Learning: each stage that learns sees the reference impressions in list
//! order, then puts its parts of the block record out.

use std::collections::BTreeMap;
use std::sync::atomic::Ordering;

use restrike_host::{Instance, Stopped};
use restrike_model::{Learn, Role};

use crate::hash;
use crate::observe::{Event, Observer};
use crate::outcome::{MEASURED, Note};
use crate::plan::{Plan, SheetPlan, StagePlan};
use crate::record::{Part, Record};
use crate::run::RunError;
use crate::sheet::OpenSheet;

/// Makes a stage ready with the parts of the record it names.
pub(crate) fn instance(
    plan: &Plan,
    stage: &StagePlan,
    record: &Record,
    stopped: &Stopped,
) -> Result<(Instance, Vec<Note>), RunError> {
    let m = stage.manifest();
    let parts: BTreeMap<String, Vec<u8>> = record
        .parts
        .iter()
        .filter(|(n, _)| m.needs.records.contains(n) || m.gives.records.contains(n))
        .map(|(n, p)| (n.clone(), p.data.clone()))
        .collect();
    let made = Instance::new(
        &stage.library,
        &stage.settings,
        &plan.project,
        &parts,
        stopped,
    );
    let (instance, found) = made.map_err(|e| RunError::Stage {
        stage: m.name.clone(),
        reason: e.to_string(),
    })?;
    Ok((instance, notes(&m.name, found.notes)))
}

fn notes(stage: &str, list: Vec<(restrike_model::Level, String)>) -> Vec<Note> {
    list.into_iter()
        .map(|(level, text)| Note {
            stage: stage.to_owned(),
            level,
            text,
        })
        .collect()
}

/// Learns what there is to learn; returns the record to measure with.
pub(crate) fn learn(
    plan: &Plan,
    hashes: &[String],
    stopped: &Stopped,
    observer: &dyn Observer,
) -> Result<(Record, Vec<Note>), RunError> {
    let references: Vec<(&SheetPlan, &String)> = plan
        .sheets
        .iter()
        .zip(hashes)
        .filter(|(s, _)| s.line.impression.role != Role::Run)
        .collect();
    let folder = plan.output.join("record");
    let mut record = plan.record.clone();
    let mut said = Vec::new();
    if references.is_empty() {
        return Ok((record, said));
    }
    // A record of an earlier run that cannot be read is learned anew.
    let before = Record::load(&folder).unwrap_or_default();
    for (at, stage) in plan.stages.iter().enumerate() {
        let m = stage.manifest();
        if !m.phases.learn {
            continue;
        }
        let origin = origin(plan, &references, at, &record)?;
        let kept: Vec<(String, Part)> = before
            .parts
            .iter()
            .filter(|(_, p)| p.stage == m.name && p.origin == origin)
            .map(|(n, p)| (n.clone(), p.clone()))
            .collect();
        if !kept.is_empty() {
            record.parts.extend(kept);
            observer.event(&Event::LearnedBefore {
                stage: m.name.clone(),
            });
            continue;
        }
        observer.event(&Event::Learning {
            stage: m.name.clone(),
            impressions: references.len(),
        });
        let learned = learn_stage(plan, at, &record, &references, stopped)?;
        for n in &learned.1 {
            observer.event(&Event::Note {
                sheet: None,
                stage: n.stage.clone(),
                level: n.level,
                text: n.text.clone(),
            });
        }
        said.extend(learned.1);
        for (name, data) in learned.0 {
            record.parts.insert(
                name,
                Part {
                    stage: m.name.clone(),
                    origin: origin.clone(),
                    data,
                },
            );
        }
    }
    record
        .save(&folder, &plan.project.design)
        .map_err(RunError::Write)?;
    Ok((record, said))
}

/// Fingerprint of all that a stage's learning rests on.
fn origin(
    plan: &Plan,
    references: &[(&SheetPlan, &String)],
    at: usize,
    record: &Record,
) -> Result<String, RunError> {
    let mut parts = vec![hash::json(&plan.project)?];
    for s in &plan.stages[..=at] {
        parts.push(s.library.sha256().to_owned());
        parts.push(s.settings.to_string());
    }
    for (s, sha) in references {
        parts.push(hash::json(&s.line.impression)?);
        parts.push(format!("{:?}", s.dpi));
        parts.push((*sha).clone());
    }
    for (name, p) in &plan.record.parts {
        parts.push(name.clone());
        parts.push(hash::of_bytes(&p.data));
    }
    for (name, p) in &record.parts {
        parts.push(name.clone());
        parts.push(p.origin.clone());
    }
    Ok(hash::of_parts(parts.iter().map(String::as_str)))
}

type Learned = (Vec<(String, Vec<u8>)>, Vec<Note>);

fn learn_stage(
    plan: &Plan,
    at: usize,
    record: &Record,
    references: &[(&SheetPlan, &String)],
    stopped: &Stopped,
) -> Result<Learned, RunError> {
    let name = plan.stages[at].manifest().name.clone();
    let failed = |reason: String| RunError::Stage {
        stage: name.clone(),
        reason: format!("could not learn: {reason}"),
    };
    let mut said = Vec::new();
    let mut instances = Vec::new();
    for stage in &plan.stages[..=at] {
        let (instance, notes) = instance(plan, stage, record, stopped)?;
        said.extend(notes);
        instances.push(instance);
    }
    let Some(mut learner) = instances.pop() else {
        return Ok((Vec::new(), said));
    };
    let mut parts = Vec::new();
    for (sheet, sha) in references {
        if stopped.load(Ordering::Relaxed) {
            return Err(RunError::Cancelled);
        }
        let file = &sheet.line.impression.file;
        let left_out = |why: &str| Note {
            stage: name.clone(),
            level: restrike_model::Level::Warning,
            text: format!("nothing learned from {file}: {why}"),
        };
        let mut open = match OpenSheet::open(sheet, plan.memory, sha) {
            Ok(open) => open,
            Err((_, reason)) => {
                said.push(left_out(&reason));
                continue;
            }
        };
        let before = instances.iter().find_map(|i| {
            let (done, _) = open.measure(i);
            (done.status != MEASURED).then_some(done)
        });
        if let Some(done) = before {
            said.push(left_out(&format!("{}: {}", done.status, done.reason)));
            continue;
        }
        let found = open
            .learn(&mut learner)
            .map_err(|e| failed(format!("{file}: {e}")))?;
        said.extend(notes(&name, found.notes));
        parts.extend(found.records);
    }
    let found = learner
        .learn(Learn::Finish)
        .map_err(|e| failed(e.to_string()))?;
    said.extend(notes(&name, found.notes));
    parts.extend(found.records);
    Ok((parts, said))
}
