//! The stage itself: rows and pictures of a sheet, advice.

use std::collections::BTreeMap;
use std::sync::Mutex;

use restrike_stage::{
    Affine, Given, ImageArea, Learn, Level, Manifest, Measure, Needs, Output, Phases, Project,
    Rect, Role, Row, Stage, StageError, Summary, serde_json,
};

use crate::align::{Aligned, Rules, align};
use crate::frame::place;
use crate::layers::Layer;
use crate::learning::Learning;
use crate::located::Limits;
use crate::marks;
use crate::off;
use crate::pictures;
use crate::placement;
use crate::places::{Places, WHOLE};
use crate::record::{self, Known};
use crate::relative;
use crate::seen::Edge;
use crate::settings::Settings;
use crate::tables::{self, BLOCKS, SHEETS};

/// The stage.
pub(crate) struct Registration {
    pub(crate) settings: Settings,
    pub(crate) project: Project,
    pub(crate) known: Option<Vec<Known>>,
    /// By block of the record: edges that lay free where no proof shows it.
    free: Vec<Vec<Edge>>,
    pub(crate) learning: Mutex<Learning>,
}

impl Registration {
    pub(crate) fn images(&self) -> Vec<Rect> {
        self.project.images.iter().map(ImageArea::rect).collect()
    }

    /// What counts as identified on a scan.
    fn limits(&self, to_print: &Affine) -> Limits {
        Limits {
            se: self.settings.identified_se_mm,
            given: self.settings.given_se_mm,
            reach: self.settings.reach_mm,
            pixel: to_print.determinant().abs().sqrt(),
        }
    }

    fn rows(
        &self,
        aligned: &Aligned,
        known: &[Known],
        places: &Places<'_>,
        to_print: &Affine,
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        for on in places.all() {
            for (n, block) in known.iter().enumerate() {
                let Some(l) = &on.found[n] else { continue };
                let solids = placement::solids(aligned.layers[n].absorption, block);
                let ink = (on.fit.state.strength[n] * solids, on.fit.veil(n));
                let row = tables::block_row(on.name, block, l, ink, &on.off[n]);
                out.row(BLOCKS, row)?;
            }
        }
        for b in &self.project.blocks {
            if !b.key && !known.iter().any(|k| k.part.name == b.name) {
                out.row(BLOCKS, tables::unknown_row(WHOLE, &b.name))?;
            }
        }
        out.row(
            SHEETS,
            tables::sheet_row(&aligned.whole, aligned.blur_px, aligned.sites),
        )?;
        let placement = placement::of(aligned, known, &places.whole.found, to_print)
            .to_json()
            .map_err(|e| StageError::new(format!("the placement: {e}")))?;
        out.row(placement::TABLE, Row::new().set("placement", placement))
    }
}

impl Stage for Registration {
    fn manifest() -> Manifest {
        let mut drawings = vec!["register".to_owned(), "residual".to_owned()];
        drawings.extend(marks::pictures());
        Manifest {
            name: "registration".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Finds where each colour block landed against the key block, and what to cut or pad at the registration marks.".to_owned(),
            settings: Settings::schema(),
            needs: Needs {
                tables: vec!["deskew".to_owned()],
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs(),
                images: vec![marks::BASE.to_owned(), pictures::RESIDUAL.to_owned()],
                pictures: drawings,
                records: record::names(),
            },
            phases: Phases {
                learn: true,
                measure: true,
                summarise: true,
            },
            bytes_per_pixel: 6.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let known = record::read(records)?;
        Ok(Self {
            settings: Settings::read(settings)?,
            project: project.clone(),
            free: known.as_deref().map_or_else(Vec::new, relative::free_edges),
            known,
            learning: Mutex::default(),
        })
    }

    fn learn(&self, step: Learn<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        match step {
            Learn::Impression(input) => match &input.impression.role {
                Role::Proof(block) => self.learn_proof(&input, block, out),
                Role::Reference => self.keep_reference(&input),
                Role::Run => Ok(()),
            },
            Learn::Finish => self.finish_learning(out),
        }
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        if matches!(input.impression.role, Role::Proof(_)) {
            return Ok(());
        }
        let Some(known) = &self.known else {
            return Err(StageError::new(
                "there is no record of the blocks' shapes: list a proof of each block (role `proof:BLOCK`), or name a record in the config",
            ));
        };
        let place = place(&self.project, &input).map_err(StageError::new)?;
        let images = self.images();
        let layers: Vec<Layer> = known.iter().map(|k| k.layer.clone()).collect();
        let rules = Rules {
            colour_step: input.info.colour_step,
            ..self.settings.rules(!place.by_border)
        };
        if rules.colour_step > 1 {
            out.note(Level::Warning, &coarse_colours(rules.colour_step));
        }
        let mut aligned = align(
            input.scan,
            &place.to_print,
            place.sheet,
            &images,
            &layers,
            &rules,
        )
        .map_err(StageError::new)?;
        let print = &place.to_print;
        let parts = aligned.parts.iter_mut().zip(&images);
        let parts = parts.filter_map(|(part, image)| Some((&mut part.as_mut()?.fit, Some(*image))));
        for (fit, image) in std::iter::once((&mut aligned.whole, None)).chain(parts) {
            relative::locate(fit, &layers, &self.free, input.scan, print, image);
        }
        let places = Places::new(&aligned, known, &self.project.images, self.limits(print));
        self.rows(&aligned, known, &places, print, out)?;
        if self.settings.pictures && !out.cancelled() {
            pictures::draw(
                &input,
                &place,
                &aligned,
                known,
                &places,
                &self.settings,
                out,
            )?;
        }
        Ok(())
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let outline = |block: &str, image: &str| {
            let within = self.project.images.iter().find(|i| i.name == image);
            let known = self.known.iter().flatten();
            known
                .filter(|k| k.part.name == block)
                .flat_map(|k| off::outline(&k.layer, within.map(ImageArea::rect)))
                .collect()
        };
        marks::summarise(&self.project, &self.settings.marks, input, &outline, out)
    }
}

/// Said of a scan whose colours are coarser than its pixels.
fn coarse_colours(step: usize) -> String {
    format!(
        "a JPEG with one colour for {step} x {step} pixels: it is measured at that resolution, less exactly; save scans with colours in full (4:4:4), or as TIFF or PNG"
    )
}
