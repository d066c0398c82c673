//! `restrike`: the command line over the pipeline.

mod args;
mod pair;
mod palette;
mod plan;
mod record;
mod record_drawing;
mod run;
mod stages;
mod tell;
mod write;

use std::io::Write;
use std::process::ExitCode;

use clap::{CommandFactory, Parser};

use args::{Cli, Command};
use tell::Teller;

/// Everything was measured.
const ALL_MEASURED: u8 = 0;
/// The run failed.
const FAILED: u8 = 1;
/// Refused before work.
const REFUSED: u8 = 2;
/// Some sheets were not measured.
const SOME_NOT_MEASURED: u8 = 3;
/// Stopped by the person.
const STOPPED: u8 = 130;

/// What ends a command early: exit code, kind, message.
struct End {
    code: u8,
    kind: &'static str,
    message: String,
}

impl End {
    fn refused(message: impl std::fmt::Display) -> Self {
        Self {
            code: REFUSED,
            kind: "refused",
            message: message.to_string(),
        }
    }

    fn failed(message: impl std::fmt::Display) -> Self {
        Self {
            code: FAILED,
            kind: "failed",
            message: message.to_string(),
        }
    }
}

fn main() -> ExitCode {
    let cli = Cli::parse();
    let teller = Teller::new(cli.log);
    let done = match cli.command {
        Command::Run(args) => run::run(&args, &teller),
        Command::Check(inputs) => plan::check(&inputs),
        Command::Stages(args) => stages::show(&args),
        Command::Pair(args) => pair::run(&args, &teller),
        Command::Palette(args) => palette::run(&args),
        Command::Record { folder, drawings } => record::show(&folder, drawings.as_deref()),
        Command::Schema => print(&json_text(&restrike_engine::Config::schema())),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut Cli::command(), "restrike", &mut text);
            print(&String::from_utf8_lossy(&text))
        }
        Command::Man => {
            // The subcommands' pages follow: their options stand nowhere else.
            let mut text = Vec::new();
            let mut whole = Cli::command();
            whole.build();
            let pages = std::iter::once(whole.clone()).chain(whole.get_subcommands().cloned());
            let rendered = pages
                .filter(|c| c.get_name() != "help")
                .map(|c| clap_mangen::Man::new(c).render(&mut text))
                .collect::<Result<Vec<()>, _>>();
            match rendered {
                Ok(_) => print(&String::from_utf8_lossy(&text)),
                Err(e) => Err(End::failed(e)),
            }
        }
    };
    match done {
        Ok(code) => ExitCode::from(code),
        Err(end) => {
            teller.error(end.kind, &end.message);
            ExitCode::from(end.code)
        }
    }
}

/// Writes to standard output; a reader that goes away early is no error.
fn print(text: &str) -> Result<u8, End> {
    match std::io::stdout().lock().write_all(text.as_bytes()) {
        Err(e) if e.kind() != std::io::ErrorKind::BrokenPipe => Err(End::failed(e)),
        _ => Ok(ALL_MEASURED),
    }
}

fn json_text(value: &serde_json::Value) -> String {
    format!("{value:#}\n")
}
