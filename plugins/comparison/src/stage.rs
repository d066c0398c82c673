//! The stage itself.

use std::collections::BTreeMap;
use std::sync::{Mutex, OnceLock, PoisonError};

use restrike_ops::block_record::{self, BlockShape};
use restrike_ops::ciede2000::ciede2000;
use restrike_ops::cielab::{LabOfRgb, White};
use restrike_ops::placement::Placement;
use restrike_ops::stats::median;
use restrike_stage::{
    Given, Learn, Level as Grave, Manifest, Measure, Needs, Output, Phases, Point, Project, Role,
    Row, Stage, StageError, Summary, serde_json,
};

use crate::edition::{self, About};
use crate::ground::{self, Ground};
use crate::pictures;
use crate::sampled::{self, Sampled};
use crate::settings::Settings;
use crate::streams::Streams;
use crate::summary;
use crate::tables::{self, SHEETS};

/// The stage.
pub(crate) struct Comparison {
    pub(crate) settings: Settings,
    pub(crate) project: Project,
    shapes: Option<Vec<BlockShape>>,
    pub(crate) parts: BTreeMap<String, Vec<u8>>,
    ground: OnceLock<Option<Ground>>,
    streams: Mutex<Streams>,
}

/// A sheet differs from its consensus in a cell from here on, CIEDE2000.
const APART: f64 = 10.0;
/// Every so-manieth cell is looked at for a sheet's median.
const THIN: usize = 3;

/// Where the grid lies and its pitch, mm.
pub(crate) fn grid_mm(ground: &Ground) -> [f64; 3] {
    let g = ground.grid;
    [g.origin.x, g.origin.y, g.pitch]
}

impl Comparison {
    /// The record's grid with its cells, made once.
    ///
    /// # Errors
    /// When there is none, with the reason.
    pub(crate) fn ground(&self) -> Result<&Ground, StageError> {
        let Some(shapes) = &self.shapes else {
            return Err(StageError::new(
                "there is no record of the blocks' shapes: list a proof of each block (role `proof:BLOCK`), or name a record in the config",
            ));
        };
        let Some(area) = ground::area(&self.project) else {
            return Err(StageError::new(
                "the config says neither how large the sheet is nor where its images lie (`[sheet]`, `[[image]]`)",
            ));
        };
        self.ground
            .get_or_init(|| Ground::new(shapes.clone(), area, self.settings.cell_mm))
            .as_ref()
            .ok_or_else(|| StageError::new("the record has no key block"))
    }

    /// The image a place lies in.
    pub(crate) fn image_of(&self, at: Point) -> &str {
        self.project
            .images
            .iter()
            .find(|i| i.rect().grown(3.0).contains(at))
            .map_or("whole", |i| i.name.as_str())
    }

    fn sampled(&self, ground: &Ground, input: &Measure<'_>) -> Result<Sampled, StageError> {
        let text = input
            .table("placement")
            .and_then(|t| t.get(0, "placement").as_str())
            .ok_or_else(|| StageError::new("stage registration gave no placement"))?;
        let placement = Placement::from_json(text)
            .map_err(|e| StageError::new(format!("the placement cannot be read: {e}")))?;
        sampled::sample(ground, &placement, input.scan).map_err(StageError::new)
    }

    fn sheet_row(
        &self,
        ground: &Ground,
        input: &Measure<'_>,
        sheet: &Sampled,
        about: &About,
        place: usize,
    ) -> Result<Row, StageError> {
        let e = edition::load(&self.parts, place, about).map_err(StageError::new)?;
        let lab = LabOfRgb::new(White::D50);
        let (mut sizes, mut seen, mut apart) = (Vec::new(), 0_usize, 0_usize);
        for at in (0..ground.len()).step_by(THIN) {
            let v = sheet.light[at];
            if !v[0].is_finite() || e.levels[0].count[at] == 0 {
                continue;
            }
            seen += 1;
            let d = ciede2000(
                lab.lab(v.map(f64::from)),
                lab.lab(e.levels[0].light[at].map(f64::from)),
            );
            sizes.push(d);
            apart += usize::from(d > APART);
        }
        #[allow(clippy::cast_precision_loss)]
        let mm2 = |n: usize| (n * THIN) as f64 * ground.grid.pitch * ground.grid.pitch;
        let lost: Vec<&str> = sheet.lost.iter().map(|l| l.0.as_str()).collect();
        Ok(Row::new()
            .set("in_consensus", input.impression.role == Role::Reference)
            .set("impressions", about.files.len())
            .set("seen_mm2", mm2(seen))
            .set("median_de00", median(&sizes))
            .set("apart_mm2", mm2(apart))
            .set("blur_mm", sheet.blur_mm)
            .set("unlocated", lost.join(", ")))
    }
}

