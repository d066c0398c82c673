//! The record's blocks learned from proofs, or for want of them from the first
//! reference impression.

use restrike_ops::area_shrink::shrunk_scan;
use restrike_ops::block_record::{PROOF, REFERENCE};
use restrike_ops::grid::Grid;
use restrike_ops::resample::resample;
use restrike_stage::{Affine, BlockInfo, Level as Grade, Measure, Output, Raster, StageError};

use crate::align::align;
use crate::doubts;
use crate::frame::{SheetPlace, place};
use crate::layers::Layer;
use crate::learned;
use crate::parted;
use crate::record::{self, Known, Source, ZeroPart};
use crate::seen;
use crate::shape;
use crate::stage::Registration;
use crate::state::{RIDE, Ride};
use crate::zero;

/// Finest pitch of a learned shape, mm.
const FINEST_MM: f64 = 25.4 / 600.0;

/// What learning has seen so far.
#[derive(Default)]
pub(crate) struct Learning {
    blocks: Vec<Known>,
    /// The first reference impression, for blocks without a zero of their own.
    reference: Option<Kept>,
}

/// A scan kept until all proofs are seen.
struct Kept {
    file: String,
    sha256: String,
    /// From the pixels of the scan itself to mm.
    scan_to_mm: [f64; 6],
    scan: Raster<u16>,
    place: SheetPlace,
}

impl Registration {
    /// Learns a block's shape from its proof.
    ///
    /// # Errors
    /// When an earlier impression failed; a proof that shows no shape is a remark.
    pub(crate) fn learn_proof(
        &self,
        input: &Measure<'_>,
        block: &str,
        out: &mut dyn Output,
    ) -> Result<(), StageError> {
        let file = &input.impression.file;
        let Some(info) = self.project.blocks.iter().find(|b| b.name == block) else {
            out.note(
                Grade::Warning,
                &format!("{file}: a proof of block {block}, which is not in the block list: nothing learned from it"),
            );
            return Ok(());
        };
        {
            let learning = self.learning()?;
            if learning.blocks.iter().any(|b| b.part.name == block) {
                out.note(
                    Grade::Info,
                    &format!("{file}: a further proof of block {block}; its shape was learned from the first"),
                );
                return Ok(());
            }
            if learning.blocks.len() >= record::MOST {
                out.note(
                    Grade::Warning,
                    &format!("{file}: a record holds at most {} blocks", record::MOST),
                );
                return Ok(());
            }
        }
        let known = match self.shape_of(input, info) {
            Ok(known) => known,
            Err(why) => {
                out.note(
                    Grade::Warning,
                    &format!("{file}: no shape of block {block} learned: {why}"),
                );
                return Ok(());
            }
        };
        self.learning()?.blocks.push(known);
        Ok(())
    }

    fn shape_of(&self, input: &Measure<'_>, info: &BlockInfo) -> Result<Known, String> {
        let place = place(&self.project, input)?;
        let pitch = place.to_print.determinant().abs().sqrt().max(FINEST_MM);
        let grid = Grid::over(place.sheet, pitch);
        let laid = resample(input.scan, &place.to_print, grid).ok_or("the scan is too small")?;
        let shape = shape::shape(&laid, grid, place.sheet, &self.images(), info.bokashi)?;
        let layer = learned::layer(&info.name, info.key, info.bokashi, &shape);
        Ok(Known::new(
            layer,
            info.order,
            Source {
                file: input.impression.file.clone(),
                sha256: input.info.sha256.clone(),
                kind: PROOF.to_owned(),
                scan_to_mm: place.to_print.0,
            },
        ))
    }

