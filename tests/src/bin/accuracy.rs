//! Prints how accurate the whole tool is over synthetic impressions.

use anyhow::{Result, ensure};
use clap::{Parser, ValueEnum};
use restrike_synth::Difficulty;

/// Renders impressions with known truth, runs the pipeline on them, and prints
/// its errors. The designs are not those the stages were tuned on.
#[derive(Parser)]
struct Args {
    /// What to report on.
    what: What,
    /// Good sheets of each of the five designs (20 for deskew, 40 for identity).
    #[arg(long)]
    sheets: Option<u32>,
    /// Resolution, pixels per inch.
    #[arg(long, default_value_t = 300.0)]
    dpi: f64,
    /// How hard the sheets are.
    #[arg(long, value_enum, default_value_t = Hardness::Standard)]
    difficulty: Hardness,
    /// Use the designs that stages are tuned on (deskew, identity, grading and story have none).
    #[arg(long)]
    tuning: bool,
    /// All designs two-up (registration only).
    #[arg(long)]
    two_up: bool,
    /// Edges retreat by up to this over the run, mm (registration only).
    #[arg(long, default_value_t = 0.0)]
    retreat: f64,
    /// The colours' inks cover up to this share of what lies under them (registration and
    /// separation); not given it is 0, and 0.08 with `--difficulty hard`.
    #[arg(long)]
    body: Option<f64>,
    /// Blocks lie up to 3 mm and 10 mrad off the key, on proofs too (registration only).
    #[arg(long)]
    far: bool,
    /// The record is of the block as it was before any damage (wear only).
    #[arg(long)]
    sound: bool,
    /// Folder for a picture of each place that is counted as wrong (wear only).
    #[arg(long)]
    cut_outs: Option<std::path::PathBuf>,
    /// No proofs: shapes from a reference impression (registration and separation).
    #[arg(long)]
    no_proofs: bool,
    /// Only this one of the designs (registration, separation, wear, lines, editions and recut),
    /// or of the families (pairs: landscape, figure, pattern, lettering; equal editions: pattern,
    /// landscape, figure, heron).
    #[arg(long, value_parser = clap::value_parser!(u8).range(1..=5))]
    design: Option<u8>,
    /// File for a table of the rows' errors (registration only).
    #[arg(long)]
    rows: Option<std::path::PathBuf>,
    /// Breaks are planted near sharp corners of the key's lines as well (wear only).
    #[arg(long)]
    corners: bool,
    /// Another seed for the designs (wear, lines, pairs and equal editions, with `--tuning` only).
    #[arg(long, requires = "tuning")]
    seed: Option<u64>,
    /// So many small designs of five equal editions each, and nothing planted (editions only).
    #[arg(long)]
    equal: Option<usize>,
    /// Only small parts at a low resolution (pairs only).
    #[arg(long)]
    small: bool,
    /// Fail unless the targets are met.
    #[arg(long)]
    check: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum What {
    /// Turn and corners of sheet and border.
    Deskew,
    /// Names of wrong sheets.
    Identity,
    /// Where each colour block lies, with proofs.
    Registration,
    /// What each colour block printed (2 sheets of each design unless said).
    Separation,
    /// Breaks of key lines and what is damage to the block (600 dpi unless said).
    Wear,
    /// Width, raggedness and blur of key lines, retreat and raggedness of the colour
    /// blocks' edges, on planted sines and noise by turns (600 dpi and two sheets of each design unless said).
    Lines,
    /// A planted story told back: 120 two-up sheets, a trend, a step, a chip.
    Story,
    /// Register at the worst corner of an image, as graded, and the forecast of
    /// sheets to print.
    Grading,
    /// Planted differences between editions found, and false ones between
    /// editions without any (`--sheets` in each of four editions, 4 unless said).
    Editions,
    /// Worn, re-cut or plugged, by block (`--sheets` in each of four editions, 2 unless said).
    Recut,
    /// Two scans of unknown scale, turn and part brought together.
    Pairs,
    /// What two scans are to each other.
    Relations,
}

#[derive(Clone, Copy, ValueEnum)]
enum Hardness {
    Easy,
    Standard,
    Hard,
}

fn trial(args: &Args, pairs: usize, difficulty: Difficulty) -> restrike_tests::pairs::Trial {
    restrike_tests::pairs::Trial {
        pairs: args.sheets.map_or(pairs, |n| n as usize),
        dpi: args.dpi,
        difficulty,
        tuning: args.tuning,
        small: args.small,
        family: args.design.map(|d| usize::from(d) - 1),
        seed: args.seed,
    }
}

fn main() -> Result<()> {
    let args = Args::parse();
    let difficulty = match args.difficulty {
        Hardness::Easy => Difficulty::Easy,
        Hardness::Standard => Difficulty::Standard,
        Hardness::Hard => Difficulty::Hard,
    };
    let design = args.design.map(|d| usize::from(d) - 1);
    match args.what {
        What::Deskew => {
            let r =
                restrike_tests::deskew::report(args.sheets.unwrap_or(20), args.dpi, difficulty)?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.refused == 0, "good sheets without figures");
                ensure!(r.border_deg.rms() <= 0.005, "turn worse than 0.005 deg rms");
                ensure!(r.border_px.rms() <= 0.5, "corners worse than 0.5 px rms");
            }
        }
        What::Identity => {
            let sheets = args.sheets.unwrap_or(40);
            let r = restrike_tests::identity::report(sheets, args.dpi, difficulty)?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.wrong() == 0, "sheets called by another name");
            }
        }
        What::Registration => {
            let sheets = args.sheets.unwrap_or(20);
            let r = restrike_tests::registration::report(restrike_tests::registration::Trial {
                sheets,
                dpi: args.dpi,
                difficulty,
                tuning: args.tuning,
                two_up: args.two_up,
                retreat_mm: args.retreat,
                far: args.far,
                body: args.body,
                no_proofs: args.no_proofs,
                design,
            })?;
            println!("{}", r.text());
            if let Some(path) = &args.rows {
                let mut out = csv::Writer::from_path(path)?;
                for row in &r.rows {
                    out.serialize(row)?;
                }
                out.flush()?;
            }
        }
        What::Grading => {
            for (two_up, what) in [(false, "sheets"), (true, "two-up copies")] {
                let r = restrike_tests::grading::promise(two_up, 2000)?;
                println!("{}", r.text(what));
                if args.check {
                    ensure!(r.filled_pct() >= 93.0, "orders are not filled as forecast");
                }
            }
            let sheets = args.sheets.unwrap_or(20);
            let r = restrike_tests::grading::register(sheets, args.dpi, difficulty)?;
            println!("{}", r.text());
        }
        What::Story => {
            let r = restrike_tests::story::report(args.sheets.unwrap_or(120))?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.told(), "the story was not told back");
            }
        }
        What::Wear | What::Lines => {
            let breaks = matches!(args.what, What::Wear);
            let trial = restrike_tests::wear::Trial {
                sheets: args.sheets.unwrap_or(if breaks { 20 } else { 2 }),
                dpi: if args.dpi == 300.0 { 600.0 } else { args.dpi },
                difficulty,
                tuning: args.tuning,
                sound: args.sound,
                corners: args.corners,
                seed: args.seed,
                design,
                cut_outs: args.cut_outs,
            };
            if breaks {
                println!("{}", restrike_tests::wear::report(&trial)?.text());
            } else {
                println!("{}", restrike_tests::wear_lines::report(&trial)?);
            }
        }
        What::Separation => {
            let r = restrike_tests::separation::report(restrike_tests::separation::Trial {
                sheets: args.sheets.unwrap_or(2),
                dpi: args.dpi,
                difficulty,
                body: args.body,
                tuning: args.tuning,
                design,
                no_proofs: args.no_proofs,
            })?;
            println!("{}", r.text());
        }
        What::Editions => {
            let trial = restrike_tests::editions::Trial {
                sheets: args.sheets.unwrap_or(4),
                dpi: args.dpi,
                difficulty,
                tuning: args.tuning,
                design,
            };
            if let Some(designs) = args.equal {
                let r = restrike_tests::editions_equal::report(trial, designs, args.seed)?;
                println!("{}", r.text());
                return Ok(());
            }
            let r = restrike_tests::editions::report(trial)?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.found_pct() >= 95.0, "planted differences not found");
            }
        }
        What::Recut => {
            let r = restrike_tests::recut::report(restrike_tests::editions::Trial {
                sheets: args.sheets.unwrap_or(2),
                dpi: args.dpi,
                difficulty,
                tuning: args.tuning,
                design,
            })?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.auc() >= 0.98, "worn and re-cut not told apart");
                ensure!(r.wrong_pct() <= 2.0, "wrong when decided");
            }
        }
        What::Relations => {
            let r = restrike_tests::pairs::relations(trial(&args, 40, difficulty))?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.wrong() == 0, "pairs called what they are not");
            }
        }
        What::Pairs => {
            let r = restrike_tests::pairs::report(trial(&args, 200, difficulty))?;
            println!("{}", r.text());
            if args.check {
                ensure!(r.success() >= 0.98, "fewer than 98 % brought together");
                ensure!(r.wrong == 0, "pairs brought together wrongly");
                ensure!(r.different_matched == 0, "different designs matched");
            }
        }
    }
    Ok(())
}
