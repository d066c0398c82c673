//! The stage itself.

use std::collections::BTreeMap;

use restrike_ops::atlas::Atlas;
use restrike_ops::block_record::{self, BlockShape};
use restrike_ops::placement::Placement;
use restrike_stage::{
    Given, Manifest, Measure, Needs, Output, Phases, Point, Project, Role, Row, Stage, StageError,
    Summary, serde_json,
};

use crate::damage;
use crate::edges::Metrics;
use crate::kinds::{Found, Unseen};
use crate::outline::Outlines;
use crate::pictures;
use crate::repair;
use crate::settings::Settings;
use crate::sheet::{self, LEAST_PX, Line, Sheet};
use crate::solids::{Edges, Looking};
use crate::strip::Reading;
use crate::tables::{self, LINES, SHEETS, SITES, SOLIDS, UNSEEN};

/// The stage.
pub(crate) struct EdgeWear {
    settings: Settings,
    project: Project,
    shapes: Vec<BlockShape>,
    /// Of the colour blocks.
    outlines: Vec<Outlines>,
    atlas: Option<Atlas>,
}

/// A line of which less than this is seen has no width of its own, mm.
const LEAST_MEASURED_MM: f64 = 0.5;
/// Of a gap that the record has too, so many times the least confidence is asked for:
/// strokes end facing each other by design as well.
const RECORDED: f64 = 1.5;
/// A break that leaves this share of the ink in its middle is still called one.
const LEFT: f64 = 0.55;

impl EdgeWear {
    fn key(&self) -> Option<&BlockShape> {
        self.shapes.iter().find(|s| s.part.key)
    }

    /// The edges of the colour blocks.
    fn solids(&self, reading: &Reading<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let placement = reading.placement;
        let edges: Option<Vec<_>> = placement
            .blocks
            .iter()
            .map(|b| self.shapes.iter().find(|s| s.part.name == b.name))
            .map(|s| s.map(|s| s.edges.as_ref()))
            .collect();
        let Some(edges) = edges else {
            return Ok(());
        };
        let looking = Looking {
            scan: reading.scan,
            placement,
            edges,
            pixel: reading.pixel,
            sigma: reading.sigma,
        };
        for outlines in &self.outlines {
            if out.cancelled() {
                break;
            }
            let Some(place) = placement.block(&outlines.block) else {
                continue;
            };
            let seen = match place.why {
                None => looking.look(place, outlines),
                Some(_) => Vec::new(),
            };
            for image in self.images() {
                let of = |at: Point| image == "whole" || self.image_of(at) == image;
                let (found, why) = match &place.why {
                    Some(why) => (Edges::default(), Some(why.as_str())),
                    None => {
                        let found = looking.edges(outlines, &seen, &of);
                        let why = found
                            .retreat
                            .is_none()
                            .then_some("too little of its edges lies clear on even ground");
                        (found, why)
                    }
                };
                out.row(
                    SOLIDS,
                    tables::solid_row(image, &outlines.block, &found, why),
                )?;
            }
        }
        Ok(())
    }

    /// Images that rows are given for, the whole sheet first.
    fn images(&self) -> Vec<&str> {
        let mut out = vec!["whole"];
        if self.project.images.len() > 1 {
            out.extend(self.project.images.iter().map(|i| i.name.as_str()));
        }
        out
    }

    fn image_of(&self, at: Point) -> &str {
        self.project
            .images
            .iter()
            .find(|i| i.rect().grown(3.0).contains(at))
            .map_or("whole", |i| i.name.as_str())
    }

    fn line_row(&self, line: &Line, reading: &Reading<'_>) -> Row {
        let m = &line.metrics;
        let least = LEAST_PX * reading.pixel;
        let row = Row::new()
            .set("image", self.image_of(line.middle))
            .set("line", i64::from(line.id))
            .set("x_mm", line.middle.x)
            .set("y_mm", line.middle.y)
            .set("length_mm", line.length)
            .set("measured_mm", m.measured_mm);
        match m.t50.filter(|_| m.measured_mm >= LEAST_MEASURED_MM) {
            None => row.set("resolution", "unmeasured").set(
                "why",
                "too little of it lies clear on even ground",
            ),
            Some(w) if w.value < least => row.set("resolution", "unresolved").set(
                "why",
                format!(
                    "about {:.3} mm wide, under three pixels ({least:.3} mm): scan at a higher resolution",
                    w.value
                ),
            ),
            Some(_) => tables::put_metrics(row.set("resolution", "resolved"), m),
        }
    }

