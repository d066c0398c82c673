//! The stage itself.

use std::collections::{BTreeMap, BTreeSet};

use restrike_ops::quantiles;
use restrike_stage::{
    Given, Impression, Level, Manifest, Needs, Output, Phases, Project, Role, SHEET_STATUS, Stage,
    StageError, Summary, columns,
};

use crate::judge::Stand;
use crate::odds::Judged;
use crate::order::{self, Counts};
use crate::picture;
use crate::register::{self, Blocks};
use crate::settings::{Register, Settings, Tolerance};
use crate::sheets::{self, Sheet, WHOLE};
use crate::tables::{self, COPIES, CUTS, GRADES, ORDERS, REASONS, YIELDS};
use crate::tolerance::{self, Finding, Ready};

/// The stage.
pub(crate) struct Grading {
    settings: Settings,
    register: Vec<Register>,
    project: Project,
}

/// An image with its grade.
pub(crate) struct GradedImage {
    pub(crate) name: String,
    pub(crate) judged: Judged,
    /// Blocks whose register is known against the reference impression only.
    pub(crate) by_reference: Vec<String>,
    /// Tolerances looked at.
    pub(crate) checked: usize,
    /// Those not kept, the gravest first.
    pub(crate) findings: Vec<Finding>,
}

/// A sheet with its grades.
pub(crate) struct GradedSheet<'a> {
    pub(crate) impression: &'a Impression,
    /// All images together.
    pub(crate) judged: Judged,
    pub(crate) images: Vec<GradedImage>,
}

/// What the sheets are held against.
struct Measures<'a> {
    register: Option<Blocks<'a>>,
    tolerances: Vec<Result<Ready<'a>, Finding>>,
    z: f64,
}

impl Stage for Grading {
    fn manifest() -> Manifest {
        Manifest {
            name: "grading".into(),
            version: env!("CARGO_PKG_VERSION").into(),
            summary: "Pass, second, reject or look again for each sheet and image; yield; how many more to print."
                .into(),
            settings: Settings::schema(),
            needs: Needs {
                optional_tables: vec!["*".into(), SHEET_STATUS.into()],
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs(),
                pictures: vec![picture::PICTURE.into()],
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
        project: &Project,
        _: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let settings = Settings::read(settings)?;
        Ok(Self {
            register: settings
                .register
                .clone()
                .unwrap_or_else(|| register::usual(project)),
            settings,
            project: project.clone(),
        })
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let images = sheets::images(&self.project);
        let measures = self.measures(&input, &images, out)?;
        let stack = sheets::sheets(&input);
        let mut graded = Vec::new();
        for sheet in &stack {
            if out.cancelled() {
                return Ok(());
            }
            if sheet.is_duplicate() {
                let why = sheet.trouble.as_ref().map(sheets::Trouble::words);
                let why = why.unwrap_or_default();
                out.row(GRADES, tables::uncounted_row(sheet.impression, &why))?;
                if images.len() > 1 {
                    out.row(CUTS, tables::uncounted_cut_row(sheet.impression, &why))?;
                }
                continue;
            }
            let found = grade(sheet, &images, &measures);
            put(&found, out)?;
            graded.push(found);
        }
        let images_of = graded.iter().flat_map(|s| s.images.iter());
        if let Some(names) = by_reference(images_of) {
            let reference = input
                .impressions
                .iter()
                .find(|i| i.role == Role::Reference)
                .map_or_else(String::new, |i| format!(" ({})", i.impression));
            out.note(
                Level::Warning,
                &format!(
                    "register of {names}: known only against the first reference impression{reference}, whose own register against the key is not measured; a copy that passes is as good as that one there"
                ),
            );
        }
        self.sum_up(&stack, &graded, &images, out)
    }
}

/// The findings of a sheet that is not to be measured at all.
fn unfit(sheet: &Sheet<'_>) -> Option<Finding> {
    let trouble = sheet.trouble.as_ref()?;
    Some(Finding::missing("the scan", &trouble.words()))
}

fn grade<'a>(sheet: &Sheet<'a>, images: &[String], measures: &Measures<'_>) -> GradedSheet<'a> {
    let images: Vec<GradedImage> = images
        .iter()
        .map(|name| {
            let mut findings = match unfit(sheet) {
                Some(f) => vec![f],
                None => measures.findings(sheet, name),
            };
            let checked = findings.len();
            let judged = Judged::of(&findings, measures.z);
            let mut by_reference: Vec<String> = findings
                .iter()
                .filter(|f| f.note.ends_with(register::BY_REFERENCE))
                .filter_map(|f| f.block.clone())
                .collect();
            by_reference.dedup();
            findings.retain(|f| f.stand != Stand::Inside);
            findings.sort_by_key(|f| {
                let s = f.standing();
                (std::cmp::Reverse(s.best), std::cmp::Reverse(s.worst))
            });
            GradedImage {
                name: name.clone(),
                judged,
                by_reference,
                checked,
                findings,
            }
        })
        .collect();
    GradedSheet {
        impression: sheet.impression,
        judged: Judged::all(images.iter().map(|i| i.judged)),
        images,
    }
}

impl Measures<'_> {
    fn findings(&self, sheet: &Sheet<'_>, image: &str) -> Vec<Finding> {
        let register = self.register.iter();
        let mut found: Vec<Finding> = register
            .flat_map(|r| r.findings(sheet, image, self.z))
            .collect();
        for t in &self.tolerances {
            match t {
                Ok(ready) => found.extend(ready.findings(sheet, image, self.z)),
                Err(broken) => found.push(broken.clone()),
            }
        }
        found
    }
}

/// Blocks of some images that are known against the reference impression only.
fn by_reference<'a>(images: impl Iterator<Item = &'a GradedImage>) -> Option<String> {
    let names: BTreeSet<&str> = images
        .flat_map(|i| i.by_reference.iter().map(String::as_str))
        .collect();
    let names: Vec<&str> = names.into_iter().collect();
    (!names.is_empty()).then(|| names.join(" "))
}

