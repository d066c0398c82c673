//! Renders synthetic impressions with known truth.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use clap::{Args, Parser, Subcommand};
use restrike_synth::{
    Design, DesignSpec, Difficulty, Family, Format, RunSpec, SheetSpec, Wrong, sample,
    write_design, write_list, write_run, write_sheet,
};

/// Seeded synthetic impressions of woodblock prints with known truth.
#[derive(Parser)]
#[command(name = "restrike-synth", version)]
struct Cli {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Render a run: scans, truth beside each, design.json, sheets.csv.
    Run {
        #[command(flatten)]
        design: DesignArgs,
        #[command(flatten)]
        run: RunArgs,
        /// Write the run's and the sheets' specs as well (run.json, specs.jsonl).
        #[arg(long)]
        specs: bool,
        /// Run spec (JSON, as written by --specs) instead of the run's options:
        /// drift, steps and every knob can be set there.
        #[arg(long)]
        run_spec: Option<PathBuf>,
    },
    /// Render one sheet, from the options of a run or from a spec file.
    Sheet {
        #[command(flatten)]
        design: DesignArgs,
        #[command(flatten)]
        run: RunArgs,
        /// Sheet spec (JSON), instead of the run's options.
        #[arg(long)]
        spec: Option<PathBuf>,
        /// Position in the run, from 1.
        #[arg(long, default_value_t = 1)]
        position: u32,
    },
    /// Render the sample scenario, 'Heron at the salt pans'.
    Sample {
        /// Folder to write into.
        #[arg(long)]
        out: PathBuf,
        /// Resolution.
        #[arg(long, default_value_t = 300.0)]
        dpi: f64,
        /// File format.
        #[arg(long, value_enum, default_value = "tiff-lzw")]
        format: Format,
    },
}

#[derive(Args)]
struct DesignArgs {
    /// Seed of the design.
    #[arg(long, default_value_t = 1)]
    design_seed: u64,
    /// Style family.
    #[arg(long, value_enum, default_value = "landscape")]
    family: Family,
    /// Two copies on one block and sheet.
    #[arg(long)]
    two_up: bool,
    /// No printed border line.
    #[arg(long)]
    no_frame: bool,
    /// Colour blocks, 5 to 8.
    #[arg(long, default_value_t = 6)]
    colours: usize,
    /// Sheet width, mm.
    #[arg(long, default_value_t = 180.0)]
    width: f64,
    /// Sheet height, mm.
    #[arg(long, default_value_t = 120.0)]
    height: f64,
}

impl DesignArgs {
    fn design(&self) -> Design {
        Design::generate(&DesignSpec {
            seed: self.design_seed,
            family: self.family,
            sheet_mm: [self.width, self.height],
            frame: !self.no_frame,
            two_up: self.two_up,
            colours: self.colours,
            ..DesignSpec::default()
        })
    }
}

#[derive(Args)]
struct RunArgs {
    /// Number of good sheets.
    #[arg(long, default_value_t = 10)]
    sheets: u32,
    /// How many of the first are references.
    #[arg(long, default_value_t = 0)]
    references: u32,
    /// Seed of the run.
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Resolution.
    #[arg(long, default_value_t = 300.0)]
    dpi: f64,
    /// Preset of difficulties.
    #[arg(long, value_enum, default_value = "standard")]
    difficulty: Difficulty,
    /// Add a single-block proof of each block.
    #[arg(long)]
    proofs: bool,
    /// Wrong sheets, e.g. blank:2,verso:1,upside-down:1,other-design:1,duplicate:1,reencoded:1,crop:1.
    #[arg(long, value_delimiter = ',')]
    wrong: Vec<Wrong>,
    /// Bits a sample.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u8).range(8..=16))]
    bits: u8,
    /// File format.
    #[arg(long, value_enum, default_value = "tiff-lzw")]
    format: Format,
    /// Resolution written to the files: another than the true one, or 0 for none.
    #[arg(long)]
    dpi_tag: Option<f64>,
    /// Edition.
    #[arg(long, default_value = "run")]
    edition: String,
    /// Year.
    #[arg(long)]
    year: Option<i32>,
    /// Impressions printed before the run.
    #[arg(long, default_value_t = 2000.0)]
    age: f64,
    /// Folder to write into.
    #[arg(long)]
    out: PathBuf,
}

