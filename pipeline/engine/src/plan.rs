//! From a config to a checked plan: everything that can be refused is refused
//! here, before any work.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use rayon::prelude::*;
use restrike_host::{HostError, Library, Search};
use restrike_model::{Dpi, Manifest, Project};

use crate::checks::{check_chain, check_images, check_marks, check_roles};
use crate::config::{Config, PictureOptions, StageConfig, line_of};
use crate::journal;
use crate::lists::{self, SheetLine};
use crate::origin::{self, Origin, Standing};
use crate::read::{self, Header};
use crate::record::Record;
use crate::refusal::{Refusal, nearest};

/// What the command line says beside the config.
#[derive(Debug, Clone, Default)]
pub struct Overrides {
    /// Sheet list instead of the config's.
    pub sheets: Option<PathBuf>,
    /// Output folder instead of the config's.
    pub output: Option<PathBuf>,
    /// Block record instead of the config's.
    pub record: Option<PathBuf>,
    /// Memory for scans in flight, MiB.
    pub memory_mib: Option<u64>,
    /// Whether an output folder of something else may be used.
    pub replace: bool,
    /// Whether a plan without an output folder will do: it is not to be run.
    pub only_checked: bool,
}

/// A checked plan.
#[derive(Debug)]
pub struct Plan {
    /// The config's file name.
    pub config_name: String,
    /// The sheet list.
    pub list: PathBuf,
    /// What stages see of the config.
    pub project: Project,
    /// The sheets, in list order.
    pub sheets: Vec<SheetPlan>,
    /// The stages, in order.
    pub stages: Vec<StagePlan>,
    /// How pictures are written.
    pub pictures: PictureOptions,
    /// Folder for the results.
    pub output: PathBuf,
    /// The block record to start from.
    pub record: Record,
    /// Memory for scans in flight, bytes.
    pub memory: u64,
    /// Whether an output folder of something else may be used.
    pub replace: bool,
}

/// A sheet of the plan.
#[derive(Debug)]
pub struct SheetPlan {
    /// Its line in the sheet list.
    pub line: SheetLine,
    /// The scan's header, or why it cannot be read.
    pub header: Result<Header, String>,
    /// Resolution in force and where it is from; none only where the header failed.
    pub dpi: Option<(Dpi, String)>,
}

/// A stage of the plan.
#[derive(Debug)]
pub struct StagePlan {
    /// The library.
    pub library: Arc<Library>,
    /// Its settings.
    pub settings: serde_json::Value,
}

impl StagePlan {
    /// What the stage says of itself.
    pub fn manifest(&self) -> &Manifest {
        self.library.manifest()
    }
}

/// Memory for scans in flight when nothing else is said, MiB.
const DEFAULT_MEMORY_MIB: u64 = 4096;

impl Plan {
    /// Makes a plan from a config file.
    ///
    /// # Errors
    /// The first thing that is wrong, with its place and what is expected.
    pub fn new(path: &Path, overrides: &Overrides, search: &Search) -> Result<Self, Refusal> {
        let (config, text) = Config::load(path)?;
        let folder = path.parent().unwrap_or(Path::new("")).to_path_buf();
        let (list, output) = places(path, &folder, &config, overrides)?;
        let stages = stages(path, &text, &folder, &config, search)?;
        check_chain(path, &text, &config, &stages)?;
        let project = project(&folder, &config)?;
        check_images(path, &text, &project)?;
        check_marks(path, &text, &project)?;

        let lines = lists::sheets(&list)?;
        check_roles(&list, &lines, &project)?;
        let sheets = probe(&list, lines, config.scan.dpi)?;

        let record = overrides
            .record
            .clone()
            .or_else(|| config.record.as_ref().map(|p| folder.join(p)));
        let record = match record {
            Some(r) if !r.is_dir() => {
                return Err(Refusal::new(&r, None, "is no folder of a block record"));
            }
            Some(r) => Record::load(&r)?,
            None => Record::default(),
        };
        let memory_mib = overrides
            .memory_mib
            .or(config.limits.memory_mib)
            .unwrap_or(DEFAULT_MEMORY_MIB);
        Ok(Self {
            list,
            config_name: path
                .file_name()
                .map(|n| n.to_string_lossy().into_owned())
                .unwrap_or_default(),
            project,
            sheets,
            stages,
            pictures: config.pictures,
            output,
            record,
            memory: memory_mib.saturating_mul(1 << 20),
            replace: overrides.replace,
        })
    }

    /// Which run the output folder is to belong to.
    pub(crate) fn origin(&self) -> Origin {
        let folder = self.list.parent().unwrap_or(Path::new(""));
        // An empty path is the working directory.
        let folder = if folder.as_os_str().is_empty() {
            Path::new(".")
        } else {
            folder
        };
        Origin::new(
            &self.config_name,
            &self.project.design,
            &origin::seen_from(&self.output, folder),
            &self
                .list
                .file_name()
                .map(|n| n.to_string_lossy())
                .unwrap_or_default(),
            self.sheets.iter().map(|s| s.line.impression.file.as_str()),
        )
    }

