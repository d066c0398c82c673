//! A tolerance against the rows of a sheet.

use std::collections::BTreeMap;

use restrike_stage::{Table, Value, columns};

use crate::grade::Standing;
use crate::judge::{Limits, Stand};
use crate::quantity::{Quantity, Uncertainty, read, uncertainty};
use crate::settings::{Faulty, Leads, Missing, Tolerance};
use crate::sheets::{Sheet, WHOLE, rows_by_sheet};

/// What a tolerance says of an image.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Finding {
    /// What the tolerance is called.
    pub(crate) name: String,
    pub(crate) table: String,
    pub(crate) column: Option<String>,
    pub(crate) block: Option<String>,
    pub(crate) stand: Stand,
    pub(crate) leads: Leads,
    pub(crate) quantity: Option<Quantity>,
    pub(crate) limits: Limits,
    pub(crate) unit: &'static str,
    /// Rows it rests on, and how many of them are outside.
    pub(crate) rows: usize,
    pub(crate) outside: usize,
    /// What the cell says, or why there is no number.
    pub(crate) note: String,
}

impl Finding {
    /// A finding without a number, about what is not there.
    pub(crate) fn missing(name: &str, why: &str) -> Self {
        Self {
            name: name.to_owned(),
            table: String::new(),
            column: None,
            block: None,
            stand: Stand::Missing,
            leads: Leads::Reject,
            quantity: None,
            limits: Limits::default(),
            unit: "",
            rows: 0,
            outside: 0,
            note: why.to_owned(),
        }
    }

    pub(crate) fn standing(&self) -> Standing {
        self.stand.standing(self.leads)
    }
}

/// A tolerance with its places in the tables.
pub(crate) struct Ready<'a> {
    tolerance: &'a Tolerance,
    table: &'a Table,
    rows: BTreeMap<usize, Vec<usize>>,
    column: Option<usize>,
    uncertainty: Uncertainty,
    why: Option<usize>,
    image: Option<usize>,
    block: Option<usize>,
    /// Other columns and what they must hold.
    keys: Vec<(usize, &'a str)>,
}

/// Columns that say why a cell is empty.
const WHY: [&str; 3] = ["why", "reason", "remark"];

/// Finds what a tolerance names.
///
/// # Errors
/// With what is not there, in words.
pub(crate) fn ready<'a>(
    tolerance: &'a Tolerance,
    tables: &'a [Table],
    images: &[String],
    blocks: &[String],
) -> Result<Ready<'a>, String> {
    let table = tables
        .iter()
        .find(|t| t.name == tolerance.table)
        .ok_or_else(|| format!("no stage before gives a table `{}`", tolerance.table))?;
    let rows = rows_by_sheet(table)
        .ok_or_else(|| format!("table `{}` has no column `sheet`", table.name))?;
    let find = |name: &str| {
        table
            .column(name)
            .ok_or_else(|| format!("table `{}` has no column `{name}`", table.name))
    };
    let block = table.column("block");
    if let Some(pattern) = &tolerance.block {
        let at = find("block")?;
        let in_table = || table.rows.iter().filter_map(|r| r.get(at)?.as_str());
        let known = blocks.iter().map(String::as_str).chain(in_table());
        if !known.into_iter().any(|b| columns::fits(pattern, b)) {
            return Err(format!("no block fits `{pattern}`"));
        }
    }
    if let Some(pattern) = &tolerance.image
        && !images
            .iter()
            .map(String::as_str)
            .chain([WHOLE])
            .any(|i| columns::fits(pattern, i))
    {
        return Err(format!("no image fits `{pattern}`"));
    }
    let keys: Result<Vec<_>, String> = tolerance
        .rows
        .iter()
        .map(|(name, pattern)| Ok((find(name)?, pattern.as_str())))
        .collect();
    let why = match &tolerance.why {
        Some(name) => Some(find(name)?),
        None => WHY.iter().find_map(|name| table.column(name)),
    };
    Ok(Ready {
        tolerance,
        table,
        rows,
        column: tolerance.column.as_deref().map(find).transpose()?,
        uncertainty: uncertainty(tolerance, table)
            .map_err(|name| format!("table `{}` has no column `{name}`", table.name))?,
        why,
        image: table.column("image"),
        block,
        keys: keys?,
    })
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