/// Writes a sheet's rows.
fn put(sheet: &GradedSheet<'_>, out: &mut dyn Output) -> Result<(), StageError> {
    let i = sheet.impression;
    if sheet.images.len() > 1 {
        let all: Vec<(&str, &Finding)> = sheet
            .images
            .iter()
            .flat_map(|image| image.findings.iter().map(|f| (image.name.as_str(), f)))
            .collect();
        let checked = sheet.images.iter().map(|i| i.checked).sum();
        let row = tables::grade_row(i, WHOLE, sheet.judged.standing, checked, &all);
        let against = by_reference(sheet.images.iter());
        out.row(GRADES, row.set(tables::BY_REFERENCE, against))?;
    }
    for image in &sheet.images {
        let found: Vec<(&str, &Finding)> = image.findings.iter().map(|f| ("", f)).collect();
        let row = tables::grade_row(i, &image.name, image.judged.standing, image.checked, &found);
        let against = by_reference(std::iter::once(image));
        out.row(GRADES, row.set(tables::BY_REFERENCE, against))?;
        for f in &image.findings {
            out.row(REASONS, tables::reason_row(i, &image.name, f))?;
        }
    }
    if sheet.images.len() > 1 {
        out.row(CUTS, tables::cut_row(sheet))?;
    }
    Ok(())
}