    fn rows(
        &self,
        reading: &Reading<'_>,
        sheet: &Sheet,
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        for line in &sheet.lines {
            out.row(LINES, self.line_row(line, reading))?;
        }
        for f in &sheet.found {
            out.row(
                SITES,
                tables::site_row(self.image_of(f.at), f, reading.pixel),
            )?;
        }
        for image in self.images() {
            let of = |at: Point| image == "whole" || self.image_of(at) == image;
            let lines = sheet.lines.iter().filter(|l| of(l.middle));
            let resolved = lines
                .clone()
                .filter(|l| is_resolved(&l.metrics, reading.pixel));
            let seen: f64 = lines.clone().map(|l| l.seen_mm).sum();
            let sides: f64 = lines.clone().map(|l| l.sides_mm).sum();
            let length: f64 = lines.clone().map(|l| l.length).sum();
            let row = Row::new()
                .set("image", image)
                .set("lines", lines.clone().count())
                .set("resolved", resolved.clone().count())
                .set("seen_mm", seen)
                .set("unseen_mm", (length - seen).max(0.0))
                .set("sides_seen_mm", sides)
                .set("scan_blur_mm", reading.sigma)
                .set("least_width_mm", LEAST_PX * reading.pixel)
                .set("least_break_mm", least_break(reading.sigma));
            let row =
                tables::put_metrics(row, &sheet::mean_of(resolved, self.recorded_mean(image)));
            let found = sheet.found.iter().filter(|f| of(f.at));
            out.row(SHEETS, tables::put_counts(row, &found))?;
        }
        let unseen: Vec<(u32, f64, f64)> = sheet
            .unseen
            .iter()
            .map(|u| {
                let round = |v: f64| (v * 1000.0).round() / 1000.0;
                (u.line, round(u.from), round(u.to))
            })
            .collect();
        let text = serde_json::to_string(&unseen)
            .map_err(|e| StageError::new(format!("unseen stretches: {e}")))?;
        out.row(UNSEEN, Row::new().set("unseen", text))
    }

    /// Mean width of an image's lines in the record, by length, mm.
    fn recorded_mean(&self, image: &str) -> f64 {
        let (mut sum, mut weight) = (0.0, 0.0);
        for l in self.atlas.iter().flat_map(|a| &a.lines) {
            let Some(p) = l.points.get(l.points.len() / 2) else {
                continue;
            };
            if image == "whole" || self.image_of(Point::new(p.x_mm, p.y_mm)) == image {
                let mean: f64 = l.points.iter().map(|p| 2.0 * p.half_width_mm).sum::<f64>();
                #[allow(clippy::cast_precision_loss)]
                let mean = mean / l.points.len() as f64;
                sum += mean * l.length_mm;
                weight += l.length_mm;
            }
        }
        if weight > 0.0 { sum / weight } else { 0.0 }
    }
}

fn is_resolved(m: &Metrics, pixel: f64) -> bool {
    m.t50.is_some_and(|w| w.value >= LEAST_PX * pixel)
}

/// Length of the gap that leaves [`LEFT`] of the ink in its middle under a blur, mm.
fn least_break(sigma: f64) -> f64 {
    let (mut low, mut high) = (0.0, 20.0 * sigma);
    for _ in 0..60 {
        let mid = 0.5 * (low + high);
        if 1.0 - libm::erf(mid / (2.0 * std::f64::consts::SQRT_2 * sigma)) > LEFT {
            low = mid;
        } else {
            high = mid;
        }
    }
    0.5 * (low + high)
}