/// What a tolerance that names what is not there says of every sheet.
pub(crate) fn broken(tolerance: &Tolerance, reason: &str) -> Finding {
    Finding {
        name: tolerance.called(),
        table: tolerance.table.clone(),
        column: tolerance.column.clone(),
        block: tolerance.block.clone(),
        stand: Stand::Missing,
        leads: tolerance.grade,
        quantity: None,
        limits: Limits::default(),
        unit: "",
        rows: 0,
        outside: 0,
        note: reason.to_owned(),
    }
}

impl Ready<'_> {
    fn limits(&self) -> Limits {
        Limits {
            low: self.tolerance.low,
            high: self.tolerance.high,
        }
    }

    fn finding(&self, block: Option<String>, stand: Stand, note: &str) -> Finding {
        Finding {
            block,
            stand,
            limits: self.limits(),
            unit: self.tolerance.column.as_deref().map_or("", columns::unit),
            ..broken(self.tolerance, note)
        }
    }

    /// What it says of an image of a sheet: one finding for each block.
    pub(crate) fn findings(&self, sheet: &Sheet<'_>, image: &str, z: f64) -> Vec<Finding> {
        let t = self.tolerance;
        let about = |pattern: &Option<String>, what: &str| {
            pattern.as_ref().is_none_or(|p| columns::fits(p, what))
        };
        if !about(&t.edition, &sheet.impression.edition) {
            return Vec::new();
        }
        // A tolerance on the image `whole` of a two-up sheet is about both halves.
        let on_whole = t.image.as_deref() == Some(WHOLE);
        if !on_whole && !about(&t.image, image) {
            return Vec::new();
        }
        if let Some(trouble) = sheet.missing.get(&t.table) {
            return self.missing(t.block.clone(), &trouble.words());
        }
        let groups = self.groups(sheet, if on_whole { WHOLE } else { image });
        let Some(column) = self.column else {
            let rows: usize = groups.values().map(Vec::len).sum();
            #[allow(clippy::cast_precision_loss)]
            let counted = Quantity::exact(rows as f64);
            let mut found = self.finding(t.block.clone(), self.limits().stand(&counted), "");
            found.quantity = Some(counted);
            found.rows = rows;
            return vec![found];
        };
        if groups.is_empty() {
            return self.missing(t.block.clone(), "the table has no row about it");
        }
        groups
            .into_iter()
            .flat_map(|(block, rows)| {
                let block = (!block.is_empty()).then_some(block);
                if t.faulty.is_empty() {
                    self.numbers(block, &rows, column, z)
                } else {
                    self.words(block, &rows, column)
                }
            })
            .collect()
    }

    fn missing(&self, block: Option<String>, why: &str) -> Vec<Finding> {
        match self.tolerance.missing {
            Missing::Ignore => Vec::new(),
            Missing::LookAgain => vec![self.finding(block, Stand::Missing, why)],
        }
    }

    /// The sheet's rows about an image by block: the image's own, or else those
    /// of the whole sheet.
    fn groups(&self, sheet: &Sheet<'_>, image: &str) -> BTreeMap<String, Vec<usize>> {
        let rows = self.rows.get(&sheet.impression.sheet);
        let cell = |row: usize, column: usize| text(self.table.rows[row].get(column));
        let mut own: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        let mut of_all: BTreeMap<String, Vec<usize>> = BTreeMap::new();
        for row in rows.into_iter().flatten().copied() {
            if !self
                .keys
                .iter()
                .all(|(c, p)| columns::fits(p, &cell(row, *c)))
            {
                continue;
            }
            let block = self.block.map(|c| cell(row, c)).unwrap_or_default();
            if !self
                .tolerance
                .block
                .as_ref()
                .is_none_or(|p| columns::fits(p, &block))
            {
                continue;
            }
            match self
                .image
                .map(|c| cell(row, c))
                .unwrap_or_default()
                .as_str()
            {
                "" => own.entry(block).or_default().push(row),
                here if here == image => own.entry(block).or_default().push(row),
                WHOLE | "both" => of_all.entry(block).or_default().push(row),
                _ => {}
            }
        }
        for (block, rows) in of_all {
            own.entry(block).or_insert(rows);
        }
        own
    }

    fn why(&self, row: usize) -> String {
        self.why
            .map(|c| text(self.table.rows[row].get(c)))
            .unwrap_or_default()
    }

    /// The worst of several rows, and how many are outside.
    fn numbers(
        &self,
        block: Option<String>,
        rows: &[usize],
        column: usize,
        z: f64,
    ) -> Vec<Finding> {
        let limits = self.limits();
        let mut worst: Option<(Stand, f64, Quantity)> = None;
        let mut absent = Vec::new();
        let mut outside = 0;
        for row in rows {
            match read(&self.table.rows[*row], column, &self.uncertainty, z) {
                Ok(q) => {
                    let (stand, excess) = (limits.stand(&q), limits.excess(&q));
                    outside += usize::from(stand == Stand::Outside);
                    let rank = |s: Stand| (s == Stand::Outside, s == Stand::Unsure);
                    let worse = worst
                        .as_ref()
                        .is_none_or(|(s, e, _)| (rank(stand), excess) > (rank(*s), *e));
                    if worse {
                        worst = Some((stand, excess, q));
                    }
                }
                Err(what) => absent.push((*row, what)),
            }
        }
        let mut found = Vec::new();
        if let Some((row, what)) = absent.first() {
            let mut why = self.why(*row);
            if why.is_empty() {
                why.clone_from(what);
            }
            if rows.len() > 1 {
                why = format!(
                    "{} of {} rows have no value; the first: {why}",
                    absent.len(),
                    rows.len()
                );
            }
            found.extend(self.missing(block.clone(), why.trim_end_matches(": ")));
        }
        if let Some((stand, _, q)) = worst {
            let mut f = self.finding(block, stand, "");
            f.quantity = Some(q);
            f.rows = rows.len();
            f.outside = outside;
            found.push(f);
        }
        found
    }

    /// Texts and truth values: a fault is certain. An empty text remarks nothing.
    fn words(&self, block: Option<String>, rows: &[usize], column: usize) -> Vec<Finding> {
        let is_fault = |v: &Value| {
            self.tolerance.faulty.iter().any(|f| match f {
                Faulty::Boolean(b) => v.as_bool() == Some(*b),
                Faulty::Text(p) => v.as_str().is_some_and(|t| columns::fits(p, t)),
            })
        };
        let of_truth = self
            .tolerance
            .faulty
            .iter()
            .any(|f| matches!(f, Faulty::Boolean(_)));
        let mut fault: Option<String> = None;
        let mut outside = 0;
        let mut absent = None;
        for row in rows {
            match self.table.rows[*row].get(column) {
                None | Some(Value::Null) if of_truth => absent = absent.or(Some(*row)),
                None | Some(Value::Null) => {}
                Some(v) if is_fault(v) => {
                    outside += 1;
                    fault.get_or_insert_with(|| text(Some(v)));
                }
                Some(_) => {}
            }
        }
        let mut found = Vec::new();
        if let Some(row) = absent {
            found.extend(self.missing(block.clone(), &self.why(row)));
        }
        let (stand, note) = match &fault {
            Some(note) => (Stand::Outside, note.as_str()),
            None => (Stand::Inside, ""),
        };
        let mut f = self.finding(block, stand, note);
        f.rows = rows.len();
        f.outside = outside;
        found.push(f);
        found
    }
}