impl RunArgs {
    fn spec(&self) -> RunSpec {
        RunSpec {
            sheets: self.sheets,
            references: self.references,
            seed: self.seed,
            dpi: self.dpi,
            proofs: self.proofs,
            wrong: self.wrong.clone(),
            bits: self.bits,
            format: self.format,
            edition: self.edition.clone(),
            year: self.year,
            age: self.age,
            ..RunSpec::new(self.difficulty)
        }
    }

    fn sheets(&self, run: &RunSpec, design: &Design) -> Vec<SheetSpec> {
        let mut sheets = run.sheets(design);
        for s in &mut sheets {
            s.scan.dpi_tag = self.dpi_tag;
        }
        sheets
    }
}

fn from_json<T: serde::de::DeserializeOwned>(path: &Path) -> anyhow::Result<T> {
    let text = std::fs::read_to_string(path).with_context(|| path.display().to_string())?;
    serde_json::from_str(&text).with_context(|| path.display().to_string())
}

fn main() -> std::process::ExitCode {
    match work(Cli::parse().command) {
        Ok(written) => {
            // Nobody may be reading; the files are written.
            let _ = writeln!(std::io::stdout(), "{written}");
            std::process::ExitCode::SUCCESS
        }
        Err(e) => {
            let _ = writeln!(std::io::stderr(), "restrike-synth: {e:#}");
            std::process::ExitCode::FAILURE
        }
    }
}

/// What was written, in words.
fn written(sheets: usize, out: &Path) -> String {
    format!(
        "wrote {sheets} scan{}, the truth beside each, design.json and sheets.csv into {}",
        if sheets == 1 { "" } else { "s" },
        out.display()
    )
}

/// Renders what a command asks for; says what was written.
fn work(command: Command) -> anyhow::Result<String> {
    match command {
        Command::Run {
            design,
            run,
            specs,
            run_spec,
        } => {
            let design = design.design();
            let spec = match run_spec {
                Some(path) => from_json(&path)?,
                None => run.spec(),
            };
            let sheets = run.sheets(&spec, &design);
            write_run(&design, &sheets, &run.out)?;
            if specs {
                let lines = sheets
                    .iter()
                    .map(serde_json::to_string)
                    .collect::<Result<Vec<_>, _>>()?;
                std::fs::write(run.out.join("specs.jsonl"), lines.join("\n") + "\n")?;
                let text = serde_json::to_string_pretty(&spec)?;
                std::fs::write(run.out.join("run.json"), text + "\n")?;
            }
            Ok(written(sheets.len(), &run.out))
        }
        Command::Sheet {
            design,
            run,
            spec,
            position,
        } => {
            let design = design.design();
            let sheet: SheetSpec = match spec {
                Some(path) => from_json(&path)?,
                None => run
                    .sheets(&run.spec(), &design)
                    .into_iter()
                    .find(|s| s.position == position)
                    .context("no sheet at that position: raise --sheets")?,
            };
            std::fs::create_dir_all(&run.out).with_context(|| run.out.display().to_string())?;
            write_design(&design, &run.out)?;
            write_list(std::slice::from_ref(&sheet), &run.out)?;
            write_sheet(&design, &sheet, &run.out)?;
            Ok(written(1, &run.out))
        }
        Command::Sample { out, dpi, format } => {
            let (design, sheets) = sample::sample(dpi, format);
            write_run(&design, &sheets, &out)?;
            Ok(written(sheets.len(), &out))
        }
    }
}
