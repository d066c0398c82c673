//! The stage itself: rows and pictures of a sheet, advice.

use std::collections::BTreeMap;
use std::sync::Mutex;

use restrike_stage::{
    Affine, Given, Learn, Manifest, Measure, Needs, Output, Phases, Project, Rect, Role, Row,
    Stage, StageError, Summary, serde_json,
};

use crate::align::{Aligned, align};
use crate::frame::place;
use crate::joint::Fitted;
use crate::layers::Layer;
use crate::learning::Learning;
use crate::located::{Limits, Located, located, worn_apart};
use crate::marks;
use crate::off::{Worst, outline};
use crate::pictures;
use crate::placement;
use crate::record::{self, Known};
use crate::relative;
use crate::seen::Edge;
use crate::settings::Settings;
use crate::tables::{self, BLOCKS, SHEETS};

/// All of the sheet as an image.
const WHOLE: &str = "whole";

/// The stage.
pub(crate) struct Registration {
    pub(crate) settings: Settings,
    pub(crate) project: Project,
    known: Option<Vec<Known>>,
    /// By block of the record: edges that lay free where no proof shows it.
    free: Vec<Vec<Edge>>,
    pub(crate) learning: Mutex<Learning>,
}

impl Registration {
    pub(crate) fn images(&self) -> Vec<Rect> {
        self.project
            .images
            .iter()
            .map(restrike_stage::ImageArea::rect)
            .collect()
    }

    fn rows(
        &self,
        aligned: &Aligned,
        known: &[Known],
        to_print: &Affine,
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        let limits = Limits {
            se: self.settings.identified_se_mm,
            given: self.settings.given_se_mm,
            reach: self.settings.reach_mm,
            pixel: to_print.determinant().abs().sqrt(),
        };
        let locate = |fit: &Fitted| -> Vec<Option<Located>> {
            (0..known.len())
                .map(|n| located(fit, &known[n], n, limits))
                .collect()
        };
        let mut of_sheet = locate(&aligned.whole);
        let parts: Vec<_> = self
            .project
            .images
            .iter()
            .zip(&aligned.parts)
            .filter_map(|(image, part)| Some((image, part.as_ref()?, locate(part.as_ref()?))))
            .collect();
        for (n, l) in of_sheet.iter_mut().enumerate() {
            let images = parts
                .iter()
                .filter_map(|(image, _, found)| Some((image.name.as_str(), found[n].as_ref()?)));
            if let Some(l) = l
                && !known[n].layer.parted
            {
                worn_apart(l, images);
            }
        }
        let mut fits = vec![(WHOLE, None, &aligned.whole, &of_sheet)];
        for (image, fit, found) in &parts {
            fits.push((image.name.as_str(), Some(image.rect()), *fit, found));
        }
        for (image, area, fit, found) in fits {
            for (n, block) in known.iter().enumerate() {
                let Some(l) = &found[n] else { continue };
                let outline = outline(&aligned.layers[n], area);
                let of_sheet = of_sheet[n].as_ref().map(|l| (l, WHOLE));
                let fits = [Some((l, image)), of_sheet];
                let off = Worst::of(fits.into_iter().flatten(), &outline);
                let strength = fit.state.strength[n];
                out.row(BLOCKS, tables::block_row(image, block, l, strength, &off))?;
            }
        }
        for b in &self.project.blocks {
            if !b.key && !known.iter().any(|k| k.part.name == b.name) {
                out.row(BLOCKS, tables::unknown_row(WHOLE, &b.name))?;
            }
        }
        out.row(SHEETS, tables::sheet_row(&aligned.whole, aligned.sites))?;
        let placement = placement::of(aligned, known, to_print, limits)
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
        let rules = self.settings.rules(!place.by_border);
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
        let by_edges = |fit: &mut Fitted, image| {
            relative::locate(fit, &layers, &self.free, input.scan, print, image);
        };
        by_edges(&mut aligned.whole, None);
        for (part, image) in aligned.parts.iter_mut().zip(&images) {
            if let Some(part) = part {
                by_edges(part, Some(*image));
            }
        }
        self.rows(&aligned, known, print, out)?;
        if self.settings.pictures && !out.cancelled() {
            pictures::draw(&input, &place, &aligned, known, &self.settings, out)?;
        }
        Ok(())
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        marks::summarise(&self.project, &self.settings.marks, input, out)
    }
}