    /// Sheets that an earlier run left in the output folder; those whose scan,
    /// line, settings and stages are unchanged are taken over.
    ///
    /// # Errors
    /// Why the folder cannot be used as it is.
    pub fn kept(&self) -> Result<usize, String> {
        if self.output.as_os_str().is_empty() {
            return Ok(0);
        }
        match self.origin().standing(&self.output) {
            Standing::Refused(why) if !self.replace => Err(why),
            Standing::New => Ok(0),
            Standing::Own | Standing::Refused(_) => Ok(journal::kept(&self.output)),
        }
    }

    /// Bytes a sheet takes while it is worked on.
    pub fn sheet_bytes(&self, header: &Header) -> u64 {
        let pixels = header.width as f64 * header.height as f64;
        let work = self
            .stages
            .iter()
            .map(|s| s.manifest().bytes_per_pixel)
            .fold(0.0, f64::max);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let work = (pixels * work) as u64;
        header.bytes_to_decode.saturating_add(work)
    }
}

/// The sheet list and the output folder; what is missing of them in one message.
fn places(
    path: &Path,
    folder: &Path,
    config: &Config,
    overrides: &Overrides,
) -> Result<(PathBuf, PathBuf), Refusal> {
    let of = |said: &Option<PathBuf>, config: &Option<PathBuf>| {
        said.clone()
            .or_else(|| config.as_ref().map(|p| folder.join(p)))
    };
    let list = of(&overrides.sheets, &config.sheet_list);
    let output =
        of(&overrides.output, &config.output).or_else(|| overrides.only_checked.then(PathBuf::new));
    let missing = match (list, output) {
        (Some(list), Some(output)) => return Ok((list, output)),
        (None, Some(_)) => "no sheet list: set `sheet_list`, or give one with --sheets",
        (Some(_), None) => "no output folder: set `output`, or give one with --out",
        (None, None) => {
            "no sheet list and no output folder: set `sheet_list` and `output`, or give them \
             with --sheets and --out"
        }
    };
    Err(Refusal::new(path, None, missing))
}

fn stages(
    path: &Path,
    text: &str,
    folder: &Path,
    config: &Config,
    search: &Search,
) -> Result<Vec<StagePlan>, Refusal> {
    config
        .stages
        .iter()
        .map(|spanned| {
            let stage = spanned.get_ref();
            let line = Some(line_of(text, spanned.span().start));
            let refuse = |what: String| Refusal::new(path, line, what);
            let digits = |pin: &String| pin.len() == 64 && pin.bytes().all(|b| b.is_ascii_hexdigit());
            if stage.sha256.as_ref().is_some_and(|pin| !digits(pin)) {
                return Err(refuse(format!(
                    "`sha256` of stage `{}` is no SHA-256: 64 hexadecimal digits are expected, as `sha256sum` prints them",
                    stage.name
                )));
            }
            let library = match &stage.library {
                Some(file) => folder.join(file),
                None => search
                    .find(&stage.name)
                    .map_err(|e| refuse(not_found(&e, stage, search)))?,
            };
            let library = Library::open_as(&stage.name, &library, stage.sha256.as_deref())
                .map_err(|e| refuse(e.to_string()))?;
            let settings = serde_json::to_value(&stage.settings)
                .map_err(|e| refuse(format!("settings of stage `{}`: {e}", stage.name)))?;
            library.check_settings(&settings).map_err(|e| {
                // The line of the setting itself, where the error names one.
                let key = match &e {
                    HostError::Settings { place, reason, .. } => place
                        .rsplit('/')
                        .next()
                        .filter(|k| !k.is_empty())
                        .or_else(|| reason.split('\'').nth(1))
                        .map(str::to_owned),
                    _ => None,
                };
                let line = key
                    .and_then(|k| setting_line(text, spanned.span(), &k))
                    .or(line);
                Refusal::new(path, line, with_hint(&e, &library))
            })?;
            Ok(StagePlan {
                library: Arc::new(library),
                settings,
            })
        })
        .collect()
}

