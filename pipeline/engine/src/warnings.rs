//! What is worth saying of a plan before work starts, though it can be run.

use restrike_model::Role;

use crate::plan::{Plan, StagePlan};

impl Plan {
    /// What is worth saying before work starts.
    pub fn warnings(&self) -> Vec<String> {
        [
            self.no_reference(),
            self.proofs_without_blocks(),
            self.sheet_turned(),
            self.said_otherwise(),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn no_reference(&self) -> Option<String> {
        let learners: Vec<&str> = self
            .stages
            .iter()
            .map(StagePlan::manifest)
            .filter(|m| m.phases.learn)
            .filter(|m| {
                !m.gives
                    .records
                    .iter()
                    .any(|r| self.record.parts.contains_key(r))
            })
            .map(|m| m.name.as_str())
            .collect();
        let references = self
            .sheets
            .iter()
            .filter(|s| s.line.impression.role == Role::Reference)
            .count();
        (references == 0 && !learners.is_empty()).then(|| {
            format!(
                "no sheet has the role `reference`: {} cannot tell a sheet of this design from \
                 another, a verso or one upside down; three good impressions are enough",
                learners.join(" and ")
            )
        })
    }

    /// Without a block list nobody can see that a proof's block is misspelt.
    fn proofs_without_blocks(&self) -> Option<String> {
        if !self.project.blocks.is_empty() {
            return None;
        }
        let mut lines = self
            .sheets
            .iter()
            .filter(|s| matches!(s.line.impression.role, Role::Proof(_)));
        let first = lines.next()?;
        Some(format!(
            "{}:{}: {} of a block (role `proof:BLOCK`), but the config names no block list: set \
             `block_list`; without it no block's name is checked, nor which is the key block",
            self.list.display(),
            first.line.line,
            match lines.count() {
                0 => "a sheet is a proof".to_owned(),
                n => format!("this and {n} more sheets are proofs"),
            }
        ))
    }

    /// A resolution that list or config say goes before the file's own, as it should where a
    /// program left a wrong one; and where the list is wrong all lengths are.
    fn said_otherwise(&self) -> Option<String> {
        /// Programs round.
        const ROUNDED: f64 = 0.01;
        let mut told = self.sheets.iter().filter_map(|p| {
            let (said, source) = p.dpi.as_ref()?;
            let own = p.header.as_ref().ok()?.resolution.as_ref()?;
            let off = |a: f64, b: f64| (a / b - 1.0).abs() > ROUNDED;
            let otherwise = off(said.x, own.dpi.x) || off(said.y, own.dpi.y);
            otherwise.then_some((&p.line.impression.file, said, source, own))
        });
        let (file, said, source, own) = told.next()?;
        let more = match told.count() {
            0 => String::new(),
            n => format!(" (and {n} more likewise)"),
        };
        Some(format!(
            "{file}: {:.0} dpi by the {source}, {:.0} by the file itself ({}){more}: lengths are \
             taken by the {source}; where that is wrong all of them are",
            said.x, own.dpi.x, own.source
        ))
    }

    /// The stated sheet lies on most scans only when it is turned by a quarter.
    fn sheet_turned(&self) -> Option<String> {
        /// How much of the sheet may be missing on a scan, a share of its side.
        const CROPPED: f64 = 0.03;
        let s = self.project.sheet?;
        let sizes: Vec<(&str, [f64; 2])> = self
            .sheets
            .iter()
            .filter_map(|p| {
                let (h, (dpi, _)) = (p.header.as_ref().ok()?, p.dpi.as_ref()?);
                let mm = dpi.mm_per_px();
                let size = [h.width as f64 * mm[0], h.height as f64 * mm[1]];
                Some((p.line.impression.file.as_str(), size))
            })
            .collect();
        let holds = |scan: &[f64; 2], w: f64, h: f64| {
            let room = 1.0 + CROPPED;
            w <= scan[0] * room && h <= scan[1] * room
        };
        let turned = |scan: &[f64; 2]| {
            !holds(scan, s.width_mm, s.height_mm) && holds(scan, s.height_mm, s.width_mm)
        };
        let found: Vec<_> = sizes.iter().filter(|(_, scan)| turned(scan)).collect();
        let (file, scan) = found.first()?;
        (2 * found.len() > sizes.len()).then(|| {
            format!(
                "the sheet of {} x {} mm does not fit on {} of {} scans, but would turned by a \
                 quarter ({file} shows {:.0} x {:.0} mm): are its width and height exchanged, or \
                 the scans to be turned?",
                s.width_mm,
                s.height_mm,
                found.len(),
                sizes.len(),
                scan[0],
                scan[1]
            )
        })
    }
}
