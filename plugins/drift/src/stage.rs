//! The stage itself.

use std::collections::BTreeMap;

use rayon::prelude::*;
use restrike_ops::false_discovery::grouped;
use restrike_stage::{
    Given, Level, Manifest, Needs, Output, Phases, Project, SHEET_STATUS, Stage, StageError,
    Summary,
};

use crate::assess::{self, Assessed};
use crate::choose;
use crate::copies;
use crate::editions::{self, OverYears};
use crate::model::Course;
use crate::plots;
use crate::series::{self, Axis, Series};
use crate::settings::Settings;
use crate::tables::{self, CHANGES, SERIES, SIGNALS};
use crate::words;
use restrike_stage::figures::figure;

/// The stage.
pub(crate) struct Drift {
    settings: Settings,
}

/// What is known of a series.
enum Found {
    ByPosition(Box<Assessed>),
    ByYear(Box<OverYears>),
    NotAssessed(String),
}

/// A series with what is known of it.
struct Line {
    series: Series,
    found: Found,
    /// Adjusted for all series; none where not assessed.
    q: Option<f64>,
    /// Number of the group of series that say nearly the same.
    group: Option<usize>,
}

impl Found {
    fn p(&self) -> Option<f64> {
        match self {
            Self::ByPosition(a) => Some(a.p),
            Self::ByYear(y) => Some(y.trend.p),
            Self::NotAssessed(_) => None,
        }
    }
}

impl Stage for Drift {
    fn manifest() -> Manifest {
        Manifest {
            name: "drift".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            summary: "What crept or jumped over a stack or over the years, and at which sheet."
                .into(),
            settings: Settings::schema(),
            needs: Needs {
                optional_tables: vec!["*".into(), SHEET_STATUS.into()],
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs(),
                pictures: vec![plots::PICTURE.into()],
                ..Given::default()
            },
            phases: Phases {
                summarise: true,
                ..Phases::default()
            },
            bytes_per_pixel: 0.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        _: &Project,
        _: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        Ok(Self {
            settings: Settings::read(settings)?,
        })
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        self.note_unmatched(&input, out);
        let all = series::gather(&input, &self.settings);
        let found: Vec<Found> = all.par_iter().map(|s| self.assess(s)).collect();
        let p: Vec<f64> = found.iter().filter_map(Found::p).collect();
        let tested: Vec<&Series> = all
            .iter()
            .zip(&found)
            .filter(|(_, f)| f.p().is_some())
            .map(|(s, _)| s)
            .collect();
        let group = copies::groups(&tested);
        let mut q = grouped(&p, &group, self.settings.false_discovery_rate).into_iter();
        let mut group = group.into_iter();
        let mut lines: Vec<Line> = all
            .into_iter()
            .zip(found)
            .map(|(series, found)| Line {
                q: found.p().and_then(|_| q.next()),
                group: found.p().and_then(|_| group.next()),
                series,
                found,
            })
            .collect();
        // The clearest first, those not assessed last.
        let rank = |l: &Line| (l.q.unwrap_or(2.0), l.found.p().unwrap_or(2.0));
        lines.sort_by(|a, b| {
            let (a, b) = (rank(a), rank(b));
            a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1))
        });
        // Groups by the number of their clearest series.
        let mut first = BTreeMap::new();
        for (id, line) in (1..).zip(&mut lines) {
            line.group = line.group.map(|g| *first.entry(g).or_insert(id));
        }
        let mut told = Told::default();
        for (id, line) in (1..).zip(&lines) {
            self.put(id, line, &mut told, out)?;
        }
        self.draw(&lines, out)?;
        told.note(&self.settings, out);
        Ok(())
    }
}

/// What is said of a series by position.
fn verdict(found: &Assessed, drifts: bool) -> &'static str {
    match found.course {
        _ if !drifts => "none",
        Course::Step | Course::Stretches => "step",
        Course::Line | Course::Bent | Course::Constant => "trend",
    }
}

/// What is said of a series by year.
fn verdict_by_year(found: &OverYears, drifts: bool, settings: &Settings) -> &'static str {
    if drifts {
        "trend"
    } else if found.groups.len() < settings.least_years {
        "too few to tell"
    } else {
        "none"
    }
}

/// How many series came to which end.
#[derive(Default)]
struct Told {
    none: usize,
    too_few: usize,
    trend: usize,
    step: usize,
    not_assessed: usize,
}

impl Told {
    fn note(&self, settings: &Settings, out: &mut dyn Output) {
        out.note(
            Level::Info,
            &format!(
                "{} series: {} creep, {} jump, {} do neither beyond chance, {} have too few years of printing to \
                 tell, {} not assessed; of those said to creep or jump, at most {} % are expected to be false",
                self.none + self.too_few + self.trend + self.step + self.not_assessed,
                self.trend,
                self.step,
                self.none,
                self.too_few,
                self.not_assessed,
                figure(100.0 * settings.false_discovery_rate)
            ),
        );
    }
}

