//! The editions while they are learned.

use std::collections::{BTreeMap, BTreeSet};

use restrike_stage::Impression;

use crate::consensus::{SIDES, Stream, coarser};
use crate::edition::{About, Edition, Ink, MOST};
use crate::ground::Ground;
use crate::sampled::Sampled;

/// Running mean and spread of three channels.
#[derive(Debug, Clone, Default)]
struct Three {
    n: usize,
    mean: [f64; 3],
    squares: [f64; 3],
    why: String,
}

impl Three {
    #[allow(clippy::cast_precision_loss)]
    fn add(&mut self, v: [f64; 3]) {
        self.n += 1;
        for c in 0..3 {
            let d = v[c] - self.mean[c];
            self.mean[c] += d / self.n as f64;
            self.squares[c] += d * (v[c] - self.mean[c]);
        }
    }

    #[allow(clippy::cast_precision_loss)]
    fn scatter(&self) -> [f64; 3] {
        if self.n < 2 {
            return [0.0; 3];
        }
        self.squares
            .map(|s| (s / (self.n as f64 - 1.0)).max(0.0).sqrt())
    }
}

struct One {
    year: Option<i32>,
    files: Vec<String>,
    paper: Three,
    blur: f64,
    inks: Vec<Three>,
    levels: Vec<Stream>,
    /// Mean of what was added for the blocks' register, by cell of the finest level.
    register: Vec<[f32; 3]>,
}

/// The editions so far.
#[derive(Default)]
pub(crate) struct Streams {
    editions: BTreeMap<String, One>,
    scans: BTreeSet<String>,
    blocks: Vec<String>,
}

impl Streams {
    pub(crate) fn is_empty(&self) -> bool {
        self.editions.is_empty()
    }

    /// Adds an impression.
    ///
    /// # Errors
    /// When it is left out, with the reason.
    pub(crate) fn add(
        &mut self,
        ground: &Ground,
        impression: &Impression,
        sha256: &str,
        sheet: &Sampled,
    ) -> Result<(), String> {
        if !self.scans.insert(sha256.to_owned()) {
            return Err("is the same file as one before it and is not counted twice".to_owned());
        }
        if !self.editions.contains_key(&impression.edition) && self.editions.len() == MOST {
            return Err(format!(
                "more than {MOST} editions: {} is left out",
                impression.edition
            ));
        }
        if self.blocks.is_empty() {
            self.blocks = ground.blocks.iter().map(|b| b.name.clone()).collect();
        }
        let one = self
            .editions
            .entry(impression.edition.clone())
            .or_insert_with(|| One {
                year: impression.year,
                files: Vec::new(),
                paper: Three::default(),
                blur: 0.0,
                inks: vec![Three::default(); ground.blocks.len()],
                levels: SIDES.iter().map(|s| Stream::new(ground, *s)).collect(),
                register: vec![[0.0; 3]; ground.len()],
            });
        // A block's edges are taken from the impressions it is located on; from
        // the others only while there is none.
        let mut light = sheet.light.clone();
        for (b, seen) in sheet.inks.iter().enumerate() {
            let own = |at: usize| usize::from(ground.owner[at]) == b && !ground.deep[at];
            match seen {
                Some(_) if one.inks[b].n == 0 && !one.files.is_empty() => {
                    one.levels[0].forget(&own);
                }
                None if one.inks[b].n > 0 => {
                    for (at, v) in light.iter_mut().enumerate() {
                        if own(at) {
                            *v = [f32::NAN; 3];
                        }
                    }
                }
                _ => {}
            }
        }
        one.files.push(impression.file.clone());
        one.paper.add(sheet.paper);
        one.blur = one.blur.max(sheet.blur_mm);
        for (b, (ink, seen)) in one.inks.iter_mut().zip(&sheet.inks).enumerate() {
            match seen {
                Some(v) => ink.add(*v),
                None if ink.why.is_empty() => {
                    let name = &ground.blocks[b].name;
                    ink.why = sheet
                        .lost
                        .iter()
                        .find(|l| &l.0 == name)
                        .map_or(String::new(), |l| l.1.clone());
                }
                None => {}
            }
        }
        for (level, stream) in one.levels.iter_mut().enumerate() {
            stream.add(&coarser(ground, &light, level));
        }
        for (at, mean) in one.register.iter_mut().enumerate() {
            let n = one.levels[0].told(at);
            if n > 0 && light[at][0].is_finite() {
                for (m, v) in mean.iter_mut().zip(sheet.register[at]) {
                    *m += (v - *m) / f32::from(n);
                }
            }
        }
        Ok(())
    }

    /// The editions by year, then name.
    pub(crate) fn end(&self) -> Vec<Edition> {
        let mut out: Vec<Edition> = self
            .editions
            .iter()
            .map(|(name, one)| Edition {
                about: About {
                    name: name.clone(),
                    year: one.year,
                    files: one.files.clone(),
                    paper: one.paper.mean,
                    paper_scatter: one.paper.scatter(),
                    blur_mm: one.blur,
                    inks: one
                        .inks
                        .iter()
                        .zip(&self.blocks)
                        .map(|(i, block)| Ink {
                            block: block.clone(),
                            located: i.n,
                            absorption: i.mean,
                            scatter: i.scatter(),
                            why: i.why.clone(),
                        })
                        .collect(),
                },
                levels: one.levels.iter().map(Stream::end).collect(),
                register: one.register.clone(),
            })
            .collect();
        // Without a year an edition stands last.
        out.sort_by(|a, b| {
            let key = |e: &Edition| (e.about.year.is_none(), e.about.year);
            key(a).cmp(&key(b)).then(a.about.name.cmp(&b.about.name))
        });
        out
    }
}
