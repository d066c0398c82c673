//! The stack as strips: a row for the sheets and each image, a row for each
//! tolerance that is not kept, along the position in the stack.

use std::collections::BTreeMap;

use restrike_stage::{Chart, Fill, Panel, Picture, Plot, Tone};

use crate::grade::{Grade, LOOK_AGAIN};
use crate::judge::Stand;
use crate::sheets::WHOLE;
use crate::stage::GradedSheet;

/// Name of the pictures; each adds its edition's number.
pub(crate) const PICTURE: &str = "stack";
/// Rows for tolerances at most: those that most sheets do not keep.
const MOST_ROWS: usize = 14;
/// Cells of a row at most: more would not be told apart.
const MOST_CELLS: usize = 430;

/// What a cell shows, the gravest last.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Shown {
    Pass,
    Second,
    LookAgain,
    Reject,
}

impl Shown {
    const ALL: [Self; 4] = [Self::Pass, Self::Second, Self::LookAgain, Self::Reject];

    fn of(grade: Option<Grade>) -> Self {
        match grade {
            Some(Grade::Pass) => Self::Pass,
            Some(Grade::Second) => Self::Second,
            Some(Grade::Reject) => Self::Reject,
            None => Self::LookAgain,
        }
    }

    /// Told apart by height and filling; the colours only help.
    fn drawn(self) -> (&'static str, Tone, Fill) {
        match self {
            Self::Pass => (Grade::Pass.name(), Tone::Measured, Fill::Foot),
            Self::Second => (Grade::Second.name(), Tone::Notice, Fill::Half),
            Self::LookAgain => (LOOK_AGAIN, Tone::Guide, Fill::Outline),
            Self::Reject => (Grade::Reject.name(), Tone::Fault, Fill::Full),
        }
    }
}

/// A row: what is shown at each place.
struct Strip {
    name: String,
    cells: Vec<(f64, Shown)>,
}

/// The picture of an edition. `None` without sheets.
pub(crate) fn stack(
    number: usize,
    edition: &str,
    sheets: &[&GradedSheet<'_>],
    caption: &str,
) -> Option<Picture> {
    let placed = sheets.iter().all(|s| s.impression.position.is_some());
    #[allow(clippy::cast_precision_loss)]
    let at = |s: &GradedSheet<'_>| match s.impression.position {
        Some(p) if placed => p as f64,
        _ => s.impression.sheet as f64,
    };
    let first = sheets.iter().map(|s| at(s)).min_by(f64::total_cmp)?;
    let last = sheets.iter().map(|s| at(s)).max_by(f64::total_cmp)?;
    #[allow(clippy::cast_precision_loss)]
    let step = ((last - first + 1.0) / MOST_CELLS as f64).ceil().max(1.0);
    let images = grades(sheets, &at);
    let reasons = reasons(sheets, &at);
    let mut panels = vec![panel(&images, first, step)];
    if !reasons.is_empty() {
        panels.push(panel(&reasons, first, step));
    }
    let mut x_label = if placed {
        "position in the stack".to_owned()
    } else {
        "place in the sheet list".to_owned()
    };
    if step > 1.0 {
        x_label.push_str(&format!(" (each cell {step} places, the gravest shown)"));
    }
    let of = if edition.is_empty() {
        String::new()
    } else {
        format!(", edition {edition}")
    };
    let chart = Chart {
        title: format!("Grades of the stack{of}, and the tolerances not kept"),
        x_label,
        panels,
    };
    Some(Picture::of_chart(
        &format!("{PICTURE}-{number:04}"),
        caption,
        chart,
    ))
}

fn grades(sheets: &[&GradedSheet<'_>], at: &impl Fn(&GradedSheet<'_>) -> f64) -> Vec<Strip> {
    let names: Vec<&str> = sheets
        .first()
        .map(|s| s.images.iter().map(|i| i.name.as_str()).collect())
        .unwrap_or_default();
    let mut strips = vec![Strip {
        name: if names.len() > 1 { "sheet" } else { WHOLE }.to_owned(),
        cells: sheets
            .iter()
            .map(|s| (at(s), Shown::of(s.judged.standing.grade())))
            .collect(),
    }];
    if names.len() > 1 {
        strips.extend(names.iter().enumerate().map(|(k, name)| {
            Strip {
                name: (*name).to_owned(),
                cells: sheets
                    .iter()
                    .filter_map(|s| {
                        Some((at(s), Shown::of(s.images.get(k)?.judged.standing.grade())))
                    })
                    .collect(),
            }
        }));
    }
    strips
}

/// The tolerances that most sheets do not keep, with what each leads to there.
fn reasons(sheets: &[&GradedSheet<'_>], at: &impl Fn(&GradedSheet<'_>) -> f64) -> Vec<Strip> {
    let mut by_name: BTreeMap<String, BTreeMap<usize, Shown>> = BTreeMap::new();
    for (k, s) in sheets.iter().enumerate() {
        for f in s.images.iter().flat_map(|i| &i.findings) {
            // One name for a block's register whatever the image.
            let shown = match f.stand {
                Stand::Inside => continue,
                _ => Shown::of(f.standing().grade()),
            };
            let name = match &f.block {
                Some(b) if !f.name.contains(b.as_str()) => format!("{b} {}", f.name),
                Some(b) if f.name == format!("register {b}") => b.clone(),
                _ => f.name.clone(),
            };
            let cell = by_name.entry(name).or_default().entry(k).or_insert(shown);
            *cell = (*cell).max(shown);
        }
    }
    let mut found: Vec<(String, BTreeMap<usize, Shown>)> = by_name.into_iter().collect();
    found.sort_by(|a, b| b.1.len().cmp(&a.1.len()).then(a.0.cmp(&b.0)));
    found.truncate(MOST_ROWS);
    found
        .into_iter()
        .map(|(name, cells)| Strip {
            name,
            cells: cells.into_iter().map(|(k, s)| (at(sheets[k]), s)).collect(),
        })
        .collect()
}

fn panel(strips: &[Strip], first: f64, step: f64) -> Panel {
    let mut plots = Vec::new();
    for strip in strips {
        let mut cells: BTreeMap<i64, Shown> = BTreeMap::new();
        for (at, shown) in &strip.cells {
            #[allow(clippy::cast_possible_truncation)]
            let bin = ((at - first) / step).floor() as i64;
            let cell = cells.entry(bin).or_insert(*shown);
            *cell = (*cell).max(*shown);
        }
        for shown in Shown::ALL {
            #[allow(clippy::cast_precision_loss)]
            let spans: Vec<[f64; 2]> = cells
                .iter()
                .filter(|c| *c.1 == shown)
                .map(|(bin, _)| {
                    let from = first - 0.5 + *bin as f64 * step;
                    [from, from + step]
                })
                .collect();
            if spans.is_empty() {
                continue;
            }
            let (name, tone, fill) = shown.drawn();
            plots.push(Plot::Cells {
                name: name.to_owned(),
                row: strip.name.clone(),
                spans,
                tone,
                fill,
            });
        }
    }
    Panel {
        y_label: String::new(),
        plots,
    }
}
