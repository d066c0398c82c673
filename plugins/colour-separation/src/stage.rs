//! The stage itself.

use std::collections::BTreeMap;
use std::sync::Mutex;

use restrike_ops::block_record::{self, BlockShape};
use restrike_ops::placement::Placement;
use restrike_stage::{
    Given, Learn, Level, Manifest, Measure, Needs, Output, Phases, Point, Project, Rect, Role,
    Stage, StageError, Summary, serde_json,
};

use crate::doubts;
use crate::fine;
use crate::gradation::profile;
use crate::inks::{Inks, PART};
use crate::learned_tables::{self, INKS, OVERPRINTS};
use crate::learning::Learning;
use crate::pictures;
use crate::separate::separate;
use crate::settings::Settings;
use crate::sheet::Sheet;
use crate::tables::{self, BLOCKS, GRADATIONS, SHEETS};
use crate::thin::Mended;

/// Rim of a sheet that is left out, mm: shadows, deckle edges.
const RIM_MM: f64 = 1.5;
/// Without a sheet's size, so much about the images is looked at, mm.
const ABOUT_MM: f64 = 4.0;

/// The stage.
pub(crate) struct ColourSeparation {
    settings: Settings,
    project: Project,
    shapes: Option<Vec<BlockShape>>,
    inks: Option<Inks>,
    learning: Mutex<Learning>,
    mended: Mended,
}

impl ColourSeparation {
    /// What is looked at of a sheet.
    fn area(&self, input: &Measure<'_>, placement: &Placement) -> Rect {
        if let Some(s) = self.project.sheet {
            return Rect::centred(s.width_mm, s.height_mm).grown(-RIM_MM);
        }
        let mut rects = self
            .project
            .images
            .iter()
            .map(restrike_stage::ImageArea::rect);
        if let Some(first) = rects.next() {
            return rects
                .fold(first, |a, r| {
                    Rect::new(
                        Point::new(a.min.x.min(r.min.x), a.min.y.min(r.min.y)),
                        Point::new(a.max.x.max(r.max.x), a.max.y.max(r.max.y)),
                    )
                })
                .grown(ABOUT_MM);
        }
        #[allow(clippy::cast_precision_loss)]
        let (w, h) = (input.scan.width() as f64, input.scan.height() as f64);
        let a = placement.to_print.apply(Point::new(0.0, 0.0));
        let b = placement.to_print.apply(Point::new(w, h));
        Rect::new(a, b).grown(-RIM_MM)
    }

    /// Scan pixels to a side of a plane's sample.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn factor(&self, pixel: f64) -> usize {
        let dpi = 25.4 / pixel;
        ((dpi / self.settings.plane_dpi - 0.05).ceil().max(1.0)) as usize
    }
}

/// Where the blocks lie by the stage registration.
fn placement(input: &Measure<'_>) -> Result<Placement, StageError> {
    let text = input
        .table("placement")
        .and_then(|t| t.get(0, "placement").as_str())
        .ok_or_else(|| StageError::new("stage registration did not say where the blocks lie"))?;
    Placement::from_json(text)
        .map_err(|e| StageError::new(format!("the placement cannot be read: {e}")))
}