    fn learning(&self) -> Result<std::sync::MutexGuard<'_, Learning>, StageError> {
        self.learning
            .lock()
            .map_err(|_| StageError::new("an earlier impression failed"))
    }

    /// Puts the record out, if there is one.
    fn put(&self, blocks: &[Known], out: &mut dyn Output) -> Result<(), StageError> {
        if blocks.is_empty() {
            return Ok(());
        }
        for (name, bytes) in record::write(&self.project.design, blocks)? {
            out.record(&name, &bytes)?;
        }
        Ok(())
    }

    /// Keeps the first reference impression until all proofs are seen.
    ///
    /// # Errors
    /// When an earlier impression failed.
    pub(crate) fn keep_reference(&self, input: &Measure<'_>) -> Result<(), StageError> {
        let mut learning = self.learning()?;
        if learning.reference.is_none()
            && let Ok(place) = place(&self.project, input)
        {
            learning.reference = Some(keep(input, &place));
        }
        Ok(())
    }

    /// Finds the zeros and puts the record out.
    ///
    /// # Errors
    /// When an earlier impression failed, or the host does not take the record.
    pub(crate) fn finish_learning(&self, out: &mut dyn Output) -> Result<(), StageError> {
        let mut learning = self.learning()?;
        let mut blocks = std::mem::take(&mut learning.blocks);
        blocks.sort_by_key(|b| b.part.order);
        if blocks.is_empty() && self.known.is_some() {
            // What a reference shows of them is worse; and fine lines and inks of the record were
            // learned with these shapes.
            out.note(
                Grade::Info,
                "no proof of a single block is in the list (role `proof:BLOCK`): the blocks' shapes are those of the record that the config names",
            );
            return Ok(());
        }
        if blocks.is_empty() {
            blocks = self.parts_of_reference(learning.reference.take(), out);
            return self.put(&blocks, out);
        }
        // The last first, so that the others keep their places.
        for (n, why) in doubts::doubtful(&blocks, &self.project.blocks)
            .into_iter()
            .rev()
        {
            out.note(Grade::Warning, &why);
            blocks.remove(n);
        }
        for info in &self.project.blocks {
            if !blocks.iter().any(|b| b.part.name == info.name) {
                out.note(
                    Grade::Warning,
                    &format!(
                        "no proof of block {} to learn its shape from: it is not looked for on any sheet",
                        info.name
                    ),
                );
            }
        }
        let Some(key) = blocks.iter().position(|b| b.part.key) else {
            out.note(
                Grade::Warning,
                "no proof of the key block is in the list: registration needs the key's shape",
            );
            return Ok(());
        };
        let key_edges = blocks[key].layer.edges.clone();
        for b in blocks.iter_mut().filter(|b| !b.part.key) {
            let still = Ride::still(b.layer.centre, b.layer.radius);
            match zero::zero(&b.layer.edges, &key_edges, still) {
                Ok(z) => {
                    b.part.zero = ZeroPart {
                        basis: "key lines".to_owned(),
                        words: format!(
                            "{:.0} % of its outline runs along key lines, {:.3} mm about their middle, in {} pieces",
                            100.0 * z.share,
                            z.spread,
                            z.pieces
                        ),
                        by_mm: z.ride.by,
                        covariance_mm2: z.covariance,
                    };
                }
                Err(why) => {
                    b.part.zero.words = format!("where it should lie is not known: {why}");
                }
            }
        }
        if blocks
            .iter()
            .any(|b| !b.part.key && !b.part.zero.absolute())
            && let Some(kept) = learning.reference.take()
        {
            self.by_reference(&mut blocks, &kept, out);
        }
        for b in blocks.iter_mut().filter(|b| !b.part.key) {
            let bent = zero::bent(&b.layer.edges, b.layer.radius);
            for (row, more) in b.part.zero.covariance_mm2.iter_mut().zip(bent) {
                for (v, more) in row.iter_mut().zip(more) {
                    *v += more;
                }
            }
        }
        self.put(&blocks, out)
    }

    /// The blocks as far as the first reference impression shows them, for want of proofs.
    fn parts_of_reference(&self, kept: Option<Kept>, out: &mut dyn Output) -> Vec<Known> {
        const NO_PROOF: &str = "no proof of a single block is in the list (role `proof:BLOCK`)";
        let Some(kept) = kept else {
            out.note(
                Grade::Warning,
                &format!("{NO_PROOF}, and no reference impression: registration has no shapes to look for"),
            );
            return Vec::new();
        };
        let pitch = kept.place.to_print.determinant().abs().sqrt();
        let grid = Grid::over(kept.place.sheet, pitch);
        let found = resample(kept.scan.view(), &kept.place.to_print, grid)
            .ok_or_else(|| "the scan is too small".to_owned())
            .and_then(|laid| {
                parted::shapes(
                    &laid,
                    grid,
                    kept.place.sheet,
                    &self.images(),
                    &self.project.blocks,
                )
            });
        let shapes = match found {
            Ok(shapes) => shapes,
            Err(why) => {
                out.note(
                    Grade::Warning,
                    &format!(
                        "{NO_PROOF}, and {} does not tell the blocks' shapes: {why}",
                        kept.file
                    ),
                );
                return Vec::new();
            }
        };
        out.note(
            Grade::Info,
            &format!(
                "{NO_PROOF}: the blocks' shapes are taken from what {} shows of them. The key is found on every sheet; of the other blocks, how far they moved against that impression, where enough of their edges lies free of the key. Nothing of it is against the key",
                kept.file
            ),
        );
        let mut layers = Vec::new();
        let mut orders = Vec::new();
        for (info, shape) in self.project.blocks.iter().zip(shapes) {
            match shape {
                Ok(shape) => {
                    layers.push(learned::layer(&info.name, info.key, info.bokashi, &shape));
                    orders.push(info.order);
                }
                Err(why) => out.note(Grade::Warning, &format!("{}: {why}", kept.file)),
            }
        }
        let free = seen::by_the_same_rule(&mut layers, kept.scan.view(), &kept.place.to_print);
        let mut blocks: Vec<Known> = layers
            .into_iter()
            .zip(orders)
            .zip(free)
            .map(|((layer, order), free)| {
                let source = Source {
                    file: kept.file.clone(),
                    sha256: kept.sha256.clone(),
                    kind: REFERENCE.to_owned(),
                    scan_to_mm: kept.scan_to_mm,
                };
                let mut known = Known::new(layer, order, source);
                known.part.zero.basis = "reference".to_owned();
                known.part.zero.words = format!("taken as {} has it", kept.file);
                // Micrometres are finer than any edge is read.
                let round = |v: f64| (v * 1000.0).round() / 1000.0;
                known.part.free_mm = free.iter().map(|p| [round(p.x), round(p.y)]).collect();
                known
            })
            .collect();
        if !blocks.iter().any(|b| b.part.key) {
            out.note(
                Grade::Warning,
                &format!(
                    "{}: the key block is not told apart: nothing learned",
                    kept.file
                ),
            );
            return Vec::new();
        }
        blocks.sort_by_key(|b| b.part.order);
        blocks
    }

    /// Where the first reference impression has the blocks whose zero is not known.
    fn by_reference(&self, blocks: &mut [Known], kept: &Kept, out: &mut dyn Output) {
        let layers: Vec<Layer> = blocks.iter().map(|b| b.layer.clone()).collect();
        let rules = self.settings.rules(true);
        match align(
            kept.scan.view(),
            &kept.place.to_print,
            kept.place.sheet,
            &self.images(),
            &layers,
            &rules,
        ) {
            Ok(aligned) => {
                for (n, b) in blocks.iter_mut().enumerate() {
                    if b.part.key || b.part.zero.absolute() {
                        continue;
                    }
                    let ride = aligned.whole.state.rides[n];
                    let Some(at) = aligned.whole.state.slots(n).ride else {
                        continue;
                    };
                    for i in 0..RIDE {
                        b.part.zero.by_mm[i] = ride.by[i];
                        for j in 0..RIDE {
                            b.part.zero.covariance_mm2[i][j] =
                                aligned.whole.covariance[(at + i, at + j)];
                        }
                    }
                    b.part.zero.basis = "reference".to_owned();
                    b.part.zero.words =
                        format!("{}; taken as {} has it", b.part.zero.words, kept.file);
                }
            }
            Err(why) => out.note(
                Grade::Warning,
                &format!(
                    "{}: its register could not be taken as the zero: {why}",
                    kept.file
                ),
            ),
        }
    }
}

/// A scan at no more than 300 dpi, for keeping.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::cast_precision_loss
)]
fn keep(input: &Measure<'_>, place: &SheetPlace) -> Kept {
    let pixel = place.to_print.determinant().abs().sqrt();
    let factor = ((25.4 / 300.0 / pixel).round() as usize).max(1);
    let scan = shrunk_scan(input.scan, factor);
    let k = factor as f64;
    Kept {
        file: input.impression.file.clone(),
        sha256: input.info.sha256.clone(),
        scan_to_mm: place.to_print.0,
        scan,
        place: SheetPlace {
            to_print: Affine::scale(k, k).then(&place.to_print),
            ..place.clone()
        },
    }
}
