//! Series: the numbers of a column of one image, block and so on, in the
//! order of the stack or by year.

use std::collections::BTreeMap;

use restrike_ops::gauge_study::repeatability;
use restrike_stage::{Impression, Role, SHEET_STATUS, Summary, Table, Value};

use crate::choose;
use crate::settings::{AxisChoice, Settings};

/// What a series runs along.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Axis {
    /// Position in the stack.
    Position,
    /// Place in the sheet list, where no position is said.
    List,
    /// Year of printing.
    Year,
}

impl Axis {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Position => "position",
            Self::List => "list",
            Self::Year => "year",
        }
    }
}

/// What a series is of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Key {
    pub(crate) table: String,
    pub(crate) column: String,
    pub(crate) image: Option<String>,
    pub(crate) block: Option<String>,
    /// Values of the other key columns, `side=left; face=upper`.
    pub(crate) part: String,
    pub(crate) axis: Axis,
    /// The edition of a series by position.
    pub(crate) edition: String,
}

/// A sheet's value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Point {
    /// Where on the axis.
    pub(crate) at: f64,
    pub(crate) value: f64,
    /// Place in the sheet list, from 1.
    pub(crate) sheet: usize,
}

/// A series, in the order of its axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Series {
    pub(crate) key: Key,
    pub(crate) points: Vec<Point>,
    /// Sheets of the edition (by year: of the list) that gave no value.
    pub(crate) without: usize,
    /// Scatter from scan to scan of one sheet, with its degrees of freedom, where
    /// sheets were scanned more than once.
    pub(crate) repeats: Option<(f64, usize)>,
}

/// Largest value that is looked at: squares of larger ones are no numbers.
const LARGEST: f64 = 1e120;

/// Statuses of what is no sheet of the run, or counted already.
const NO_SHEET: [&str; 4] = ["blank", "verso", "other design", "duplicate"];
/// `basis` of places that are relative to the first good impression.
const TO_REFERENCE: &str = "relative to reference";

/// Where a sheet stands.
struct Place {
    edition: usize,
    /// Position or place in the list, and which.
    at: Option<f64>,
    year: Option<f64>,
}

/// The sheets by number, and the editions.
struct Stack {
    places: Vec<Option<Place>>,
    editions: Vec<(String, Axis)>,
    sheets: Vec<usize>,
    years: usize,
    /// The first good impression.
    reference: Option<usize>,
}

impl Stack {
    fn new(impressions: &[Impression]) -> Self {
        let counted = || {
            impressions
                .iter()
                .filter(|i| !matches!(i.role, Role::Proof(_)))
        };
        let mut names: BTreeMap<&str, usize> = BTreeMap::new();
        let mut editions: Vec<(String, Axis)> = Vec::new();
        for i in counted() {
            let at = *names.entry(&i.edition).or_insert_with(|| {
                editions.push((i.edition.clone(), Axis::List));
                editions.len() - 1
            });
            if i.position.is_some() {
                editions[at].1 = Axis::Position;
            }
        }
        let last = impressions.iter().map(|i| i.sheet).max().unwrap_or(0);
        let mut places: Vec<Option<Place>> = Vec::new();
        places.resize_with(last + 1, || None);
        let mut sheets = vec![0; editions.len()];
        let mut years = std::collections::BTreeSet::new();
        for i in counted() {
            let edition = names[i.edition.as_str()];
            #[allow(clippy::cast_precision_loss)]
            let at = match editions[edition].1 {
                Axis::Position => i.position.map(|p| p as f64),
                _ => Some(i.sheet as f64),
            };
            sheets[edition] += 1;
            years.extend(i.year);
            places[i.sheet] = Some(Place {
                edition,
                at,
                year: i.year.map(f64::from),
            });
        }
        let mut references = impressions.iter().filter(|i| i.role == Role::Reference);
        Self {
            places,
            editions,
            sheets,
            years: years.len(),
            reference: references.next().map(|i| i.sheet),
        }
    }

    /// Leaves out what is no sheet of the run, whatever was measured of its scan before that was
    /// told.
    fn leave_out(&mut self, input: &Summary<'_>) {
        let Some(table) = input.table(SHEET_STATUS) else {
            return;
        };
        for row in 0..table.rows.len() {
            let status = table.get(row, "status").as_str().unwrap_or_default();
            if NO_SHEET.contains(&status)
                && let Some(place) = sheet_of(table, row).and_then(|s| self.places.get_mut(s))
            {
                *place = None;
            }
        }
    }

    /// Whether a row is of the impression that its block's places are relative to.
    fn is_the_reference(&self, table: &Table, row: usize) -> bool {
        self.reference.is_some()
            && sheet_of(table, row) == self.reference
            && table.get(row, "basis").as_str() == Some(TO_REFERENCE)
    }
}

fn sheet_of(table: &Table, row: usize) -> Option<usize> {
    usize::try_from(table.get(row, "sheet").as_i64()?).ok()
}

/// All series of the run, in a fixed order: tables and columns as they stand,
/// then groups, then editions, the series by year last.
pub(crate) fn gather(input: &Summary<'_>, settings: &Settings) -> Vec<Series> {
    let mut stack = Stack::new(input.impressions);
    stack.leave_out(input);
    let mut all = Vec::new();
    for table in input.tables {
        let own = table.name.starts_with("drift_") || table.name == SHEET_STATUS;
        if table.column("sheet") != Some(0) || own {
            continue;
        }
        of_table(table, &stack, settings, &mut all);
    }
    all
}

