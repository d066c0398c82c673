//! What the whole tool costs on large scans, beside a bare decode of the same
//! files: CPU seconds a sheet and peak memory, each from a process of its own.
//!
//! Linux only: the figures are from `/proc`.

use std::io::BufReader;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context, Result, bail, ensure};
use clap::Parser;
use restrike_synth::{Design, DesignSpec, Difficulty, Family, RunSpec, SheetSpec};
use restrike_tests::whole::{block_list, config};

/// Renders a few large sheets, runs the pipeline over a list of them, and
/// prints CPU seconds and peak memory beside those of a bare decode.
#[derive(Parser)]
struct Args {
    /// Sheets in the list; the rendered ones are listed again under other names.
    #[arg(long, default_value_t = 20)]
    sheets: u32,
    /// Different scans that are rendered.
    #[arg(long, default_value_t = 4)]
    rendered: u32,
    /// Width of the sheet, mm (390 x 245 mm at 600 dpi are about 54 megapixels with the bed).
    #[arg(long, default_value_t = 390.0)]
    width_mm: f64,
    /// Height of the sheet, mm.
    #[arg(long, default_value_t = 245.0)]
    height_mm: f64,
    /// Resolution, pixels per inch.
    #[arg(long, default_value_t = 600.0)]
    dpi: f64,
    /// Stages, in order.
    #[arg(long, value_delimiter = ',', default_value = "deskew")]
    stages: Vec<String>,
    /// A proof of each block is listed first: registration and what rests on it
    /// learn from them, which is counted.
    #[arg(long)]
    proofs: bool,
    /// So many editions of equal size: every sheet is a reference of one and all
    /// are rendered, none listed again (for stage comparison).
    #[arg(long, default_value_t = 0)]
    editions: u32,
    /// Threads of the pipeline.
    #[arg(long, default_value_t = 1)]
    threads: u32,
    /// Whether pictures are written as well.
    #[arg(long)]
    pictures: bool,
    /// The executable; without it the one beside this program.
    #[arg(long)]
    restrike: Option<PathBuf>,
    /// Decode these files and nothing else (used by the program on itself).
    #[arg(long, hide = true)]
    decode: Vec<PathBuf>,
}

/// What a process took.
struct Cost {
    cpu: Duration,
    peak_kib: u64,
}

fn main() -> Result<()> {
    let args = Args::parse();
    if !args.decode.is_empty() {
        return args.decode.iter().try_for_each(|p| bare_decode(p));
    }
    let here = std::env::current_exe()?;
    let restrike = match &args.restrike {
        Some(path) => path.clone(),
        None => here.with_file_name("restrike"),
    };
    ensure!(
        restrike.is_file(),
        "{} is not there: build it in the same profile (`cargo build --release`)",
        restrike.display()
    );
    let folder = tempfile::tempdir()?;
    let scans = render(&args, folder.path())?;
    let bytes = std::fs::metadata(&scans[0])?.len();
    let (width, height) = size(&scans[0])?;
    println!(
        "{} sheets of {width} x {height} px ({:.1} megapixels), 8-bit RGB, LZW, {:.0} MB a file",
        args.sheets,
        f64::from(width) * f64::from(height) / 1e6,
        bytes as f64 / 1e6
    );
    let mut bare = Command::new(&here);
    for p in &scans {
        bare.arg("--decode").arg(p);
    }
    let bare = cost(&mut bare)?;
    let mut run = Command::new(&restrike);
    run.arg("run").arg(folder.path().join("p.toml")).args([
        "--threads",
        &args.threads.to_string(),
        "--log",
        "quiet",
    ]);
    let run = cost(&mut run)?;
    let each = |c: &Cost| c.cpu.as_secs_f64() / f64::from(args.sheets);
    let decoded = f64::from(width) * f64::from(height) * 3.0 / 1024.0;
    println!("bare decode: {:.3} CPU s a sheet", each(&bare));
    println!(
        "restrike ({}; {} thread(s); pictures: {}): {:.3} CPU s a sheet, {:.2} x the bare decode",
        args.stages.join(", "),
        args.threads,
        if args.pictures { "yes" } else { "no" },
        each(&run),
        each(&run) / each(&bare)
    );
    println!(
        "peak memory: {:.0} MiB, {:.2} x one decoded scan a thread",
        run.peak_kib as f64 / 1024.0,
        run.peak_kib as f64 / decoded / f64::from(args.threads)
    );
    Ok(())
}

