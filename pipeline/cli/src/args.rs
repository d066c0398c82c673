//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Measures woodblock impressions from scans: a sheet list goes in, tables and
/// pictures come out.
#[derive(Debug, Parser)]
#[command(name = "restrike", version, arg_required_else_help = true, after_help = EXIT_CODES)]
pub(crate) struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub(crate) command: Command,
    /// How the run's progress and remarks are told (on standard error).
    #[arg(long, global = true, value_enum, default_value_t = Log::Text)]
    pub(crate) log: Log,
}

/// What the exit code says.
const EXIT_CODES: &str = "Exit codes:
  0    every sheet was measured by every stage
  1    the run failed (a stage or the disk); the message says why
  2    refused: the command line, config, lists or output folder; nothing was written
  3    the run ended, but some sheets were not measured: see run.json
  130  stopped; the same command continues where this one ended";

/// How things are told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Log {
    /// For people.
    Text,
    /// A JSON object a line.
    Json,
    /// Only errors.
    Quiet,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Run a pipeline over its sheet list.
    Run(RunArgs),
    /// Check a config, its lists and its scans' headers, and show the plan.
    Check(Inputs),
    /// List the stages there are, or show one: its settings and tables.
    Stages(StagesArgs),
    /// Say what two scans are to each other, without a config: aligned from scratch,
    /// with the evidence, a difference picture and a table.
    Pair(crate::pair::PairArgs),
    /// Propose a block list from one coloured sheet, to be edited: a guess, marked as such.
    Palette(crate::palette::PaletteArgs),
    /// Show what a block record holds: its parts, where each is from, zeros and inks.
    Record {
        /// The record's folder (`record` in a run's output folder).
        folder: PathBuf,
        /// Also draw each block's edges, true to size, into this folder (SVG).
        #[arg(long, value_name = "FOLDER")]
        drawings: Option<PathBuf>,
    },
    /// Print the JSON Schema of a config file, for editors.
    Schema,
    /// Print a completion script for a shell.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Print the manual page.
    Man,
}

/// What a pipeline works on.
#[derive(Debug, Args)]
pub(crate) struct Inputs {
    /// The config file.
    pub(crate) config: PathBuf,
    /// Sheet list instead of the config's.
    #[arg(long, value_name = "CSV")]
    pub(crate) sheets: Option<PathBuf>,
    /// Output folder instead of the config's.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) out: Option<PathBuf>,
    /// Block record instead of the config's.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) record: Option<PathBuf>,
    /// Memory for scans in flight, MiB.
    #[arg(long, value_name = "MIB")]
    pub(crate) memory: Option<u64>,
    #[command(flatten)]
    pub(crate) search: SearchArgs,
}

/// Where stages are looked for.
#[derive(Debug, Args)]
pub(crate) struct SearchArgs {
    /// A folder of stage libraries, looked in first; may be given again.
    #[arg(long, value_name = "FOLDER")]
    pub(crate) plugin_dir: Vec<PathBuf>,
}

/// A run.
#[derive(Debug, Args)]
pub(crate) struct RunArgs {
    #[command(flatten)]
    pub(crate) inputs: Inputs,
    /// Threads; as many as there are processors without it. Results do not depend on it.
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=1024))]
    pub(crate) threads: Option<u16>,
    /// Work in the output folder even though it holds something else.
    #[arg(long)]
    pub(crate) replace: bool,
}

/// Which stages to show.
#[derive(Debug, Args)]
pub(crate) struct StagesArgs {
    /// A stage's name; all without it.
    pub(crate) name: Option<String>,
    /// As JSON, with the settings' schema.
    #[arg(long)]
    pub(crate) json: bool,
    #[command(flatten)]
    pub(crate) search: SearchArgs,
}
