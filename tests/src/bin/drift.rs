//! Prints how well the stage `drift` keeps what it promises.

use anyhow::{Result, ensure};
use clap::{Parser, ValueEnum};
use restrike_tests::drift;

/// Puts made-up series of known truth through the stage `drift` and prints how
/// often its intervals hold, its tests cry wolf and its charts see a jump.
#[derive(Parser)]
struct Args {
    /// What to report on; everything without it.
    what: Option<What>,
    /// Series of each kind.
    #[arg(long, default_value_t = 1000)]
    series: usize,
    /// Fail unless the promises are kept.
    #[arg(long)]
    check: bool,
}

#[derive(Clone, Copy, PartialEq, ValueEnum)]
enum What {
    /// Intervals of the slope.
    Slopes,
    /// Steady series called drifting.
    Alarms,
    /// Verdicts, places and sizes of jumps.
    Verdicts,
    /// Control charts.
    Charts,
}

fn main() -> Result<()> {
    let args = Args::parse();
    let mut missed = Vec::new();
    for (what, report) in [
        (
            What::Slopes,
            drift::slopes as fn(usize) -> Result<drift::Report>,
        ),
        (What::Alarms, drift::alarms),
        (What::Verdicts, drift::verdicts),
        (What::Charts, drift::charts),
    ] {
        if args.what.is_none_or(|w| w == what) {
            let r = report(args.series)?;
            println!("{}", r.text);
            missed.extend(r.missed);
        }
    }
    ensure!(
        !args.check || missed.is_empty(),
        "not as promised: {}",
        missed.join("; ")
    );
    Ok(())
}