impl Drift {
    fn assess(&self, series: &Series) -> Found {
        if series.key.axis == Axis::Year {
            return match editions::assess(series, &self.settings) {
                Ok(found) => Found::ByYear(Box::new(found)),
                Err(reason) => Found::NotAssessed(reason),
            };
        }
        match assess::assess(series, &self.settings) {
            Ok(found) => Found::ByPosition(Box::new(found)),
            Err(reason) => Found::NotAssessed(reason),
        }
    }

    fn drifts(&self, line: &Line) -> bool {
        line.q
            .is_some_and(|q| q <= self.settings.false_discovery_rate)
    }

    fn put(
        &self,
        id: usize,
        line: &Line,
        told: &mut Told,
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        let (series, q) = (&line.series, line.q.unwrap_or(1.0));
        let drifts = self.drifts(line);
        let confidence = self.settings.confidence;
        match &line.found {
            Found::NotAssessed(reason) => {
                told.not_assessed += 1;
                let words = words::not_assessed(series, reason);
                out.row(SERIES, tables::unassessed_row(id, series, reason, &words))
            }
            Found::ByYear(y) => {
                let verdict = verdict_by_year(y, drifts, &self.settings);
                *match verdict {
                    "trend" => &mut told.trend,
                    "none" => &mut told.none,
                    _ => &mut told.too_few,
                } += 1;
                let words = words::by_year(series, y, verdict, confidence);
                let row = tables::year_row(id, series, y, q, verdict, &words);
                out.row(SERIES, row.set("group", line.group))
            }
            Found::ByPosition(a) => {
                let verdict = verdict(a, drifts);
                let count = match verdict {
                    "none" => &mut told.none,
                    "step" => &mut told.step,
                    _ => &mut told.trend,
                };
                *count += 1;
                let words = words::by_position(series, a, verdict, confidence);
                let row = tables::position_row(id, series, a, q, verdict, &words);
                out.row(SERIES, row.set("group", line.group))?;
                if drifts {
                    for c in &a.changes {
                        out.row(CHANGES, tables::change_row(id, series, c))?;
                    }
                }
                for s in &a.charts.signals {
                    out.row(SIGNALS, tables::signal_row(id, series, s))?;
                }
                Ok(())
            }
        }
    }

    /// Draws the series that drift, the clearest first, then those with chart
    /// signals, as many as the settings allow.
    fn draw(&self, lines: &[Line], out: &mut dyn Output) -> Result<(), StageError> {
        let numbered = || (1_usize..).zip(lines);
        let signals = |l: &Line| match &l.found {
            Found::ByPosition(a) => !a.charts.signals.is_empty(),
            // What few years cannot tell, a person may still want to see.
            Found::ByYear(y) => y.trend.p <= 1.0 - self.settings.confidence,
            Found::NotAssessed(_) => false,
        };
        let worth: Vec<(usize, &Line)> = numbered()
            .filter(|(_, l)| self.drifts(l))
            .chain(numbered().filter(|(_, l)| !self.drifts(l) && signals(l)))
            .collect();
        let confidence = self.settings.confidence;
        for (id, line) in worth.iter().take(self.settings.most_charts) {
            let (series, drifts) = (&line.series, self.drifts(line));
            let picture = match &line.found {
                Found::ByPosition(a) => {
                    let words = words::by_position(series, a, verdict(a, drifts), confidence);
                    plots::by_position(*id, series, a, drifts, &words)
                }
                Found::ByYear(y) => {
                    let verdict = verdict_by_year(y, drifts, &self.settings);
                    let words = words::by_year(series, y, verdict, confidence);
                    plots::by_year(*id, series, y, &words)
                }
                Found::NotAssessed(_) => continue,
            };
            out.picture(&picture)?;
        }
        let left = worth.len().saturating_sub(self.settings.most_charts);
        if left > 0 {
            out.note(
                Level::Info,
                &format!("{left} more series that drift or have chart signals are not drawn: raise `most_charts`"),
            );
        }
        Ok(())
    }

    /// Says which patterns for columns fit none: a name may be misspelt.
    fn note_unmatched(&self, input: &Summary<'_>, out: &mut dyn Output) {
        for pattern in &self.settings.columns {
            let any = input.tables.iter().any(|t| {
                t.columns
                    .iter()
                    .any(|c| choose::fits(pattern, &format!("{}.{c}", t.name)))
            });
            if !any {
                out.note(
                    Level::Warning,
                    &format!("no column of the stages before fits `{pattern}`"),
                );
            }
        }
    }
}
