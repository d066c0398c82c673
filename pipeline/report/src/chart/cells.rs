//! Panels of named rows with cells.

use restrike_model::{Fill, Panel, Plot, Tone};
use svg::node::element::{Group, Rectangle, Title};

use super::{LEFT, RIGHT, WIDTH, colour, label, px, rule};

/// Height of a row.
pub(super) const ROW: f64 = 28.0;
/// Height of a cell, in the middle of its row.
const CELL: f64 = 18.0;
/// Characters of a row's name that fit beside it.
const NAME: usize = 12;

/// The rows' names, each once, in order.
pub(super) fn rows(panel: &Panel) -> Vec<&str> {
    let mut found: Vec<&str> = Vec::new();
    for plot in &panel.plots {
        if let Plot::Cells { row, .. } = plot
            && !found.contains(&row.as_str())
        {
            found.push(row);
        }
    }
    found
}

/// Draws the rows of a panel; `across` takes a value of the axis to a place.
pub(super) fn draw(
    mut group: Group,
    panel: &Panel,
    rows: &[&str],
    top: f64,
    across: impl Fn(f64) -> f64,
) -> Group {
    for (k, name) in rows.iter().enumerate() {
        let foot = top + (k + 1) as f64 * ROW;
        group = group.add(rule((LEFT, foot), (WIDTH - RIGHT, foot), "#e2e2e2", 1.0));
        let short = if name.chars().count() > NAME {
            let start: String = name.chars().take(NAME - 1).collect();
            format!("{start}\u{2026}")
        } else {
            (*name).to_owned()
        };
        let words = label(&short, LEFT - 8.0, foot - ROW / 2.0 + 4.5, "end");
        group = group.add(words.add(Title::new(*name)));
    }
    for plot in &panel.plots {
        let Plot::Cells {
            row,
            spans,
            tone,
            fill,
            ..
        } = plot
        else {
            continue;
        };
        let Some(k) = rows.iter().position(|r| r == row) else {
            continue;
        };
        let head = top + k as f64 * ROW + (ROW - CELL) / 2.0;
        for [from, to] in spans {
            if from.is_finite() && to.is_finite() {
                let (a, b) = (across(from.min(*to)), across(from.max(*to)));
                group = group.add(cell((a, b), head, *tone, *fill));
            }
        }
    }
    group
}

/// A cell between two places, hanging from `head`.
pub(super) fn cell((from, to): (f64, f64), head: f64, tone: Tone, fill: Fill) -> Rectangle {
    // Neighbours stay apart where there is room.
    let gap = ((to - from) * 0.1).min(2.0);
    let (from, width) = (from + gap / 2.0, (to - from - gap).max(0.5));
    let inside = |part: f64| {
        Rectangle::new()
            .set("x", px(from))
            .set("y", px(head + CELL * (1.0 - part)))
            .set("width", px(width))
            .set("height", px(CELL * part))
            .set("fill", colour(tone))
    };
    match fill {
        Fill::Full => inside(1.0),
        Fill::Half => inside(0.5),
        Fill::Foot => inside(0.2),
        Fill::Outline => Rectangle::new()
            .set("x", px(from + 0.8))
            .set("y", px(head + 0.8))
            .set("width", px((width - 1.6).max(0.1)))
            .set("height", px(CELL - 1.6))
            .set("fill", "none")
            .set("stroke", colour(tone))
            .set("stroke-width", 1.6),
    }
}
