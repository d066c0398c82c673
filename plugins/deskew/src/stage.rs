//! The stage itself: verdicts, rows, pictures, the record part, the run.

use std::collections::BTreeMap;
use std::sync::Mutex;

use restrike_stage::{
    Given, Learn, Level, Manifest, Measure, Needs, Output, Phases, Project, Raster, Role, Row,
    Size, Stage, StageError, Summary, Verdict,
};

use crate::analysis::{self, Findings, Sheet};
use crate::duplicate;
use crate::identity::{self, Comparer, PITCH_MM, Signature};
use crate::lowres::LowRes;
use crate::metric::Metric;
use crate::pictures;
use crate::settings::{CropRule, Settings};
use crate::tables::{self, EDGES, IMAGES, Identity, PAIRS, SHEETS, TEXTURE};

/// Name of the record part.
const RECORD: &str = "deskew-identity";

/// The stage.
pub(crate) struct Deskew {
    settings: Settings,
    project: Project,
    comparer: Option<Comparer>,
    /// Reference impressions seen so far in `learn`: file and straightened absorption.
    learned: Mutex<Vec<(String, Raster<f32>)>>,
}

/// Share of the learned design's contrast under which a sheet that does not
/// show the design is blank.
const BLANK_SHARE: f64 = 0.25;
/// A proof of one pale block alone shows less than a print: of the contrast
/// under which a sheet is blank.
const PALE_PROOF: f64 = 0.6;

/// Response that names a sheet found only after looking for it in other ways:
/// impressions of the design respond by more, others by less however they are turned.
const CLEAR: f64 = 0.5;
/// How far the proportions of a sheet may be off those learned, and it still be
/// the same at another scale.
const SAME_PROPORTIONS: f64 = 0.05;
/// By how much a scale is another; less is still recognised as it is.
const OTHER_SCALE: f64 = 0.04;

/// What the low-resolution look says.
enum Judgement {
    Good(Identity),
    Wrong(&'static str, String),
}

impl Deskew {
    fn sheet(&self, input: &Measure<'_>) -> Result<Sheet, StageError> {
        let scan = input.scan;
        if scan.width() < 48 || scan.height() < 48 {
            return Err(StageError::new(format!(
                "the scan is only {} x {} pixels: at least 48 each way are needed",
                scan.width(),
                scan.height()
            )));
        }
        let dpi = input.info.dpi;
        if !(dpi.x.is_finite() && dpi.y.is_finite() && dpi.x > 0.0 && dpi.y > 0.0) {
            return Err(StageError::new("the scan's resolution is not known"));
        }
        let metric = Metric::new(scan, dpi);
        Ok(Sheet::find(scan, metric, &self.project, &self.settings))
    }

    /// A sheet that lies wrongly or only in part.
    fn misplaced(&self, sheet: &Sheet) -> Option<(&'static str, String)> {
        if sheet.quarter_turn {
            return Some((
                "turned",
                "the sheet lies a quarter turn round: its sides are the stated ones exchanged; turn the scan".to_owned(),
            ));
        }
        let cut = sheet.cut?;
        let (side, most) = crate::metric::Side::ALL
            .iter()
            .zip(cut)
            .max_by(|a, b| a.1.total_cmp(&b.1))?;
        (self.settings.crop == CropRule::Sheet && most > self.settings.size_tolerance_mm).then(|| {
            (
                "crop",
                format!(
                    "part of the sheet is not in the scan: at the {} side it reaches {most:.1} mm over the scan's border (allowed {:.1} mm)",
                    side.name(),
                    self.settings.size_tolerance_mm
                ),
            )
        })
    }

    /// An image that is not wholly in the scan.
    fn image_cut(&self, sheet: &Sheet) -> Option<(&'static str, String)> {
        if self.settings.crop == CropRule::Never || sheet.paper.count() == 0 {
            return None;
        }
        for area in &self.project.images {
            let corners = analysis::stated_corners(&sheet.frame, &area.rect());
            let known = sheet.frame.placed == [true, true];
            if known && corners.iter().any(|p| !sheet.metric.shows(*p, -0.5)) {
                return Some((
                    "crop",
                    format!("image {} lies partly outside the scan", area.name),
                ));
            }
        }
        None
    }

