//! Findings in words.

use crate::judge::Stand;
use crate::settings::Leads;
use crate::tolerance::Finding;
use restrike_stage::figures::{figure, with_unit};

/// The finding in a sentence without a full stop.
pub(crate) fn finding(f: &Finding) -> String {
    let block = f.block.as_deref().filter(|b| !f.name.contains(b));
    let of = block.map(|b| format!(" ({b})")).unwrap_or_default();
    let name = format!("{}{of}", f.name);
    let note = if f.note.is_empty() {
        String::new()
    } else {
        format!(" {}", f.note)
    };
    match (f.stand, f.quantity) {
        (Stand::Missing, _) if note.is_empty() => format!("{name}: not measured"),
        (Stand::Missing, _) => format!("{name}: not measured:{note}"),
        (_, None) => format!(
            "{name}: \u{201c}{}\u{201d}{}: {}",
            f.note,
            of_rows(f),
            f.leads.name()
        ),
        (stand, Some(q)) => {
            let known = if q.low < q.high {
                format!(" (between {} and {})", figure(q.low), figure(q.high))
            } else {
                String::new()
            };
            let value = with_unit(&figure(q.value), f.unit);
            let limit = limit(f);
            let end = match (stand, f.leads) {
                (Stand::Inside, _) => format!("inside {limit}"),
                (Stand::Unsure, Leads::LookAgain) => format!("look again {limit}, which it may be"),
                (Stand::Unsure, leads) => {
                    format!("{} {limit}, which it may be: look again", leads.name())
                }
                (_, leads) => format!("{} {limit}", leads.name()),
            };
            format!("{name}: {value}{known}{note}{}; {end}", of_rows(f))
        }
    }
}

fn of_rows(f: &Finding) -> String {
    if f.rows > 1 && f.column.is_some() {
        format!(
            ", the worst of {} rows, {} of them outside",
            f.rows, f.outside
        )
    } else {
        String::new()
    }
}

fn limit(f: &Finding) -> String {
    let say = |v: f64| with_unit(&figure(v), f.unit);
    match (f.limits.low, f.limits.high) {
        (Some(low), Some(high)) => format!("outside {} to {}", figure(low), say(high)),
        (None, Some(high)) => format!("over {}", say(high)),
        (Some(low), None) => format!("under {}", say(low)),
        (None, None) => String::new(),
    }
}