fn render(args: &Args, folder: &Path) -> Result<Vec<PathBuf>> {
    let design = Design::generate(&DesignSpec {
        seed: 54,
        family: Family::Landscape,
        sheet_mm: [args.width_mm, args.height_mm],
        ..DesignSpec::default()
    });
    let (rendered, references) = match args.editions {
        0 => (args.rendered, 1),
        _ => (args.sheets, args.sheets),
    };
    let spec = RunSpec {
        sheets: rendered,
        references,
        seed: 54,
        dpi: args.dpi,
        proofs: args.proofs,
        ..RunSpec::new(Difficulty::Standard)
    };
    let sheets = spec.sheets(&design);
    let scans = folder.join("scans");
    restrike_synth::write_run(&design, &sheets, &scans).map_err(|e| anyhow::anyhow!("{e}"))?;
    let path =
        |name: &str, s: &SheetSpec| scans.join(format!("{name}.{}", s.scan.format.extension()));
    let (proofs, good): (Vec<&SheetSpec>, Vec<&SheetSpec>) =
        sheets.iter().partition(|s| s.role.starts_with("proof:"));
    let mut list = String::from("file,impression,role,edition,year\n");
    let mut line = |file: &Path, name: &str, role: &str, edition: &str| {
        let file = file.file_name().unwrap_or_default().to_string_lossy();
        list.push_str(&format!("{file},{name},{role},{edition}\n"));
    };
    for s in proofs {
        line(&path(&s.name, s), &s.name, &s.role, ",");
    }
    let mut files = Vec::new();
    for n in 0..args.sheets as usize {
        let s = good[n % good.len()];
        let own = path(&s.name, s);
        let (name, file) = if n < good.len() {
            (s.name.clone(), own)
        } else {
            // A list names no file twice: a further name for the same bytes.
            let name = format!("{}-again-{n}", s.name);
            let file = path(&name, s);
            std::fs::hard_link(own, &file)?;
            (name, file)
        };
        let edition = match args.editions as usize {
            0 => ",".to_owned(),
            k => format!("{0},{0}", 1900 + n % k),
        };
        let role = if n < good.len() { &s.role } else { "run" };
        line(&file, &name, role, &edition);
        files.push(file);
    }
    std::fs::write(scans.join("sheets.csv"), list)?;
    std::fs::write(folder.join("blocks.csv"), block_list(&design))?;
    let stages: Vec<&str> = args.stages.iter().map(String::as_str).collect();
    let mut text = config(&design, &stages, args.proofs);
    if args.pictures {
        text = text.replace("write = false", "write = true");
    }
    std::fs::write(folder.join("p.toml"), text)?;
    Ok(files)
}

fn decoder(path: &Path) -> Result<tiff::decoder::Decoder<BufReader<std::fs::File>>> {
    let file = BufReader::new(std::fs::File::open(path)?);
    Ok(tiff::decoder::Decoder::new(file)?.with_limits(tiff::decoder::Limits::unlimited()))
}

fn size(path: &Path) -> Result<(u32, u32)> {
    Ok(decoder(path)?.dimensions()?)
}

fn bare_decode(path: &Path) -> Result<()> {
    let image = decoder(path)?.read_image()?;
    std::hint::black_box(image);
    Ok(())
}

/// Runs a command and reads its CPU time and peak memory off `/proc` just
/// before it is gone.
fn cost(command: &mut Command) -> Result<Cost> {
    let before = children_cpu()?;
    let mut child = command.stdout(Stdio::null()).spawn()?;
    let status = format!("/proc/{}/status", child.id());
    let mut peak_kib = 0;
    let started = Instant::now();
    let ended = loop {
        if let Ok(text) = std::fs::read_to_string(&status) {
            let found = text.lines().find_map(|l| {
                let words = l.strip_prefix("VmHWM:")?;
                words.split_whitespace().next()?.parse::<u64>().ok()
            });
            peak_kib = peak_kib.max(found.unwrap_or(0));
        }
        if let Some(ended) = child.try_wait()? {
            break ended;
        }
        if started.elapsed() > Duration::from_secs(3600) {
            child.kill()?;
            bail!("it took more than an hour");
        }
        std::thread::sleep(Duration::from_millis(5));
    };
    // 3: some of the scans are listed twice and called duplicates.
    ensure!(
        matches!(ended.code(), Some(0 | 3)),
        "the measured command ended with {ended}"
    );
    Ok(Cost {
        cpu: children_cpu()? - before,
        peak_kib,
    })
}

/// CPU time of all children that have ended, user and system.
fn children_cpu() -> Result<Duration> {
    let stat = std::fs::read_to_string("/proc/self/stat")?;
    // The fields after the name, which may hold spaces: proc(5), fields 16 and 17.
    let (_, rest) = stat.rsplit_once(')').context("/proc/self/stat")?;
    let fields: Vec<&str> = rest.split_whitespace().collect();
    let ticks =
        |n: usize| -> Result<u64> { Ok(fields.get(n).context("/proc/self/stat")?.parse::<u64>()?) };
    // Linux counts in hundredths of a second on all common systems.
    Ok(Duration::from_millis((ticks(13)? + ticks(14)?) * 10))
}