    fn judge(&self, input: &Measure<'_>, sheet: &Sheet, lowres: Option<&LowRes>) -> Judgement {
        let s = &self.settings;
        let untested = |why: &'static str, contrast| {
            Judgement::Good(Identity {
                words: "not tested",
                why: Some(why),
                responses: None,
                contrast,
            })
        };
        let Some(lowres) = lowres else {
            return untested("the sheet is too small", None);
        };
        let contrast = identity::contrast(&lowres.absorption, lowres.pitch);
        let proof = matches!(input.impression.role, Role::Proof(_));
        let responses = match &self.comparer {
            Some(c) if s.identity && !proof => Some(c.responses(lowres)),
            _ => None,
        };
        let best = responses.map_or(0.0, |r| r.iter().copied().fold(0.0, f64::max));
        // Where the design is known, so is how much there should be of it.
        let least = match (&self.comparer, responses) {
            (Some(c), Some(_)) => s.blank_contrast.max(BLANK_SHARE * c.contrast()),
            _ if proof => PALE_PROOF * s.blank_contrast,
            _ => s.blank_contrast,
        };
        if contrast < least && best < s.least_response {
            return Judgement::Wrong(
                "blank",
                format!(
                    "there is hardly anything on the sheet: contrast {contrast:.4}, a print has at least {least:.4}"
                ),
            );
        }
        if !s.identity {
            return untested("switched off", Some(contrast));
        }
        if proof {
            return untested("a proof shows one block only", Some(contrast));
        }
        let Some(r) = responses else {
            return untested(
                "no design has been learned from reference impressions",
                Some(contrast),
            );
        };
        let told = format!(
            "response to the learned design {:.2} as it lies, {:.2} turned, {:.2} mirrored, {:.2} mirrored and turned (needed {:.2})",
            r[0], r[1], r[2], r[3], s.least_response
        );
        if r[0] >= s.least_response && r[0] >= best {
            return Judgement::Good(Identity {
                words: "same design",
                why: None,
                responses: Some(r),
                contrast: Some(contrast),
            });
        }
        if best < s.least_response {
            if let Some((status, why)) = self.otherwise(input, sheet, lowres) {
                return Judgement::Wrong(status, why);
            }
            return Judgement::Wrong(
                "other design",
                format!("the sheet does not show the learned design: {told}"),
            );
        }
        if r[1] >= best {
            Judgement::Wrong(
                "upside down",
                format!("the sheet lies upside down: {told}; turn the scan by half a turn"),
            )
        } else {
            Judgement::Wrong(
                "verso",
                format!("the back of the sheet was scanned: {told}; scan its printed side"),
            )
        }
    }

    /// A sheet that shows nothing of the design as it lies may show it lying a
    /// quarter turn round or at another scale; both are told where the sheet's
    /// size is not stated, or not to be relied on.
    fn otherwise(
        &self,
        input: &Measure<'_>,
        sheet: &Sheet,
        lowres: &LowRes,
    ) -> Option<(&'static str, String)> {
        let comparer = self.comparer.as_ref()?;
        let least = self.settings.least_response;
        let best = |l: &Raster<f32>| comparer.responses_of(l).into_iter().fold(0.0_f64, f64::max);
        let quarter = best(&identity::quarter_turned(&lowres.absorption));
        if quarter >= least.max(CLEAR) {
            return Some((
                "turned",
                format!(
                    "the sheet lies a quarter turn round: response to the learned design {quarter:.2} when turned (needed {least:.2}); turn the scan"
                ),
            ));
        }
        let learned = comparer.size_mm();
        let [x, y] = [0, 1].map(|i| sheet.frame.size[i] / learned[i]);
        let factor = (x + y) / 2.0;
        let plain = (x / y - 1.0).abs() < SAME_PROPORTIONS && (factor - 1.0).abs() > OTHER_SCALE;
        if !plain || sheet.paper.count() < 3 {
            return None;
        }
        let scaled = LowRes::new(&sheet.overview, &sheet.frame, comparer.pitch() * factor).ok()?;
        let response = best(&scaled.absorption);
        (response >= least.max(CLEAR)).then(|| {
            let dpi = input.info.dpi.mean();
            (
                "other scale",
                format!(
                    "the sheet shows the learned design at {factor:.3} times its size (response {response:.2}, needed {least:.2}): {dpi:.0} dpi is stated ({}), the references' size implies {:.0}; set `dpi` in the sheet list",
                    input.info.dpi_source,
                    dpi * factor
                ),
            )
        })
    }

