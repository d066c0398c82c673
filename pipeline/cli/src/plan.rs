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
    let count = |f: &dyn Fn(&Role) -> bool| {
        plan.sheets
            .iter()
            .filter(|s| f(&s.line.impression.role))
            .count()
    };
    let mut text = format!(
        "design: {}\nsheets: {} ({} reference, {} proofs, {} run)\noutput: {}\n",
        plan.project.design,
        plan.sheets.len(),
        count(&|r| *r == Role::Reference),
        count(&|r| matches!(r, Role::Proof(_))),
        count(&|r| *r == Role::Run),
        if plan.output.as_os_str().is_empty() {
            "none named: a run needs `output` or --out".to_owned()
        } else {
            plan.output.display().to_string()
        },
    );
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
    for w in plan.warnings() {
        text.push_str(&format!("note: {w}\n"));
    }
    let mut trouble = 0;
    for s in &plan.sheets {
        let problem = match &s.header {
            Err(e) => Some(e.clone()),
            Ok(h) if plan.sheet_bytes(h) > plan.memory => Some(format!(
                "needs {} MiB, the bound is {} MiB",
                plan.sheet_bytes(h).div_ceil(1 << 20),
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