fn of_table(table: &Table, stack: &Stack, settings: &Settings, all: &mut Vec<Series>) {
    let keys: Vec<usize> = settings
        .keys
        .iter()
        .filter_map(|k| table.column(k))
        .collect();
    let columns: Vec<usize> = (1..table.columns.len())
        .filter(|c| !keys.contains(c))
        .filter(|c| {
            let name = &table.columns[*c];
            choose::chosen(&settings.columns, &settings.except, &table.name, name)
        })
        .filter(|c| is_numeric(table, *c))
        .collect();
    if columns.is_empty() {
        return;
    }
    let mut groups: BTreeMap<Vec<String>, Vec<usize>> = BTreeMap::new();
    for (r, row) in table.rows.iter().enumerate() {
        // What a block is held against says nothing against itself.
        if stack.is_the_reference(table, r) {
            continue;
        }
        let key = keys.iter().map(|k| text(row.get(*k))).collect();
        groups.entry(key).or_default().push(r);
    }
    for column in columns {
        for (group, rows) in &groups {
            let values = values(table, column, rows);
            let key = key(table, column, &keys, group);
            split(&key, &values, stack, settings.axis, all);
        }
    }
}

fn is_numeric(table: &Table, column: usize) -> bool {
    let mut numbers = false;
    for row in &table.rows {
        match row.get(column) {
            Some(Value::Number(_) | Value::Integer(_)) => numbers = true,
            Some(Value::Null) | None => {}
            Some(_) => return false,
        }
    }
    numbers
}

fn text(value: Option<&Value>) -> String {
    match value {
        Some(Value::Text(t)) => t.clone(),
        Some(Value::Integer(i)) => i.to_string(),
        Some(Value::Boolean(b)) => b.to_string(),
        Some(Value::Number(n)) => n.to_string(),
        _ => String::new(),
    }
}

fn key(table: &Table, column: usize, keys: &[usize], group: &[String]) -> Key {
    let mut key = Key {
        table: table.name.clone(),
        column: table.columns[column].clone(),
        image: None,
        block: None,
        part: String::new(),
        axis: Axis::Position,
        edition: String::new(),
    };
    for (k, value) in keys.iter().zip(group) {
        if value.is_empty() {
            continue;
        }
        match table.columns[*k].as_str() {
            "image" => key.image = Some(value.clone()),
            "block" => key.block = Some(value.clone()),
            name => {
                if !key.part.is_empty() {
                    key.part.push_str("; ");
                }
                key.part.push_str(&format!("{name}={value}"));
            }
        }
    }
    key
}

/// Sheet and value; the mean where a sheet has several rows of the group.
fn values(table: &Table, column: usize, rows: &[usize]) -> Vec<(usize, f64)> {
    let mut found: Vec<(usize, f64)> = rows
        .iter()
        .filter_map(|r| {
            let row = &table.rows[*r];
            let sheet = usize::try_from(row.first()?.as_i64()?).ok()?;
            let value = row.get(column)?.as_f64().filter(|v| v.abs() <= LARGEST)?;
            Some((sheet, value))
        })
        .collect();
    found.sort_by_key(|v| v.0);
    means(&found, |v| v.0)
}

/// One value for each run of equal keys: the mean.
fn means<T: Copy, K: PartialEq>(
    values: &[(T, f64)],
    key: impl Fn(&(T, f64)) -> K,
) -> Vec<(T, f64)> {
    values
        .chunk_by(|a, b| key(a) == key(b))
        .map(|same| {
            #[allow(clippy::cast_precision_loss)]
            let mean = same.iter().map(|v| v.1).sum::<f64>() / same.len() as f64;
            (same[0].0, mean)
        })
        .collect()
}

fn split(
    key: &Key,
    values: &[(usize, f64)],
    stack: &Stack,
    choice: AxisChoice,
    all: &mut Vec<Series>,
) {
    let placed = || {
        values.iter().filter_map(|(sheet, value)| {
            let place = stack.places.get(*sheet)?.as_ref()?;
            Some((place, *sheet, *value))
        })
    };
    if choice != AxisChoice::Year {
        let mut of: Vec<Vec<Point>> = vec![Vec::new(); stack.editions.len()];
        for (place, sheet, value) in placed() {
            if let Some(at) = place.at {
                of[place.edition].push(Point { at, value, sheet });
            }
        }
        for (e, mut points) in of.into_iter().enumerate() {
            let (edition, axis) = &stack.editions[e];
            points.sort_by(|a, b| a.at.total_cmp(&b.at).then(a.sheet.cmp(&b.sheet)));
            let without = stack.sheets[e] - points.len();
            let scans: Vec<Vec<f64>> = points
                .chunk_by(|a, b| a.at == b.at)
                .map(|same| same.iter().map(|p| p.value).collect())
                .collect();
            // A sheet that was scanned twice is one sheet.
            let pairs: Vec<((f64, usize), f64)> =
                points.iter().map(|p| ((p.at, p.sheet), p.value)).collect();
            let points = means(&pairs, |p| p.0.0)
                .into_iter()
                .map(|((at, sheet), value)| Point { at, value, sheet })
                .collect();
            all.push(Series {
                key: Key {
                    axis: *axis,
                    edition: edition.clone(),
                    ..key.clone()
                },
                points,
                without,
                repeats: repeatability(scans.iter().map(Vec::as_slice)),
            });
        }
    }
    if choice == AxisChoice::Year || (choice == AxisChoice::Auto && stack.years > 1) {
        let mut points: Vec<Point> = placed()
            .filter_map(|(place, sheet, value)| {
                let at = place.year?;
                Some(Point { at, value, sheet })
            })
            .collect();
        points.sort_by(|a, b| a.at.total_cmp(&b.at).then(a.sheet.cmp(&b.sheet)));
        let without = stack.sheets.iter().sum::<usize>() - points.len();
        all.push(Series {
            key: Key {
                axis: Axis::Year,
                ..key.clone()
            },
            points,
            without,
            repeats: None,
        });
    }
}