    fn pitch(&self) -> f64 {
        self.comparer.as_ref().map_or(PITCH_MM, Comparer::pitch)
    }
}

/// The sheet straightened by its printed border where there is one, which two
/// scans of a sheet share more closely than the edges of its paper.
/// The places compared depend on the size alone: it must not be a measured one
/// that may differ between the two.
fn texture_view(sheet: &Sheet, findings: &Findings, stated: Option<Size>) -> Option<LowRes> {
    let size = match stated {
        Some(s) => [s.width_mm, s.height_mm],
        None => sheet.frame.size.map(|s| ((s - 5.0) / 10.0).round() * 10.0),
    };
    let tied = findings.images.iter().find(|f| f.tied_to == "border");
    let to_bed = match tied {
        Some(f) => f.to_print.inverse()?.then(&sheet.metric.affine()),
        None => sheet.frame.print_map().inverse()?,
    };
    LowRes::through(&sheet.overview, &to_bed, size, PITCH_MM).ok()
}

impl Stage for Deskew {
    fn manifest() -> Manifest {
        Manifest {
            name: "deskew".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Finds the sheet and its images in the scan, their turn and scale, and tells wrong sheets.".to_owned(),
            settings: Settings::schema(),
            needs: Needs::default(),
            gives: Given {
                tables: tables::specs(),
                images: Vec::new(),
                pictures: vec!["outline".to_owned(), "deskewed".to_owned()],
                records: vec![RECORD.to_owned()],
            },
            phases: Phases {
                learn: true,
                measure: true,
                summarise: true,
            },
            bytes_per_pixel: 1.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let settings = Settings::read(settings)?;
        let comparer = match records.get(RECORD) {
            Some(bytes) => Some(Comparer::new(&Signature::read(bytes)?)?),
            None => None,
        };
        Ok(Self {
            settings,
            project: project.clone(),
            comparer,
            learned: Mutex::new(Vec::new()),
        })
    }

    fn learn(&self, step: Learn<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let mut learned = self
            .learned
            .lock()
            .map_err(|_| StageError::new("an earlier reference impression failed"))?;
        match step {
            Learn::Impression(input) => {
                if input.impression.role != Role::Reference {
                    return Ok(());
                }
                let file = &input.impression.file;
                let sheet = self.sheet(&input)?;
                if let Some((status, why)) = self.misplaced(&sheet) {
                    out.note(
                        Level::Warning,
                        &format!("{file}: not learned from ({status}): {why}"),
                    );
                    return Ok(());
                }
                let lowres = LowRes::new(&sheet.overview, &sheet.frame, PITCH_MM)?;
                let contrast = identity::contrast(&lowres.absorption, lowres.pitch);
                if contrast < self.settings.blank_contrast {
                    out.note(
                        Level::Warning,
                        &format!("{file}: not learned from (blank): contrast {contrast:.4}"),
                    );
                    return Ok(());
                }
                learned.push((file.clone(), lowres.absorption));
                Ok(())
            }
            Learn::Finish => {
                if learned.is_empty() {
                    out.note(Level::Warning, "no reference impression to learn the design from: sheet identity will not be tested");
                    return Ok(());
                }
                let planes: Vec<Raster<f32>> = learned.iter().map(|l| l.1.clone()).collect();
                let (signature, left_out) =
                    identity::learn(&planes, &self.project.design, self.settings.least_response)?;
                for i in left_out {
                    out.note(
                        Level::Warning,
                        &format!("{}: not learned from: it does not look like the other reference impressions", learned[i].0),
                    );
                }
                learned.clear();
                let bytes =
                    serde_json::to_vec(&signature).map_err(|e| StageError::new(e.to_string()))?;
                out.record(RECORD, &bytes)
            }
        }
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let sheet = self.sheet(&input)?;
        let verdict = |status: &str, reason: String| Verdict {
            sheet: input.impression.sheet,
            status: status.to_owned(),
            reason,
        };
        if let Some((status, reason)) = self.misplaced(&sheet) {
            out.picture(&pictures::outline(&sheet, None))?;
            out.not_measured(&verdict(status, reason));
            return Ok(());
        }
        let lowres = LowRes::new(&sheet.overview, &sheet.frame, self.pitch()).ok();
        let identity = match self.judge(&input, &sheet, lowres.as_ref()) {
            Judgement::Good(identity) => identity,
            Judgement::Wrong(status, reason) => {
                out.picture(&pictures::outline(&sheet, None))?;
                out.not_measured(&verdict(status, reason));
                return Ok(());
            }
        };
        if let Some((status, reason)) = self.image_cut(&sheet) {
            out.picture(&pictures::outline(&sheet, None))?;
            out.not_measured(&verdict(status, reason));
            return Ok(());
        }
        if out.cancelled() {
            return Ok(());
        }
        if let Some(factor) = sheet.scale_error(&self.project) {
            out.note(
                Level::Warning,
                &format!(
                    "{}: by its resolution the sheet is {factor:.3} times as large as stated: the resolution is wrong, or the stated size",
                    input.impression.file
                ),
            );
        } else if sheet.size_agrees == Some(false) {
            out.note(
                Level::Warning,
                &format!(
                    "{}: the sheet's size is not the stated one within {:.1} mm",
                    input.impression.file, self.settings.size_tolerance_mm
                ),
            );
        }
        let findings = analysis::images(input.scan, &sheet, &self.project, &self.settings);
        for found in &findings.images {
            out.row(IMAGES, tables::image_row(found, &sheet))?;
        }
        out.row(SHEETS, tables::sheet_row(&sheet, &findings, &identity))?;
        for row in tables::edge_rows(&sheet, &findings) {
            out.row(EDGES, row)?;
        }
        if self.settings.duplicates
            && let Some(lowres) = texture_view(&sheet, &findings, self.project.sheet)
        {
            let texture = duplicate::encode(&duplicate::texture(&lowres));
            out.row(TEXTURE, Row::new().set("texture", texture))?;
        }
        out.picture(&pictures::outline(&sheet, Some(&findings)))?;
        for found in &findings.images {
            if let Some(picture) = pictures::straightened(found, &sheet) {
                out.picture(&picture)?;
            }
        }
        Ok(())
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let Some(table) = input.table(TEXTURE).filter(|_| self.settings.duplicates) else {
            return Ok(());
        };
        let mut sheets = Vec::new();
        let mut textures = Vec::new();
        for row in 0..table.rows.len() {
            let sheet = table
                .get(row, "sheet")
                .as_i64()
                .and_then(|s| usize::try_from(s).ok());
            let texture = table
                .get(row, "texture")
                .as_str()
                .and_then(duplicate::decode);
            if let (Some(sheet), Some(texture)) = (sheet, texture) {
                sheets.push(sheet);
                textures.push(texture);
            }
        }
        if textures.len() > duplicate::MOST_SHEETS {
            out.note(
                Level::Info,
                "the run is long: each sheet was compared for duplicates only with the sheets before it within a window",
            );
        }
        let file = |sheet: usize| {
            input
                .impressions
                .iter()
                .find(|i| i.sheet == sheet)
                .map_or("", |i| i.file.as_str())
        };
        for pair in duplicate::find(&textures, self.settings.duplicate_correlation) {
            let (first, second) = (sheets[pair.first], sheets[pair.second]);
            out.row(
                PAIRS,
                Row::new()
                    .set("sheet", second)
                    .set("file", file(second))
                    .set("same_as_sheet", first)
                    .set("same_as_file", file(first))
                    .set("texture_correlation", pair.correlation),
            )?;
            if !duplicate::certain(textures.len(), pair.correlation) {
                out.note(
                    Level::Warning,
                    &format!(
                        "{} may be the same impression as {}: their fine texture correlates by \
                         {:.2}, but with {} sheets to compare the grain of the blocks cannot be \
                         told from the paper's; look at both",
                        file(second),
                        file(first),
                        pair.correlation,
                        textures.len()
                    ),
                );
                continue;
            }
            out.not_measured(&Verdict {
                sheet: second,
                status: "duplicate".to_owned(),
                reason: format!(
                    "the same impression as {} (line {first} of the sheet list): their fine texture correlates by {:.2} (different impressions: under {:.2})",
                    file(first),
                    pair.correlation,
                    self.settings.duplicate_correlation
                ),
            });
        }
        Ok(())
    }
}