impl Stage for ColourSeparation {
    fn manifest() -> Manifest {
        Manifest {
            name: "colour-separation".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Takes each registered impression apart into one plane of ink for each block."
                .to_owned(),
            settings: Settings::schema(),
            needs: Needs {
                tables: vec!["placement".to_owned()],
                records: block_record::names(),
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs()
                    .into_iter()
                    .chain(learned_tables::specs())
                    .collect(),
                images: pictures::images(),
                pictures: ["blocks", "recomposed", "plane", "labels", "gradation"]
                    .map(str::to_owned)
                    .to_vec(),
                records: std::iter::once(PART.to_owned())
                    .chain(fine::names())
                    .collect(),
            },
            phases: Phases {
                learn: true,
                measure: true,
                summarise: true,
            },
            // Nine planes and the labels as the host keeps them, one plane more on its way there, a quarter
            // of a megapixel's views, and fine lines put right anew, which sheets share. Finer scans than
            // the planes take a quarter of it.
            bytes_per_pixel: 90.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let shapes =
            block_record::read_blocks(records).map_err(|e| StageError::new(e.to_string()))?;
        let fine = fine::read(records, shapes.as_deref().unwrap_or_default())?;
        Ok(Self {
            settings: Settings::read(settings)?,
            project: project.clone(),
            shapes,
            mended: Mended::new(fine),
            inks: Inks::read(records)?,
            learning: Mutex::new(Learning::default()),
        })
    }

    fn learn(&self, step: Learn<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let mut learning = self
            .learning
            .lock()
            .map_err(|_| StageError::new("an earlier impression failed"))?;
        let input = match step {
            Learn::Impression(input) => input,
            Learn::Finish => {
                if let Some(inks) = std::mem::take(&mut *learning).finish() {
                    let bytes = serde_json::to_vec_pretty(&inks)
                        .map_err(|e| StageError::new(e.to_string()))?;
                    out.record(PART, &bytes)?;
                }
                return Ok(());
            }
        };
        // Without shapes there is nothing to learn by; `measure` says so.
        let Some(shapes) = &self.shapes else {
            return Ok(());
        };
        if let Role::Proof(block) = &input.impression.role {
            let of = shapes
                .iter()
                .enumerate()
                .find(|(_, s)| &s.part.name == block);
            // A further proof of a block did not give its shape either.
            if let Some((n, shape)) = of
                && shape.part.source.file == input.impression.file
                && let Some(map) = fine::fine_lines(input.scan, shape)
            {
                let (name, bytes) = fine::part(n, &map)?;
                out.record(&name, &bytes)?;
            }
            return Ok(());
        }
        if input.impression.role != Role::Reference || doubts::grey(&input) {
            return Ok(());
        }
        let placement = placement(&input)?;
        let area = self.area(&input, &placement);
        let shapes = self.mended.of(shapes, &placement);
        if let Some(mut sheet) = Sheet::new(input.scan, &placement, &shapes, area, None) {
            learning.add(&mut sheet);
        }
        Ok(())
    }

    fn summarise(&self, _: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let Some(inks) = &self.inks else {
            return Ok(());
        };
        for ink in &inks.inks {
            let shapes = self.shapes.iter().flatten();
            let part = shapes.map(|s| &s.part).find(|p| p.name == ink.block);
            let (source, proof) = match part {
                Some(p) if p.from_reference() => ("reference", None),
                part => ("proof", part.map(|p| p.absorption)),
            };
            out.row(INKS, learned_tables::ink_row(inks, ink, proof, source))?;
        }
        for o in &inks.overprints {
            out.row(OVERPRINTS, learned_tables::overprint_row(o))?;
        }
        Ok(())
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        if matches!(input.impression.role, Role::Proof(_)) {
            return Ok(());
        }
        let Some(shapes) = &self.shapes else {
            return Err(StageError::new(
                "there is no record of the blocks' shapes: list a proof of each block (role `proof:BLOCK`), or name a record in the config",
            ));
        };
        let placement = placement(&input)?;
        let grey = doubts::grey(&input);
        if let Some(why) = doubts::colours_lost(grey, shapes) {
            out.not_measured(&doubts::verdict(input.impression.sheet, "no colour", &why));
            return Ok(());
        }
        let area = self.area(&input, &placement);
        let shapes = self.mended.of(shapes, &placement);
        let mut sheet = Sheet::new(input.scan, &placement, &shapes, area, self.inks.as_ref())
            .ok_or_else(|| StageError::new("the placement's blocks are not those of the record"))?;
        for note in doubts::notes(&self.project, &sheet) {
            out.note(Level::Warning, &note);
        }
        let named: Vec<(&str, Rect)> = self
            .project
            .images
            .iter()
            .filter(|i| i.name != "whole")
            .map(|i| (i.name.as_str(), i.rect()))
            .collect();
        let rects: Vec<Rect> = named.iter().map(|i| i.1).collect();
        let factor = self.factor(sheet.pixel);
        let Some(s) = separate(&mut sheet, &rects, factor, &|| out.cancelled()) else {
            return Err(StageError::new("the run is being stopped"));
        };
        let clipped = doubts::clipped(&sheet);
        let parts = std::iter::once(("whole", sheet.area)).chain(named.iter().copied());
        let mut gradations: BTreeMap<usize, Vec<(String, crate::gradation::Profile)>> =
            BTreeMap::new();
        for ((image, rect), tally) in parts.zip(&s.tallies) {
            let paper = tables::paper(&sheet, tally);
            out.row(SHEETS, tables::sheet_row(image, &sheet, tally, &s, paper))?;
            for (n, block) in sheet.blocks.iter().enumerate() {
                let why = doubts::of_block(&sheet, n, &tally.blocks[n], &clipped);
                if image == "whole" && doubts::absent(&tally.blocks[n]) {
                    out.note(Level::Warning, &doubts::skipped(&block.name));
                }
                let row = tables::block_row(
                    image,
                    &sheet,
                    n,
                    &tally.blocks[n],
                    paper,
                    (s.level_se[n], &why),
                );
                out.row(BLOCKS, row)?;
                // Of several images each has its own gradation.
                if block.fade
                    && (image != "whole" || named.is_empty())
                    && !doubts::absent(&tally.blocks[n])
                {
                    let centre = self
                        .project
                        .images
                        .iter()
                        .find(|i| i.name == image)
                        .map_or(rect.centre(), |i| i.rect().centre());
                    if let Some(p) = profile(&tally.blocks[n].strengths(), centre) {
                        out.row(GRADATIONS, tables::gradation_row(image, &block.name, &p))?;
                        gradations.entry(n).or_default().push((image.to_owned(), p));
                    }
                }
            }
        }
        if self.settings.pictures && !out.cancelled() {
            let paper = tables::paper(&sheet, &s.tallies[0]);
            pictures::draw(&sheet, &s, paper, out)?;
            for (n, profiles) in &gradations {
                out.picture(&pictures::gradation(&sheet.blocks[*n].name, profiles))?;
            }
        }
        if self.settings.planes {
            pictures::planes(&sheet, s, out)?;
        }
        Ok(())
    }
}