impl Stage for EdgeWear {
    fn manifest() -> Manifest {
        Manifest {
            name: "edge-wear".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
            summary: "Measures how wide, blurred and ragged the key lines print and where they are broken, and says what of that is damage to the block.".to_owned(),
            settings: Settings::schema(),
            needs: Needs {
                tables: vec!["placement".to_owned()],
                records: block_record::names(),
                ..Needs::default()
            },
            gives: Given {
                tables: tables::specs().into_iter().chain(repair::specs()).collect(),
                pictures: vec![pictures::LINES.to_owned(), repair::MAP.to_owned()],
                ..Given::default()
            },
            phases: Phases {
                measure: true,
                summarise: true,
                ..Phases::default()
            },
            bytes_per_pixel: 2.0,
        }
    }

    fn new(
        settings: &serde_json::Value,
        project: &Project,
        records: &BTreeMap<String, Vec<u8>>,
    ) -> Result<Self, StageError> {
        let error = |e: block_record::RecordError| StageError::new(e.to_string());
        let shapes = block_record::read_blocks(records)
            .map_err(error)?
            .unwrap_or_default();
        Ok(Self {
            settings: Settings::read(settings)?,
            project: project.clone(),
            outlines: shapes
                .iter()
                .filter(|s| !s.part.key)
                .map(Outlines::of)
                .collect(),
            shapes,
            atlas: block_record::read_atlas(records).map_err(error)?,
        })
    }

    fn measure(&self, input: Measure<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let text = input
            .table("placement")
            .and_then(|t| t.get(0, "placement").as_str());
        let Some(text) = text else {
            // Proofs of single blocks are not laid out.
            return match input.impression.role {
                Role::Proof(_) => Ok(()),
                _ => Err(StageError::new("stage registration gave no placement")),
            };
        };
        let (Some(key), Some(atlas)) = (self.key(), &self.atlas) else {
            return Err(StageError::new(
                "the block record holds no key lines: list a proof of the key block (role `proof:BLOCK`), or name a record in the config",
            ));
        };
        let placement = Placement::from_json(text)
            .map_err(|e| StageError::new(format!("the placement cannot be read: {e}")))?;
        let place = placement
            .blocks
            .iter()
            .find(|b| b.key)
            .ok_or_else(|| StageError::new("the placement has no key block"))?;
        let pixel = placement.pixel_mm();
        let reading = Reading {
            scan: input.scan,
            placement: &placement,
            key: place,
            edges: &key.edges,
            colours: placement
                .blocks
                .iter()
                .filter(|b| !b.key)
                .filter_map(|b| {
                    let shape = self.shapes.iter().find(|s| s.part.name == b.name)?;
                    Some((b, shape.edges.as_ref()))
                })
                .collect(),
            pixel,
            sigma: pixel * (placement.blur_px * placement.blur_px + 1.0 / 12.0).sqrt(),
        };
        let courses = sheet::courses(&reading, atlas, self.settings.least_line_mm);
        let mut sheet = sheet::measure(&reading, &courses, &|| out.cancelled());
        // What is too unsure to be called damage is not seen whole either.
        let (sure, unsure) = std::mem::take(&mut sheet.found)
            .into_iter()
            .partition(|f: &Found| {
                let share = if f.recorded { RECORDED } else { 1.0 };
                f.confidence >= share * self.settings.least_confidence
            });
        sheet.found = sure;
        sheet.unseen.extend(unsure.iter().map(|f| Unseen {
            line: f.line,
            from: f.from,
            to: f.to,
        }));
        self.rows(&reading, &sheet, out)?;
        self.solids(&reading, out)?;
        if self.settings.pictures && !out.cancelled() {
            out.picture(&pictures::lines(&placement, place, &courses, &sheet, pixel))?;
        }
        Ok(())
    }

    fn summarise(&self, input: Summary<'_>, out: &mut dyn Output) -> Result<(), StageError> {
        let (Some(key), Some(atlas)) = (self.key(), &self.atlas) else {
            return Ok(());
        };
        let images: Vec<(String, Point)> = self
            .project
            .images
            .iter()
            .map(|i| (i.name.clone(), Point::new(i.x_mm, i.y_mm)))
            .collect();
        let Some(run) = damage::gather(&input, &images) else {
            return Ok(());
        };
        repair::put(
            &run,
            &key.part.name,
            atlas,
            &self.project,
            self.settings.repair_probability,
            out,
        )
    }
}