impl Grading {
    fn measures<'a>(
        &'a self,
        input: &'a Summary<'a>,
        images: &[String],
        out: &mut dyn Output,
    ) -> Result<Measures<'a>, StageError> {
        let z = quantiles::normal(0.5 + self.settings.confidence / 2.0)
            .ok_or_else(|| StageError::new("the confidence of the intervals makes no sense"))?;
        let table = input.table(register::TABLE);
        let blocks = table.map_or_else(
            || self.project.blocks.iter().map(|b| b.name.clone()).collect(),
            |t| register::colour_blocks(&self.project, t),
        );
        let register = match table {
            Some(t) if !self.register.is_empty() => {
                Some(Blocks::new(t, &self.register, &self.project))
            }
            _ => None,
        };
        let mut tolerances = Vec::new();
        for t in &self.settings.tolerance {
            let found = tolerance::ready(t, input.tables, images, &blocks);
            tolerances.push(found.map_err(|why| {
                out.note(
                    Level::Warning,
                    &format!(
                        "tolerance `{}`: {why}; all sheets are to be looked at again",
                        t.called()
                    ),
                );
                tolerance::broken(t, &why)
            }));
        }
        self.note_unmatched(input, table.map(|_| blocks.as_slice()), images, out);
        if register.is_none() && self.settings.register.is_some() && !self.register.is_empty() {
            let why = "no stage before gives a table `registration`";
            out.note(
                Level::Warning,
                &format!("register: {why}; all sheets are to be looked at again"),
            );
            tolerances.push(Err(Finding::missing("register", why)));
        }
        if register.is_none() && tolerances.is_empty() {
            let why = "there is nothing to grade by: no tolerance in the settings, and no table `registration`";
            out.note(Level::Warning, why);
            tolerances.push(Err(Finding::missing("tolerances", why)));
        }
        Ok(Measures {
            register,
            tolerances,
            z,
        })
    }

    /// Says which patterns fit nothing: a name may be misspelt.
    fn note_unmatched(
        &self,
        input: &Summary<'_>,
        blocks: Option<&[String]>,
        images: &[String],
        out: &mut dyn Output,
    ) {
        let mut say = |what: &str, pattern: &str| {
            out.note(Level::Warning, &format!("no {what} fits `{pattern}`"));
        };
        for r in &self.register {
            if let (Some(p), Some(blocks)) = (&r.block, blocks)
                && !blocks.iter().any(|b| columns::fits(p, b))
            {
                say("colour block", p);
            }
            if let Some(p) = &r.image
                && !images.iter().any(|i| columns::fits(p, i))
            {
                say("image", p);
            }
        }
        let editions = || input.impressions.iter().map(|i| i.edition.as_str());
        let of_tolerances = self
            .settings
            .tolerance
            .iter()
            .filter_map(|t: &Tolerance| t.edition.as_ref());
        for p in of_tolerances {
            if !editions().any(|e| columns::fits(p, e)) {
                say("edition", p);
            }
        }
        if let Some(e) = self
            .settings
            .order
            .as_ref()
            .and_then(|o| o.edition.as_ref())
            && !editions().any(|n| n == e)
        {
            say("edition", e);
        }
    }

    /// Yields, pictures and the order, edition by edition in list order.
    fn sum_up(
        &self,
        stack: &[Sheet<'_>],
        graded: &[GradedSheet<'_>],
        images: &[String],
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        let mut editions: Vec<&str> = Vec::new();
        for s in stack {
            if !editions.contains(&s.impression.edition.as_str()) {
                editions.push(&s.impression.edition);
            }
        }
        for (number, edition) in (1..).zip(&editions) {
            let mut of: Vec<&GradedSheet<'_>> = graded
                .iter()
                .filter(|s| s.impression.edition == *edition)
                .collect();
            let uncounted = stack
                .iter()
                .filter(|s| s.impression.edition == *edition && s.is_duplicate())
                .count();
            self.yields(edition, &of, uncounted, images, out)?;
            of.sort_by_key(|s| (s.impression.position, s.impression.sheet));
            let caption = format!(
                "Grades along the stack: a thin foot passes, a half-high bar is a second, a full bar is rejected, an outline is to be looked at again. Upper rows: sheets and images. Lower rows: tolerances that sheets do not keep, with what they lead to ({} sheets).",
                of.len()
            );
            if let Some(drawn) = picture::stack(number, edition, &of, &caption) {
                out.picture(&drawn)?;
            }
        }
        let Some(order) = &self.settings.order else {
            return Ok(());
        };
        let edition = order
            .edition
            .as_deref()
            .or(editions.last().copied())
            .unwrap_or_default();
        let sheets: Vec<Vec<Judged>> = graded
            .iter()
            .filter(|s| s.impression.edition == edition)
            .map(|s| s.images.iter().map(|i| i.judged).collect())
            .collect();
        let (row, words) = tables::order_row(edition, order, &order::forecast(order, &sheets));
        out.note(Level::Info, &words);
        out.row(ORDERS, row)
    }

    fn yields(
        &self,
        edition: &str,
        of: &[&GradedSheet<'_>],
        uncounted: usize,
        images: &[String],
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        let how = (self.settings.interval, self.settings.yield_confidence);
        let sheets: Vec<Judged> = of.iter().map(|s| s.judged).collect();
        let counted = Counts::of(&sheets);
        let found = order::yield_of(&sheets, how.0, how.1);
        let name = if edition.is_empty() {
            "the stack".to_owned()
        } else {
            format!("edition {edition}")
        };
        out.note(
            Level::Info,
            &format!(
                "{name}: {} sheets pass, {} are seconds, {} rejects, {} to be looked at again",
                counted.pass, counted.second, counted.reject, counted.look_again
            ),
        );
        let row = tables::yield_row(edition, "sheets", &counted, uncounted, found, how);
        out.row(YIELDS, row)?;
        if images.len() < 2 {
            return Ok(());
        }
        for (k, image) in images.iter().enumerate() {
            let all: Vec<Judged> = of
                .iter()
                .filter_map(|s| Some(s.images.get(k)?.judged))
                .collect();
            let found = order::yield_of(&all, how.0, how.1);
            let row = tables::yield_row(edition, image, &Counts::of(&all), 0, found, how);
            out.row(YIELDS, row)?;
        }
        let all: Vec<Judged> = of
            .iter()
            .flat_map(|s| s.images.iter().map(|i| i.judged))
            .collect();
        let pairs: Vec<[Judged; 2]> = of
            .iter()
            .filter_map(|s| match s.images.as_slice() {
                [a, b] => Some([a.judged, b.judged]),
                _ => None,
            })
            .collect();
        if pairs.is_empty() {
            return Ok(());
        }
        let found = order::yield_of_halves(&pairs, how.1);
        let row = tables::yield_row(edition, COPIES, &Counts::of(&all), 0, found, how);
        out.row(YIELDS, row)
    }
}
