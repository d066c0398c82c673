//! The config file: TOML, with unknown keys refused.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use restrike_model::{ImageArea, MarkInfo, Size};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_spanned::Spanned;

use crate::refusal::{Refusal, nearest};

/// A pipeline: what is on the sheet, which stages run, where results go.
/// Paths in it are relative to the file's own folder.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Config {
    /// Name of the design.
    pub design: String,
    /// CSV list of the scans.
    pub sheet_list: Option<PathBuf>,
    /// CSV list of the blocks.
    pub block_list: Option<PathBuf>,
    /// Folder of a block record that an earlier run learned.
    pub record: Option<PathBuf>,
    /// Folder for the results.
    pub output: Option<PathBuf>,
    /// Size of the untrimmed sheet.
    pub sheet: Option<Size>,
    /// Images on the sheet: none for one of unknown place, two for a two-up sheet.
    #[serde(default, rename = "image")]
    pub images: Vec<ImageArea>,
    /// Where the sheet touches the registration marks.
    #[serde(default, rename = "mark")]
    pub marks: Vec<MarkInfo>,
    /// How scans are read.
    #[serde(default)]
    pub scan: ScanOptions,
    /// Bounds on what the run may take.
    #[serde(default)]
    pub limits: Limits,
    /// Tolerances by name, in the unit the name ends with.
    #[serde(default)]
    pub tolerances: BTreeMap<String, f64>,
    /// How pictures are written.
    #[serde(default)]
    pub pictures: PictureOptions,
    /// The stages, in order.
    #[serde(default, rename = "stage")]
    #[schemars(with = "Vec<StageConfig>")]
    pub stages: Vec<Spanned<StageConfig>>,
}

/// How scans are read.
#[derive(Debug, Clone, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ScanOptions {
    /// Resolution of every scan, pixels per inch; goes before what the files say.
    pub dpi: Option<f64>,
}

/// Bounds on what the run may take.
#[derive(Debug, Clone, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Limits {
    /// Memory for scans in flight, MiB (default 4096).
    pub memory_mib: Option<u64>,
}

/// How pictures are written.
#[derive(Debug, Clone, Deserialize, Serialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PictureOptions {
    /// Whether pictures are written at all.
    pub write: bool,
    /// Longer side in pixels.
    pub long_side_px: u32,
    /// At the scan's own resolution instead.
    pub full_size: bool,
}

impl Default for PictureOptions {
    fn default() -> Self {
        Self {
            write: true,
            long_side_px: 1600,
            full_size: false,
        }
    }
}

/// A stage of the pipeline.
#[derive(Debug, Clone, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct StageConfig {
    /// The stage's name.
    pub name: String,
    /// Its library's file, where it is not one of the standard stages.
    pub library: Option<PathBuf>,
    /// SHA-256 its library must have, hexadecimal.
    pub sha256: Option<String>,
    /// Its settings; `restrike stages NAME` lists them.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, serde_json::Value>")]
    pub settings: toml::Table,
}

impl Config {
    /// Reads a config file.
    ///
    /// # Errors
    /// With file, line, what is wrong and the nearest valid name.
    pub fn load(path: &Path) -> Result<(Self, String), Refusal> {
        let text = std::fs::read_to_string(path)
            .map_err(|e| Refusal::new(path, None, format!("cannot be read: {e}")))?;
        let config = Self::parse(&text, path)?;
        Ok((config, text))
    }

    fn parse(text: &str, path: &Path) -> Result<Self, Refusal> {
        let config: Self = toml::from_str(text).map_err(|e| {
            let line = e.span().map(|s| line_of(text, s.start));
            Refusal::new(path, line, explain(e.message()))
        })?;
        let at = |line: Option<usize>, what: &str| Err(Refusal::new(path, line, what));
        let key_line = |key: &str| {
            text.lines()
                .position(|l| l.trim_start().starts_with(key))
                .map(|n| n + 1)
        };
        if config.stages.is_empty() {
            return at(None, "no stages: add a `[[stage]]` with a `name`");
        }
        let positive = |v: f64| v.is_finite() && v > 0.0;
        if let Some(s) = config.sheet
            && !(positive(s.width_mm) && positive(s.height_mm))
        {
            return at(
                key_line("[sheet]"),
                "the sheet's size must be positive, in millimetres",
            );
        }
        if let Some(dpi) = config.scan.dpi
            && !(10.0..=20_000.0).contains(&dpi)
        {
            return at(
                key_line("dpi"),
                "`scan.dpi` must lie between 10 and 20000 pixels per inch",
            );
        }
        if !(64..=20_000).contains(&config.pictures.long_side_px) {
            return at(
                key_line("long_side_px"),
                "`pictures.long_side_px` must lie between 64 and 20000",
            );
        }
        for (i, a) in config.images.iter().enumerate() {
            if !(positive(a.width_mm) && positive(a.height_mm)) {
                return at(
                    key_line("[[image]]"),
                    &format!(
                        "image `{}` must have a positive size, in millimetres",
                        a.name
                    ),
                );
            }
            if config.images[..i].iter().any(|b| b.name == a.name) {
                return at(
                    key_line("[[image]]"),
                    &format!("two images are called `{}`", a.name),
                );
            }
        }
        for (i, s) in config.stages.iter().enumerate() {
            let s_name = &s.get_ref().name;
            if config.stages[..i]
                .iter()
                .any(|t| &t.get_ref().name == s_name)
            {
                let line = line_of(text, s.span().start);
                return at(Some(line), &format!("stage `{s_name}` stands here twice"));
            }
        }
        Ok(config)
    }

    /// The JSON Schema of a config file, for editors.
    pub fn schema() -> serde_json::Value {
        schemars::schema_for!(Self).to_value()
    }
}

/// The line, from 1, of a place in a text.
pub(crate) fn line_of(text: &str, at: usize) -> usize {
    1 + text
        .as_bytes()
        .iter()
        .take(at)
        .filter(|b| **b == b'\n')
        .count()
}

/// Adds the nearest valid name to the parser's message about an unknown one.
fn explain(message: &str) -> String {
    let names: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let message = message.trim_end().replace('\n', "; ");
    match names.split_first() {
        Some((wrong, valid)) if message.starts_with("unknown ") => {
            match nearest(wrong, valid.iter().copied()) {
                Some(near) => format!("{message}; did you mean `{near}`?"),
                None => message,
            }
        }
        _ => message,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(text: &str) -> String {
        Config::parse(text, Path::new("p.toml"))
            .unwrap_err()
            .to_string()
    }

    #[test]
    fn an_unknown_key_is_refused_with_its_line_and_the_nearest_name() {
        let e = refused("design = \"x\"\n\nsheet_lst = \"a.csv\"\n");
        assert!(e.starts_with("p.toml:3: unknown field `sheet_lst`"), "{e}");
        assert!(e.ends_with("did you mean `sheet_list`?"), "{e}");
    }

    #[test]
    fn the_same_stage_twice_is_refused() {
        let e = refused("design='x'\n[[stage]]\nname='a'\n[[stage]]\nname='a'\n");
        assert_eq!(e, "p.toml:4: stage `a` stands here twice");
    }

    #[test]
    fn sizes_must_be_sizes() {
        let e = refused("design='x'\n[sheet]\nwidth_mm=0\nheight_mm=10\n[[stage]]\nname='a'\n");
        assert!(e.starts_with("p.toml:2: the sheet's size"), "{e}");
    }
}
