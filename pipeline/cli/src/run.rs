//! `restrike run`.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use restrike_engine::{MEASURED, RunError, RunResult};
use restrike_report::Writer;
use serde_json::json;

use crate::args::RunArgs;
use crate::tell::Teller;
use crate::write::{self, Pictures};
use crate::{ALL_MEASURED, End, SOME_NOT_MEASURED, STOPPED, plan};

pub(crate) fn run(args: &RunArgs, teller: &Teller) -> Result<u8, End> {
    let plan = plan::make(&args.inputs, args.replace, false)?;
    let stopped = Arc::new(AtomicBool::new(false));
    let asked = Arc::clone(&stopped);
    ctrlc::set_handler(move || {
        if asked.swap(true, Ordering::Relaxed) {
            // Asked twice: no more patience. What is on the disk is whole.
            std::process::exit(i32::from(STOPPED));
        }
    })
    .map_err(End::failed)?;

    let writer = Writer::new(&plan.output).map_err(End::refused)?;
    let pictures = Pictures {
        writer: &writer,
        options: &plan.pictures,
    };
    let threads = args.threads.map(usize::from);
    let result =
        restrike_engine::run(&plan, threads, &pictures, teller, &stopped).map_err(|e| end(&e))?;
    write::finish(writer, &plan, &result).map_err(End::failed)?;
    Ok(tell_counts(&result, &plan.output, teller))
}

fn end(e: &RunError) -> End {
    match e {
        RunError::Refused(_) => End::refused(e),
        RunError::Cancelled => End {
            code: STOPPED,
            kind: "stopped",
            message: e.to_string(),
        },
        RunError::Stage { .. } | RunError::Write(_) | RunError::Threads(_) => End::failed(e),
    }
}

fn tell_counts(result: &RunResult, output: &std::path::Path, teller: &Teller) -> u8 {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for s in &result.sheets {
        let status = s.trouble().map_or(MEASURED, |(status, _)| status);
        match counts.iter_mut().find(|(name, _)| *name == status) {
            Some((_, n)) => *n += 1,
            None => counts.push((status, 1)),
        }
    }
    counts.sort_unstable();
    let all = result.sheets.iter().all(|s| s.trouble().is_none());
    let listed: Vec<String> = counts.iter().map(|(s, n)| format!("{n} {s}")).collect();
    let as_map: serde_json::Map<String, serde_json::Value> = counts
        .iter()
        .map(|(s, n)| ((*s).to_owned(), json!(n)))
        .collect();
    teller.finish(
        &json!({"event": "finished", "sheets": as_map, "output": output}),
        &format!(
            "{}: {}; see {}",
            plan::counted(result.sheets.len(), "sheet"),
            listed.join(", "),
            output.join("index.html").display()
        ),
    );
    if all { ALL_MEASURED } else { SOME_NOT_MEASURED }
}