impl Stage for Comparison {
    fn manifest() -> Manifest {
        Manifest {
            name: "comparison".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Compares editions: what differs beyond the scatter within each, and whether the key block was re-cut.".to_owned(),
            settings: Settings::schema(),
            needs: Needs {
                tables: vec!["placement".to_owned()],
                records: block_record::names(),
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs(),
                images: pictures::names(),
                pictures: pictures::names(),
                records: edition::names(),
            },
            phases: Phases {
                learn: true,
                measure: true,
                summarise: true,
            },
            bytes_per_pixel: 40.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let parts = records
            .iter()
            .filter(|(n, _)| n.starts_with("edition"))
            .map(|(n, p)| (n.clone(), p.clone()))
            .collect();
        Ok(Self {
            settings: Settings::read(settings)?,
            project: project.clone(),
            shapes: block_record::read_blocks(records)
                .map_err(|e| StageError::new(e.to_string()))?,
            parts,
            ground: OnceLock::new(),
            streams: Mutex::new(Streams::default()),
        })
    }

    fn learn(&self, step: Learn<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let mut streams = self.streams.lock().unwrap_or_else(PoisonError::into_inner);
        match step {
            Learn::Impression(input) => {
                if matches!(input.impression.role, Role::Proof(_)) {
                    return Ok(());
                }
                let file = &input.impression.file;
                if input.impression.edition.is_empty() {
                    out.note(
                        Grave::Warning,
                        &format!("{file} belongs to no edition (column `edition` of the sheet list): left out of the comparison"),
                    );
                    return Ok(());
                }
                let ground = self.ground()?;
                match self.sampled(ground, &input) {
                    Ok(sheet) => {
                        if let Err(why) =
                            streams.add(ground, input.impression, &input.info.sha256, &sheet)
                        {
                            out.note(Grave::Warning, &format!("{file}: {why}"));
                        }
                    }
                    Err(e) => out.note(Grave::Warning, &format!("{file} is left out: {e}")),
                }
                Ok(())
            }
            Learn::Finish => {
                if streams.is_empty() {
                    out.note(
                        Grave::Warning,
                        "no edition was learned: list impressions of each edition with the role `reference` and a column `edition`",
                    );
                    return Ok(());
                }
                let ground = self.ground()?;
                let editions = streams.end();
                let parts = edition::write(&editions, grid_mm(ground)).map_err(StageError::new)?;
                for (name, bytes) in parts {
                    out.record(&name, &bytes)?;
                }
                Ok(())
            }
        }
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        if matches!(input.impression.role, Role::Proof(_)) {
            return Ok(());
        }
        let ground = self.ground()?;
        let list = edition::list(&self.parts, grid_mm(ground)).map_err(StageError::new)?;
        let name = &input.impression.edition;
        let Some(place) = list.iter().position(|e| &e.name == name) else {
            let why = if name.is_empty() {
                "the sheet list says no edition".to_owned()
            } else {
                format!(
                    "no impression of edition {name} is listed as `reference`, so it has no consensus"
                )
            };
            return out.row(SHEETS, Row::new().set("why", why));
        };
        let sheet = self.sampled(ground, &input)?;
        let row = self.sheet_row(ground, &input, &sheet, &list[place], place)?;
        out.row(SHEETS, row)
    }

    fn summarise(&self, _: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        if self.shapes.is_none() {
            return Ok(());
        }
        let ground = self.ground()?;
        let list = edition::list(&self.parts, grid_mm(ground)).map_err(StageError::new)?;
        summary::put(self, ground, &list, out)
    }
}
