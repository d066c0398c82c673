//! `restrike check`: the plan, without running it.

use restrike_engine::{Overrides, Plan};
use restrike_host::Search;
use restrike_model::Role;

use crate::args::Inputs;
use crate::{ALL_MEASURED, End, SOME_NOT_MEASURED, print};

/// Makes the plan of a command line.
pub(crate) fn make(inputs: &Inputs, replace: bool, only_checked: bool) -> Result<Plan, End> {
    let search = Search::new(inputs.search.plugin_dir.clone());
    let overrides = Overrides {
        sheets: inputs.sheets.clone(),
        output: inputs.out.clone(),
        record: inputs.record.clone(),
        memory_mib: inputs.memory,
        replace,
        only_checked,
    };
    Plan::new(&inputs.config, &overrides, &search).map_err(End::refused)
}

pub(crate) fn check(inputs: &Inputs) -> Result<u8, End> {
    let plan = make(inputs, false, true)?;
    let mut text = subject(&plan);
    text.push_str(&sheets(&plan));
    text.push_str(&scans(&plan));
    for s in &plan.stages {
        let m = s.manifest();
        let tables: Vec<&str> = m
            .gives
            .tables
            .iter()
            .filter(|t| !t.internal)
            .map(|t| t.name.as_str())
            .collect();
        text.push_str(&format!(
            "stage: {} {} gives {}\n",
            m.name,
            m.version,
            tables.join(", ")
        ));
    }
    text.push_str(&output(&plan));
    for w in plan.warnings() {
        text.push_str(&format!("look at this: {w}\n"));
    }
    let mut trouble = 0;
    for s in &plan.sheets {
        let problem = match &s.header {
            Err(e) => Some(e.clone()),
            Ok(h) if plan.sheet_bytes(h) > plan.memory => Some(format!(
                "needs {} MiB, the bound is {} MiB",
                mib(plan.sheet_bytes(h)),
                plan.memory >> 20
            )),
            Ok(_) => None,
        };
        if let Some(p) = problem {
            trouble += 1;
            text.push_str(&format!(
                "sheet {}, {}: cannot be measured: {p}\n",
                s.line.impression.sheet, s.line.impression.file
            ));
        }
    }
    print(&text)?;
    Ok(if trouble == 0 {
        ALL_MEASURED
    } else {
        SOME_NOT_MEASURED
    })
}

fn mib(bytes: u64) -> u64 {
    bytes.div_ceil(1 << 20)
}

/// A count with its noun.
pub(crate) fn counted(n: usize, noun: &str) -> String {
    format!("{n} {noun}{}", if n == 1 { "" } else { "s" })
}

/// The design, its sheet, images, blocks and marks.
fn subject(plan: &Plan) -> String {
    let p = &plan.project;
    let sheet = match &p.sheet {
        Some(s) => format!("{} x {} mm", s.width_mm, s.height_mm),
        None => "size not stated (`[sheet]`)".to_owned(),
    };
    let images: Vec<String> = p
        .images
        .iter()
        .map(|i| {
            format!(
                "{} {} x {} mm about ({}, {})",
                i.name, i.width_mm, i.height_mm, i.x_mm, i.y_mm
            )
        })
        .collect();
    let blocks: Vec<String> = p
        .blocks
        .iter()
        .map(|b| match (b.key, b.bokashi) {
            (true, _) => format!("{} (key)", b.name),
            (_, true) => format!("{} (bokashi)", b.name),
            _ => b.name.clone(),
        })
        .collect();
    let or_none = |list: Vec<String>, none: &str| {
        if list.is_empty() {
            none.to_owned()
        } else {
            list.join(", ")
        }
    };
    format!(
        "design: {}\nsheet: {sheet}\nimages: {}\nblocks: {}\nmarks: {}\n",
        p.design,
        or_none(images, "none stated (`[[image]]`)"),
        or_none(blocks, "none stated (`block_list`)"),
        match p.marks.len() {
            0 => "none stated (`[[mark]]`)".to_owned(),
            n => counted(n, "contact"),
        },
    )
}

/// The sheet list by role.
fn sheets(plan: &Plan) -> String {
    let roles = || plan.sheets.iter().map(|s| &s.line.impression.role);
    let mut proofs: Vec<(&str, usize)> = Vec::new();
    for role in roles() {
        if let Role::Proof(block) = role {
            match proofs.iter_mut().find(|(name, _)| name == block) {
                Some((_, n)) => *n += 1,
                None => proofs.push((block, 1)),
            }
        }
    }
    let of = |role: Role| roles().filter(|r| **r == role).count();
    let mut parts = [
        counted(of(Role::Reference), "reference"),
        counted(proofs.iter().map(|p| p.1).sum(), "proof"),
        format!("{} of the run", of(Role::Run)),
    ];
    if !proofs.is_empty() {
        let each: Vec<String> = proofs.iter().map(|(b, n)| format!("{b} {n}")).collect();
        parts[1].push_str(&format!(" ({})", each.join(", ")));
    }
    format!(
        "sheets: {} in {}: {}\n",
        plan.sheets.len(),
        plan.list.display(),
        parts.join(", ")
    )
}

/// Resolutions, and the memory the largest scan takes.
fn scans(plan: &Plan) -> String {
    let mut kinds: Vec<(String, usize)> = Vec::new();
    for (dpi, source) in plan.sheets.iter().filter_map(|s| s.dpi.as_ref()) {
        let kind = format!("{:.0} dpi ({source})", dpi.mean());
        match kinds.iter_mut().find(|(k, _)| *k == kind) {
            Some((_, n)) => *n += 1,
            None => kinds.push((kind, 1)),
        }
    }
    let listed: Vec<String> = kinds.iter().map(|(k, n)| format!("{n} at {k}")).collect();
    let headers = plan.sheets.iter().filter_map(|s| s.header.as_ref().ok());
    let largest = headers.map(|h| plan.sheet_bytes(h)).max().unwrap_or(0);
    format!(
        "scans: {}\nmemory: {} MiB for scans in flight, the largest takes {} MiB\n",
        if listed.is_empty() {
            "none can be read".to_owned()
        } else {
            listed.join(", ")
        },
        plan.memory >> 20,
        mib(largest)
    )
}

/// Where results go, and what lies there.
fn output(plan: &Plan) -> String {
    if plan.output.as_os_str().is_empty() {
        return "output: none named: a run needs `output` or --out\n".to_owned();
    }
    let there = match plan.kept() {
        Ok(0) => String::new(),
        Ok(n) => format!(
            ", which holds {} of an earlier run: those are taken over whose scan, line, settings \
             and stages are unchanged",
            counted(n, "sheet")
        ),
        Err(why) => format!("\nlook at this: {}: {why}", plan.output.display()),
    };
    format!("output: {}{there}\n", plan.output.display())
}