/// Adds the nearest setting's name to a message about an unknown one.
fn with_hint(e: &HostError, library: &Library) -> String {
    let known: Vec<String> = library.manifest().settings["properties"]
        .as_object()
        .map(|o| o.keys().cloned().collect())
        .unwrap_or_default();
    match e {
        HostError::Settings { place, reason, .. } if !choices(library, place).is_empty() => {
            let all = choices(library, place);
            let wrong = reason.split('"').nth(1).unwrap_or_default();
            let hint = nearest(wrong, all.iter().map(String::as_str))
                .map(|n| format!("; did you mean `{n}`?"))
                .unwrap_or_default();
            format!("{e}; expected one of {}{hint}", all.join(", "))
        }
        HostError::Settings { reason, .. } if reason.contains("dditional properties") => {
            let wrong = reason.split('\'').nth(1).unwrap_or_default();
            let hint = nearest(wrong, known.iter().map(String::as_str))
                .map(|n| format!("; did you mean `{n}`?"))
                .unwrap_or_default();
            format!("{e}{hint} (settings of this stage: {})", known.join(", "))
        }
        _ => e.to_string(),
    }
}

/// The words a setting of few choices may be; none for another.
fn choices(library: &Library, place: &str) -> Vec<String> {
    let name = place.rsplit('/').next().unwrap_or_default();
    let schema = &library.manifest().settings;
    schema_choices(schema, &schema["properties"][name])
}

/// The words that a property's schema allows: an enumeration, or one constant of several.
pub fn schema_choices(schema: &serde_json::Value, property: &serde_json::Value) -> Vec<String> {
    let property = match property["$ref"].as_str().and_then(|r| r.strip_prefix('#')) {
        Some(path) => schema.pointer(path).unwrap_or(property),
        None => property,
    };
    let words = |v: &serde_json::Value| v.as_str().map(str::to_owned);
    let mut out: Vec<String> = property["enum"]
        .as_array()
        .into_iter()
        .flatten()
        .filter_map(words)
        .collect();
    for one in property["oneOf"].as_array().into_iter().flatten() {
        out.extend(words(&one["const"]));
        out.extend(
            one["enum"]
                .as_array()
                .into_iter()
                .flatten()
                .filter_map(words),
        );
    }
    out
}

fn setting_line(text: &str, span: std::ops::Range<usize>, key: &str) -> Option<usize> {
    let start = line_of(text, span.start);
    text.lines()
        .enumerate()
        .skip(start - 1)
        .find(|(_, l)| {
            l.trim_start()
                .strip_prefix(key)
                .is_some_and(|rest| rest.trim_start().starts_with('='))
        })
        .map(|(n, _)| n + 1)
}

fn not_found(e: &HostError, stage: &StageConfig, search: &Search) -> String {
    let there: Vec<String> = search
        .all()
        .iter()
        .filter_map(|p| Library::open(p, None).ok())
        .map(|l| l.manifest().name.clone())
        .collect();
    match nearest(&stage.name, there.iter().map(String::as_str)) {
        Some(near) => format!("{e}; did you mean `{near}`?"),
        None => e.to_string(),
    }
}

fn project(folder: &Path, config: &Config) -> Result<Project, Refusal> {
    let blocks = match &config.block_list {
        Some(list) => lists::blocks(&folder.join(list))?,
        None => Vec::new(),
    };
    Ok(Project {
        design: config.design.clone(),
        sheet: config.sheet,
        images: config.images.clone(),
        blocks,
        marks: config.marks.clone(),
        tolerances: config.tolerances.clone(),
    })
}

/// Reads every header, and settles each scan's resolution.
fn probe(
    list: &Path,
    lines: Vec<SheetLine>,
    config_dpi: Option<f64>,
) -> Result<Vec<SheetPlan>, Refusal> {
    let sheets: Vec<SheetPlan> = lines
        .into_par_iter()
        .map(|line| {
            let header = read::probe(&line.path).map_err(|e| e.to_string());
            let said = line
                .dpi
                .map(|d| (Dpi::square(d), "sheet list".to_owned()))
                .or_else(|| config_dpi.map(|d| (Dpi::square(d), "config".to_owned())));
            let dpi = said.or_else(|| {
                let r = header.as_ref().ok()?.resolution.as_ref()?;
                Some((r.dpi, r.source.to_string()))
            });
            SheetPlan { line, header, dpi }
        })
        .collect();
    let without: Vec<&SheetPlan> = sheets
        .iter()
        .filter(|s| s.header.is_ok() && s.dpi.is_none())
        .collect();
    if let Some(first) = without.first() {
        const MOST: usize = 20;
        let files = without.iter().map(|s| s.line.impression.file.as_str());
        let mut named = files.take(MOST).collect::<Vec<_>>().join(", ");
        if without.len() > MOST {
            named.push_str(&format!(" and {} more", without.len() - MOST));
        }
        let holds = if without.len() == 1 { "holds" } else { "hold" };
        return Err(Refusal::new(
            list,
            Some(first.line.line),
            format!(
                "{named} {holds} no resolution; say it in the column `dpi` of the sheet list, or \
                 for all scans with `dpi` under `[scan]` in the config"
            ),
        ));
    }
    Ok(sheets)
}
