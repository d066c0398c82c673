//! What is said of every block of a sheet, on all of it and on each of its images:
//! worked out once, for the rows, the pictures and the stages that follow.

use restrike_stage::{ImageArea, Rect};

use crate::align::Aligned;
use crate::joint::Fitted;
use crate::located::{Limits, Located, located, worn_apart};
use crate::off::{Worst, outline};
use crate::record::Known;

/// All of the sheet as an image.
pub(crate) const WHOLE: &str = "whole";

/// The blocks on one image of a sheet, or on all of the sheet.
pub(crate) struct OnImage<'a> {
    /// The image's name.
    pub(crate) name: &'a str,
    /// Where it lies; none for all of the sheet.
    pub(crate) area: Option<Rect>,
    /// The fit.
    pub(crate) fit: &'a Fitted,
    /// By block of the record: where it lies; none for the key.
    pub(crate) found: Vec<Option<Located>>,
    /// By block of the record: how far it is off at worst over what it prints here.
    pub(crate) off: Vec<Worst<'a>>,
}

/// The blocks of a sheet.
pub(crate) struct Places<'a> {
    /// On all of it.
    pub(crate) whole: OnImage<'a>,
    /// On each image that was fitted by itself: none where the sheet has one image.
    pub(crate) images: Vec<OnImage<'a>>,
}

impl<'a> Places<'a> {
    /// What the fits of a sheet come to.
    pub(crate) fn new(
        aligned: &'a Aligned,
        known: &[Known],
        images: &'a [ImageArea],
        limits: Limits,
    ) -> Self {
        let all: Vec<_> = known.iter().map(|k| k.layer.spread).collect();
        let on = |name, area, fit, spread: &[[f64; 2]]| OnImage {
            name,
            area,
            fit,
            found: known
                .iter()
                .zip(spread)
                .enumerate()
                .map(|(n, (block, spread))| located(fit, block, n, *spread, limits))
                .collect(),
            off: vec![Worst::Unknown; known.len()],
        };
        let mut whole = on(WHOLE, None, &aligned.whole, &all);
        let mut images: Vec<_> = images
            .iter()
            .zip(&aligned.parts)
            .filter_map(|(image, part)| Some((image, part.as_ref()?)))
            .map(|(image, part)| on(&image.name, Some(image.rect()), &part.fit, &part.spread))
            .collect();
        for (n, l) in whole.found.iter_mut().enumerate() {
            let Some(l) = l.as_mut().filter(|_| !known[n].layer.parted) else {
                continue;
            };
            let on_images = images
                .iter()
                .filter_map(|i| Some((i.name, i.found[n].as_ref()?)));
            worn_apart(l, on_images);
        }
        for (n, layer) in aligned.layers.iter().enumerate() {
            let of_sheet = whole.found[n].as_ref().map(|l| (l, WHOLE));
            for image in &mut images {
                let own = image.found[n].as_ref().map(|l| (l, image.name));
                let fits = own.into_iter().chain(of_sheet);
                image.off[n] = Worst::of(fits, &outline(layer, image.area));
            }
            whole.off[n] = Worst::of(of_sheet, &outline(layer, None));
        }
        Self { whole, images }
    }

    /// All of the sheet, then its images.
    pub(crate) fn all(&self) -> impl Iterator<Item = &OnImage<'a>> {
        std::iter::once(&self.whole).chain(&self.images)
    }
}
