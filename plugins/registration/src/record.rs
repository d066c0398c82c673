//! The record's blocks as layers of the model.

use std::collections::BTreeMap;

use restrike_ops::block_record::{self, BlockPart, BlockShape};
use restrike_stage::StageError;

pub(crate) use restrike_ops::block_record::{MOST, Source, ZeroPart, names};

use crate::layers::{Layer, rough};
use crate::learned::{moments, shares};

/// A block with its shape and its zero.
#[derive(Debug, Clone)]
pub(crate) struct Known {
    /// Shape and ink.
    pub(crate) layer: Layer,
    /// What the index says of it.
    pub(crate) part: BlockPart,
}

impl Known {
    /// A block from its shape; its zero is not known yet.
    pub(crate) fn new(layer: Layer, order: u32, source: Source) -> Self {
        let about = block_record::About {
            name: layer.name.clone(),
            order,
            key: layer.key,
            bokashi: layer.fade,
            absorption: layer.absorption,
            centre: layer.centre,
            radius: layer.radius,
            source,
        };
        let shape = BlockShape::new(
            about,
            layer.edges.clone(),
            layer.ink.clone(),
            layer.ink_grid,
        );
        Self {
            layer,
            part: shape.part,
        }
    }

    fn shape(&self) -> BlockShape {
        BlockShape {
            part: self.part.clone(),
            edges: self.layer.edges.clone(),
            ink: self.layer.ink.clone(),
            ink_grid: self.layer.ink_grid,
        }
    }

    fn of(shape: BlockShape) -> Self {
        let moments = moments(&shape.edges);
        let part = shape.part;
        let layer = Layer {
            name: part.name.clone(),
            rough: rough(&shape.edges),
            edges: shape.edges,
            ink: shape.ink,
            ink_grid: shape.ink_grid,
            absorption: part.absorption,
            key: part.key,
            fade: part.bokashi,
            parted: part.from_reference(),
            centre: restrike_stage::Point::new(part.centre_mm[0], part.centre_mm[1]),
            radius: part.radius_mm,
            spread: shares(moments.spread),
            extent: moments.extent,
        };
        Self { layer, part }
    }
}

/// The parts of a record.
///
/// # Errors
/// When a picture cannot be encoded, which does not happen with memory at hand.
pub(crate) fn write(design: &str, blocks: &[Known]) -> Result<Vec<(String, Vec<u8>)>, StageError> {
    let shapes: Vec<BlockShape> = blocks.iter().map(Known::shape).collect();
    block_record::write(design, &shapes).map_err(|e| StageError::new(e.to_string()))
}

/// Reads a record's parts; none when there is no index.
///
/// # Errors
/// When a part is missing or is not what it should be.
pub(crate) fn read(parts: &BTreeMap<String, Vec<u8>>) -> Result<Option<Vec<Known>>, StageError> {
    let shapes = block_record::read_blocks(parts).map_err(|e| StageError::new(e.to_string()))?;
    Ok(shapes.map(|s| s.into_iter().map(Known::of).collect()))
}
